//! Reads the table. Nothing is kept: the text is part of the program, and reading the lines that
//! matter takes less than a millisecond.

use crate::Object;

/// In order of declination; see `catalogue/README.md` for its columns.
static TABLE: &str = include_str!("../catalogue/objects.tsv");

/// All objects, ordered by declination.
pub fn all() -> impl Iterator<Item = Object> {
    TABLE.lines().filter_map(object)
}

/// Objects of which some part may lie within `radius_deg` of a position (ICRS, degrees): those
/// whose circle, with the major axis for its diameter, does.
pub fn around(centre_deg: [f64; 2], radius_deg: f64) -> impl Iterator<Item = Object> {
    /// Half the major axis of the largest object, and some.
    const LARGEST_DEG: f64 = 6.0;
    let reach_deg = radius_deg + LARGEST_DEG;
    let first = start_of(centre_deg[1] - reach_deg);
    let end = start_of(centre_deg[1] + reach_deg);
    let half_ra_deg = half_width_deg(centre_deg[1], reach_deg);
    TABLE[first..end]
        .lines()
        .filter(move |line| {
            let ra = line.split('\t').next().and_then(|ra| ra.parse().ok());
            let off = |ra: f64| (ra - centre_deg[0] + 180.0).rem_euclid(360.0) - 180.0;
            ra.is_some_and(|ra| off(ra).abs() <= half_ra_deg)
        })
        .filter_map(object)
        .filter(move |object| {
            let half_deg = object.major_arcmin.unwrap_or(0.0) / 120.0;
            object.separation_deg(centre_deg) - half_deg <= radius_deg
        })
}

/// How far in right ascension a circle about a place of this declination reaches, degrees.
fn half_width_deg(dec_deg: f64, radius_deg: f64) -> f64 {
    /// For rounding.
    const MORE_DEG: f64 = 1e-6;
    if dec_deg.abs() + radius_deg >= 90.0 {
        return 180.0;
    }
    let sine = radius_deg.to_radians().sin() / dec_deg.to_radians().cos();
    sine.asin().to_degrees() + MORE_DEG
}

/// Where the first line begins that is not south of `dec_deg`.
fn start_of(dec_deg: f64) -> usize {
    let (mut low, mut high) = (0, TABLE.len());
    while low < high {
        let middle = low + (high - low) / 2;
        let before = &TABLE.as_bytes()[low..middle];
        let start = before.iter().rposition(|byte| *byte == b'\n');
        let start = start.map_or(low, |newline| low + newline + 1);
        let line = TABLE[start..].lines().next().unwrap_or_default();
        let dec = line.split('\t').nth(1).and_then(|dec| dec.parse().ok());
        if dec.is_some_and(|dec: f64| dec < dec_deg) {
            low = (start + line.len() + 1).min(TABLE.len());
        } else {
            high = start;
        }
    }
    low
}

/// `None` for a line that is not of the table's form: never in the table itself.
fn object(line: &'static str) -> Option<Object> {
    let mut fields = line.split('\t');
    let mut number = || fields.next().map(|field| field.parse::<f64>().ok());
    let (ra_deg, dec_deg) = (number()??, number()??);
    let kind = fields.next()?;
    let mut number = || fields.next().map(|field| field.parse::<f64>().ok());
    let (major_arcmin, minor_arcmin) = (number()?, number()?);
    let (position_angle_deg, magnitude) = (number()?, number()?);
    let designations = fields.next().filter(|names| !names.is_empty())?;
    Some(Object {
        ra_deg,
        dec_deg,
        kind,
        major_arcmin,
        minor_arcmin,
        position_angle_deg,
        magnitude,
        designations,
        popular: fields.next()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_is_an_object_with_values_in_range() {
        assert_eq!(all().count(), TABLE.lines().count());
        assert!(all().count() > 13_000);
        assert!(all().is_sorted_by(|a, b| a.dec_deg <= b.dec_deg));
        for object in all() {
            let name = object.name();
            assert!((0.0..360.0).contains(&object.ra_deg), "{name}");
            assert!((-90.0..=90.0).contains(&object.dec_deg), "{name}");
            let angle = object.position_angle_deg.unwrap_or(0.0);
            assert!((0.0..180.0).contains(&angle), "{name}");
            let major = object.major_arcmin.unwrap_or(1.0);
            assert!(major > 0.0 && major < 720.0, "{name}");
            assert!(
                object.minor_arcmin.is_none_or(|minor| minor > 0.0),
                "{name}"
            );
        }
    }

    /// Lines cut short are no objects, or objects that lack a name of those in the last column.
    #[test]
    fn lines_cut_short_are_left_out() {
        for line in TABLE.lines().step_by(991) {
            for end in 0..line.len() {
                let cut = object(&line[..end]);
                assert!(cut.is_none_or(|o| !o.name().is_empty()), "{line}");
            }
        }
    }

    #[test]
    fn around_finds_what_a_look_at_every_object_finds() {
        for (centre, radius_deg) in [
            ([10.68, 41.27], 1.0),
            ([0.01, 0.0], 3.0),
            ([359.99, -0.5], 3.0),
            ([123.0, 89.9], 4.0),
            ([78.0, -67.0], 0.1),
            ([0.0, -90.0], 5.0),
            ([0.0, 0.0], 180.0),
        ] {
            let near: Vec<Object> = around(centre, radius_deg).collect();
            let plain: Vec<Object> = all()
                .filter(|o| {
                    let half_deg = o.major_arcmin.unwrap_or(0.0) / 120.0;
                    o.separation_deg(centre) <= radius_deg + half_deg
                })
                .collect();
            assert!(!near.is_empty());
            assert_eq!(near, plain);
        }
    }

    /// 0.1 deg within the Large Magellanic Cloud, two degrees from its middle.
    #[test]
    fn what_surrounds_a_position_is_around_it() {
        let names: Vec<_> = around([78.0, -67.0], 0.1).map(|o| o.title()).collect();
        assert!(
            names.iter().any(|n| n.contains("Large Magellanic Cloud")),
            "{names:?}"
        );
    }
}
