//! The frame's quads, searchable by code: the index's codes stream past this table.
//!
//! Code space is cut into 2^20 coarse cells, whose number is the leading part of every packed
//! code. A bitmap of 128 KiB says which cells any frame quad reaches. A running count of set bits
//! leads from a set bit to the cell's number among the occupied ones, where sixteen bits say which
//! of its parts are reached: few index quads get beyond there, to the cell's list.

use super::FrameQuad;
use star_index::quad::{
    COARSE_CELLS, Code, coarse_cell, coarse_cells_near, part_of_cell, steps, steps_within,
};

/// Frame quads by coarse cell.
#[derive(Debug, Clone)]
pub struct QuadTable {
    quads: Vec<FrameQuad>,
    bitmap: Vec<u64>,
    /// Number of set bits before each word of the bitmap.
    ranks: Vec<u32>,
    /// Parts of each occupied cell that a quad reaches.
    parts: Vec<u16>,
    /// Where the list of each occupied cell begins in `members`.
    starts: Vec<u32>,
    members: Vec<Limits>,
    /// The quad of each member.
    numbers: Vec<u32>,
}

/// Codes sieved together: they stay in the first-level cache.
const CHUNK: usize = 512;

/// What a comparison needs in one register: the first step allowed of each number, and the last
/// ones with their sign turned.
type Limits = [i16; 8];

fn limits(code: Code, radius: f32) -> Limits {
    let [first, last] = steps_within(code, radius);
    std::array::from_fn(|k| if k < 4 { first[k] } else { -last[k - 4] })
}

/// The number of an occupied cell among the occupied ones.
fn rank(bitmap: &[u64], ranks: &[u32], cell: usize) -> usize {
    let before = bitmap[cell / 64] & ((1 << (cell % 64)) - 1);
    (ranks[cell / 64] + before.count_ones()) as usize
}

impl QuadTable {
    /// Sorts `quads` into the cells that their tolerance reaches.
    pub fn new(quads: Vec<FrameQuad>) -> QuadTable {
        let mut entries: Vec<u64> = Vec::with_capacity(quads.len() * 4);
        let mut bitmap = vec![0_u64; COARSE_CELLS / 64];
        for (number, quad) in quads.iter().enumerate() {
            coarse_cells_near(quad.code, quad.radius, |cell, parts| {
                bitmap[cell / 64] |= 1 << (cell % 64);
                entries.push((cell as u64) << 44 | (number as u64) << 16 | u64::from(parts));
            });
        }
        let mut ranks = Vec::with_capacity(bitmap.len());
        let mut count = 0;
        for word in &bitmap {
            ranks.push(count);
            count += word.count_ones();
        }
        // Counted and dealt out, cell by cell in the order of the quads: sorting takes four times as
        // long.
        let cells: Vec<u32> = entries
            .iter()
            .map(|&entry| rank(&bitmap, &ranks, (entry >> 44) as usize) as u32)
            .collect();
        let mut starts = vec![0_u32; count as usize + 1];
        for &cell in &cells {
            starts[cell as usize + 1] += 1;
        }
        for cell in 1..starts.len() {
            starts[cell] += starts[cell - 1];
        }
        let all: Vec<Limits> = quads.iter().map(|q| limits(q.code, q.radius)).collect();
        let mut next = starts.clone();
        let mut parts = vec![0_u16; count as usize];
        let mut numbers = vec![0_u32; entries.len()];
        let mut members = vec![Limits::default(); entries.len()];
        for (&entry, &cell) in entries.iter().zip(&cells) {
            let number = (entry >> 16) as u32 & ((1 << 28) - 1);
            let at = &mut next[cell as usize];
            numbers[*at as usize] = number;
            members[*at as usize] = all[number as usize];
            *at += 1;
            parts[cell as usize] |= entry as u16;
        }
        QuadTable {
            quads,
            bitmap,
            ranks,
            parts,
            starts,
            members,
            numbers,
        }
    }

    /// Number of quads.
    pub fn len(&self) -> usize {
        self.quads.len()
    }

    /// True where there is no quad.
    pub fn is_empty(&self) -> bool {
        self.quads.is_empty()
    }

