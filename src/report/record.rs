//! The JSON object of one frame, schema `nightfix.solution/1`.
//!
//! Every key is always there; what is not known is null. Numbers are rounded to a digit or two
//! below their error. `solution.schema.json` beside this file describes the same for machines.

use super::Unsolved;
use super::cautions::cautions;
use super::diagnosis::DiagnosisRecord;
use super::guide::{Circumstances, EarlierRecord, FocusStarRecord, Places, TargetRecord};
use super::objects::{ObjectRecord, objects};
use super::part::matched_part;
use super::quality::QualityRecord;
use super::rounding::{decimals, significant, to_step, turn};
use crate::angle::{format_dec, format_ra};
use crate::detect::Detections;
use crate::fit::Solution;
use crate::frame::Site;
use crate::guide::{self, MagnitudeRange, NoFocusStar};
use crate::mount::{CommandedPosition, DateDoubt, Equinox, Moment, Origin, Wanted, pointing_error};
use crate::search::SearchOrder;
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
    /// Puts together what is known of one frame.
    pub fn new(subject: &Subject) -> Record {
        let solution = subject.outcome.and_then(|o| o.solution.as_ref());
        let found_deg = solution.map(|s| [s.centre_ra_deg, s.centre_dec_deg]);
        let (focus_star, no_focus) = match focus_star(subject) {
            Some(Ok(star)) => (Some(star), None),
            Some(Err(none)) => (None, Some(none.to_string())),
            None => (None, None),
        };
        let status = match (subject.outcome, solution) {
            (_, Some(_)) => FrameStatus::Solved,
            (Some(_), None) => FrameStatus::Unsolved,
            (None, None) => FrameStatus::Error,
        };
        Record {
            schema: SCHEMA,
            file: subject.file.to_owned(),
            status,
            reason: subject.reason.map(|reason| match reason {
                Reason::Unsolved(why) => why.to_string(),
                Reason::Fault(message) => message.to_owned(),
            }),
            diagnosis: diagnosis(subject),
            centre: solution.map(centre),
            centre_of_date: centre_of_date(subject, found_deg),
            scale_arcsec_per_px: solution.map(|s| significant(s.scale_arcsec_per_px, 7)),
            rotation_deg: solution.map(|s| turn(s.rotation_deg, 4)),
            mirrored: solution.map(|s| s.mirrored),
            field_deg: solution.map(|s| s.field_deg.map(|side| significant(side, 6))),
            corners_deg: subject
                .outcome
                .and_then(|outcome| Some(corners(outcome.solution.as_ref()?, &outcome.detections))),
            matched_part_px: subject
                .outcome
                .and_then(matched_part)
                .map(|part| part.map(|v| decimals(v, 1))),
            objects: subject.outcome.and_then(|outcome| {
                let size = [outcome.detections.width, outcome.detections.height];
                Some(objects(outcome.solution.as_ref()?, size))
            }),
            commanded: subject.commanded.map(commanded),
            pointing_error: pointing(subject, found_deg),
            sync: found_deg.map(|found| Places::new(found, subject.moment.as_ref())),
            target: target(subject),
            focus_star,
            earlier: None,
            stars: stars(subject.outcome, solution),
            quality: subject
                .outcome
                .filter(|outcome| outcome.is_judged())
                .map(|o| QualityRecord::new(&o.quality, solution)),
            log10_chance_of_false_match: solution.map(|s| decimals(s.log10_chance, 2)),
            wcs: subject
                .outcome
                .and_then(|o| Some(wcs(o.solution.as_ref()?, &o.detections))),
            search: search(subject.outcome),
            cautions: cautions(subject, found_deg)
                .into_iter()
                .chain(no_focus)
                .collect(),
            elapsed_ms: elapsed(subject),
        }
    }

    /// The record as one line of JSON, without the line end.
    ///
    /// # Errors
    ///
    /// None that a record can cause: the type is what `serde_json` returns.
    pub fn to_json_line(&self) -> serde_json::Result<String> {
        serde_json::to_string(self)
    }
}

