//! When somebody should look at the mount.

use crate::mount::{PointingError, pointing_error};

use crate::track::{Row, RowStatus};
use std::collections::VecDeque;

/// Solved frames whose number of stars is remembered.
const REMEMBERED: usize = 10;
/// Stars have vanished where fewer than this share of the usual number are left. Common practice:
/// three in four lost to cloud or dew is past what a change of altitude does.
const LEFT_SHARE: f64 = 0.25;

/// Where the frames of a night should point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// ICRS right ascension and declination, degrees.
    pub position_deg: [f64; 2],
}

/// Judges one frame after another.
#[derive(Debug, Clone, Default)]
pub struct Alarms {
    target: Option<Target>,
    limit_arcmin: Option<f64>,
    /// Stars detected in the latest solved frames.
    stars: VecDeque<u32>,
}

impl Alarms {
    /// With the distance from the target (without one: from the commanded position) that is too
    /// far, if any is.
    pub fn new(target: Option<Target>, limit_arcmin: Option<f64>) -> Alarms {
        Alarms {
            target,
            limit_arcmin,
            stars: VecDeque::new(),
        }
    }

    /// How far a frame is from where it should be.
    pub fn error(&self, row: &Row) -> Option<PointingError> {
        match self.target {
            Some(target) => Some(pointing_error(target.position_deg, row.centre_deg()?)),
            None => row.pointing_error(),
        }
    }

    /// Why a solved frame cannot be farther off than the limit, whatever it shows.
    pub fn unchecked(&self, row: &Row) -> Option<&'static str> {
        let nothing = self.limit_arcmin.is_some()
            && row.status == RowStatus::Solved
            && self.error(row).is_none();
        nothing.then_some(
            "--alarm has nothing to count from where neither --target nor the frame says where \
             the mount should point: name the place with --target",
        )
    }

    /// Why somebody should look at the mount now, for the next frame of the night.
    pub fn judge(&mut self, row: &Row) -> Option<String> {
        let usual = self.usual_stars();
        match row.status {
            RowStatus::Solved => {
                let stars = row.stars_detected.unwrap_or(0);
                let fewer = usual.filter(|usual| f64::from(stars) < LEFT_SHARE * f64::from(*usual));
                // The usual number follows slowly: a cloud does not become the custom at once.
                if self.stars.len() == REMEMBERED {
                    self.stars.pop_front();
                }
                self.stars.push_back(stars);
                self.too_far(row).or_else(|| {
                    fewer.map(|usual| format!("the stars vanish: {stars} found, {usual} are usual"))
                })
            }
            RowStatus::Unsolved => {
                let usual = usual?;
                let found = row.stars_detected.unwrap_or(0);
                let why = row.diagnosis_code.as_deref().unwrap_or("unknown");
                let vanished = f64::from(found) < LEFT_SHARE * f64::from(usual);
                let what = if vanished {
                    "the stars vanished"
                } else {
                    "no position"
                };
                Some(format!(
                    "{what} ({why}): {found} stars found, {usual} are usual"
                ))
            }
            RowStatus::Error | RowStatus::NotALight => None,
        }
    }

    fn too_far(&self, row: &Row) -> Option<String> {
        let limit = self.limit_arcmin?;
        let error = self.error(row)?;
        (error.separation_deg * 60.0 > limit).then(|| format!("farther off than {limit} arcmin"))
    }

    /// Median of the stars in the latest solved frames.
    fn usual_stars(&self) -> Option<u32> {
        let mut stars: Vec<u32> = self.stars.iter().copied().collect();
        stars.sort_unstable();
        stars.get(stars.len() / 2).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(dec_deg: f64, stars: u32) -> Row {
        Row {
            status: RowStatus::Solved,
            ra_deg: Some(50.0),
            dec_deg: Some(dec_deg),
            commanded_ra_deg: Some(50.0),
            commanded_dec_deg: Some(10.0),
            stars_detected: Some(stars),
            ..Row::default()
        }
    }

    #[test]
    fn too_far_from_the_target_or_else_from_the_commanded_position() {
        let mut alarms = Alarms::new(None, Some(6.0));
        assert_eq!(alarms.judge(&row(10.05, 40)), None);
        let said = alarms.judge(&row(10.2, 40)).unwrap();
        assert_eq!(said, "farther off than 6 arcmin");
        let target = Target {
            position_deg: [50.0, 10.2],
        };
        let mut alarms = Alarms::new(Some(target), Some(6.0));
        assert_eq!(alarms.judge(&row(10.2, 40)), None);
        assert!(alarms.judge(&row(10.05, 40)).is_some());
        // Nothing to count from.
        let lost = Row {
            commanded_ra_deg: None,
            ..row(10.2, 40)
        };
        assert!(Alarms::new(None, Some(6.0)).unchecked(&lost).is_some());
        assert_eq!(Alarms::new(None, Some(6.0)).unchecked(&row(10.2, 40)), None);
        assert_eq!(alarms.unchecked(&lost), None);
        assert_eq!(Alarms::new(None, None).unchecked(&lost), None);
        let mut unlimited = Alarms::new(None, None);
        assert_eq!(unlimited.judge(&row(40.0, 40)), None);
    }

    #[test]
    fn vanishing_stars() {
        let mut alarms = Alarms::new(None, None);
        let cloud = |stars| Row {
            diagnosis_code: Some("cloud".into()),
            status: RowStatus::Unsolved,
            stars_detected: Some(stars),
            ..Row::default()
        };
        // Nothing is usual yet.
        assert_eq!(alarms.judge(&cloud(2)), None);
        for stars in [38, 40, 44] {
            assert_eq!(alarms.judge(&row(10.0, stars)), None);
        }
        let said = alarms.judge(&row(10.0, 9)).unwrap();
        assert_eq!(said, "the stars vanish: 9 found, 40 are usual");
        let said = alarms.judge(&cloud(2)).unwrap();
        assert!(
            said.starts_with("the stars vanished (cloud): 2 stars found"),
            "{said}"
        );
        assert_eq!(alarms.judge(&row(10.0, 30)), None);
        let dark = Row {
            status: RowStatus::NotALight,
            ..Row::default()
        };
        assert_eq!(alarms.judge(&dark), None);
    }
}
