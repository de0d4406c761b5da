//! The telescope on the mount: where it looks while the mount believes what it believes.

use super::sky::{angles_deg, date_to_icrs, sidereal_deg, turn, vector};
use serde::{Deserialize, Serialize};

/// What is wrong with the mount. All zero: nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Faults {
    /// The tube is turned by this about the polar axis against what the mount counts, degrees.
    pub index_hour_deg: f64,
    /// The same about the declination axis.
    pub index_dec_deg: f64,
    /// Angle between the tube and the perpendicular of the declination axis, degrees.
    pub cone_deg: f64,
    /// The polar axis stands too high by this, degrees.
    pub pole_altitude_deg: f64,
    /// The polar axis stands too far east by this, degrees on the sky.
    pub pole_azimuth_deg: f64,
    /// Share of every motion in hour angle that the clutch loses, 0 to 1.
    pub slip_hour: f64,
    /// Share of every motion in declination that the clutch loses, 0 to 1.
    pub slip_dec: f64,
}

/// The tube. Angles of the axes are those of the simulator (MOUNT_AXES): about the polar axis as
/// an hour angle, about the declination axis beyond 90 degrees once the mount has turned over.
#[derive(Debug, Clone)]
pub struct Tube {
    faults: Faults,
    /// Of the tube minus of the mount's counters.
    offset: [f64; 2],
    axes: Option<[f64; 2]>,
    latitude_deg: f64,
    longitude_deg: f64,
}

/// From -180 to 180.
fn wrapped(angle_deg: f64) -> f64 {
    (angle_deg + 180.0).rem_euclid(360.0) - 180.0
}

impl Tube {
    /// A tube that follows the counters but for these faults.
    pub fn new(faults: Faults) -> Tube {
        Tube {
            faults,
            offset: [faults.index_hour_deg, faults.index_dec_deg],
            axes: None,
            latitude_deg: 0.0,
            longitude_deg: 0.0,
        }
    }

    /// The mount stands here, longitude to the east.
    pub fn set_site(&mut self, latitude_deg: f64, longitude_deg: f64) {
        (self.latitude_deg, self.longitude_deg) = (latitude_deg, longitude_deg);
    }

    /// Other faults from now on; the tube stays where it is.
    pub fn set_faults(&mut self, faults: Faults) {
        self.faults = faults;
    }

    /// The mount's counters. Where they were set (`is_sync`) the tube stays, and a mount that
    /// thereby takes itself for turned over counts as having been so all along; otherwise the tube
    /// has moved with them, as far as the clutches hold.
    pub fn follow(&mut self, axes: [f64; 2], is_sync: bool) {
        let Some(before) = self.axes.replace(axes) else {
            return;
        };
        let moved = [wrapped(axes[0] - before[0]), wrapped(axes[1] - before[1])];
        if is_sync {
            let is_over = |dec: f64| wrapped(dec).abs() > 90.0;
            if is_over(axes[1]) != is_over(before[1]) {
                // The same direction on the other side: turned over by both axes.
                let tube = [before[0] + self.offset[0], before[1] + self.offset[1]];
                self.offset = [tube[0] + 180.0 - before[0], 180.0 - tube[1] - before[1]];
            }
            self.offset = [
                wrapped(self.offset[0] - moved[0]),
                wrapped(self.offset[1] - moved[1]),
            ];
        } else if moved[0].abs() > 0.02 || moved[1].abs() > 0.02 {
            // Tracking is slow enough for a slipping clutch to hold.
            self.offset[0] -= self.faults.slip_hour * moved[0];
            self.offset[1] -= self.faults.slip_dec * moved[1];
        }
    }

    /// The mount was told that it points at this position of date (RA and Dec, degrees). A German
    /// mount of the simulator takes itself for turned over where that lies in the east.
    pub fn counters_set(&mut self, jd: f64, date_deg: [f64; 2], is_german: bool) {
        /// What the delay of a message is worth, degrees.
        const DELAY_DEG: f64 = 5.0 / 3600.0;
        let hour = wrapped(sidereal_deg(jd, self.longitude_deg) - date_deg[0]);
        let axes = if is_german && hour < 0.0 {
            [hour + 180.0, 180.0 - date_deg[1]]
        } else {
            [hour, date_deg[1]]
        };
        let Some(before) = self.axes else {
            return;
        };
        if (0..2).any(|i| wrapped(axes[i] - before[i]).abs() > DELAY_DEG) {
            self.follow(axes, true);
        }
    }

