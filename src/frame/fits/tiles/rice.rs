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
    fn take(&mut self, count: u32) -> Option<u32> {
        if count == 0 {
            return Some(0);
        }
        if self.have < count {
            self.refill();
            if self.have < count {
                return None;
            }
        }
        let value = (self.window >> (64 - count)) as u32;
        self.window <<= count;
        self.have -= count;
        Some(value)
    }

    /// A number whose high bits are counted in zeros before a one, followed by `split` low bits.
    #[inline]
    fn unary_and(&mut self, split: u32) -> Option<u32> {
        if self.have < 32 {
            self.refill();
        }
        let zeros = self.window.leading_zeros();
        let used = zeros + 1 + split;
        if used <= self.have && used < 64 {
            // Shifted in two steps, since `split` may be zero.
            let low = (self.window << (zeros + 1)) >> 1 >> (63 - split);
            self.window <<= used;
            self.have -= used;
            return Some((zeros << split) | low as u32);
        }
        let zeros = self.zeros()?;
        Some(zeros.wrapping_shl(split) | self.take(split)?)
    }

    /// Counts zeros up to the next one, which is consumed too.
    fn zeros(&mut self) -> Option<u32> {
        let mut zeros = 0_u32;
        loop {
            let leading = self.window.leading_zeros();
            if leading < self.have {
                self.window = (self.window << leading) << 1;
                self.have -= leading + 1;
                return Some(zeros.wrapping_add(leading));
            }
            zeros = zeros.wrapping_add(self.have);
            (self.window, self.have) = (0, 0);
            self.refill();
            if self.have == 0 {
                return None;
            }
        }
    }
}
