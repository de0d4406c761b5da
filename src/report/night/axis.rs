//! An axis of numbers, or of times of day with its marks at round ones.

use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint, Ranged};
use plotters::coord::types::RangedCoordf64;
use std::ops::Range;

const MINUTE: f64 = 1.0 / 1440.0;
/// Distances between marks of a clock, minutes.
const CLOCK_STEPS: [f64; 14] = [
    1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 180.0, 360.0, 720.0, 1440.0, 2880.0, 7200.0,
];

/// An axis; its numbers are days where `clock` is set.
pub struct Axis {
    numbers: RangedCoordf64,
    clock: bool,
}

impl Axis {
    /// From the first to the second number.
    pub fn new([from, to]: [f64; 2], clock: bool) -> Axis {
        Axis {
            numbers: (from..to).into(),
            clock,
        }
    }
}

impl Ranged for Axis {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        self.numbers.map(value, limit)
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if self.clock {
            round_times(self.numbers.range(), hint.max_num_points())
        } else {
            self.numbers.key_points(hint)
        }
    }

    fn range(&self) -> Range<f64> {
        self.numbers.range()
    }
}

/// At most `most` round times within a range of days, evenly spaced.
fn round_times(range: Range<f64>, most: usize) -> Vec<f64> {
    let room = most.max(2) as f64;
    let step = CLOCK_STEPS
        .iter()
        .map(|minutes| minutes * MINUTE)
        .find(|step| (range.end - range.start) / step <= room)
        // Nights strewn over months: whole days.
        .unwrap_or_else(|| ((range.end - range.start) / room).ceil());
    let first = (range.start / step).ceil();
    let last = (range.end / step).floor();
    (0..=(last - first).max(-1.0) as i64)
        .map(|k| (first + k as f64) * step)
        .filter(|time| range.contains(time))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(from: f64, to: f64, most: usize) -> Vec<i64> {
        round_times(from * MINUTE..to * MINUTE, most)
            .iter()
            .map(|time| (time / MINUTE).round() as i64)
            .collect()
    }

    #[test]
    fn clocks_are_marked_at_round_times() {
        assert_eq!(minutes(94.0, 507.0, 6), [120, 240, 360, 480]);
        assert_eq!(minutes(61.2, 64.5, 6), [62, 63, 64]);
        // Over midnight, and a night that lasts for half a year.
        assert_eq!(minutes(1390.0, 1490.0, 6), [1410, 1440, 1470]);
        let seasons = round_times(0.3..180.9, 6);
        assert!((3..=6).contains(&seasons.len()), "{seasons:?}");
        assert!(seasons.iter().all(|time| time.fract() == 0.0));
    }

    #[test]
    fn a_moment_has_no_marks_to_place() {
        assert_eq!(round_times(0.5001..0.5002, 6), Vec::<f64>::new());
    }
}
