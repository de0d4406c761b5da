//! From what is known of a frame to its record.

use super::{
    Centre, CentreOfDate, Commanded, ElapsedMs, FrameStatus, PointingErrorRecord, Reason, Record,
    SCHEMA, Search, Stars, Subject, WcsRecord,
};
use crate::angle::{format_dec, format_ra};
use crate::detect::Detections;
use crate::fit::Solution;
use crate::guide::{self, NoFocusStar};
use crate::mount::{CommandedPosition, pointing_error};
use crate::report::cautions::cautions;
use crate::report::diagnosis::DiagnosisRecord;
use crate::report::guide::{Circumstances, FocusStarRecord, Places, TargetRecord};
use crate::report::objects::objects;
use crate::report::part::matched_part;
use crate::report::quality::QualityRecord;
use crate::report::rounding::{decimals, significant, to_step, turn};
use crate::search::SearchOrder;
use crate::solve::Outcome;
use serde_json::{Map, Value};

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
            wcs: subject.outcome.and_then(wcs),
            search: search(subject.outcome),
            cautions: cautions(subject, found_deg)
                .into_iter()
                .chain(no_focus)
                .collect(),
            elapsed_ms: elapsed(subject),
        }
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

fn wcs(outcome: &Outcome) -> Option<WcsRecord> {
    let (solution, frame) = (outcome.solution.as_ref()?, &outcome.detections);
    let wcs = &solution.wcs;
    let [reach_x, reach_y] = [(0, frame.width), (1, frame.height)].map(|(axis, side)| {
        wcs.crpix[axis]
            .abs()
            .max((side as f64 - wcs.crpix[axis]).abs())
    });
    let reach_px = reach_x.hypot(reach_y).max(1.0);
    let step_deg = WCS_STEP_PX * solution.scale_arcsec_per_px / 3600.0 / reach_px;
    Some(WcsRecord {
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
    })
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
