//! RICE_1: differences of neighbouring pixels, coded in blocks with a common number of low bits.
//!
//! Source: FITS 4.0, section 10.4.1; Rice, Yeh & Miller 1993 (AIAA Comp. in Aerospace 9).

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
        1 => Width { split_bits: 3, split_max: 6, bits: 8 },
        2 => Width { split_bits: 4, split_max: 14, bits: 16 },
        4 => Width { split_bits: 5, split_max: 25, bits: 32 },
        _ => return Err(Fault::damaged(format!(
            "has BYTEPIX {bytes_per_pixel}, which Rice compression does not know: compress it again"
        ))),
    };
    let mut bits = Bits::new(data);
    let mut last = bits.take(width.bits)?;
    let mut pixels = Vec::with_capacity(count);
    while pixels.len() < count {
        let n = block.clamp(1, count - pixels.len());
        decode_block(&mut bits, &width, n, &mut last, &mut pixels)?;
    }
    Ok(pixels)
}

fn decode_block(
    bits: &mut Bits,
    width: &Width,
    count: usize,
    last: &mut u32,
    pixels: &mut Vec<i32>,
) -> Result<(), Fault> {
    let shift = 32 - width.bits;
    let signed = |value: u32| match width.bits {
        8 => (value & 0xff) as i32,
        _ => ((value << shift) as i32) >> shift,
    };
    match bits.take(width.split_bits)? {
        0 => pixels.extend(std::iter::repeat_n(signed(*last), count)),
        code => {
            let split = code - 1;
            for _ in 0..count {
                let folded = if split >= width.split_max {
                    bits.take(width.bits)?
                } else {
                    let high = bits.zeros()?;
                    high.wrapping_shl(split) | bits.take(split)?
                };
                // Even codes are differences upwards, odd ones downwards.
                let difference = (folded >> 1) ^ (folded & 1).wrapping_neg();
                *last = last.wrapping_add(difference);
                pixels.push(signed(*last));
            }
        }
    }
    Ok(())
}

/// Reads bits, most significant first.
struct Bits<'a> {
    rest: &'a [u8],
    /// The next `have` bits, left-aligned; zeros behind them.
    window: u64,
    have: u32,
}

impl<'a> Bits<'a> {
    fn new(data: &'a [u8]) -> Bits<'a> {
        Bits {
            rest: data,
            window: 0,
            have: 0,
        }
    }

    /// Takes in as many whole bytes as fit.
    #[inline]
    fn refill(&mut self) {
        let bytes = ((64 - self.have) / 8) as usize;
        if let Some((eight, _)) = self.rest.split_first_chunk::<8>() {
            // At least one byte: this is called with 32 bits or fewer left.
            let taken = u64::from_be_bytes(*eight) >> (64 - 8 * bytes) << (64 - 8 * bytes);
            self.window |= taken >> self.have;
            self.have += 8 * bytes as u32;
            self.rest = &self.rest[bytes..];
            return;
        }
        let (now, later) = self.rest.split_at(bytes.min(self.rest.len()));
        for byte in now {
            self.window |= u64::from(*byte) << (56 - self.have);
            self.have += 8;
        }
        self.rest = later;
    }

    /// The next `count` bits, at most 32.
    #[inline]
    fn take(&mut self, count: u32) -> Result<u32, Fault> {
        if count == 0 {
            return Ok(0);
        }
        if self.have < count {
            self.refill();
            if self.have < count {
                return Err(ran_out());
            }
        }
        let value = (self.window >> (64 - count)) as u32;
        self.window <<= count;
        self.have -= count;
        Ok(value)
    }

    /// Counts zeros up to the next one, which is consumed too.
    #[inline]
    fn zeros(&mut self) -> Result<u32, Fault> {
        let mut zeros = 0;
        loop {
            let leading = self.window.leading_zeros();
            if leading < self.have {
                self.window = (self.window << leading) << 1;
                self.have -= leading + 1;
                return Ok(zeros + leading);
            }
            zeros += self.have;
            (self.window, self.have) = (0, 0);
            self.refill();
            if self.have == 0 {
                return Err(ran_out());
            }
        }
    }
}

fn ran_out() -> Fault {
    Fault::damaged("has compressed pixels that end too early: copy it again")
}