    /// Hour angle and declination of date that the tube looks at, degrees.
    fn hour_dec_deg(&self) -> [f64; 2] {
        let axes = self.axes.unwrap_or([0.0, 90.0]);
        let (p, s) = (axes[0] + self.offset[0], axes[1] + self.offset[1]);
        // In the frame of the declination axis the tube leans by the cone; x to the meridian, y to
        // the west, z to the pole.
        let leaning = vector(self.faults.cone_deg, 0.0);
        let mut v = turn(1, s, leaning);
        v = turn(2, -p, v);
        // The polar axis leans: up is about the east-west line, east about the meridian's.
        v = turn(1, -self.faults.pole_altitude_deg, v);
        v = turn(0, self.faults.pole_azimuth_deg, v);
        angles_deg(v)
    }

    /// ICRS position that the tube looks at, degrees.
    pub fn icrs_deg(&self, jd: f64) -> [f64; 2] {
        let [hour, dec] = self.hour_dec_deg();
        date_to_icrs(jd, sidereal_deg(jd, self.longitude_deg) - hour, dec)
    }

    /// Height above the horizon, degrees, without refraction.
    pub fn altitude_deg(&self) -> f64 {
        let [hour, dec] = self.hour_dec_deg();
        let v = turn(1, 90.0 - self.latitude_deg, vector(hour, dec));
        // The pole now stands at the latitude's height.
        angles_deg(v)[1]
    }

    /// Turns the tube by hand, clutches loose, until it looks at this ICRS position.
    pub fn place(&mut self, icrs_deg: [f64; 2], jd: f64) {
        for _ in 0..30 {
            let [ra, dec] = self.icrs_deg(jd);
            self.offset[0] = wrapped(self.offset[0] - wrapped(icrs_deg[0] - ra));
            let is_over = self
                .axes
                .is_some_and(|axes| wrapped(axes[1] + self.offset[1]).abs() > 90.0);
            let up = icrs_deg[1] - dec;
            self.offset[1] = wrapped(self.offset[1] + if is_over { -up } else { up });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const JD: f64 = 2_461_373.5;

    fn apart_arcsec(a: [f64; 2], b: [f64; 2]) -> f64 {
        let (a, b) = (vector(a[0], a[1]), vector(b[0], b[1]));
        let d: f64 = (0..3).map(|i| (a[i] - b[i]) * (a[i] - b[i])).sum();
        libm::sqrt(d).to_degrees() * 3600.0
    }

    fn tube(faults: Faults) -> Tube {
        let mut tube = Tube::new(faults);
        tube.set_site(48.0, 11.0);
        tube.follow([30.0, 40.0], false);
        tube
    }

    #[test]
    fn a_sync_moves_nothing_and_a_slew_does() {
        let mut tube = tube(Faults {
            index_hour_deg: 20.0,
            index_dec_deg: -15.0,
            ..Faults::default()
        });
        let before = tube.icrs_deg(JD);
        tube.follow([50.0, 25.0], true);
        assert!(apart_arcsec(before, tube.icrs_deg(JD)) < 1e-3);
        // A sync that turns the mount over in its own opinion.
        tube.follow([-140.0, 155.0], true);
        assert!(apart_arcsec(before, tube.icrs_deg(JD)) < 1e-3);
        tube.follow([-140.0, 150.0], false);
        let moved = apart_arcsec(before, tube.icrs_deg(JD)) / 3600.0;
        // The chord of 5 degrees is 0.0016 shorter.
        assert!((moved - 5.0).abs() < 0.003, "{moved}");
    }

    #[test]
    fn the_same_place_turned_over_shows_the_cone_twice() {
        let mut straight = tube(Faults {
            cone_deg: 0.5,
            ..Faults::default()
        });
        let one = straight.icrs_deg(JD);
        straight.follow([210.0, 140.0], false);
        let apart = apart_arcsec(one, straight.icrs_deg(JD)) / 3600.0;
        assert!((apart - 1.0).abs() < 0.01, "{apart}");
    }

    #[test]
    fn a_raised_axis_raises_the_pole() {
        let mut raised = Tube::new(Faults {
            pole_altitude_deg: 2.0,
            ..Faults::default()
        });
        raised.set_site(48.0, 11.0);
        raised.follow([0.0, 90.0], false);
        assert!(
            (raised.altitude_deg() - 50.0).abs() < 1e-6,
            "{}",
            raised.altitude_deg()
        );
    }

    #[test]
    fn a_tube_can_be_placed() {
        let mut tube = tube(Faults {
            cone_deg: 0.3,
            ..Faults::default()
        });
        tube.place([83.6, 22.0], JD);
        assert!(apart_arcsec([83.6, 22.0], tube.icrs_deg(JD)) < 0.1);
    }
}
