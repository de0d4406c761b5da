//! The JSON object of one frame, schema `nightfix.solution/1`.
//!
//! Every key is always there; what is not known is null. Numbers are rounded to a digit or two
//! below their error. `solution.schema.json` beside this file describes the same for machines.

mod filled;

use super::Unsolved;
use super::diagnosis::DiagnosisRecord;
use super::guide::{EarlierRecord, FocusStarRecord, Places, TargetRecord};
use super::objects::ObjectRecord;
use super::quality::QualityRecord;
use crate::frame::Site;
use crate::guide::MagnitudeRange;
use crate::mount::{CommandedPosition, DateDoubt, Equinox, Moment, Origin, Wanted};
use crate::solve::Outcome;
use serde::Serialize;
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// Name and number of the schema: the number rises when a key changes its meaning or goes away.
pub const SCHEMA: &str = "nightfix.solution/1";

/// What became of the frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum FrameStatus {
    /// A position was found.
    Solved,
    /// The frame was read and no position was found.
    Unsolved,
    /// The frame, or the star-index, could not be used.
    Error,
}

/// Why there is no position.
#[derive(Debug, Clone, Copy)]
pub enum Reason<'a> {
    /// The frame was read, but not solved.
    Unsolved(Unsolved),
    /// The frame or a star-index could not be used: the message that says so.
    Fault(&'a str),
}

/// Everything a record is made from.
#[derive(Debug, Clone, Copy)]
pub struct Subject<'a> {
    /// Name of the file, as given by the caller.
    pub file: &'a str,
    /// Why there is no position; `None` where there is one.
    pub reason: Option<Reason<'a>>,
    /// What the solver found; `None` where the frame could not be read.
    pub outcome: Option<&'a Outcome>,
    /// Where the mount was told to point.
    pub commanded: Option<&'a CommandedPosition>,
    /// The target that the caller named.
    pub target: Option<&'a Wanted>,
    /// Brightness of the star to focus on, where one is wanted.
    pub focus: Option<MagnitudeRange>,
    /// Mid-exposure, where it is known.
    pub moment: Option<Moment>,
    /// Mid-exposure as the frame states it, where that is not believed, and what spoke against it
    /// beforehand.
    pub unbelieved: Option<(Moment, Option<DateDoubt>)>,
    /// Place of observation, where it is known.
    pub site: Option<Site>,
    /// What the reader of the frame remarked.
    pub remarks: &'a [String],
    /// Time for reading the frame, milliseconds.
    pub read_ms: Option<f64>,
    /// Time for everything, milliseconds.
    pub total_ms: f64,
}

/// A sky position in degrees and as people write it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Centre {
    /// ICRS right ascension, degrees, 0 to 360.
    pub ra_deg: f64,
    /// ICRS declination, degrees.
    pub dec_deg: f64,
    /// Right ascension in hours, minutes, seconds.
    pub ra: String,
    /// Declination in degrees, minutes, seconds.
    pub dec: String,
    /// Radius that holds the true centre in 95 % of cases.
    pub uncertainty_arcsec: f64,
}

/// The centre as apparent place, true equator and equinox of date.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CentreOfDate {
    /// Right ascension of date, degrees, 0 to 360.
    pub ra_deg: f64,
    /// Declination of date, degrees.
    pub dec_deg: f64,
    /// Right ascension in hours, minutes, seconds.
    pub ra: String,
    /// Declination in degrees, minutes, seconds.
    pub dec: String,
    /// The date: mid-exposure.
    pub time_utc: String,
}

/// The commanded position as it was given, in the equinox it was given in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Commanded {
    /// Right ascension, degrees, in `equinox`.
    pub ra_deg: f64,
    /// Declination, degrees, in `equinox`.
    pub dec_deg: f64,
    /// Who said so.
    pub from: Origin,
    /// What the two numbers count from.
    pub equinox: Equinox,
    /// Nobody said so: J2000 is assumed.
    pub equinox_assumed: bool,
    /// The deep-sky object that was named instead of numbers.
    pub name: Option<String>,
}

/// Found centre minus commanded position.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PointingErrorRecord {
    /// Angle on the sky.
    pub separation_arcmin: f64,
    /// Direction from the commanded position to the found one, north through east, ICRS.
    pub position_angle_deg: f64,
    /// How far too far east.
    pub east_arcmin: f64,
    /// How far too far north.
    pub north_arcmin: f64,
}

