//! Which columns of a table are what, in which unit, of which epoch: stated, never guessed.

use super::{CatalogueStar, InputStar};
use std::str::FromStr;

/// A column and what its numbers have to be multiplied by.
#[derive(Debug, Clone, PartialEq)]
struct Column {
    name: String,
    factor: f64,
}

/// The columns of a table that make a star.
#[derive(Debug, Clone, PartialEq)]
pub struct Columns {
    ra: Column,
    dec: Column,
    /// In RA with cos Dec, and in Dec.
    pm: Option<[Column; 2]>,
    mag: String,
    /// Julian year of each row's position.
    epoch: Option<String>,
}

/// How columns are stated, for help texts and complaints.
pub const COLUMNS_SYNTAX: &str = "ra=NAME:UNIT,dec=NAME:UNIT,mag=NAME and, where there are any, \
    pmra=NAME:UNIT,pmdec=NAME:UNIT,epoch=NAME; units deg, rad, hour and mas/yr, arcsec/yr, deg/yr";

impl FromStr for Columns {
    type Err = String;

    fn from_str(text: &str) -> Result<Columns, String> {
        let way = |what: String| format!("{what}: write {COLUMNS_SYNTAX}");
        let mut found: [Option<(String, Option<String>)>; 6] = Default::default();
        const WHAT: [&str; 6] = ["ra", "dec", "pmra", "pmdec", "mag", "epoch"];
        for part in text.split(',').map(str::trim).filter(|p| !p.is_empty()) {
            let (what, column) = part
                .split_once('=')
                .ok_or_else(|| way(format!("'{part}' names no column")))?;
            let place = WHAT
                .iter()
                .position(|w| w.eq_ignore_ascii_case(what.trim()))
                .ok_or_else(|| way(format!("'{what}' is not a part of a star")))?;
            let (name, unit) = match column.rsplit_once(':') {
                Some((name, unit)) => (name, Some(unit.trim().to_string())),
                None => (column, None),
            };
            found[place] = Some((name.trim().to_string(), unit));
        }
        let [ra, dec, pm_ra, pm_dec, mag, epoch] = found;
        let missing = |what: &str| way(format!("'{text}' does not say which column is {what}"));
        let angle = |column: Option<(String, Option<String>)>, what: &str| {
            let (name, unit) = column.ok_or_else(|| missing(what))?;
            let factor = match unit.as_deref() {
                Some("deg") => 1.0,
                Some("rad") => 1.0_f64.to_degrees(),
                Some("hour") => 15.0,
                _ => return Err(way(format!("'{name}' needs its unit, as in {name}:deg"))),
            };
            Ok(Column { name, factor })
        };
        let motion = |column: Option<(String, Option<String>)>| {
            let Some((name, unit)) = column else {
                return Ok(None);
            };
            let factor = match unit.as_deref() {
                Some("mas/yr") => 1.0,
                Some("arcsec/yr") => 1e3,
                Some("deg/yr") => 3.6e6,
                _ => return Err(way(format!("'{name}' needs its unit, as in {name}:mas/yr"))),
            };
            Ok(Some(Column { name, factor }))
        };
        let pm = match (motion(pm_ra)?, motion(pm_dec)?) {
            (Some(ra), Some(dec)) => Some([ra, dec]),
            (None, None) => None,
            _ => return Err(way("proper motion has two parts".into())),
        };
        Ok(Columns {
            ra: angle(ra, "ra")?,
            dec: angle(dec, "dec")?,
            pm,
            mag: mag.ok_or_else(|| missing("mag"))?.0,
            epoch: epoch.map(|(name, _)| name),
        })
    }
}

impl Columns {
    /// The names that the Gaia archive gives to the columns of `gaia_source`, in the units of its
    /// data model (Gaia DR3 documentation, chapter 20: degrees, mas/yr, Julian years).
    fn of_gaia(with_motion: bool, with_epoch: bool) -> Columns {
        let column = |name: &str| Column {
            name: name.into(),
            factor: 1.0,
        };
        Columns {
            ra: column("ra"),
            dec: column("dec"),
            pm: with_motion.then(|| [column("pmra"), column("pmdec")]),
            mag: "phot_g_mean_mag".into(),
            epoch: with_epoch.then(|| "ref_epoch".into()),
        }
    }
}

