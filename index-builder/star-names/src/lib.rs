//! The stars to magnitude 6.5 and what they are called: names approved by the IAU, Bayer
//! and Flamsteed designations, Hipparcos numbers.
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
    /// Flamsteed designation: `61 Cyg`, of the constellation in which Flamsteed's star was counted,
    /// whose borders have moved since.
    pub flamsteed: Option<&'static str>,
    /// Name approved by the IAU: `Vega`.
    pub name: Option<&'static str>,
}

impl NamedStar {
    /// What the star is called: its name, else its letter, else its number of Flamsteed or
    /// Hipparcos.
    pub fn title(&self) -> String {
        let called = self.name.or(self.bayer).or(self.flamsteed);
        called.map_or_else(|| format!("HIP {}", self.hip), str::to_owned)
    }

    /// What else it is called: its designations that are not the title, as ` (alpha Lyr, 3 Lyr)`, or
    /// nothing.
    pub fn in_brackets(&self) -> String {
        let all = [self.bayer, self.flamsteed].into_iter().flatten();
        let title = self.title();
        let others: Vec<&str> = all.filter(|&name| name != title).collect();
        match others.is_empty() {
            true => String::new(),
            false => format!(" ({})", others.join(", ")),
        }
    }
}

/// All stars, ordered by declination.
pub fn all() -> impl Iterator<Item = NamedStar> {
    TABLE.lines().filter_map(star)
}

/// The star called `name`: its name, its Bayer designation (`alpha Lyr`, `α Lyr`; of stars that share
/// a letter the brightest, where no number says which), its Flamsteed designation (`3 Lyr`) or its number
/// (`HIP 91262`). Case, blanks and marks do not matter.
///
/// ```
/// assert_eq!(star_names::find("α lyr").and_then(|star| star.name), Some("Vega"));
/// ```
pub fn find(name: &str) -> Option<NamedStar> {
    let wanted = key(name);
    let called = |star: &NamedStar| {
        let bayer = star.bayer.map(key).unwrap_or_default();
        let letter: String = bayer.chars().filter(|c| !c.is_ascii_digit()).collect();
        [star.name, star.flamsteed]
            .iter()
            .flatten()
            .any(|name| key(name) == wanted)
            || [bayer, letter, format!("hip{}", star.hip)].contains(&wanted)
    };
    if wanted.is_empty() {
        return None;
    }
    // m Cen and M Cen are two stars, of which one is written just so.
    let otherwise = |star: &NamedStar| star.bayer != Some(name.trim());
    all().filter(called).min_by(|a, b| {
        let by_case = otherwise(a).cmp(&otherwise(b));
        by_case.then(a.magnitude.total_cmp(&b.magnitude))
    })
}

/// Letters and digits in lower case, Greek letters in words.
fn key(name: &str) -> String {
    const GREEK: &str = "αβγδεζηθικλμνξοπρστυφχψω";
    const WORDS: [&str; 24] = [
        "alpha", "beta", "gamma", "delta", "epsilon", "zeta", "eta", "theta", "iota", "kappa",
        "lambda", "mu", "nu", "xi", "omicron", "pi", "rho", "sigma", "tau", "upsilon", "phi",
        "chi", "psi", "omega",
    ];
    let mut plain = String::with_capacity(name.len());
    let letters = name.chars().flat_map(char::to_lowercase);
    for letter in letters.filter(|c| c.is_alphanumeric()) {
        match GREEK.chars().position(|greek| greek == letter) {
            Some(at) => plain.push_str(WORDS[at]),
            None => plain.push(letter),
        }
    }
    plain
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
        flamsteed: words()?,
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

    #[test]
    fn every_star_is_found_by_what_it_is_called() {
        for star in all()
            .step_by(97)
            .chain(all().filter(|star| star.name.is_some()))
        {
            // Two stars of a pair may share a letter.
            let found = find(&star.title()).expect("a star");
            assert_eq!(found.title(), star.title());
            assert!(star.name.is_none() || found.hip == star.hip, "{star:?}");
            assert_eq!(
                find(&format!("hip{}", star.hip)).map(|s| s.hip),
                Some(star.hip)
            );
        }
        for (spelling, hip) in [
            ("VEGA", 91262),
            ("kaus-australis", 90185),
            ("alpha cru", 60718),
            ("Alpha1 Cru", 60718),
            ("β Ori", 24436),
            // By their numbers, from memory: the first star whose distance was measured, the first
            // with a planet; 10 UMa lies in Lynx today.
            ("61 Cyg", 104214),
            ("51 peg", 113357),
            ("10 UMa", 44248),
            ("3 Lyr", 91262),
        ] {
            assert_eq!(find(spelling).map(|star| star.hip), Some(hip), "{spelling}");
        }
        for none in ["", " ", "M 45", "hip", "alpha", "HIP 1000000", "Lyr"] {
            assert_eq!(find(none), None, "{none}");
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
