//! The checksum of FITS: ones' complement sum of 32-bit words, written in letters and digits.
//!
//! Source: FITS 4.0, appendix J.

/// ones' complement sum of big-endian 32-bit words, fed in pieces.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sum(u64);

impl Sum {
    /// Adds bytes; all pieces but the last have a multiple of four, and zeros fill the last.
    pub(super) fn add(&mut self, bytes: &[u8]) {
        let (words, rest) = bytes.as_chunks::<4>();
        for word in words {
            self.0 += u64::from(u32::from_be_bytes(*word));
        }
        if !rest.is_empty() {
            let mut last = [0; 4];
            last[..rest.len()].copy_from_slice(rest);
            self.0 += u64::from(u32::from_be_bytes(last));
        }
        self.0 = u64::from(self.fold());
    }

    /// Adds another sum.
    pub(super) fn add_sum(&mut self, other: u32) {
        self.0 += u64::from(other);
    }

    /// The sum, carries brought round.
    pub(super) fn fold(self) -> u32 {
        let mut sum = self.0;
        while sum >> 32 != 0 {
            sum = (sum & 0xffff_ffff) + (sum >> 32);
        }
        sum as u32
    }
}

/// The complement of `sum` in 16 letters and digits.
pub(super) fn encode_complement(sum: u32) -> String {
    let mut text = [b'0'; 16];
    for (i, byte) in (!sum).to_be_bytes().into_iter().enumerate() {
        for (j, c) in spread(byte).into_iter().enumerate() {
            text[4 * j + i] = c;
        }
    }
    // The value begins one byte behind a word boundary.
    text.rotate_right(1);
    text.iter().map(|&b| char::from(b)).collect()
}

/// Four characters, each 0x30 plus about a quarter of the byte, punctuation avoided in pairs.
fn spread(byte: u8) -> [u8; 4] {
    const OFFSET: u8 = 0x30;
    let quarter = byte / 4 + OFFSET;
    let mut four = [quarter + byte % 4, quarter, quarter, quarter];
    let punctuation = |c: u8| (0x3a..=0x40).contains(&c) || (0x5b..=0x60).contains(&c);
    for pair in four.chunks_exact_mut(2) {
        while pair.iter().any(|c| punctuation(*c)) {
            pair[0] += 1;
            pair[1] -= 1;
        }
    }
    four
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first is the worked example of FITS 4.0, appendix J.3; the others are astropy 8.0.2,
    /// `PrimaryHDU()._char_encode(0xffffffff - sum)`.
    #[test]
    fn encodes_like_the_standard() {
        assert_eq!(encode_complement(868_229_149), "hcHjjc9ghcEghc9g");
        assert_eq!(encode_complement(0), "orrrrooooooooooo");
        assert_eq!(encode_complement(1), "orrrqooooooooooo");
        assert_eq!(encode_complement(0x1234_5678), "QleaTkbTQkbZQkbZ");
    }

    /// astropy 8.0.2, `PrimaryHDU()._compute_checksum(bytes)`.
    #[test]
    fn sums_like_astropy() {
        let bytes: Vec<u8> = (0..5760_u32)
            .map(|i| ((i * 37 + i / 256 * 91 + 250) % 256) as u8)
            .collect();
        let mut sum = Sum::default();
        for piece in bytes.chunks(1024) {
            sum.add(piece);
        }
        assert_eq!(sum.fold(), 1_366_265_776);
    }
}
