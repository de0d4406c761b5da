//! Polar alignment as frames come: expose, turn the RA axis, expose, turn the screws, expose.
//!
//! Frames between which the RA axis was turned give the axis. One that shows the RA axis where it
//! was, but for tracking, says what is left after the screws. Once the RA axis is turned again, its
//! frame sharpens the axis where it agrees with the others, and begins anew where it does not.

use crate::frame::Site;
use crate::night::{Entry, Verdict};
use crate::polar::{Adjusted, Conditions, Finding, Sight, adjusted, find};
use crate::projection::Projection;
use crate::report::polar::PolarRecord;
use crate::wcs::{Sip, Wcs};
use serde_json::Value;

/// An RA axis that turned by less, or by what tracking does in the time, give or take this, was not
/// moved: turning screws drags the tube along by less.
const STILL_DEG: f64 = 3.0;
/// The turn of the sky.
const DEG_PER_DAY: f64 = 360.985_6;
/// Radius of 95 % over the standard error per axis, for a round error.
const RADIUS95: f64 = 2.4477;

/// What is known while a mount is being aligned.
#[derive(Debug)]
pub struct Alignment {
    /// As they were stated.
    stated: Conditions,
    conditions: Conditions,
    sights: Vec<Sight>,
    found: Option<Finding>,
}

impl Alignment {
    /// Begins one. A site that `conditions` lack is taken from the frames.
    pub fn new(conditions: Conditions) -> Alignment {
        Alignment {
            stated: conditions,
            conditions: conditions.or_at(None),
            sights: Vec::new(),
            found: None,
        }
    }

    /// Takes one more frame; what it tells, unless it is the first, or not solved.
    pub fn take(&mut self, entry: &Entry) -> Option<PolarRecord> {
        let sight = sight_of(entry)?;
        let row = &entry.row;
        let by_header = row.latitude_deg.zip(row.longitude_deg);
        let by_header = by_header.map(|(latitude_deg, longitude_deg)| Site {
            longitude_deg,
            latitude_deg,
        });
        if self.conditions.site.is_none() {
            self.conditions = self.stated.or_at(by_header);
        }
        if let Some(left) = self.left(&sight) {
            let result = Ok(self.found.clone()?);
            let record = PolarRecord::new(self.names(), self.conditions.pole, &result);
            return Some(record.with_left(&sight.file, &left));
        }
        self.sights.push(sight);
        if self.sights.len() < 2 {
            return None;
        }
        let result = find(&self.sights, &self.conditions);
        let record = PolarRecord::new(self.names(), self.conditions.pole, &result);
        match result {
            Ok(finding) => self.found = Some(finding),
            // The newest begins anew; of frames of one pointing it does as well as any.
            Err(_) => {
                self.sights.drain(..self.sights.len() - 1);
                self.found = None;
            }
        }
        Some(record)
    }

    /// What is left, where the RA axis stands as it did in the last of the other frames.
    fn left(&self, sight: &Sight) -> Option<Adjusted> {
        let (finding, last) = (self.found.as_ref()?, self.sights.last()?);
        let left = adjusted(finding, last, sight, &self.conditions).ok()?;
        let tracked_deg = DEG_PER_DAY * (sight.jd_utc? - last.jd_utc?);
        let turned_deg = left.ra_turned_deg.abs();
        let still = turned_deg < STILL_DEG || (turned_deg - tracked_deg.abs()).abs() < STILL_DEG;
        still.then_some(left)
    }

    fn names(&self) -> Vec<String> {
        self.sights.iter().map(|sight| sight.file.clone()).collect()
    }
}

/// How the camera was held, from what the journal keeps of a frame.
fn sight_of(entry: &Entry) -> Option<Sight> {
    if entry.verdict != Verdict::Solved {
        return None;
    }
    let record: Value = serde_json::from_str(entry.record.as_ref()?.get()).ok()?;
    let row = &entry.row;
    let size = [row.width_px?, row.height_px?].map(|side| side as usize);
    let wcs = wcs_of(&record["wcs"])?;
    let uncertainty_arcsec = record["centre"]["uncertainty_arcsec"].as_f64()?;
    let centre_error = (uncertainty_arcsec.max(0.01) / RADIUS95 / 3600.0).to_radians();
    let scale = (record["scale_arcsec_per_px"].as_f64()? / 3600.0).to_radians();
    // Root mean square distance from the middle of stars all over the frame.
    let lever_px = (size[0] as f64).hypot(size[1] as f64) / 12.0_f64.sqrt();
    let believed = !record["centre_of_date"].is_null();
    Some(Sight {
        file: entry.file.clone(),
        wcs,
        size,
        jd_utc: row.mid_jd_utc.filter(|_| believed),
        centre_error,
        turn_error: centre_error / (lever_px * scale),
        commanded_dec_deg: row.commanded_dec_deg,
    })
}

fn wcs_of(wcs: &Value) -> Option<Wcs> {
    let pair = |value: &Value| Some([value[0].as_f64()?, value[1].as_f64()?]);
    let sip = match &wcs["sip"] {
        Value::Null => None,
        sip => Some(sip_of(sip)?),
    };
    Some(Wcs {
        crpix: pair(&wcs["crpix"])?,
        crval: pair(&wcs["crval"])?,
        cd: [pair(&wcs["cd"][0])?, pair(&wcs["cd"][1])?],
        projection: Projection::of_code(wcs["ctype"][0].as_str()?.get(5..8)?)?,
        sip,
    })
}

/// From keywords of the SIP convention: `A_ORDER`, `A_2_0` and so on.
fn sip_of(sip: &Value) -> Option<Sip> {
    let keys = sip.as_object()?;
    let terms = |name: &str| -> Vec<(usize, usize, f64)> {
        let term = |(key, value): (&String, &Value)| {
            let powers = key.strip_prefix(name)?.strip_prefix('_')?;
            let (p, q) = powers.split_once('_')?;
            Some((p.parse().ok()?, q.parse().ok()?, value.as_f64()?))
        };
        keys.iter().filter_map(term).collect()
    };
    let order = |name: &str| keys.get(name)?.as_u64().map(|order| order as usize);
    Some(Sip {
        order: order("A_ORDER")?,
        a: terms("A"),
        b: terms("B"),
        inverse_order: order("AP_ORDER")?,
        ap: terms("AP"),
        bp: terms("BP"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_distortion_comes_back_from_its_keywords() {
        let sip = json!({"A_ORDER": 2, "A_2_0": 1e-6, "A_0_2": -2e-6, "B_ORDER": 2, "B_1_1": 3e-6,
            "AP_ORDER": 3, "AP_1_0": 4e-6, "BP_ORDER": 3, "BP_0_1": 5e-6});
        let sip = sip_of(&sip).unwrap();
        assert_eq!((sip.order, sip.inverse_order), (2, 3));
        assert_eq!(sip.a, [(0, 2, -2e-6), (2, 0, 1e-6)]);
        assert_eq!(sip.b, [(1, 1, 3e-6)]);
        assert_eq!((sip.ap, sip.bp), (vec![(1, 0, 4e-6)], vec![(0, 1, 5e-6)]));
        assert!(sip_of(&json!({"A_2_0": 1e-6})).is_none());
        assert!(wcs_of(&json!({"crpix": [1, 2], "crval": [3], "cd": []})).is_none());
    }
}
