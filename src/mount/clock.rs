//! Whether the clock that dated a frame can be right.

use super::Moment;
use std::time::{SystemTime, UNIX_EPOCH};

/// Julian date of 1970-01-01T00:00 UTC.
const UNIX_EPOCH_JD: f64 = 2_440_587.5;

/// Dates before this Julian year are those of plates and of clocks that were reset: digital
/// cameras for everyone came later. Common practice.
const DIGITAL_JYEAR: f64 = 1995.0;

/// 2026-11-28, when this was written: a clock that says less is wrong.
const WRITTEN_JD: f64 = 2_461_372.5;

/// A frame may be this much later than the clock of this computer, days: local time that was
/// taken for UTC is up to 14 hours ahead, and clocks drift.
const AHEAD_D: f64 = 1.0;

/// Why the date of a frame is doubtful.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DateDoubt {
    /// Before there were digital cameras for everyone.
    LongPast,
    /// Later than now.
    Future {
        /// Now by the clock of this computer, Julian date UTC, which may be wrong as well.
        now_jd_utc: f64,
    },
}

/// What speaks against the date of a frame, whatever the frame shows.
pub fn date_doubt(moment: &Moment) -> Option<DateDoubt> {
    let now = SystemTime::now().duration_since(UNIX_EPOCH);
    let now_jd_utc = UNIX_EPOCH_JD + now.unwrap_or_default().as_secs_f64() / 86_400.0;
    let (day, fraction) = moment.utc();
    if moment.julian_year() < DIGITAL_JYEAR {
        Some(DateDoubt::LongPast)
    } else if day + fraction > now_jd_utc.max(WRITTEN_JD) + AHEAD_D {
        Some(DateDoubt::Future { now_jd_utc })
    } else {
        None
    }
}
