//! The stars to magnitude 6.5 and what they are called: names approved by the IAU, Bayer
//! designations, Hipparcos numbers.
//!
//! The table is made from open catalogues: see `catalogue/README.md`.

/// In order of declination.
static TABLE: &str = include_str!("../catalogue/stars.tsv");

/// The faintest star of the table.
pub const FAINTEST: f64 = 6.5;

/// A star of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NamedStar {
    /// Number in the Hipparcos catalogue.
    pub hip: u32,
    /// ICRS right ascension at J2000.0, degrees, 0 to 360.
    pub ra_deg: f64,
    /// ICRS declination at J2000.0, degrees.
    pub dec_deg: f64,
    /// Proper motion in RA times cos Dec, and in Dec, mas/yr.
    pub pm_mas_yr: [f64; 2],
    /// Magnitude, V.
    pub magnitude: f64,
    /// Another star less than five magnitudes fainter stands within an arcminute.
    pub is_double: bool,
    /// Bayer designation: `alpha Lyr`; `None` for a star without a letter.
    pub bayer: Option<&'static str>,
    /// Name approved by the IAU: `Vega`.
    pub name: Option<&'static str>,
}

impl NamedStar {
    /// What the star is called: its name, else its letter, else its number.
    pub fn title(&self) -> String {
        match (self.name, self.bayer) {
            (Some(name), _) => name.to_owned(),
            (None, Some(bayer)) => bayer.to_owned(),
            (None, None) => format!("HIP {}", self.hip),
        }
    }
}

/// All stars, ordered by declination.
pub fn all() -> impl Iterator<Item = NamedStar> {
    TABLE.lines().filter_map(star)
}

/// `None` for a line that is not of the table's form: never in the table itself.
fn star(line: &'static str) -> Option<NamedStar> {
    let mut fields = line.split('\t');
    let hip = fields.next()?.parse().ok()?;
    let mut number = || fields.next()?.parse::<f64>().ok();
    let (ra_deg, dec_deg) = (number()?, number()?);
    let pm_mas_yr = [number()?, number()?];
    let magnitude = number()?;
    let is_double = fields.next()? == "d";
    let mut words = || {
        fields
            .next()
            .map(|word| Some(word).filter(|w| !w.is_empty()))
    };
    Some(NamedStar {
        hip,
        ra_deg,
        dec_deg,
        pm_mas_yr,
        magnitude,
        is_double,
        bayer: words()?,
        name: words()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn every_line_is_a_star_with_values_in_range() {
        assert_eq!(all().count(), TABLE.lines().count());
        assert!(all().is_sorted_by(|a, b| a.dec_deg <= b.dec_deg));
        let (mut numbers, mut names) = (HashSet::new(), HashSet::new());
        for star in all() {
            assert!((0.0..360.0).contains(&star.ra_deg), "{star:?}");
            assert!(star.dec_deg.abs() < 90.0, "{star:?}");
            assert!((-2.0..=FAINTEST).contains(&star.magnitude), "{star:?}");
            assert!(numbers.insert(star.hip), "{star:?}");
            assert!(star.name.is_none_or(|name| names.insert(name)), "{star:?}");
        }
        assert!(names.len() >= 225);
    }

    /// Hipparcos numbers and magnitudes of the brightest, from memory.
    #[test]
    fn well_known_stars() {
        for (name, bayer, hip, magnitude) in [
            ("Sirius", "alpha CMa", 32349, -1.44),
            ("Canopus", "alpha Car", 30438, -0.62),
            ("Arcturus", "alpha Boo", 69673, -0.05),
            ("Vega", "alpha Lyr", 91262, 0.03),
            ("Rigel", "beta Ori", 24436, 0.18),
            ("Betelgeuse", "alpha Ori", 27989, 0.45),
            ("Achernar", "alpha Eri", 7588, 0.45),
            ("Fomalhaut", "alpha PsA", 113368, 1.17),
            ("Polaris", "alpha UMi", 11767, 1.97),
            ("Alcyone", "eta Tau", 17702, 2.85),
        ] {
            let star = all().find(|star| star.name == Some(name)).expect(name);
            assert_eq!((star.hip, star.bayer), (hip, Some(bayer)));
            assert!((star.magnitude - magnitude).abs() < 0.03, "{star:?}");
        }
    }

    /// Pairs that every guide to double stars lists (common practice), and stars that stand alone.
    #[test]
    fn double_stars_are_marked() {
        for (hip, is_double) in [
            (60718, true),
            (36850, true),
            (71683, true),
            (8832, true),
            (63125, true),
            (65378, true),
            (91262, false),
            (21421, false),
            (113368, false),
        ] {
            let star = all().find(|star| star.hip == hip).expect("a bright star");
            assert_eq!(star.is_double, is_double, "{star:?}");
        }
    }
}
