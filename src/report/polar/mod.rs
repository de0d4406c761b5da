//! The JSON object of a polar alignment, schema `nightfix.polar/1`, and the same as text.
//!
//! `polar.schema.json` beside this file describes the object for machines.

mod chart;
pub mod picture;

use super::rounding::decimals;
use super::text::Block;
use crate::polar::{Adjusted, AxisError, Finding, Pole, Trouble};
use serde::Serialize;

/// Name and number of the schema.
pub const SCHEMA: &str = "nightfix.polar/1";

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum PolarStatus {
    /// The axis is found.
    Found,
    /// The frames do not tell, or contradict each other.
    Unclear,
    /// A frame, or the star-index, could not be used.
    Error,
}

/// Where the axis points.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Axis {
    /// Above the horizon, free of refraction.
    pub altitude_deg: f64,
    /// North through east, 0 to 360.
    pub azimuth_deg: f64,
}

/// Axis minus pole.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ErrorRecord {
    /// Positive: too high; null without a site.
    pub altitude_arcmin: Option<f64>,
    /// Positive: too far east, along the horizon; null without a site.
    pub azimuth_arcmin: Option<f64>,
    /// On the sky.
    pub total_arcmin: f64,
    /// Radius that holds the axis in 95 % of cases.
    pub radius95_arcmin: f64,
}

/// What is left after the screws were turned.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftRecord {
    /// The frame that tells.
    pub file: String,
    /// Axis minus pole now.
    pub error: ErrorRecord,
    /// Turn of the RA axis since the last of the other frames.
    pub ra_turned_deg: f64,
}

/// The object that `nightfix polar --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PolarRecord {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// What came of it.
    pub status: PolarStatus,
    /// Why there is no axis.
    pub reason: Option<String>,
    /// Where the axis points; null without a site.
    pub axis: Option<Axis>,
    /// Axis minus pole, before the screws were turned.
    pub error: Option<ErrorRecord>,
    /// After the screws were turned, where a frame of that was given.
    pub left: Option<LeftRecord>,
    /// `true` or `refracted`.
    pub pole: &'static str,
    /// Largest turn between two frames.
    pub turned_deg: Option<f64>,
    /// Move in declination between two of the frames; null where it cannot be told.
    pub declination_move_arcmin: Option<f64>,
    /// Root mean square of what one turn leaves of the centres.
    pub residual_arcsec: Option<f64>,
    /// Names of the frames.
    pub frames: Vec<String>,
    /// What a person should know.
    pub cautions: Vec<String>,
    /// The pole is the one above the northern horizon: for the words of the text.
    #[serde(skip)]
    pub north: bool,
}

/// What cautions end with: a mount with loosened screws can tip.
const SAFETY: &str = "Before you turn screws, make sure that telescope and counterweights cannot \
                      tip or slip, and keep to the instructions of the mount's maker.";

impl PolarRecord {
    /// A record without an axis.
    pub fn without(frames: Vec<String>, pole: Pole, status: PolarStatus, reason: &str) -> Self {
        PolarRecord {
            schema: SCHEMA,
            status,
            reason: Some(reason.to_owned()),
            axis: None,
            error: None,
            left: None,
            pole: word(pole),
            turned_deg: None,
            declination_move_arcmin: None,
            residual_arcsec: None,
            frames,
            cautions: Vec::new(),
            north: true,
        }
    }

    /// From what was found, or was not.
    pub fn new(frames: Vec<String>, pole: Pole, result: &Result<Finding, Trouble>) -> Self {
        let finding = match result {
            Ok(finding) => finding,
            Err(trouble) => {
                let unclear = PolarStatus::Unclear;
                return PolarRecord {
                    turned_deg: trouble.turned_deg.map(|deg| decimals(deg, 3)),
                    declination_move_arcmin: trouble.moved_arcmin.map(|m| decimals(m, 2)),
                    ..PolarRecord::without(frames, pole, unclear, &trouble.reason)
                };
            }
        };
        let mut cautions = finding.cautions.clone();
        cautions.push(SAFETY.to_owned());
        PolarRecord {
            status: PolarStatus::Found,
            reason: None,
            axis: finding.axis_deg.map(|[altitude, azimuth]| Axis {
                altitude_deg: decimals(altitude, 5),
                azimuth_deg: super::rounding::turn(azimuth, 5),
            }),
            error: Some(error(&finding.error)),
            turned_deg: Some(decimals(finding.turned_deg, 3)),
            declination_move_arcmin: finding.moved_arcmin.map(|m| decimals(m[0].abs(), 2)),
            residual_arcsec: finding.residual_arcsec.map(|r| decimals(r, 2)),
            cautions,
            north: finding.north,
            ..PolarRecord::without(frames, pole, PolarStatus::Found, "")
        }
    }

