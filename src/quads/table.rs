//! The frame's quads, searchable by code: the index's codes stream past this table.
//!
//! Code space is cut into 2^20 coarse cells, whose number is the leading part of every packed
//! code. A bitmap of 128 KiB says which cells any frame quad reaches; most index quads end
//! there, after one look. A running count of set bits leads from a set bit to the cell's list.

use super::FrameQuad;
use star_index::quad::{COARSE_CELLS, coarse_cell, coarse_cells_near, unpack};

/// Frame quads by coarse cell.
#[derive(Debug, Clone)]
pub struct QuadTable {
    quads: Vec<FrameQuad>,
    bitmap: Vec<u64>,
    /// Number of set bits before each word of the bitmap.
    ranks: Vec<u32>,
    /// Where the list of each occupied cell begins in `members`.
    starts: Vec<u32>,
    /// Quad numbers.
    members: Vec<u32>,
}

impl QuadTable {
    /// Sorts `quads` into the cells that their tolerance reaches.
    pub fn new(quads: Vec<FrameQuad>) -> QuadTable {
        let mut entries: Vec<u64> = Vec::with_capacity(quads.len() * 4);
        let mut bitmap = vec![0_u64; COARSE_CELLS / 64];
        for (number, quad) in quads.iter().enumerate() {
            coarse_cells_near(quad.code, quad.radius, |cell| {
                bitmap[cell / 64] |= 1 << (cell % 64);
                entries.push((cell as u64) << 32 | number as u64);
            });
        }
        entries.sort_unstable();
        let mut ranks = Vec::with_capacity(bitmap.len());
        let mut count = 0;
        for word in &bitmap {
            ranks.push(count);
            count += word.count_ones();
        }
        let mut starts = Vec::with_capacity(count as usize + 1);
        let mut previous = u64::MAX;
        for (at, entry) in entries.iter().enumerate() {
            if entry >> 32 != previous {
                previous = entry >> 32;
                starts.push(at as u32);
            }
        }
        starts.push(entries.len() as u32);
        let members = entries.iter().map(|&entry| entry as u32).collect();
        QuadTable {
            quads,
            bitmap,
            ranks,
            starts,
            members,
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

    /// Calls `visit` with the number of every frame quad whose tolerance holds the packed code.
    #[inline]
    pub fn matches(&self, packed: u64, visit: impl FnMut(u32)) {
        let cell = coarse_cell(packed);
        let word = self.bitmap[cell / 64];
        let bit = 1_u64 << (cell % 64);
        if word & bit != 0 {
            self.compare(packed, cell, word & (bit - 1), visit);
        }
    }

    fn compare(&self, packed: u64, cell: usize, before: u64, mut visit: impl FnMut(u32)) {
        let code = unpack(packed);
        let rank = (self.ranks[cell / 64] + before.count_ones()) as usize;
        let list = self.starts[rank] as usize..self.starts[rank + 1] as usize;
        for &number in &self.members[list] {
            let quad = &self.quads[number as usize];
            let off = (0..4).fold(0.0_f32, |m, k| m.max((quad.code[k] - code[k]).abs()));
            if off <= quad.radius {
                visit(number);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use star_index::quad::pack;

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
