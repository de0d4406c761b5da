//! Whole nights of mounts made by another route than the library's: the parts of a mount as vectors in
//! east, north and up, each turned about the axis that carries it by Rodrigues' formula; where it is
//! sent by ERFA's ICRS-to-observed (`atco13`), what it sees by ERFA's observed-to-ICRS (`atoc13`).

#![allow(dead_code, missing_docs, reason = "each test takes what it needs")]

use crate::mount::{AIR_C, PRESSURE, V, enu, icrs, turned};
use crate::run::Random;
use nightfix::frame::Site;
use nightfix::mount::pointing_error;
use nightfix::track::{Row, RowStatus};

const JD: f64 = 2_461_100.4;
/// Turn of the Earth against the stars, radians per day (IAU 2000, ERFA `era00`).
const TURN_PER_DAY: f64 = std::f64::consts::TAU * 1.002_737_811_911_354_6;
pub const ARCMIN: f64 = std::f64::consts::PI / 10_800.0;

pub fn normal(random: &mut Random) -> f64 {
    (0..12).map(|_| random.next()).sum::<f64>() - 6.0
}

pub fn cross(a: V, b: V) -> V {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

pub fn unit(v: V) -> V {
    let length = v.iter().map(|c| c * c).sum::<f64>().sqrt();
    v.map(|c| c / length)
}

/// A mount and what it is off, arcmin.
#[derive(Debug, Clone, Copy)]
pub struct Mount {
    pub site: Site,
    /// Altitude and azimuth of the axis, as in the contract of `polar`.
    pub axis: [f64; 2],
    pub cone: f64,
    pub square: f64,
    pub droop: f64,
    pub roll_deg: f64,
    /// It crosses the pole for the western sky.
    pub flips: bool,
    /// It reckons with refraction.
    pub refracted: bool,
    /// Arcsec per axis, and arcmin of the camera's turn.
    pub scatter: [f64; 2],
}

impl Mount {
    pub fn random(random: &mut Random) -> Mount {
        let latitude = 25.0 + 33.0 * random.next();
        let mut within = |size: f64| size * (2.0 * random.next() - 1.0);
        let (axis, cone) = ([within(60.0), within(60.0)], within(40.0));
        let roll_deg = within(180.0);
        let longitude_deg = within(170.0);
        Mount {
            site: Site {
                latitude_deg: if random.next() < 0.3 {
                    -latitude
                } else {
                    latitude
                },
                longitude_deg,
            },
            axis,
            cone,
            square: 6.0 * normal(random),
            droop: 3.0 * random.next(),
            roll_deg,
            flips: random.next() < 0.7,
            refracted: random.next() < 0.5,
            scatter: [10.0 + 50.0 * random.next(), 0.3 + random.next()],
        }
    }

    /// The end of its hour axis that points to the north pole.
    pub fn northern_end(&self) -> V {
        let latitude = self.site.latitude_deg;
        let [high, east] = self.axis.map(|v| v / 60.0);
        match latitude >= 0.0 {
            true => enu(latitude + high, east),
            false => enu(-latitude + high, 180.0 - east).map(|c| -c),
        }
    }

    /// Sight and up of the camera with the circles at these angles, radians.
    pub fn held(&self, [hour, dec]: [f64; 2]) -> [V; 2] {
        let north = self.northern_end();
        let zenith = [0.0, 0.0, 1.0];
        let east = unit(cross(north, zenith));
        let meridian = cross(east, north);
        let declination_axis = turned(east, meridian, self.square * ARCMIN);
        let tube = |v: V| {
            let v = turned(
                turned(v, north, self.cone * ARCMIN),
                meridian,
                self.square * ARCMIN,
            );
            turned(turned(v, declination_axis, -dec), north, -hour)
        };
        let sight = tube(meridian);
        let up = tube(turned(north, meridian, self.roll_deg.to_radians()));
        let zenith_distance = sight[2].acos();
        let level = unit(cross(zenith, sight));
        let hung = |v: V| turned(v, level, self.droop * ARCMIN * zenith_distance.sin());
        [hung(sight), hung(up)]
    }

    /// The circles of a mount without a fault that looks at an ICRS place.
    pub fn circles(&self, place: [f64; 2], jd: f64) -> ([f64; 2], bool) {
        let pressure = if self.refracted { PRESSURE } else { 0.0 };
        let (_, _, hour, dec) = observed(place, jd, self.site, pressure);
        let flipped = self.flips && hour > 0.0;
        let half = std::f64::consts::PI;
        (
            if flipped {
                [hour + half, half - dec]
            } else {
                [hour, dec]
            },
            flipped,
        )
    }
}

/// Azimuth, zenith distance, hour angle and declination, radians.
fn observed(place: [f64; 2], jd: f64, site: Site, pressure: f64) -> (f64, f64, f64, f64) {
    let [ra, dec] = place.map(f64::to_radians);
    let ((azimuth, zenith_distance, hour, dec, _, _), _) = erfars::astrometry::Atco13(
        ra,
        dec,
        0.0,
        0.0,
        0.0,
        0.0,
        jd.floor(),
        jd - jd.floor(),
        0.0,
        site.longitude_deg.to_radians(),
        site.latitude_deg.to_radians(),
        0.0,
        0.0,
        0.0,
        pressure,
        AIR_C,
        0.5,
        0.55,
    )
    .expect("a usable time");
    (azimuth, zenith_distance, hour, dec)
}

/// How a night goes.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    pub fields: usize,
    pub hours: f64,
    /// Chance that the zeros are set anew before a field.
    pub sync: f64,
    /// Each field is centred before its first frame.
    pub centred: bool,
    /// Frames of a field, and whether a guider holds them.
    pub frames: usize,
    pub guided: bool,
    /// The header's equinox is not said, and is of date.
    pub of_date: bool,
}