    /// Adds what one more frame says after the screws were turned.
    pub fn with_left(mut self, file: &str, adjusted: &Adjusted) -> Self {
        self.left = Some(LeftRecord {
            file: file.to_owned(),
            error: error(&adjusted.error),
            ra_turned_deg: decimals(adjusted.ra_turned_deg, 3),
        });
        self
    }

    /// Says that the frame of after the screws were turned is of no use; the axis stays what it was.
    pub fn without_left(mut self, reason: &str) -> Self {
        let caution = format!("What is left after turning the screws cannot be said: {reason}");
        self.cautions.insert(0, caution);
        self
    }

    /// The record as one line of JSON, without the line end.
    ///
    /// # Errors
    ///
    /// None that a record can cause: the type is what `serde_json` returns.
    pub fn to_json_line(&self) -> serde_json::Result<String> {
        serde_json::to_string(self)
    }

    /// The record as text.
    pub fn to_text(&self) -> String {
        let mut block = Block::default();
        let frames = self.frames.join(", ");
        match self.status {
            PolarStatus::Found => block.verdict("AXIS FOUND", &frames, None),
            PolarStatus::Unclear => block.verdict("UNCLEAR", &frames, self.reason.as_deref()),
            PolarStatus::Error => block.verdict("NOT USED", &frames, self.reason.as_deref()),
        }
        if let Some(error) = self
            .left
            .as_ref()
            .map(|left| &left.error)
            .or(self.error.as_ref())
        {
            let now = if self.left.is_some() { "now " } else { "" };
            block.line(
                "Error",
                &format!(
                    "{now}{:.2} arcmin from the {} pole, +-{:.2} (95 %)",
                    error.total_arcmin, self.pole, error.radius95_arcmin
                ),
            );
            for (label, words) in screws(error, self.north) {
                block.line(label, &words);
            }
        }
        if let Some(axis) = &self.axis {
            block.line(
                "Axis",
                &format!(
                    "altitude {:.4} deg, azimuth {:.4} deg{}",
                    axis.altitude_deg,
                    axis.azimuth_deg,
                    if self.left.is_some() {
                        ", before the screws were turned"
                    } else {
                        ""
                    }
                ),
            );
        }
        if let Some(turned) = self.turned_deg {
            block.line("Turned", &format!("{turned:.1} deg about the RA axis"));
        }
        if let (Some(rest), Some(moved)) = (self.residual_arcsec, self.declination_move_arcmin) {
            let text = format!("{rest:.1} arcsec remain; declination move {moved:.2} arcmin");
            block.line("Check", &text);
        }
        for caution in &self.cautions {
            block.line("Caution", caution);
        }
        block.0
    }
}

fn word(pole: Pole) -> &'static str {
    match pole {
        Pole::True => "true",
        Pole::Refracted => "refracted",
    }
}

/// Rounded.
pub(super) fn error(error: &AxisError) -> ErrorRecord {
    let rounded = |value: f64| decimals(value, 3);
    ErrorRecord {
        altitude_arcmin: error.altitude_arcmin.map(rounded),
        azimuth_arcmin: error.azimuth_arcmin.map(rounded),
        total_arcmin: rounded(error.total_arcmin),
        radius95_arcmin: rounded(error.radius95_arcmin),
    }
}

/// Which screw, which way: sides are those of a person behind the mount who faces the pole.
fn screws(error: &ErrorRecord, north: bool) -> Vec<(&'static str, String)> {
    let (Some(altitude), Some(azimuth)) = (error.altitude_arcmin, error.azimuth_arcmin) else {
        return Vec::new();
    };
    let (place, go) = match altitude > 0.0 {
        true => ("above", "lower"),
        false => ("below", "raise"),
    };
    let (is, to) = match azimuth > 0.0 {
        true => ("east", "west"),
        false => ("west", "east"),
    };
    let side = match (to == "east") == north {
        true => "right",
        false => "left",
    };
    let facing = if north { "north" } else { "south" };
    vec![
        (
            "Altitude",
            format!(
                "the axis points {place} the pole: {go} it by {:.2} arcmin with the altitude screw",
                altitude.abs()
            ),
        ),
        (
            "Azimuth",
            format!(
                "the axis points {is} of the pole: turn it {to} by {:.2} arcmin with the azimuth \
                 screws (to the {side}, facing {facing})",
                azimuth.abs()
            ),
        ),
    ]
}
