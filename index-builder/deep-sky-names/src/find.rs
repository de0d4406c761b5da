//! Finds an object by one of its names.

use crate::key::key;
use crate::{Object, all};

/// Objects of one name that lie closer together than this are in one picture: either will do.
const ONE_PLACE_DEG: f64 = 0.1;
/// Most names that an error lists.
const MOST_LISTED: usize = 5;

/// Why there is no such object, or no single one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FindError {
    /// Nothing is called so.
    #[error("'{name}' is no deep-sky object known here{}", hint(.alike))]
    Unknown {
        /// What was asked for.
        name: String,
        /// Names that are alike, the likeliest first; may be empty.
        alike: Vec<String>,
    },
    /// Several are, and they lie apart.
    #[error("'{name}' may mean {}: say which", .choices.join(" or "))]
    Ambiguous {
        /// What was asked for.
        name: String,
        /// The objects that it may mean.
        choices: Vec<String>,
    },
}

fn hint(alike: &[String]) -> String {
    match alike {
        [] => String::new(),
        alike => format!("; names that are alike: {}", alike.join(", ")),
    }
}

/// The object called `name`: a designation or a name in plain language. Case, blanks, hyphens and
/// apostrophes do not matter, and `Messier 81` is `M 81`.
///
/// # Errors
///
/// No object, or several in different places, are called so.
///
/// ```
/// let object = deep_sky_names::find("bodes galaxy")?;
/// assert_eq!(object.name(), "M 81");
/// # Ok::<(), deep_sky_names::FindError>(())
/// ```
pub fn find(name: &str) -> Result<Object, FindError> {
    let wanted = key(name);
    let mut found: Vec<Object> = all().filter(|o| is_called(o, &wanted)).collect();
    if found.is_empty() {
        found = all().filter(|o| is_part_of(o, &wanted)).collect();
    }
    // The one that shows most comes first.
    let brightness = |o: &Object| o.magnitude.unwrap_or(99.0);
    found.sort_by(|a, b| brightness(a).total_cmp(&brightness(b)));
    let apart = |o: &Object| {
        let from = &found[0];
        o.separation_deg([from.ra_deg, from.dec_deg]) > ONE_PLACE_DEG
    };
    match &found[..] {
        [] => Err(FindError::Unknown {
            name: name.trim().to_owned(),
            alike: alike(&wanted),
        }),
        [first, others @ ..] if !others.iter().any(apart) => Ok(first.clone()),
        several => Err(FindError::Ambiguous {
            name: name.trim().to_owned(),
            choices: several
                .iter()
                .take(MOST_LISTED)
                .map(Object::title)
                .collect(),
        }),
    }
}

fn names(object: &Object) -> impl Iterator<Item = &'static str> + use<> {
    object.designations().chain(object.popular_names())
}

fn is_called(object: &Object, wanted: &str) -> bool {
    names(object).any(|name| key(name) == wanted)
}

/// `IC 80`, of which the table has the parts `IC 80 NED01` and `IC 80 NED02`, or `NGC 5544A`.
fn is_part_of(object: &Object, wanted: &str) -> bool {
    wanted.ends_with(|c: char| c.is_ascii_digit())
        && object.designations().any(|name| {
            let key = key(name);
            let part = key.strip_prefix(wanted);
            part.is_some_and(|part| part.starts_with(|c: char| c.is_ascii_alphabetic()))
        })
}

