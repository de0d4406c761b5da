//! What the looks so far mean.

use super::Side;
use crate::mount::{Moment, separation_deg};

/// An error that is left by more than this share has not shrunk.
const SHRUNK: f64 = 0.7;
/// Not shrinking so often in a row is not chance.
const MOST_STUCK: usize = 2;
/// Agreement with a known error, as a share of that error.
const SAME: f64 = 0.15;

/// True where the last two slews did not make the error smaller. Errors are in the order of the
/// looks, any unit.
pub fn is_stuck(errors: &[f64]) -> bool {
    let stuck = |pair: &[f64]| pair[1] > SHRUNK * pair[0];
    let pairs: Vec<bool> = errors.windows(2).map(stuck).collect();
    pairs.len() >= MOST_STUCK && pairs[pairs.len() - MOST_STUCK..].iter().all(|stuck| *stuck)
}

/// Where to send a mount that takes `reported_deg` for where it points, and points at `found_deg`,
/// so that it comes to point at `target_deg`: RA and Dec, degrees. Each axis is corrected for
/// itself, across the pole if need be.
pub fn commanded_deg(
    target_deg: [f64; 2],
    reported_deg: [f64; 2],
    found_deg: [f64; 2],
) -> [f64; 2] {
    let mut ra = target_deg[0] + reported_deg[0] - found_deg[0];
    let mut dec = target_deg[1] + reported_deg[1] - found_deg[1];
    if dec.abs() > 90.0 {
        (ra, dec) = (ra + 180.0, 180.0_f64.copysign(dec) - dec);
    }
    [ra.rem_euclid(360.0) % 360.0, dec]
}

/// What explains that a mount counts these numbers (degrees) where it points at `found_deg` (ICRS),
/// if one of the usual confusions does.
pub fn confusion(numbers_deg: [f64; 2], found_deg: [f64; 2], now: &Moment) -> Option<&'static str> {
    let as_date = now.date_to_icrs(numbers_deg[0], numbers_deg[1]);
    let precession = separation_deg(as_date, numbers_deg);
    if separation_deg(numbers_deg, found_deg) < SAME * precession {
        return Some(
            "the error is that of precession: the mount takes J2000 positions for those of date; \
             set it to work in one of them",
        );
    }
    let hours = ((found_deg[0] - as_date[0] + 180.0).rem_euclid(360.0) - 180.0) / 15.0;
    let whole = hours.round();
    let is_hours = whole.abs() == 1.0 && (hours - whole).abs() < 0.02;
    (is_hours && (found_deg[1] - as_date[1]).abs() < 0.3).then_some(
        "the error is an hour of right ascension: the mount's clock or time zone may be an hour \
         off (summer time)",
    )
}

/// Nearer to a pole than this some mounts take no sync. Common practice.
const NEAR_POLE_DEG: f64 = 5.0;

/// Why a mount may have refused a sync at `found_deg` (ICRS), and what helps; `sides` are those of
/// the pier that it reported with each frame.
pub fn why_no_sync(found_deg: [f64; 2], sides: &[Option<Side>]) -> &'static str {
    let known: Vec<Side> = sides.iter().copied().flatten().collect();
    if found_deg[1].abs() > 90.0 - NEAR_POLE_DEG {
        "the mount does not take the sync: near a pole many refuse. Slew to a star that is farther \
         from it, sync there, then come back"
    } else if known.windows(2).any(|pair| pair[0] != pair[1]) {
        "the mount does not take the sync: it has turned over since the first frame. Slew to a star \
         on this side of the meridian, sync there, then come back"
    } else {
        "the mount does not take the sync: see what its driver says, and whether it has to be \
         unparked and tracking for that"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_slews_without_effect_are_stuck() {
        assert!(!is_stuck(&[60.0, 0.5, 0.01]));
        assert!(!is_stuck(&[60.0, 59.0]));
        assert!(is_stuck(&[60.0, 59.0, 58.0]));
        assert!(!is_stuck(&[60.0, 59.0, 3.0]));
        assert!(is_stuck(&[60.0, 1.0, 1.1, 1.0]));
    }

    #[test]
    fn an_offset_is_carried_over_axis_by_axis() {
        let near = |a: [f64; 2], b: [f64; 2]| assert!(separation_deg(a, b) < 1e-9, "{a:?} {b:?}");
        near(
            commanded_deg([10.0, 20.0], [50.0, 30.0], [50.0, 30.0]),
            [10.0, 20.0],
        );
        near(
            commanded_deg([10.0, 20.0], [50.0, 30.0], [80.0, 20.0]),
            [340.0, 30.0],
        );
        near(
            commanded_deg([10.0, 80.0], [50.0, 30.0], [50.0, 10.0]),
            [190.0, 80.0],
        );
        near(
            commanded_deg([10.0, -80.0], [50.0, 10.0], [50.0, 30.0]),
            [190.0, -80.0],
        );
    }

    #[test]
    fn a_refused_sync_has_its_reason() {
        let (east, west) = (Some(Side::East), Some(Side::West));
        assert!(why_no_sync([0.0, 87.0], &[east]).contains("near a pole"));
        assert!(why_no_sync([0.0, -87.0], &[]).contains("near a pole"));
        assert!(why_no_sync([0.0, 20.0], &[east, None, west]).contains("turned over"));
        assert!(why_no_sync([0.0, 20.0], &[None, east, east]).contains("driver"));
    }

    /// Precession from 2000 to 2026.9 is 0.37 deg along the ecliptic (50.3 arcsec a year: IAU 2006).
    #[test]
    fn usual_confusions_are_recognised() {
        let now = Moment::from_jd_utc(2_461_373.5).unwrap();
        let found = [83.6, 22.0];
        let right = now.icrs_to_date(found[0], found[1]);
        assert!((separation_deg(right, found) - 0.37).abs() < 0.02);
        assert_eq!(confusion(right, found, &now), None);
        assert!(
            confusion(found, found, &now)
                .unwrap()
                .contains("precession")
        );
        let hour = [right[0] - 15.0, right[1]];
        assert!(confusion(hour, found, &now).unwrap().contains("hour"));
        assert_eq!(
            confusion([right[0] + 0.5, right[1] + 0.3], found, &now),
            None
        );
    }
}
