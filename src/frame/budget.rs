//! What decoding a file may cost: memory by the length of the file and the size of the picture in
//! it, time by the frame's deadline. Every decoder is handed one and asks it before it takes memory
//! for a number that only a header claims.

use super::fault::Fault;
use crate::Deadline;

/// Largest number of pixels of a plane that is accepted: ten times today's largest sensors. A
/// claim above it is damage, not a camera.
const MAX_PIXELS: u64 = 1 << 30;

/// Pixels of a plane that need no justification: an empty frame compresses a thousandfold and must
/// still open.
const FREE_PIXELS: u64 = 64 << 20;

/// Pixels beyond them for each byte of the file: noise, and every sky is noise, takes more than a
/// bit a pixel.
const PIXELS_PER_BYTE: u64 = 8;

/// Expansion up to this many bytes is held against [`DENSEST`] only.
const FREE_EXPANSION_BYTES: u64 = 256 << 20;

/// Expansion up to this many bytes is never questioned.
const SMALL_BYTES: u64 = 4 << 20;

/// No coding of grey values that is read here makes more than this many bytes of one: deflate
/// reaches 1032 (RFC 1951: 258 bytes for two bits), on nothing but zeros.
const DENSEST: u64 = 1100;

/// Above [`FREE_EXPANSION_BYTES`] a compressed frame may expand by this much. Sky background is
/// noise, which compresses by a factor of 1.2 to 10.
const MAX_EXPANSION: u64 = 50;

/// Narrowest side of a frame, pixels. Below that no star image fits.
const MIN_SIDE_PX: u64 = 8;

/// Memory for everything besides the samples of the picture that any file may ask for: with what
/// the program takes anyway it stays below 400 MB.
const FREE_WORK_BYTES: u64 = 320 << 20;

/// Where the file is large it may take this many times its length instead.
const WORK_PER_BYTE: u64 = 32;

/// What decoding one file may cost.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Budget {
    stored: u64,
    deadline: Deadline,
}

impl Budget {
    /// The budget of a file of `stored` bytes that is to be read before `deadline`.
    pub(crate) fn new(stored: u64, deadline: Deadline) -> Budget {
        Budget { stored, deadline }
    }

    /// Length of the file, bytes.
    pub(crate) fn stored(&self) -> u64 {
        self.stored
    }

    /// When to give up.
    pub(crate) fn deadline(&self) -> Deadline {
        self.deadline
    }

    /// To be asked between two steps of decoding.
    pub(crate) fn check_time(&self) -> Result<(), Fault> {
        if self.deadline.passed() {
            return Err(Fault::TimeLimit);
        }
        Ok(())
    }

    /// Checks a picture that is compressed: the pixels of a plane, and the bytes of all its
    /// samples.
    pub(crate) fn check_picture(&self, pixels: u64, expanded: u64) -> Result<(), Fault> {
        let most = self.stored.saturating_mul(PIXELS_PER_BYTE);
        if pixels > FREE_PIXELS.saturating_add(most) {
            return Err(Fault::damaged(format!(
                "claims {pixels} pixels in {} bytes, too few for a picture of the sky to expand from: \
                 get the frame again from where it was taken",
                self.stored
            )));
        }
        self.check_expansion(expanded)
    }

    /// Checks how many bytes are to come out of the file.
    pub(crate) fn check_expansion(&self, expanded: u64) -> Result<(), Fault> {
        let most = if expanded > FREE_EXPANSION_BYTES {
            MAX_EXPANSION
        } else {
            DENSEST
        };
        if expanded > SMALL_BYTES && expanded / most > self.stored {
            return Err(Fault::damaged(format!(
                "claims to expand from {} to {expanded} bytes, which no picture of the sky does: \
                 get the frame again from where it was taken",
                self.stored
            )));
        }
        Ok(())
    }

    /// Bytes that decoding may hold at a time beside the samples that
    /// [`check_expansion`](Budget::check_expansion) has passed.
    pub(crate) fn work_bytes(&self) -> u64 {
        FREE_WORK_BYTES.max(self.stored.saturating_mul(WORK_PER_BYTE))
    }

    /// Checks that this many bytes are within [`work_bytes`](Budget::work_bytes).
    pub(crate) fn check_work(&self, bytes: u64) -> Result<(), Fault> {
        if bytes <= self.work_bytes() {
            return Ok(());
        }
        Err(Fault::damaged(format!(
            "would take {} MB of memory to decode, more than any sound file of {} bytes: get the \
             frame again from where it was taken, or store it without compression",
            bytes >> 20,
            self.stored
        )))
    }
}

/// Checks a claimed size of a plane: wide enough for a star, small enough to be a camera's.
pub(crate) fn check_size(width: u64, height: u64) -> Result<(), Fault> {
    if width.checked_mul(height).is_none_or(|n| n > MAX_PIXELS) {
        return Err(Fault::damaged(format!(
            "claims {width} x {height} pixels, more than any camera has: get the frame again from \
             where it was taken"
        )));
    }
    if width.min(height) < MIN_SIDE_PX {
        return Err(Fault::damaged(format!(
            "is {width} x {height} pixels, too small to show stars: give the whole frame"
        )));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cameras_write_is_within_the_budget() {
        let of = |stored| Budget::new(stored, Deadline::NONE);
        // An empty frame of 61 million pixels, packed a thousandfold.
        assert!(
            of(130_000)
                .check_picture(9576 * 6388, 2 * 9576 * 6388)
                .is_ok()
        );
        // 151 million pixels at half their bytes, and as a JPEG of two bits each.
        for stored in [150_000_000, 38_000_000] {
            let pixels = 14_204 * 10_652;
            assert!(check_size(14_204, 10_652).is_ok());
            assert!(of(stored).check_picture(pixels, 3 * pixels).is_ok());
        }
        assert!(of(300_000).check_picture(16_000 * 16_000, 1).is_err());
        assert!(of(8640).check_picture(1000, 10_000_000).is_err());
        assert!(check_size(1 << 20, 1 << 20).is_err());
        assert!(of(0).check_work(FREE_WORK_BYTES).is_ok());
        assert!(of(10_000_000).check_work(336_000_000).is_err());
        assert!(of(100_000_000).check_work(3_200_000_000).is_ok());
    }
}
