//! PLIO_1: masks, as a list of runs of zeros and of one value that changes by steps.
//!
//! Source: FITS 4.0, section 10.4.3 and table 39 (the instructions); what the words in front of
//! them mean is that of IRAF's line lists, as the C library cfitsio writes them.

use crate::frame::fault::Fault;

/// First word of the instructions where the list does not say it.
const FIRST: usize = 3;

/// Decodes `count` pixels from a list of big-endian 16-bit words. What the list does not reach is
/// zero.
pub(super) fn decode(data: &[u8], count: usize) -> Result<Vec<i32>, Fault> {
    let words: Vec<u16> = data
        .as_chunks()
        .0
        .iter()
        .map(|b| u16::from_be_bytes(*b))
        .collect();
    instructions(&words)
        .and_then(|words| pixels(words, count))
        .ok_or_else(|| Fault::damaged("has a compressed mask that makes no sense: copy it again"))
}

/// The words behind the head. Its third is the length of the list or, in all lists of today, not
/// above zero; then the second is the length of the head, and fourth and fifth are that of the
/// list, the lower 15 bits first.
fn instructions(words: &[u16]) -> Option<&[u16]> {
    let word = |at: usize| words.get(at).map(|w| usize::from(*w));
    if (1..0x8000).contains(&word(2)?) {
        return words.get(FIRST..word(2)?);
    }
    words.get(word(1)?..word(3)? | word(4)? << 15)
}

fn pixels(words: &[u16], count: usize) -> Option<Vec<i32>> {
    let mut pixels = vec![0; count];
    let mut rest = pixels.as_mut_slice();
    let mut value = 1_i32;
    let mut words = words.iter();
    while let Some(word) = words.next() {
        let operand = i32::from(word & 0xfff);
        let (run, filled) = match word >> 12 {
            // Zeros; then a run of the value, and zeros that end with it.
            0 => (operand, 0),
            4 => (operand, operand),
            5 => (operand, operand.min(1)),
            // The value anew, in two words.
            1 => {
                value = (i32::from(*words.next()?) << 12).wrapping_add(operand);
                continue;
            }
            // The value more or less, by itself or with one pixel of it.
            2 | 6 => {
                value = value.wrapping_add(operand);
                let pixel = i32::from(word >> 12 == 6);
                (pixel, pixel)
            }
            3 | 7 => {
                value = value.wrapping_sub(operand);
                let pixel = i32::from(word >> 12 == 7);
                (pixel, pixel)
            }
            _ => return None,
        };
        let (now, later) = rest.split_at_mut_checked(run as usize)?;
        now[(run - filled) as usize..].fill(value);
        rest = later;
    }
    Some(pixels)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(instructions: &[u16]) -> Vec<u8> {
        let head = [0, 7, 0xff9c, 7 + instructions.len() as u16, 0, 0, 0];
        let words = head.iter().chain(instructions);
        words.flat_map(|word| word.to_be_bytes()).collect()
    }

    /// Each instruction of FITS 4.0, table 39.
    #[test]
    fn instructions_do_what_the_standard_says() {
        let words = [
            0x0002, 0x4002, 0x5003, 0x1001, 0x0002, 0x4001, 0x2004, 0x4001, 0x3002, 0x4001, 0x6001,
            0x7005, 0x0001,
        ];
        let expected = [0, 0, 1, 1, 0, 0, 1, 8193, 8197, 8195, 8196, 8191, 0, 0];
        assert_eq!(decode(&list(&words), 14).unwrap(), expected);
        assert!(decode(&list(&words), 12).is_err(), "more than the tile");
        assert!(decode(&list(&[0x8001]), 14).is_err(), "no instruction");
        assert!(decode(&list(&[0x1001]), 14).is_err(), "half of one");
        assert!(decode(&list(&words)[..30], 14).is_err(), "cut short");
    }

    #[test]
    fn a_list_may_have_the_short_head() {
        let words = [0_u16, 0, 5, 0x4002, 0x5002];
        let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
        assert_eq!(decode(&bytes, 5).unwrap(), [1, 1, 0, 1, 0]);
    }
}
