//! Which detections a candidate has already been judged by.

use super::field::MOST_SPOTS;

const WORDS: usize = MOST_SPOTS.div_ceil(64);

/// A set of detections by their places in the order of brightness.
#[derive(Debug, Clone, Copy, Default)]
pub struct Seen {
    words: [u64; WORDS],
}

impl Seen {
    pub fn insert(&mut self, rank: usize) {
        if let Some(word) = self.words.get_mut(rank / 64) {
            *word |= 1 << (rank % 64);
        }
    }

    pub fn contains(&self, rank: usize) -> bool {
        self.words
            .get(rank / 64)
            .is_some_and(|word| word >> (rank % 64) & 1 == 1)
    }

    /// How many of the `first` brightest detections are in the set.
    pub fn among_first(&self, first: usize) -> usize {
        let whole = (first / 64).min(WORDS);
        let full: u32 = self.words[..whole].iter().map(|w| w.count_ones()).sum();
        let part = self
            .words
            .get(whole)
            .map_or(0, |word| (word & ((1 << (first % 64)) - 1)).count_ones());
        (full + part) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_what_lies_before_any_rank() {
        let ranks = [0, 1, 63, 64, 127, 128, 300, 399];
        let mut seen = Seen::default();
        for rank in ranks {
            seen.insert(rank);
        }
        seen.insert(MOST_SPOTS + 100);
        for first in 0..=MOST_SPOTS {
            let count = ranks.iter().filter(|&&rank| rank < first).count();
            assert_eq!(seen.among_first(first), count, "{first}");
        }
        for rank in 0..MOST_SPOTS {
            assert_eq!(seen.contains(rank), ranks.contains(&rank));
        }
    }
}