pub fn random_plan(random: &mut Random) -> Plan {
    Plan {
        fields: 6 + (10.0 * random.next()) as usize,
        hours: 3.0 + 5.0 * random.next(),
        sync: if random.next() < 0.5 { 0.0 } else { 0.25 },
        centred: random.next() < 0.15,
        frames: 1 + (4.0 * random.next()) as usize,
        guided: random.next() < 0.5,
        of_date: random.next() < 0.1,
    }
}

/// The rows of a night.
pub fn night(mount: &Mount, plan: &Plan, random: &mut Random) -> Vec<Row> {
    let midnight =
        (JD - mount.site.longitude_deg / 360.0).floor() + 0.5 - mount.site.longitude_deg / 360.0;
    let mut zeros = [0, 1].map(|_| 20.0 * ARCMIN * normal(random));
    let mut rows = Vec::new();
    for field in 0..plan.fields {
        let part = field as f64 / (plan.fields - 1) as f64 - 0.5;
        let jd = midnight + plan.hours / 24.0 * part;
        let altitude = 27.0 + 60.0 * random.next().powf(1.4);
        let target = icrs(enu(altitude, 360.0 * random.next()), jd, mount.site);
        let (circles, flipped) = mount.circles(target, jd);
        if random.next() < plan.sync {
            zeros = [0, 1].map(|_| 20.0 * ARCMIN * normal(random));
        }
        let slip = mount.scatter[0] / 3600.0_f64 * normal(random);
        let slip = [slip, mount.scatter[0] / 3600.0 * normal(random)].map(f64::to_radians);
        let mut at = [
            circles[0] + zeros[0] + slip[0] / circles[1].cos().abs().max(0.05),
            circles[1] + if flipped { -zeros[1] } else { zeros[1] } + slip[1],
        ];
        if plan.centred {
            let near = [0, 1].map(|_| 0.5 / 60.0 * normal(random));
            let place = [
                target[0] + near[0] / target[1].to_radians().cos(),
                target[1] + near[1],
            ];
            at = pointed(mount, place, jd, at);
        }
        let first = icrs(mount.held(at)[0], jd, mount.site);
        for frame in 0..plan.frames {
            let now = jd + 0.003 * frame as f64;
            let tracked = [at[0] + TURN_PER_DAY * (now - jd), at[1]];
            let at = match plan.guided {
                true => pointed(mount, first, now, tracked),
                false => tracked,
            };
            let number = rows.len();
            let mut row = row(mount, at, now, random);
            row.file = format!("{number:03}.fits");
            row.target = Some(format!("field {field}"));
            row.equinox_assumed = true;
            let sent = match plan.of_date {
                // Numbers of date that were taken for J2000.
                true => {
                    let moment = nightfix::mount::Moment::from_jd_utc(now).unwrap();
                    moment.icrs_to_date(target[0], target[1])
                }
                false => target,
            };
            (row.commanded_ra_deg, row.commanded_dec_deg) = (Some(sent[0]), Some(sent[1]));
            rows.push(row);
        }
    }
    rows
}

/// The circles that bring the tube to an ICRS place, from near by (Newton).
fn pointed(mount: &Mount, place: [f64; 2], jd: f64, near: [f64; 2]) -> [f64; 2] {
    let (azimuth, zenith_distance, _, _) = observed(place, jd, mount.site, PRESSURE);
    let wanted = enu(90.0 - zenith_distance.to_degrees(), azimuth.to_degrees());
    let level = unit(cross([0.0, 0.0, 1.0], wanted));
    let ways = [level, cross(wanted, level)];
    let off = |at: [f64; 2]| {
        let sight = mount.held(at)[0];
        ways.map(|way| (0..3).map(|i| way[i] * (sight[i] - wanted[i])).sum::<f64>())
    };
    let mut at = near;
    for _ in 0..8 {
        let here = off(at);
        let step = 1e-6;
        let [a, b] = [[at[0] + step, at[1]], [at[0], at[1] + step]].map(off);
        let [a, b] = [a, b].map(|n| [(n[0] - here[0]) / step, (n[1] - here[1]) / step]);
        let determinant = a[0] * b[1] - b[0] * a[1];
        at[0] -= (here[0] * b[1] - b[0] * here[1]) / determinant;
        at[1] -= (a[0] * here[1] - here[0] * a[1]) / determinant;
    }
    at
}

fn row(mount: &Mount, at: [f64; 2], jd: f64, random: &mut Random) -> Row {
    let [sight, up] = mount.held(at);
    let up = turned(up, sight, mount.scatter[1] * ARCMIN * normal(random));
    let above = unit(std::array::from_fn(|i| sight[i] + 1e-3 * up[i]));
    let [centre, above] = [sight, above].map(|v| icrs(v, jd, mount.site));
    Row {
        camera: "main".into(),
        status: RowStatus::Solved,
        mid_jd_utc: Some(jd),
        exposure_s: Some(30.0),
        latitude_deg: Some(mount.site.latitude_deg),
        longitude_deg: Some(mount.site.longitude_deg),
        pressure_hpa: Some(PRESSURE),
        air_c: Some(AIR_C),
        width_px: Some(2000),
        height_px: Some(1500),
        scale_arcsec_per_px: Some(1.5),
        uncertainty_arcsec: Some(0.5),
        ra_deg: Some(centre[0]),
        dec_deg: Some(centre[1]),
        rotation_deg: Some(pointing_error(centre, above).position_angle_deg),
        mirrored: Some(false),
        ..Row::default()
    }
}
