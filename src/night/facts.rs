//! What a header says besides the clues of the solver: what the frame was made for, and what a
//! report shows beside it.

use super::kind::stated_kind;
use crate::Deadline;
use crate::frame::budget::Budget;
use crate::frame::fits::card::{Header, Value};
use crate::frame::fits::hdu;
use crate::frame::open::Format;
use crate::frame::source::Source;
use crate::frame::{Clues, FrameFile, clues_of_header};
use crate::track::{FrameKind, PierSide};

/// Freezing point, kelvin.
const ZERO_C_KELVIN: f64 = 273.15;
/// Temperatures above this are kelvin: no sensor and no air is so hot in degrees Celsius.
const KELVIN_FROM: f64 = 120.0;

/// Keywords of the sensor's temperature, likeliest first. Common practice.
const SENSOR: [&str; 6] = [
    "CCD-TEMP", "DET-TEMP", "SENSTEMP", "CCDTEMP", "CAMTEMP", "CAM-TEMP",
];
/// Keywords of the air's temperature, or else the telescope's. Common practice.
const AIR: [&str; 7] = [
    "AMBTEMP", "AMB-TEMP", "AMBIENT", "AIRTEMP", "TEMPAIR", "OUTTEMP", "TELTEMP",
];
/// Keywords of the air's pressure. Common practice.
const PRESSURE: [&str; 4] = ["PRESSURE", "AIRPRESS", "BAROMTR", "PRES"];

/// Facts of one header. Formats without FITS keywords have none.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Facts {
    /// What the frame was made for, where the header says so.
    pub kind: Option<FrameKind>,
    /// Name of the target.
    pub target: Option<String>,
    /// Name of the filter.
    pub filter: Option<String>,
    /// Name of the camera.
    pub camera: Option<String>,
    /// Temperature of the sensor, degrees Celsius.
    pub sensor_c: Option<f64>,
    /// Temperature of the air, degrees Celsius.
    pub air_c: Option<f64>,
    /// Pressure of the air at the site, hPa.
    pub pressure_hpa: Option<f64>,
    /// Side of the pier.
    pub pier_side: Option<PierSide>,
    /// Pixels along x and y, and the clues of the solver: for frames that it is not given.
    pub frame: Option<([usize; 2], Clues)>,
}

impl Facts {
    /// Reads the header of a frame and no pixel, until `deadline`. Whatever is wrong with the file
    /// will be said when it is read for solving; here it only means that nothing is known.
    pub fn of(file: &FrameFile, deadline: Deadline) -> Facts {
        let budget = Budget::new(file.identity().bytes, deadline);
        let source = match file.recognised() {
            Ok((Format::Fits, file)) => Source::plain(file, budget),
            Ok((format @ (Format::Gzip | Format::Bzip2), file)) => {
                Source::packed(file, budget, format)
            }
            _ => return Facts::default(),
        };
        let Ok((unit, shape, _)) = hdu::find_image(&source) else {
            return Facts::default();
        };
        let header = match unit.index {
            0 => unit.header,
            _ => match hdu::read_hdu(&source, 0, 0) {
                Ok(Some(primary)) => unit.header.followed_by(primary.header),
                _ => unit.header,
            },
        };
        let mut facts = Facts::of_header(&header);
        let clues = clues_of_header(&header, shape.width, shape.height);
        facts.frame = Some(([shape.width, shape.height], clues));
        facts
    }

    fn of_header(header: &Header) -> Facts {
        Facts {
            kind: stated_kind(|keyword| header.text(keyword)),
            target: name(header, "OBJECT"),
            filter: name(header, "FILTER"),
            camera: ["INSTRUME", "CAMERA", "DETECTOR"]
                .iter()
                .find_map(|keyword| name(header, keyword)),
            sensor_c: temperature_c(header, &SENSOR),
            air_c: temperature_c(header, &AIR),
            pressure_hpa: PRESSURE
                .iter()
                .filter_map(|keyword| header.number(keyword))
                // From the highest mountains to the deepest valley.
                .find(|hpa| (450.0..1100.0).contains(hpa)),
            pier_side: pier_side(header),
            frame: None,
        }
    }
}

/// `PIERSIDE`, `EAST` or `WEST`. Common practice.
fn pier_side(header: &Header) -> Option<PierSide> {
    match name(header, "PIERSIDE")?.to_lowercase().as_str() {
        "east" => Some(PierSide::East),
        "west" => Some(PierSide::West),
        _ => None,
    }
}

fn name(header: &Header, keyword: &str) -> Option<String> {
    let text = match header.get(keyword)? {
        Value::Text(text) => text.trim().to_owned(),
        Value::Integer(number) => number.to_string(),
        _ => return None,
    };
    (!text.is_empty()).then_some(text)
}

fn temperature_c(header: &Header, keywords: &[&str]) -> Option<f64> {
    keywords.iter().find_map(|keyword| {
        let card = header.card(keyword)?;
        let value = card.value.as_f64()?;
        let kelvin = value > KELVIN_FROM || card.comment.to_lowercase().contains("kelvin");
        let celsius = if kelvin { value - ZERO_C_KELVIN } else { value };
        // A placeholder for 'no data' is no temperature.
        let rounded = (celsius * 100.0).round() / 100.0;
        (-120.0..80.0).contains(&rounded).then_some(rounded)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(cards: &[&str]) -> Facts {
        let text: String = cards.iter().map(|card| format!("{card:<80}")).collect();
        Facts::of_header(&Header::parse(text.as_bytes()))
    }

    #[test]
    fn temperatures_in_kelvin_and_placeholders() {
        let f = facts(&[
            "CAMTEMP = 271.0 / CCD Camera Temperature in Kelvin, =-1 if no data",
            "TELTEMP = -1 / Ambient Telescope Temperature in Kelvin, =-1 if no data",
            "PRESSURE= 913.5",
        ]);
        assert_eq!(
            (f.sensor_c, f.air_c, f.pressure_hpa),
            (Some(-2.15), None, Some(913.5))
        );
        let f = facts(&["CCD-TEMP= -10.0", "AMBTEMP = 4.5", "PRESSURE= 0"]);
        assert_eq!(
            (f.sensor_c, f.air_c, f.pressure_hpa),
            (Some(-10.0), Some(4.5), None)
        );
    }

    #[test]
    fn names() {
        let f = facts(&[
            "OBJECT  = 'HATP-32 '",
            "FILTER  = 3",
            "INSTRUME= '  '",
            "CAMERA  = 'A'",
        ]);
        assert_eq!(f.target.as_deref(), Some("HATP-32"));
        assert_eq!(f.filter.as_deref(), Some("3"));
        assert_eq!(f.camera.as_deref(), Some("A"));
    }
}