/// Names like one that nothing bears: those that contain it, then those that differ by few
/// letters. Of numbers only those that begin alike: `NGC 3032` is no misspelling of `NGC 3031`.
fn alike(wanted: &str) -> Vec<String> {
    const LEAST_LETTERS: usize = 4;
    const LEAST_LIKENESS: f64 = 0.7;
    if wanted.len() < LEAST_LETTERS {
        return Vec::new();
    }
    let mut ranked: Vec<(f64, &'static str)> = Vec::new();
    for name in all().flat_map(|o| o.popular_names()) {
        let key = key(name);
        let likeness = match key.contains(wanted) {
            true => 1.0,
            false => strsim::normalized_damerau_levenshtein(&key, wanted),
        };
        if likeness >= LEAST_LIKENESS && !ranked.iter().any(|(_, other)| *other == name) {
            ranked.push((likeness, name));
        }
    }
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
    let best = ranked.into_iter().take(MOST_LISTED);
    best.map(|(_, name)| name.to_owned()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(name: &str) -> &'static str {
        find(name).map_or_else(|refusal| panic!("{refusal}"), |object| object.name())
    }

    #[test]
    fn designations_and_popular_names_lead_to_one_object() {
        for (spelling, expected) in [
            ("M81", "M 81"),
            ("messier 81", "M 81"),
            ("NGC3031", "M 81"),
            ("ngc 3031", "M 81"),
            ("Bode's Galaxy", "M 81"),
            ("andromeda galaxy", "M 31"),
            ("Caldwell 20", "NGC 7000"),
            ("north america nebula", "NGC 7000"),
            ("Melotte 22", "M 45"),
            ("Pleiades", "M 45"),
            ("Barnard 33", "B 33"),
            ("Sh2-155", "C 9"),
            ("flame nebula", "NGC 2024"),
            ("Messier 102", "M 101"),
            ("IC 11", "NGC 281"),
        ] {
            assert_eq!(named(spelling), expected, "{spelling}");
        }
    }

    /// Every name of the table leads to an object that bears it, or to an honest refusal.
    #[test]
    fn every_name_is_found() {
        let mut refused = Vec::new();
        for name in all()
            .step_by(37)
            .flat_map(|o| names(&o).collect::<Vec<_>>())
        {
            match find(name) {
                Ok(object) => assert!(names(&object).any(|n| key(n) == key(name)), "{name}"),
                Err(refusal) => refused.push(refusal.to_string()),
            }
        }
        assert!(refused.len() < 3, "{refused:?}");
    }

    #[test]
    fn all_of_messiers_list_is_there() {
        for number in 1..=110 {
            let expected = format!("M {}", if number == 102 { 101 } else { number });
            assert_eq!(named(&format!("M{number}")), expected);
        }
    }

    /// Positions by SIMBAD (CDS), from memory, to the arcminute.
    #[test]
    fn positions_agree_with_another_catalogue() {
        for (name, ra_deg, dec_deg) in [
            ("M 1", 83.633, 22.014),
            ("M 13", 250.423, 36.461),
            ("M 27", 299.901, 22.721),
            ("M 31", 10.685, 41.269),
            ("M 33", 23.462, 30.660),
            ("M 51", 202.470, 47.195),
            ("M 57", 283.396, 33.029),
            ("M 81", 148.888, 69.065),
            ("M 87", 187.706, 12.391),
            ("M 104", 189.998, -11.623),
            ("NGC 253", 11.888, -25.288),
            ("NGC 5128", 201.365, -43.019),
            ("NGC 7293", 337.411, -20.837),
            ("47 Tuc Cluster", 6.022, -72.081),
        ] {
            let object = find(name).expect(name);
            let off_arcmin = 60.0 * object.separation_deg([ra_deg, dec_deg]);
            assert!(off_arcmin < 1.0, "{name}: {off_arcmin} arcmin");
        }
    }

    #[test]
    fn names_that_mean_two_places_are_refused_and_pairs_are_not() {
        let refusal = find("Network Nebula").unwrap_err().to_string();
        assert!(
            refusal.contains("NGC 6992") && refusal.contains("NGC 6995"),
            "{refusal}"
        );
        assert!(find("Antennae Galaxies").is_ok());
        assert!(find("Eyes").is_ok());
    }

    #[test]
    fn parts_of_a_number_are_found_by_it() {
        assert!(named("IC 80").starts_with("IC 80"));
        assert!(find("IC 8000").is_err());
    }

    #[test]
    fn unknown_names_come_with_the_like_of_them() {
        let alike = |name: &str| match find(name) {
            Err(FindError::Unknown { alike, .. }) => alike,
            other => panic!("{name}: {other:?}"),
        };
        assert_eq!(alike("andromeda"), ["Andromeda Galaxy"]);
        assert_eq!(alike("Wirlpool Galxy")[0], "Whirlpool Galaxy");
        assert!(alike("NGC 9999").is_empty());
        assert!(alike("").is_empty());
        assert!(alike("M 111").is_empty());
        assert!(alike("銀河").is_empty());
    }
}