fn diagnosis(subject: &Subject) -> Option<DiagnosisRecord> {
    let Some(Reason::Unsolved(unsolved)) = subject.reason else {
        return None;
    };
    let cause = subject.outcome?.diagnosis.as_ref()?;
    Some(DiagnosisRecord::new(cause, unsolved))
}

fn centre(solution: &Solution) -> Centre {
    Centre {
        ra_deg: turn(solution.centre_ra_deg, 7),
        dec_deg: decimals(solution.centre_dec_deg, 7),
        ra: format_ra(solution.centre_ra_deg),
        dec: format_dec(solution.centre_dec_deg),
        uncertainty_arcsec: significant(solution.uncertainty_arcsec, 3),
    }
}

fn centre_of_date(subject: &Subject, found_deg: Option<[f64; 2]>) -> Option<CentreOfDate> {
    let moment = subject.moment.as_ref()?;
    let [ra_deg, dec_deg] = found_deg.map(|[ra, dec]| moment.icrs_to_date(ra, dec))?;
    Some(CentreOfDate {
        ra_deg: turn(ra_deg, 7),
        dec_deg: decimals(dec_deg, 7),
        ra: format_ra(ra_deg),
        dec: format_dec(dec_deg),
        time_utc: moment.iso_utc(),
    })
}

fn commanded(position: &CommandedPosition) -> Commanded {
    Commanded {
        ra_deg: turn(position.given_ra_deg, 7),
        dec_deg: decimals(position.given_dec_deg, 7),
        from: position.from,
        equinox: position.equinox,
        equinox_assumed: position.equinox_assumed,
        name: position.name.clone(),
    }
}

fn pointing(subject: &Subject, found_deg: Option<[f64; 2]>) -> Option<PointingErrorRecord> {
    let error = pointing_error(subject.commanded?.icrs_deg?, found_deg?);
    Some(PointingErrorRecord {
        separation_arcmin: decimals(error.separation_deg * 60.0, 4),
        position_angle_deg: turn(error.position_angle_deg, 3),
        east_arcmin: decimals(error.east_deg() * 60.0, 4),
        north_arcmin: decimals(error.north_deg() * 60.0, 4),
    })
}

fn circumstances<'a>(subject: &'a Subject) -> Circumstances<'a> {
    Circumstances {
        moment: subject.moment.as_ref(),
        site: subject.site.as_ref(),
    }
}

fn seen_from<'a>(subject: &Subject<'a>) -> Option<(&'a Solution, [usize; 2])> {
    let outcome = subject.outcome?;
    let size = [outcome.detections.width, outcome.detections.height];
    Some((outcome.solution.as_ref()?, size))
}

fn target(subject: &Subject) -> Option<TargetRecord> {
    let at = subject.target?;
    let (name, seen_from) = (at.name.as_deref(), seen_from(subject));
    let circumstances = circumstances(subject);
    Some(TargetRecord::new(
        name,
        at.position_deg,
        seen_from,
        circumstances,
    ))
}

fn focus_star(subject: &Subject) -> Option<Result<FocusStarRecord, NoFocusStar>> {
    let range = subject.focus?;
    let (solution, size) = seen_from(subject)?;
    let centre_deg = [solution.centre_ra_deg, solution.centre_dec_deg];
    let at = circumstances(subject);
    let found = guide::focus_star(centre_deg, range, at.moment, at.site);
    Some(found.map(|star| FocusStarRecord::new(&star, solution, size, at)))
}

fn stars(outcome: Option<&Outcome>, solution: Option<&Solution>) -> Stars {
    let Some(outcome) = outcome else {
        return Stars::default();
    };
    let detected = outcome.detections.stars.len();
    let fwhm_px = outcome.detections.fwhm_px;
    let refused = outcome.detections.refusals().into_iter();
    Stars {
        detected: Some(detected),
        matched: Some(solution.map_or(0, |s| s.matched.len())),
        rms_px: solution.map(|s| decimals(s.rms_px, 3)),
        rms_arcsec: solution.map(|s| significant(s.rms_px * s.scale_arcsec_per_px, 3)),
        fwhm_px: (detected > 0 && fwhm_px > 0.0).then(|| decimals(fwhm_px, 2)),
        refused: Some(refused.map(|(why, count)| (why.code(), count)).collect()),
    }
}

