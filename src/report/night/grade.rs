//! Which frames are usable, and what is odd about those that are.

use crate::robust::median;
use crate::track::{Row, RowStatus};
use std::collections::HashMap;

/// How a frame is judged for use.
#[derive(Debug, Clone, PartialEq)]
pub enum Grade {
    /// Solved, and like its fellows.
    Good,
    /// Solved, but odd: what is odd, a few words each.
    Odd(Vec<&'static str>),
    /// No position.
    Unusable,
    /// A dark, a flat, a bias frame.
    Aside,
}

/// Stars this oblong look it. Common practice: 1.3 shows in a picture, 1.5 spoils it.
const OBLONG: f64 = 1.5;
/// Wider than the typical frame by this factor.
const WIDE: f64 = 1.5;
/// Fewer stars than this share of the typical frame: cloud, dew, moonlight.
const FEW: f64 = 0.5;
/// Sky brighter than the typical frame by this factor: dawn, cloud, lamps.
const BRIGHT: f64 = 2.0;

/// Judges every row; typical is the median of frames of the same camera, filter and exposure.
pub fn grades(rows: &[Row]) -> Vec<Grade> {
    let mut kin: HashMap<(&str, &str, i64), Vec<&Row>> = HashMap::new();
    for row in rows.iter().filter(|r| r.status == RowStatus::Solved) {
        kin.entry(key(row)).or_default().push(row);
    }
    let typical: HashMap<_, [Option<f64>; 3]> = kin
        .into_iter()
        .map(|(key, rows)| {
            let of = |value: fn(&Row) -> Option<f64>| {
                (rows.len() >= 5)
                    .then(|| median(rows.iter().filter_map(|r| value(r))))
                    .flatten()
            };
            (key, [of(|r| r.fwhm_px), of(stars), of(|r| r.sky_level)])
        })
        .collect();
    rows.iter()
        .map(|row| match row.status {
            RowStatus::NotALight => Grade::Aside,
            RowStatus::Unsolved | RowStatus::Error => Grade::Unusable,
            RowStatus::Solved => {
                let [fwhm, count, sky] = typical.get(&key(row)).copied().unwrap_or_default();
                let ratio = |value: Option<f64>, typical: Option<f64>| {
                    value.zip(typical).map(|(v, t)| v / t)
                };
                let mut odd = Vec::new();
                if row.elongation.is_some_and(|e| e > OBLONG) {
                    odd.push("oblong stars");
                }
                if ratio(row.fwhm_px, fwhm).is_some_and(|r| r > WIDE) {
                    odd.push("wide stars");
                }
                if ratio(stars(row), count).is_some_and(|r| r < FEW) {
                    odd.push("few stars");
                }
                if ratio(row.sky_level, sky).is_some_and(|r| r > BRIGHT && r.is_finite()) {
                    odd.push("bright sky");
                }
                if odd.is_empty() {
                    Grade::Good
                } else {
                    Grade::Odd(odd)
                }
            }
        })
        .collect()
}

fn stars(row: &Row) -> Option<f64> {
    row.stars_detected.map(f64::from)
}

fn key(row: &Row) -> (&str, &str, i64) {
    let exposure = row.exposure_s.filter(|s| *s > 0.0 && s.is_finite());
    (
        &row.camera,
        row.filter.as_deref().unwrap_or_default(),
        // Steps of a fifth.
        exposure.map_or(i64::MIN, |s| (s.ln() / 0.2).round() as i64),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odd_frames_stand_out_from_their_own_kind() {
        let row = |exposure_s: f64, stars: u32| Row {
            status: RowStatus::Solved,
            exposure_s: Some(exposure_s),
            stars_detected: Some(stars),
            fwhm_px: Some(3.0),
            sky_level: Some(800.0),
            ..Row::default()
        };
        let mut rows: Vec<Row> = (0..8).map(|_| row(60.0, 100)).collect();
        rows.extend((0..8).map(|_| row(5.0, 20)));
        rows[3].stars_detected = Some(30);
        rows[3].fwhm_px = Some(5.0);
        rows[4].sky_level = Some(2000.0);
        rows[5].elongation = Some(1.8);
        rows[6].status = RowStatus::Unsolved;
        rows[7].status = RowStatus::NotALight;
        let grades = grades(&rows);
        assert_eq!(grades[3], Grade::Odd(vec!["wide stars", "few stars"]));
        assert_eq!(grades[4], Grade::Odd(vec!["bright sky"]));
        assert_eq!(grades[5], Grade::Odd(vec!["oblong stars"]));
        assert_eq!(grades[6], Grade::Unusable);
        assert_eq!(grades[7], Grade::Aside);
        assert!(grades[8..].iter().all(|g| *g == Grade::Good));
    }
}