impl Columns {
    /// The names that the Gaia archive gives to its columns, all of them.
    pub fn gaia() -> Columns {
        Columns::of_gaia(true, true)
    }

    /// Right ascension, declination and magnitude, then what there is besides.
    #[cfg(feature = "tap")]
    pub(crate) fn names(&self) -> Vec<&str> {
        let mut names = vec![&*self.ra.name, &*self.dec.name, &*self.mag];
        names.extend(self.pm.iter().flatten().map(|column| &*column.name));
        names.extend(self.epoch.as_deref());
        names
    }

    /// Whether positions are in degrees, the unit of a catalogue service's geometry.
    #[cfg(feature = "tap")]
    pub(crate) fn is_in_degrees(&self) -> bool {
        self.ra.factor == 1.0 && self.dec.factor == 1.0
    }

    /// Whether each row says of which epoch it is.
    #[cfg(feature = "tap")]
    pub(crate) fn says_epoch(&self) -> bool {
        self.epoch.is_some()
    }
}

/// Where in a row the parts of a star are.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layout {
    ra: (usize, f64),
    dec: (usize, f64),
    pm: Option<[(usize, f64); 2]>,
    mag: usize,
    epoch: Epoch,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Epoch {
    Fixed(f64),
    Column(usize),
}

impl Layout {
    /// Finds the columns in a table with these column names. The error says what is missing.
    pub(super) fn new(
        names: &[String],
        stated: Option<&Columns>,
        epoch_jyear: Option<f64>,
    ) -> Result<Layout, String> {
        let find = |name: &str| {
            let exact = names.iter().position(|n| n == name);
            exact.or_else(|| names.iter().position(|n| n.eq_ignore_ascii_case(name)))
        };
        let known;
        let columns = match stated {
            Some(columns) => columns,
            None => {
                let needed = ["ra", "dec", "phot_g_mean_mag"];
                if needed.iter().any(|name| find(name).is_none()) {
                    return Err(format!(
                        "its columns are not those of the Gaia archive: say which are what with \
                         --columns {COLUMNS_SYNTAX}"
                    ));
                }
                let motion = find("pmra").is_some() && find("pmdec").is_some();
                known = Columns::of_gaia(motion, find("ref_epoch").is_some());
                &known
            }
        };
        let place = |name: &str| {
            find(name).ok_or_else(|| {
                let few: Vec<&str> = names.iter().take(12).map(String::as_str).collect();
                format!(
                    "it has no column '{name}'; it begins with {}",
                    few.join(", ")
                )
            })
        };
        let placed = |column: &Column| Ok::<_, String>((place(&column.name)?, column.factor));
        let epoch = match (&columns.epoch, epoch_jyear) {
            // What is stated for all rows comes before a column that nobody asked for.
            (_, Some(jyear)) if stated.is_none_or(|c| c.epoch.is_none()) => Epoch::Fixed(jyear),
            (Some(name), _) => Epoch::Column(place(name)?),
            (None, Some(jyear)) => Epoch::Fixed(jyear),
            (None, None) => {
                return Err(
                    "it does not say of which epoch its positions are: add --epoch (Julian year; \
                     2016.0 for Gaia DR3, 2000.0 for positions computed for J2000)"
                        .into(),
                );
            }
        };
        Ok(Layout {
            ra: placed(&columns.ra)?,
            dec: placed(&columns.dec)?,
            pm: match &columns.pm {
                Some([ra, dec]) => Some([placed(ra)?, placed(dec)?]),
                None => None,
            },
            mag: place(&columns.mag)?,
            epoch,
        })
    }

    /// Numbers of the columns that are needed.
    #[cfg(feature = "parquet")]
    pub(super) fn needed(&self) -> Vec<usize> {
        let mut all = vec![self.ra.0, self.dec.0, self.mag];
        all.extend(self.pm.iter().flatten().map(|column| column.0));
        if let Epoch::Column(place) = self.epoch {
            all.push(place);
        }
        all.sort_unstable();
        all.dedup();
        all
    }

