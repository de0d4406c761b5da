//! RICE_1: differences of neighbouring pixels, coded in blocks with a common number of low bits.
//!
//! Source: FITS 4.0, section 10.4.1; Rice, Yeh & Miller 1993 (AIAA Comp. in Aerospace 9).

use super::bits::Bits;
use crate::frame::fault::Fault;

/// Widths of the code for one pixel size.
struct Width {
    /// Bits of the split number in front of each block.
    split_bits: u32,
    /// Split number that says 'stored as they are'.
    split_max: u32,
    /// Bits of a pixel.
    bits: u32,
}

/// Decodes `count` pixels of `bytes_per_pixel` (1, 2 or 4) in blocks of `block` pixels.
///
/// Pixels of one byte are unsigned, the others signed. Damage shows itself only where the data
/// run out: the code has no redundancy.
pub(super) fn decode(
    data: &[u8],
    count: usize,
    bytes_per_pixel: usize,
    block: usize,
) -> Result<Vec<i32>, Fault> {
    let width = match bytes_per_pixel {
        1 => Width {
            split_bits: 3,
            split_max: 6,
            bits: 8,
        },
        2 => Width {
            split_bits: 4,
            split_max: 14,
            bits: 16,
        },
        4 => Width {
            split_bits: 5,
            split_max: 25,
            bits: 32,
        },
        _ => {
            return Err(Fault::damaged(format!(
                "has BYTEPIX {bytes_per_pixel}, which Rice compression does not know: compress it again"
            )));
        }
    };
    pixels(data, count, &width, block.max(1))
        .ok_or_else(|| Fault::damaged("has compressed pixels that end too early: copy it again"))
}

/// `None` where the data run out. (An error with a text would slow the inner loop down.)
fn pixels(data: &[u8], count: usize, width: &Width, block: usize) -> Option<Vec<i32>> {
    let mut bits = Bits::new(data);
    let mut last = bits.take(width.bits)?;
    let mut pixels = vec![0; count];
    for out in pixels.chunks_mut(block) {
        decode_block(&mut bits, width, &mut last, out)?;
    }
    Some(pixels)
}

fn decode_block(bits: &mut Bits, width: &Width, last: &mut u32, out: &mut [i32]) -> Option<()> {
    let shift = 32 - width.bits;
    let is_byte = width.bits == 8;
    let signed = |value: u32| {
        if is_byte {
            (value & 0xff) as i32
        } else {
            ((value << shift) as i32) >> shift
        }
    };
    let code = bits.take(width.split_bits)?;
    if code == 0 {
        out.fill(signed(*last));
        return Some(());
    }
    let split = code - 1;
    for pixel in out {
        let folded = if split >= width.split_max {
            bits.take(width.bits)?
        } else {
            bits.unary_and(split)?
        };
        // Even codes are differences upwards, odd ones downwards.
        let difference = (folded >> 1) ^ (folded & 1).wrapping_neg();
        *last = last.wrapping_add(difference);
        *pixel = signed(*last);
    }
    Some(())
}
