//! The JSON line of one frame of a night: the object of `solve --json`, and one key more.

use super::journal::Entry;
use crate::mount::{Moment, PointingError};
use crate::report::rounding::decimals;
use crate::track::{Row, RowStatus};
use serde::Serialize;

/// What the key `night` of a JSON line holds: what is known of a frame besides its position.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NightKeys<'a> {
    /// Mid-exposure, UTC.
    pub time_utc: Option<String>,
    /// Exposure, seconds.
    pub exposure_s: Option<f64>,
    /// Frames with the same text come from the same camera and optics.
    pub camera: &'a str,
    /// What was aimed at, by the header.
    pub target: Option<&'a str>,
    /// Filter, by the header.
    pub filter: Option<&'a str>,
    /// Temperature of the air, degrees Celsius.
    pub air_c: Option<f64>,
    /// Temperature of the sensor, degrees Celsius.
    pub sensor_c: Option<f64>,
    /// Why a person should look at the mount now; null where all is well, and for a night that
    /// is over.
    pub alarm: Option<&'a str>,
    /// The move that brings the mount to where a watch is told that it should be.
    #[serde(rename = "move")]
    pub mend: Option<Mend>,
}

/// A move of the mount.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Mend {
    /// To the east; negative: to the west.
    pub east_arcmin: f64,
    /// To the north; negative: to the south.
    pub north_arcmin: f64,
}

impl Mend {
    /// The opposite of `error`.
    pub fn of(error: &PointingError) -> Mend {
        Mend {
            east_arcmin: decimals(-error.east_deg() * 60.0, 4),
            north_arcmin: decimals(-error.north_deg() * 60.0, 4),
        }
    }
}

impl<'a> NightKeys<'a> {
    /// Of a row; `alarm` and `mend` are what a watch says about it.
    pub fn of(row: &'a Row, alarm: Option<&'a str>, mend: Option<Mend>) -> NightKeys<'a> {
        let moment = row.mid_jd_utc.and_then(Moment::from_jd_utc);
        NightKeys {
            time_utc: moment.map(|moment| moment.iso_utc()),
            exposure_s: row.exposure_s,
            camera: &row.camera,
            target: row.target.as_deref(),
            filter: row.filter.as_deref(),
            air_c: row.air_c,
            sensor_c: row.sensor_c,
            alarm,
            mend,
        }
    }
}

/// The line, without a line end; `None` for frames that were left alone.
pub fn json_line(entry: &Entry, alarm: Option<&str>, mend: Option<Mend>) -> Option<String> {
    if entry.row.status == RowStatus::NotALight {
        return None;
    }
    let object = entry.record.as_ref()?.get();
    let keys = serde_json::to_string(&NightKeys::of(&entry.row, alarm, mend)).ok()?;
    let open = object.trim_end().strip_suffix('}')?;
    Some(format!("{open},\"night\":{keys}}}"))
}