/// Stars of the frame.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Stars {
    /// Found in the frame.
    pub detected: Option<usize>,
    /// Of these, matched with catalogue stars; 0 for an unsolved frame.
    pub matched: Option<usize>,
    /// Root mean square of the residuals, both axes together.
    pub rms_px: Option<f64>,
    /// The same on the sky.
    pub rms_arcsec: Option<f64>,
    /// Typical full width at half maximum of the stars.
    pub fwhm_px: Option<f64>,
    /// Places that were not taken for stars, by the name of the reason; `None` where the frame was
    /// not looked at.
    pub refused: Option<BTreeMap<&'static str, usize>>,
}

/// World coordinates as FITS keywords have them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WcsRecord {
    /// CTYPE1, CTYPE2.
    pub ctype: [String; 2],
    /// CRPIX1, CRPIX2.
    pub crpix: [f64; 2],
    /// CRVAL1, CRVAL2, degrees.
    pub crval: [f64; 2],
    /// CD1_1 CD1_2, CD2_1 CD2_2, degrees per pixel.
    pub cd: [[f64; 2]; 2],
    /// Distortion by keyword of the SIP convention: `A_ORDER`, `A_2_0` and so on.
    pub sip: Option<Map<String, Value>>,
}

/// Counters of the search.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Search {
    /// `spiral` or `whole-sky`.
    pub order: Option<&'static str>,
    /// Sky cells read.
    pub cells: Option<u64>,
    /// Largest distance from the start that was searched.
    pub radius_deg: Option<f64>,
    /// Candidates verified.
    pub candidates: Option<u64>,
}

/// How long each stage took, milliseconds.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct ElapsedMs {
    /// Reading the frame.
    pub read: Option<f64>,
    /// Finding its stars.
    pub detect: Option<f64>,
    /// Quads, search and verification.
    #[serde(rename = "match")]
    pub matching: Option<f64>,
    /// Final fit.
    pub fit: Option<f64>,
    /// Frame quality and diagnosis.
    pub judge: Option<f64>,
    /// Everything, from opening the file to this record.
    pub total: Option<f64>,
}

/// One frame's result: the object that `--json` prints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Record {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// Name of the file, as given by the caller.
    pub file: String,
    /// What became of it.
    pub status: FrameStatus,
    /// Why there is no position.
    pub reason: Option<String>,
    /// What is wrong with an unsolved frame, and what to do next.
    pub diagnosis: Option<DiagnosisRecord>,
    /// Where the frame's centre points.
    pub centre: Option<Centre>,
    /// The same of date, where the time is known.
    pub centre_of_date: Option<CentreOfDate>,
    /// Pixel scale at the centre.
    pub scale_arcsec_per_px: Option<f64>,
    /// Position angle of 'up' on the displayed frame, north through east.
    pub rotation_deg: Option<f64>,
    /// With north up, east would lie to the right.
    pub mirrored: Option<bool>,
    /// Angle between the midpoints of opposite edges: width, height.
    pub field_deg: Option<[f64; 2]>,
    /// RA, Dec of the pixels (1,1), (nx,1), (nx,ny), (1,ny).
    pub corners_deg: Option<[Option<[f64; 2]>; 4]>,
    /// What the matched stars fill, where that is only a part of the frame: first and last pixel along
    /// x, first and last along y, as FITS counts them.
    pub matched_part_px: Option<[f64; 4]>,
    /// Deep-sky objects that it shows or lies in, the most prominent first.
    pub objects: Option<Vec<ObjectRecord>>,
    /// Where the mount was told to point.
    pub commanded: Option<Commanded>,
    /// Found minus commanded.
    pub pointing_error: Option<PointingErrorRecord>,
    /// What to tell the mount: where it points.
    pub sync: Option<Places>,
    /// The target that was asked for.
    pub target: Option<TargetRecord>,
    /// The star to focus on, where one was asked for.
    pub focus_star: Option<FocusStarRecord>,
    /// The earlier frame whose framing is to be repeated, where one was given.
    pub earlier: Option<EarlierRecord>,
    /// Stars of the frame.
    pub stars: Stars,
    /// What can be read off the frame besides.
    pub quality: Option<QualityRecord>,
    /// How probable it is that the match arose by chance.
    pub log10_chance_of_false_match: Option<f64>,
    /// World coordinates as FITS keywords have them.
    pub wcs: Option<WcsRecord>,
    /// Counters of the search.
    pub search: Search,
    /// What a person should know before acting on this.
    pub cautions: Vec<String>,
    /// How long it took.
    pub elapsed_ms: ElapsedMs,
}

impl Record {
    /// The record as one line of JSON, without the line end.
    ///
    /// # Errors
    ///
    /// None that a record can cause: the type is what `serde_json` returns.
    pub fn to_json_line(&self) -> serde_json::Result<String> {
        serde_json::to_string(self)
    }
}