    /// A quad by its number.
    pub fn quad(&self, number: u32) -> Option<&FrameQuad> {
        self.quads.get(number as usize)
    }

    /// Calls `visit` with every pair of a packed code (its number in the stream) and a frame quad
    /// whose tolerance holds it, in the order of the stream.
    ///
    /// Codes pass three sieves one after the other, a chunk at a time: what passes is counted
    /// rather than branched on, since no processor can guess which codes will.
    pub fn scan(&self, codes: impl Iterator<Item = u64>, mut visit: impl FnMut(u32, u32)) {
        let mut chunk = [(0_u32, 0_u64); CHUNK];
        let mut length = 0;
        for (number, code) in codes.enumerate() {
            let cell = coarse_cell(code);
            chunk[length] = (number as u32, code);
            length += (self.bitmap[cell / 64] >> (cell % 64) & 1) as usize;
            if length == CHUNK {
                self.sieve(&mut chunk, &mut visit);
                length = 0;
            }
        }
        self.sieve(&mut chunk[..length], &mut visit);
    }

    /// Calls `visit` with the number of every frame quad whose tolerance holds the packed code.
    pub fn matches(&self, packed: u64, mut visit: impl FnMut(u32)) {
        let cell = coarse_cell(packed);
        if self.bitmap[cell / 64] >> (cell % 64) & 1 == 1 {
            self.sieve(&mut [(0, packed)], &mut |_, quad| visit(quad));
        }
    }

    /// The second and third sieve, for codes of occupied cells.
    fn sieve(&self, chunk: &mut [(u32, u64)], visit: &mut impl FnMut(u32, u32)) {
        let mut length = 0;
        for at in 0..chunk.len() {
            let (number, code) = chunk[at];
            chunk[length] = (number, code);
            let parts = self.parts[self.rank(coarse_cell(code))];
            length += usize::from(parts >> part_of_cell(code) & 1);
        }
        for &(number, code) in &chunk[..length] {
            self.compare(code, |quad| visit(number, quad));
        }
    }

    fn rank(&self, cell: usize) -> usize {
        rank(&self.bitmap, &self.ranks, cell)
    }

    fn compare(&self, packed: u64, mut visit: impl FnMut(u32)) {
        let steps = steps(packed);
        let probe: Limits = std::array::from_fn(|k| if k < 4 { steps[k] } else { -steps[k - 4] });
        let rank = self.rank(coarse_cell(packed));
        let list = self.starts[rank] as usize..self.starts[rank + 1] as usize;
        for (limits, &number) in self.members[list.clone()].iter().zip(&self.numbers[list]) {
            // All eight at once rather than one after the other: no branch, one instruction.
            let outside = (0..8).fold(0_i16, |any, k| any | -i16::from(probe[k] < limits[k]));
            if outside == 0 {
                visit(number);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use star_index::quad::{pack, unpack};

    /// Slow but obvious: every pair compared.
    #[test]
    fn finds_what_a_full_comparison_finds() {
        let mut seed = 1_u64;
        let mut next = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 40) as f32 / (1 << 24) as f32
        };
        let mut code = || [next(), next() * 1.6 - 0.8, next(), next() * 1.6 - 0.8];
        let quads: Vec<FrameQuad> = (0..400)
            .map(|i| FrameQuad {
                code: code(),
                radius: 0.02 + 0.0002 * i as f32,
                detections: [0, 1, 2, 3],
                length: 1.0,
                flipped: false,
            })
            .collect();
        let table = QuadTable::new(quads.clone());
        let mut total = 0;
        for _ in 0..4000 {
            let packed = pack(code());
            let probe = unpack(packed);
            let expected: Vec<u32> = (0..400_u32)
                .filter(|&n| {
                    let quad = &quads[n as usize];
                    (0..4).all(|k| (quad.code[k] - probe[k]).abs() <= quad.radius)
                })
                .collect();
            let mut found = Vec::new();
            table.matches(packed, |n| found.push(n));
            assert_eq!(found, expected);
            total += found.len();
        }
        assert!(total > 100, "the test must meet matches");
    }
}
