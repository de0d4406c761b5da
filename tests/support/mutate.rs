//! Damage to files, the same for the same seed: turned bits, cuts, swapped blocks, numbers edited
//! in headers, pieces of other files.

/// FITS blocks are the largest piece that is moved.
const LARGEST_PIECE: usize = 2880;

/// Where headers of all formats lie.
const HEADER_BYTES: usize = 6000;

/// Numbers at which sizes and offsets go wrong.
const NUMBERS: [&str; 24] = [
    "0",
    "1",
    "-1",
    "2",
    "3",
    "7",
    "8",
    "9",
    "16",
    "-32",
    "-64",
    "64",
    "100",
    "255",
    "1000",
    "32768",
    "65535",
    "100000",
    "2147483647",
    "2147483648",
    "4294967296",
    "9223372036854775807",
    "1e308",
    "-1E-300",
];

/// Words in place of numbers.
const WORDS: [&str; 8] = [
    "NaN",
    "'text'",
    "T",
    "''",
    "1,5",
    "-00 00 00.1",
    "'24:00:00'",
    "=",
];

/// A source of damage.
pub struct Mutator {
    state: u64,
}

impl Mutator {
    /// The damage of a seed.
    pub fn new(seed: u64) -> Mutator {
        Mutator { state: seed }
    }

    /// A number below `bound` (SplitMix64; Steele, Lea & Flood 2014).
    pub fn below(&mut self, bound: usize) -> usize {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % bound.max(1) as u64) as usize
    }

    /// A damaged copy of `good`; pieces may come from `other`.
    pub fn mutate(&mut self, good: &[u8], other: &[u8]) -> Vec<u8> {
        let mut bytes = good.to_vec();
        for _ in 0..=self.below(3) {
            match self.below(10) {
                0 | 1 => self.turn_bits(&mut bytes),
                2 => {
                    let cut = self.place(bytes.len());
                    bytes.truncate(cut);
                }
                3 => self.swap_pieces(&mut bytes),
                4..=6 => self.edit_number(&mut bytes),
                7 => self.binary_number(&mut bytes),
                8 => self.overwrite(&mut bytes),
                _ => self.splice(&mut bytes, other),
            }
        }
        bytes
    }

    /// A place in `length` bytes: in the header every other time.
    fn place(&mut self, length: usize) -> usize {
        let span = if self.below(2) == 0 {
            length
        } else {
            length.min(HEADER_BYTES)
        };
        self.below(span)
    }

    fn turn_bits(&mut self, bytes: &mut [u8]) {
        for _ in 0..=self.below(4) {
            let at = self.place(bytes.len());
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1 << self.below(8);
            }
        }
    }

    fn swap_pieces(&mut self, bytes: &mut [u8]) {
        let size = [1, 4, 80, 512, LARGEST_PIECE][self.below(5)].min(bytes.len() / 2);
        if size == 0 {
            return;
        }
        let slots = bytes.len() / size;
        let (a, b) = (self.below(slots), self.below(slots));
        for i in 0..size {
            bytes.swap(a * size + i, b * size + i);
        }
    }

    /// Another value in a card, behind `=`.
    fn edit_number(&mut self, bytes: &mut [u8]) {
        let cards: Vec<usize> = (0..bytes.len().min(2 * HEADER_BYTES).saturating_sub(80))
            .step_by(80)
            .filter(|at| bytes[*at + 8] == b'=')
            .collect();
        if cards.is_empty() {
            return self.binary_number(bytes);
        }
        let card = cards[self.below(cards.len())];
        let value = if self.below(5) == 0 {
            WORDS[self.below(WORDS.len())]
        } else {
            NUMBERS[self.below(NUMBERS.len())]
        };
        bytes[card + 10..card + 30].copy_from_slice(format!("{value:>20}").as_bytes());
    }

    /// An integer of 2, 4 or 8 bytes, either byte order.
    fn binary_number(&mut self, bytes: &mut [u8]) {
        let number = [
            0,
            1,
            8,
            0x7f,
            0xff,
            0x7fff,
            0xffff,
            0x7fff_ffff,
            0xffff_ffff,
            u64::MAX / 2,
        ][self.below(10)];
        let size = [2, 4, 8][self.below(3)];
        let at = self.place(bytes.len());
        let coded = if self.below(2) == 0 {
            number.to_be_bytes()[8 - size..].to_vec()
        } else {
            number.to_le_bytes()[..size].to_vec()
        };
        if let Some(target) = bytes.get_mut(at..at + size) {
            target.copy_from_slice(&coded);
        }
    }

    fn overwrite(&mut self, bytes: &mut [u8]) {
        let (at, length) = (self.place(bytes.len()), self.below(200));
        let fill = [0, 0xff, b' ', b'9', self.below(256) as u8][self.below(5)];
        let end = (at + length).min(bytes.len());
        if let Some(target) = bytes.get_mut(at..end) {
            target.fill(fill);
        }
    }

    fn splice(&mut self, bytes: &mut Vec<u8>, other: &[u8]) {
        let at = self.place(bytes.len());
        let from = self.place(other.len());
        let until = (from + self.below(2 * LARGEST_PIECE)).min(other.len());
        let removed = self.below(LARGEST_PIECE).min(bytes.len() - at);
        bytes.splice(at..at + removed, other[from..until].iter().copied());
    }
}

/// A PNG file with the checksums of its chunks made right, as far as its chunks can be followed:
/// else nothing behind a checksum would ever be reached.
pub fn sign_png(bytes: &mut [u8]) {
    let mut at = 8;
    while let Some(head) = bytes.get(at..at + 4) {
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
        let end = (at + 8).saturating_add(length);
        let Some(content) = bytes.get(at + 4..end) else {
            return;
        };
        let mut crc = flate2::Crc::new();
        crc.update(content);
        let Some(stored) = bytes.get_mut(end..end + 4) else {
            return;
        };
        stored.copy_from_slice(&crc.sum().to_be_bytes());
        at = end + 4;
    }
}