/// The corners that see anything of the sky.
fn corners(solution: &Solution, frame: &Detections) -> [Option<[f64; 2]>; 4] {
    let [right, top] = [frame.width as f64, frame.height as f64];
    let pixels = [[1.0, 1.0], [right, 1.0], [right, top], [1.0, top]];
    std::array::from_fn(|i| {
        let ([x, y], [ra, dec]) = (pixels[i], solution.corners_deg[i]);
        (solution.wcs.sees(x, y)).then(|| [turn(ra, 6), decimals(dec, 6)])
    })
}

/// A term of the WCS is given to what it moves at the frame's farthest corner, in pixels. Sines differ in
/// their last bit from one system's C library to another's: what that changes stays far below this, so
/// that the same frame has the same digits everywhere.
const WCS_STEP_PX: f64 = 1e-6;

fn wcs(solution: &Solution, frame: &Detections) -> WcsRecord {
    let wcs = &solution.wcs;
    let [reach_x, reach_y] = [(0, frame.width), (1, frame.height)].map(|(axis, side)| {
        wcs.crpix[axis]
            .abs()
            .max((side as f64 - wcs.crpix[axis]).abs())
    });
    let reach_px = reach_x.hypot(reach_y).max(1.0);
    let step_deg = WCS_STEP_PX * solution.scale_arcsec_per_px / 3600.0 / reach_px;
    WcsRecord {
        ctype: ["RA---", "DEC--"].map(|axis| {
            let suffix = if wcs.sip.is_some() { "-SIP" } else { "" };
            format!("{axis}{}{suffix}", wcs.projection.code())
        }),
        crpix: wcs.crpix.map(|pixel| decimals(pixel, 6)),
        crval: wcs.crval.map(|angle| decimals(angle, 10)),
        cd: wcs
            .cd
            .map(|row| row.map(|element| to_step(element, step_deg))),
        sip: wcs.sip.as_ref().map(|terms| sip(terms, reach_px)),
    }
}

fn sip(sip: &crate::wcs::Sip, reach_px: f64) -> Map<String, Value> {
    let mut keywords = Map::new();
    for (name, order, terms) in [
        ("A", sip.order, &sip.a),
        ("B", sip.order, &sip.b),
        ("AP", sip.inverse_order, &sip.ap),
        ("BP", sip.inverse_order, &sip.bp),
    ] {
        keywords.insert(format!("{name}_ORDER"), order.into());
        for &(p, q, value) in terms {
            let step = WCS_STEP_PX / reach_px.powi((p + q) as i32);
            keywords.insert(format!("{name}_{p}_{q}"), to_step(value, step).into());
        }
    }
    keywords
}

fn search(outcome: Option<&Outcome>) -> Search {
    let Some(report) = outcome.map(|o| &o.search) else {
        return Search::default();
    };
    Search {
        order: Some(match report.order {
            SearchOrder::Spiral => "spiral",
            SearchOrder::WholeSky => "whole-sky",
        }),
        cells: Some(report.cells),
        radius_deg: Some(decimals(report.radius_deg, 3)),
        candidates: Some(report.candidates),
    }
}

fn elapsed(subject: &Subject) -> ElapsedMs {
    let stages = subject.outcome.map(|o| o.elapsed);
    let rounded = |ms: f64| decimals(ms, 2);
    ElapsedMs {
        read: subject.read_ms.map(rounded),
        detect: stages.map(|e| rounded(e.detect_ms)),
        matching: stages.map(|e| rounded(e.match_ms)),
        fit: stages.map(|e| rounded(e.fit_ms)),
        judge: stages.map(|e| rounded(e.judge_ms)),
        total: Some(rounded(subject.total_ms)),
    }
}
