//! Stars that a catalogue lists twice: two entries that carry the same light.
//!
//! The components of a double star often both carry the magnitude of the whole system, and some
//! tables list a star again a little aside. A frame shows that light once, and an entry too many
//! could count as a second match of the same spot. Such entries have exactly the same magnitude,
//! which neighbours hardly ever have by chance: in the source of `catalogue/bright-stars.nfcat`
//! 3,039 pairs of equal magnitude lie between 3 and 25 arcsec apart (3,016 of them share a
//! Hipparcos number) where pairs of unequal magnitude let one expect 31.

use rayon::prelude::*;
use star_index::StarRecord;
use std::cmp::Ordering;

/// Components with the magnitude of their system lie up to 25.1 arcsec apart in that source;
/// farther out pairs of equal magnitude are as frequent as chance makes them.
const FARTHEST_ARCSEC: f64 = 25.0;
/// Magnitude to which that distance holds: the limit of that source.
const FULL_TO_MAG: f64 = 11.0;

/// Chord on the unit sphere within which two stars of equal magnitude are one. It shrinks with the
/// distance between stars of that magnitude, whose number grows about tenfold in 2.5 magnitudes,
/// so that a neighbour is lost by chance as rarely among faint stars: one in 30,000 on average
/// over the sky, where the Milky Way is densest some ten times as often.
pub(crate) fn reach(mag_centi: i16) -> f64 {
    let fainter = (f64::from(mag_centi) / 100.0 - FULL_TO_MAG).max(0.0);
    (FARTHEST_ARCSEC / 3600.0).to_radians() * libm::exp10(-0.2 * fainter)
}

/// For each star of `own` whether an earlier one, of `own` or `beyond`, is the same light: equal
/// in the hundredths of the magnitude and within reach.
///
/// The earlier of two stands for both, at its own place: which of them the light comes from is not
/// known, and halfway between them a frame that shows them apart has no star. Earlier is by
/// [`StarRecord::cmp_brightness`], so that neither the order of the stars nor their division
/// between `own` and `beyond` changes the answer; the same record twice is the same light as well.
pub(crate) fn repeated(own: &[StarRecord], beyond: &[StarRecord]) -> Vec<bool> {
    let star = |i: u32| {
        own.get(i as usize)
            .unwrap_or_else(|| &beyond[i as usize - own.len()])
    };
    // Sorted by magnitude and height, those in reach follow each other closely.
    let height = |record: &StarRecord| (record.vector()[2] * f64::from(i32::MAX)) as i32;
    let mut sorted: Vec<(i16, i32, u32)> = (0..(own.len() + beyond.len()) as u32)
        .into_par_iter()
        .map(|i| (star(i).mag_centi(), height(star(i)), i))
        .collect();
    sorted.par_sort_unstable();
    let mut repeated = vec![false; own.len()];
    for equals in sorted.chunk_by(|a, b| a.0 == b.0) {
        let reach = reach(equals[0].0);
        let rise = (reach * f64::from(i32::MAX)).ceil() as i64 + 1;
        for (k, &(_, low, a)) in equals.iter().enumerate() {
            let above = equals[k + 1..].iter();
            for &(_, _, b) in above.take_while(|s| i64::from(s.1) - i64::from(low) <= rise) {
                let [u, v] = [a, b].map(|i| star(i).vector());
                let chord2: f64 = (0..3).map(|i| (u[i] - v[i]).powi(2)).sum();
                if chord2 > reach * reach {
                    continue;
                }
                let later = match star(a).cmp_brightness(star(b)) {
                    Ordering::Less => b,
                    Ordering::Greater => a,
                    Ordering::Equal => a.max(b),
                };
                if let Some(repeated) = repeated.get_mut(later as usize) {
                    *repeated = true;
                }
            }
        }
    }
    repeated
}

/// Leaves every light once.
pub(crate) fn leave_out(stars: &mut Vec<StarRecord>) {
    let mut repeated = repeated(stars, &[]).into_iter();
    stars.retain(|_| repeated.next() == Some(false));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn star(east_arcsec: f64, north_arcsec: f64, mag: f64) -> StarRecord {
        let [x, y] = [east_arcsec, north_arcsec].map(|a| (a / 3600.0).to_radians());
        let z = (1.0 - x * x - y * y).sqrt();
        // In a slanting plane, so that no axis is special.
        StarRecord::new([0.6 * z - 0.8 * x, y, 0.8 * z + 0.6 * x], [0.0; 2], mag)
    }

    /// How many of two stars `arcsec` apart are left.
    fn left(arcsec: f64, mags: [f64; 2]) -> usize {
        let mut stars = vec![
            star(0.0, 0.0, mags[0]),
            star(0.6 * arcsec, 0.8 * arcsec, mags[1]),
        ];
        leave_out(&mut stars);
        stars.len()
    }

    #[test]
    fn two_of_equal_magnitude_are_one_within_reach() {
        for (mag, reach_arcsec) in [(0.77, 25.0), (11.0, 25.0), (13.5, 7.906), (16.0, 2.5)] {
            assert_eq!(left(0.99 * reach_arcsec, [mag; 2]), 1, "{mag}");
            assert_eq!(left(1.01 * reach_arcsec, [mag; 2]), 2, "{mag}");
            assert_eq!(left(1.0, [mag, mag + 0.01]), 2, "{mag}");
        }
    }

    /// Slow but obvious: all pairs looked at. Stars of few magnitudes in a small field, in any
    /// order and in any division between `own` and `beyond`.
    #[test]
    fn the_earlier_stays_whoever_is_asked_with_whom() {
        let step = |i: u32, by: f64| (f64::from(i) * by).fract();
        let mut stars: Vec<StarRecord> = (0..600)
            .map(|i| {
                let mag = 9.0 + (3.0 * step(i, 0.414_213_56)).floor() * 0.01;
                let [x, y] = [0.618_033_99, 0.732_050_81].map(|by| 600.0 * step(i, by));
                star(x, y, mag)
            })
            .collect();
        let apart = |a: &StarRecord, b: &StarRecord| {
            let (u, v) = (a.vector(), b.vector());
            let chord2: f64 = (0..3).map(|i| (u[i] - v[i]).powi(2)).sum();
            chord2.sqrt().to_degrees() * 3600.0
        };
        let expected = |star: &StarRecord| {
            stars.iter().any(|other| {
                other.mag_centi() == star.mag_centi()
                    && other.cmp_brightness(star) == Ordering::Less
                    && apart(other, star) <= 25.0
            })
        };
        let slow: Vec<bool> = stars.iter().map(expected).collect();
        let count = slow.iter().filter(|r| **r).count();
        assert!((50..500).contains(&count), "{count}");
        assert_eq!(repeated(&stars, &[]), slow);
        for split in [1, 200, 599] {
            let (own, beyond) = stars.split_at(split);
            assert_eq!(repeated(own, beyond), slow[..split], "{split}");
        }
        stars.reverse();
        let reversed: Vec<bool> = slow.into_iter().rev().collect();
        assert_eq!(repeated(&stars, &[]), reversed);
    }

    #[test]
    fn the_same_record_twice_is_one_star() {
        let mut stars = vec![star(0.0, 0.0, 18.0); 3];
        leave_out(&mut stars);
        assert_eq!(stars.len(), 1);
    }
}
