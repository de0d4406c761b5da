//! The JSON object of what a night says of a mount, schema `nightfix.mount/1`, and the same in
//! words.
//!
//! `mount.schema.json` beside this file describes the object for machines.

use super::polar::{Axis, ErrorRecord};
use super::rounding::{decimals, turn};
use crate::polar::across::{Across, Amount, Term};
use crate::track::{PierSide, Row};
use serde::Serialize;

/// Name and number of the schema.
pub const SCHEMA: &str = "nightfix.mount/1";

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum MountStatus {
    /// The axis is found.
    Found,
    /// The night does not tell it.
    Unclear,
}

/// A term and its error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AmountRecord {
    /// Its size.
    pub arcmin: f64,
    /// The true size lies within this of it in 95 % of cases.
    pub error95_arcmin: f64,
}

/// What of the sky the fields cover.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coverage {
    /// On the sky, more than a degree apart.
    pub fields: usize,
    /// Frames on them.
    pub frames: usize,
    /// West positive.
    pub hour_angles_h: Option<[f64; 2]>,
    /// Of date.
    pub declinations_deg: Option<[f64; 2]>,
    /// The tube was on both sides of the pier.
    pub both_sides_of_pier: bool,
}

/// The object that `nightfix night --mount-axes` writes for each camera.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MountRecord {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// What came of it.
    pub status: MountStatus,
    /// Why the axis is not told.
    pub reason: Option<String>,
    /// Frames with the same text come from one camera and optics.
    pub camera: String,
    /// What of the sky stands behind it.
    pub coverage: Coverage,
    /// Where the hour axis points.
    pub axis: Option<Axis>,
    /// Axis minus true pole.
    pub error: Option<ErrorRecord>,
    /// How far the line of sight leans along the declination axis.
    pub cone: Option<AmountRecord>,
    /// How far the tube hangs at the horizon.
    pub flexure: Option<AmountRecord>,
    /// How far the declination axis leans along the hour axis.
    pub axes_not_square: Option<AmountRecord>,
    /// Names of the terms above that the night cannot tell apart; one alone: cannot tell.
    pub not_told_apart: Vec<Vec<&'static str>>,
    /// Where the mount was sent stands behind it.
    pub by_places: bool,
    /// How the camera lay stands behind it.
    pub by_turn: bool,
    /// First frames after the mount's position was set anew (a sync, a target centred).
    pub position_set_anew: Vec<String>,
    /// First frames after the camera was turned.
    pub camera_turned: Vec<String>,
    /// How well the mount goes where it is sent once the terms are taken off.
    pub scatter_arcsec: Option<f64>,
    /// The same for the camera's turn.
    pub turn_scatter_arcmin: Option<f64>,
    /// What a person should know.
    pub cautions: Vec<String>,
}

/// What a person should know who turns screws by it.
const SAFETY: &str = "Before you turn screws, make sure that telescope and counterweights cannot \
                      tip or slip, and keep to the instructions of the mount's maker.";

impl MountRecord {
    /// Of what a night says; `rows` are those that it was judged by.
    pub fn new(across: &Across, rows: &[Row]) -> MountRecord {
        let files = |of: &[usize]| of.iter().map(|i| rows[*i].file.clone()).collect();
        let term = |wanted: Term| {
            let found = across.terms.iter().find(|(term, _)| *term == wanted);
            found.map(|(_, amount)| amount_record(amount))
        };
        let span = |ends: Option<[f64; 2]>, places| ends.map(|e| e.map(|v| decimals(v, places)));
        MountRecord {
            schema: SCHEMA,
            status: match across.axis {
                Some(_) => MountStatus::Found,
                None => MountStatus::Unclear,
            },
            reason: across.reason.clone(),
            camera: across.camera.clone(),
            coverage: Coverage {
                fields: across.fields,
                frames: across.frames,
                hour_angles_h: span(across.hour_angles_h, 2),
                declinations_deg: span(across.declinations_deg, 1),
                both_sides_of_pier: across.both_sides,
            },
            axis: across.axis.map(|axis| Axis {
                altitude_deg: decimals(axis.altitude_azimuth_deg[0], 4),
                azimuth_deg: turn(axis.altitude_azimuth_deg[1], 4),
            }),
            error: across.axis.map(|axis| super::polar::error(&axis.error)),
            cone: term(Term::Cone),
            flexure: term(Term::Flexure),
            axes_not_square: term(Term::Square),
            not_told_apart: across
                .apart
                .iter()
                .map(|terms| terms.iter().map(|term| key(*term)).collect())
                .collect(),
            by_places: across.by_places,
            by_turn: across.by_turn,
            position_set_anew: files(&across.set_anew),
            camera_turned: files(&across.camera_turned),
            scatter_arcsec: across.scatter_arcsec.map(|v| decimals(v, 1)),
            turn_scatter_arcmin: across.turn_scatter_arcmin.map(|v| decimals(v, 2)),
            cautions: across.axis.iter().map(|_| SAFETY.to_owned()).collect(),
        }
    }
}