    /// The star of a row whose fields `get` gives; `Ok(None)` where position, magnitude or epoch
    /// is missing. A missing proper motion counts as zero.
    ///
    /// # Errors
    ///
    /// A position outside the sky.
    pub(super) fn star(
        &self,
        get: impl Fn(usize) -> Option<f64>,
    ) -> Result<Option<InputStar>, String> {
        let finite = |place: usize| get(place).filter(|value| value.is_finite());
        let scaled = |(place, factor): (usize, f64)| finite(place).map(|value| factor * value);
        let epoch_jyear = match self.epoch {
            Epoch::Fixed(jyear) => Some(jyear),
            Epoch::Column(place) => finite(place),
        };
        let (Some(ra_deg), Some(dec_deg), Some(mag), Some(epoch_jyear)) = (
            scaled(self.ra),
            scaled(self.dec),
            finite(self.mag).filter(|mag| (-30.0..=60.0).contains(mag)),
            epoch_jyear,
        ) else {
            return Ok(None);
        };
        if !(-360.0..=360.0).contains(&ra_deg) || dec_deg.abs() > 90.0 {
            return Err(format!(
                "a position ({ra_deg}, {dec_deg} deg) lies outside the sky: are its columns and \
                 their units right?"
            ));
        }
        let pm = self
            .pm
            .and_then(|[ra, dec]| Some([scaled(ra)?, scaled(dec)?]));
        Ok(Some(InputStar {
            star: CatalogueStar {
                ra_deg: ra_deg.rem_euclid(360.0),
                dec_deg,
                pm_mas_yr: pm.unwrap_or_default(),
                mag,
                bv: None,
            },
            epoch_jyear,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(all: &str) -> Vec<String> {
        all.split(',').map(String::from).collect()
    }

    #[test]
    fn units_and_epoch_are_stated_or_asked_for() {
        let stated = "ra=RAh:hour,dec=DE:deg,pmra=pmRA:arcsec/yr,pmdec=pmDE:arcsec/yr,mag=V";
        let columns: Columns = stated.parse().unwrap();
        let header = names("DE,RAh,V,pmRA,pmDE");
        assert!(
            Layout::new(&header, Some(&columns), None)
                .unwrap_err()
                .contains("--epoch")
        );
        let layout = Layout::new(&header, Some(&columns), Some(1991.25)).unwrap();
        let row = [-30.0, 23.5, 8.25, 0.1, -0.2];
        let star = layout.star(|k| Some(row[k])).unwrap().unwrap();
        assert_eq!(star.epoch_jyear, 1991.25);
        assert_eq!([star.star.ra_deg, star.star.dec_deg], [352.5, -30.0]);
        assert_eq!(star.star.pm_mas_yr, [100.0, -200.0]);
        for wrong in [
            "ra=a,dec=b:deg,mag=c",
            "dec=b:deg,mag=c",
            "ra=a:deg,dec=b:deg",
            "x=y",
        ] {
            assert!(wrong.parse::<Columns>().is_err(), "{wrong}");
        }
        assert!(
            Layout::new(&names("a,b,c"), None, None)
                .unwrap_err()
                .contains("--columns")
        );
    }

    #[test]
    fn names_of_the_gaia_archive_are_known() {
        let header = names("source_id,ref_epoch,ra,dec,pmra,pmdec,phot_g_mean_mag");
        let layout = Layout::new(&header, None, None).unwrap();
        let row = [1.0, 2016.0, 10.0, 20.0, f64::NAN, 3.0, 15.5];
        let star = layout.star(|k| Some(row[k])).unwrap().unwrap();
        assert_eq!((star.epoch_jyear, star.star.mag), (2016.0, 15.5));
        // Without both components there is no proper motion.
        assert_eq!(star.star.pm_mas_yr, [0.0, 0.0]);
        let nothing = layout.star(|k| (k != 6).then(|| row[k])).unwrap();
        assert!(nothing.is_none());
        let astray = |k: usize| Some(if k == 3 { 100.0 * row[k] } else { row[k] });
        assert!(layout.star(astray).is_err());
    }
}
