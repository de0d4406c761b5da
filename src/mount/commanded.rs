//! The commanded position with its provenance.

use super::Moment;
use crate::frame::{EquinoxClue, PositionClue};
use serde::Serialize;

/// Who said where the mount was told to point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// The caller, by option.
    Option,
    /// The frame's own metadata.
    Header,
}

/// A place that a mount should point at, or was told to.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// RA and Dec, degrees.
    pub position_deg: [f64; 2],
    /// The deep-sky object of that position, which then is ICRS; `None`: the numbers were given.
    pub name: Option<String>,
}

/// What the numbers of a position count from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Equinox {
    /// ICRS; J2000 differs from it by 0.02 arcsec.
    J2000,
    /// True equator and equinox of the frame's mid-exposure.
    #[serde(rename = "date")]
    Date,
}

/// Where the mount was told to point, as it was said and as ICRS.
#[derive(Debug, Clone, PartialEq)]
pub struct CommandedPosition {
    /// Right ascension as given, in the equinox given, degrees.
    pub given_ra_deg: f64,
    /// Declination as given.
    pub given_dec_deg: f64,
    /// ICRS RA and Dec, degrees; `None` for a position of date whose date is unknown.
    pub icrs_deg: Option<[f64; 2]>,
    /// Who said so.
    pub from: Origin,
    /// What the given numbers count from.
    pub equinox: Equinox,
    /// The equinox was not stated and is taken to be J2000.
    pub equinox_assumed: bool,
    /// Where it stood, for people: `--at`, or the keyword.
    pub source: String,
    /// The deep-sky object that was named instead of numbers: `M 81`.
    pub name: Option<String>,
}

impl CommandedPosition {
    /// A position given by option.
    pub fn from_option(position_deg: [f64; 2], equinox: Equinox, moment: Option<&Moment>) -> Self {
        CommandedPosition {
            given_ra_deg: position_deg[0],
            given_dec_deg: position_deg[1],
            icrs_deg: to_icrs(position_deg, equinox, moment),
            from: Origin::Option,
            equinox,
            equinox_assumed: false,
            source: "--at".into(),
            name: None,
        }
    }

    /// A position claimed by the frame. `stated` is what the caller says about an equinox that
    /// the frame leaves open; without it J2000 is assumed.
    pub fn from_clue(
        clue: &PositionClue,
        stated: Option<Equinox>,
        moment: Option<&Moment>,
    ) -> Self {
        let (equinox, equinox_assumed) = match (clue.equinox, stated) {
            (EquinoxClue::J2000, _) => (Equinox::J2000, false),
            (EquinoxClue::Date, _) => (Equinox::Date, false),
            (EquinoxClue::Unstated, Some(equinox)) => (equinox, false),
            (EquinoxClue::Unstated, None) => (Equinox::J2000, true),
        };
        CommandedPosition {
            given_ra_deg: clue.ra_deg,
            given_dec_deg: clue.dec_deg,
            icrs_deg: to_icrs([clue.ra_deg, clue.dec_deg], equinox, moment),
            from: Origin::Header,
            equinox,
            equinox_assumed,
            source: clue.source.clone(),
            name: None,
        }
    }

    /// Where a search should begin: ICRS where it is known, else the numbers as given, which
    /// are a third of a degree off (2026).
    pub fn start_deg(&self) -> [f64; 2] {
        self.icrs_deg
            .unwrap_or([self.given_ra_deg, self.given_dec_deg])
    }
}

fn to_icrs(position_deg: [f64; 2], equinox: Equinox, moment: Option<&Moment>) -> Option<[f64; 2]> {
    match equinox {
        Equinox::J2000 => Some(position_deg),
        Equinox::Date => moment.map(|m| m.date_to_icrs(position_deg[0], position_deg[1])),
    }
}