fn amount_record(amount: &Amount) -> AmountRecord {
    AmountRecord {
        arcmin: decimals(amount.arcmin, 2),
        error95_arcmin: decimals(amount.error95_arcmin, 2),
    }
}

/// As the object names a term.
fn key(term: Term) -> &'static str {
    match term {
        Term::Axis => "error",
        Term::Flexure => "flexure",
        Term::Cone => "cone",
        Term::Square => "axes_not_square",
    }
}

/// As people name a term.
pub fn name(term: Term) -> &'static str {
    match term {
        Term::Axis => "Polar error",
        Term::Flexure => "Flexure",
        Term::Cone => "Cone error",
        Term::Square => "Axes not square",
    }
}

/// What is told, each with its name, its number and the error of 95 % in words.
pub fn told(across: &Across) -> Vec<(&'static str, String)> {
    let mut all = Vec::new();
    if let Some(axis) = &across.axis {
        let error = &axis.error;
        let parts = error.altitude_arcmin.zip(error.azimuth_arcmin);
        let parts = parts.map_or(String::new(), |(altitude, azimuth)| {
            format!(
                ": {:.1} arcmin too {}, {:.1} arcmin too far {} along the horizon",
                altitude.abs(),
                if altitude > 0.0 { "high" } else { "low" },
                azimuth.abs(),
                if azimuth > 0.0 { "east" } else { "west" },
            )
        });
        all.push((
            name(Term::Axis),
            format!(
                "{:.1} arcmin from the true pole, +-{:.1} (95 %){parts}",
                error.total_arcmin, error.radius95_arcmin
            ),
        ));
    }
    for (term, amount) in &across.terms {
        all.push((name(*term), told_term(*term, amount, across.first_side)));
    }
    all
}

fn told_term(term: Term, amount: &Amount, side: Option<PierSide>) -> String {
    let size = format!(
        "{:.1} arcmin, +-{:.1} (95 %)",
        amount.arcmin.abs(),
        amount.error95_arcmin
    );
    if amount.arcmin.abs() < amount.error95_arcmin {
        return format!("{size}: not seen");
    }
    let side = match side {
        Some(PierSide::East) => "with the tube east of the pier",
        Some(PierSide::West) => "with the tube west of the pier",
        None => "on the side of the pier of the first field",
    };
    let positive = amount.arcmin > 0.0;
    match term {
        Term::Axis => size,
        Term::Flexure if positive => format!("{size}: so far the tube hangs at the horizon"),
        Term::Flexure => format!("{size}: so far the tube rises at the horizon"),
        Term::Cone => {
            let way = if positive { "east" } else { "west" };
            format!("{size}: {side} the tube looks too far {way}, past the pole the other way")
        }
        Term::Square => {
            let way = if positive { "north" } else { "south" };
            format!("{size}: {side} the declination axis leans to the {way} in the east")
        }
    }
}

/// What stays open, in sentences.
pub fn open(across: &Across) -> Vec<String> {
    let mut all = Vec::new();
    all.extend(across.reason.as_deref().map(sentence));
    for terms in &across.apart {
        let names: Vec<String> = terms.iter().map(|t| name(*t).to_lowercase()).collect();
        let both = names.len() > 1;
        let names = names.join(" and ");
        all.push(sentence(&match both {
            true => format!("these fields cannot tell {names} apart"),
            false => format!("these fields do not tell: {names}"),
        }));
    }
    if across.axis.is_some() && !across.by_places {
        all.push(
            "Where the mount was sent says nothing of its axes here (no header, or each field \
             centred first); this comes from how the camera lay."
                .into(),
        );
    }
    let count = across.set_anew.len();
    if count > 0 {
        all.push(format!(
            "The mount's position was set anew {} (a sync, or a target centred): fields before and \
             after share no zeros.",
            times(count)
        ));
    }
    if !across.camera_turned.is_empty() {
        let count = times(across.camera_turned.len());
        all.push(format!("The camera was turned in its holder {count}."));
    }
    all
}

fn times(count: usize) -> String {
    match count {
        1 => "once".into(),
        _ => format!("{count} times"),
    }
}

/// With a capital and a full stop.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}
