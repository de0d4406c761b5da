//! The bits of a coded tile, one after the other.

/// Reads bits, most significant first.
pub(super) struct Bits<'a> {
    rest: &'a [u8],
    /// The next `have` bits, left-aligned; zeros behind them.
    window: u64,
    have: u32,
}

impl<'a> Bits<'a> {
    /// Begins at the first bit of `data`.
    pub(super) fn new(data: &'a [u8]) -> Bits<'a> {
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
    pub(super) fn take(&mut self, count: u32) -> Option<u32> {
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
    pub(super) fn unary_and(&mut self, split: u32) -> Option<u32> {
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

    /// Goes on at the next whole byte.
    pub(super) fn align(&mut self) {
        // The window is filled by whole bytes.
        let rest = self.have % 8;
        self.window <<= rest;
        self.have -= rest;
    }
}
