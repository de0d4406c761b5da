//! Mounts made by another route than the library's: directions in altitude and azimuth, turned about
//! a misaligned axis by Rodrigues' formula, and taken to the sky by ERFA's observed-to-ICRS
//! (`atoc13`).

#![allow(dead_code, missing_docs, reason = "each test takes what it needs")]

use nightfix::frame::Site;

pub type V = [f64; 3];

pub const SITE: Site = Site {
    longitude_deg: 8.5,
    latitude_deg: 47.4,
};
pub const PRESSURE: f64 = 950.0;
pub const AIR_C: f64 = 5.0;

pub fn turned(v: V, about: V, angle: f64) -> V {
    let (sin, cos) = angle.sin_cos();
    let d: f64 = (0..3).map(|i| v[i] * about[i]).sum();
    let c = [
        about[1] * v[2] - about[2] * v[1],
        about[2] * v[0] - about[0] * v[2],
        about[0] * v[1] - about[1] * v[0],
    ];
    std::array::from_fn(|i| v[i] * cos + c[i] * sin + about[i] * d * (1.0 - cos))
}

/// East, north, up.
pub fn enu(altitude_deg: f64, azimuth_deg: f64) -> V {
    let (sa, ca) = altitude_deg.to_radians().sin_cos();
    let (sz, cz) = azimuth_deg.to_radians().sin_cos();
    [ca * sz, ca * cz, sa]
}

pub fn icrs(v: V, jd: f64, site: Site) -> [f64; 2] {
    let azimuth = v[0].atan2(v[1]);
    let zenith_distance = v[0].hypot(v[1]).atan2(v[2]);
    let ((ra, dec), _) = erfars::astrometry::Atoc13(
        'A',
        azimuth,
        zenith_distance,
        jd.floor(),
        jd - jd.floor(),
        0.0,
        site.longitude_deg.to_radians(),
        site.latitude_deg.to_radians(),
        0.0,
        0.0,
        0.0,
        PRESSURE,
        AIR_C,
        0.5,
        0.55,
    )
    .expect("a usable time");
    [ra.to_degrees(), dec.to_degrees()]
}

/// A mount: its axis off the pole, and a camera by its axes (right, up, forward).
#[derive(Clone, Copy)]
pub struct Mount {
    pub site: Site,
    pub axis: V,
    pub camera: [V; 3],
}

impl Mount {
    /// Altitude and azimuth errors in arcmin as in the contract; the camera looks `polar_deg` from
    /// the axis.
    pub fn new(
        site: Site,
        error: [f64; 2],
        polar_deg: f64,
        roll_deg: f64,
        start_deg: f64,
    ) -> Mount {
        let north = site.latitude_deg >= 0.0;
        let altitude = site.latitude_deg.abs() + error[0] / 60.0;
        let azimuth = if north {
            error[1] / 60.0
        } else {
            180.0 - error[1] / 60.0
        };
        let axis = enu(altitude, azimuth);
        // Across the axis, to the horizon side.
        let level = enu(0.0, azimuth + 90.0);
        let forward = turned(axis, level, -polar_deg.to_radians());
        let up = turned(turned(level, forward, roll_deg.to_radians()), axis, 0.0);
        let right = [
            forward[1] * up[2] - forward[2] * up[1],
            forward[2] * up[0] - forward[0] * up[2],
            forward[0] * up[1] - forward[1] * up[0],
        ];
        Mount {
            site,
            axis,
            camera: [right, up, forward],
        }
        .ra(start_deg)
    }

    pub fn about(self, axis: V, deg: f64) -> Mount {
        Mount {
            camera: self.camera.map(|c| turned(c, axis, deg.to_radians())),
            ..self
        }
    }

    pub fn ra(self, deg: f64) -> Mount {
        self.about(self.axis, deg)
    }

    /// A move about the declination axis.
    pub fn dec(self, arcmin: f64) -> Mount {
        let [a, c] = [self.axis, self.camera[2]];
        let d = [
            a[1] * c[2] - a[2] * c[1],
            a[2] * c[0] - a[0] * c[2],
            a[0] * c[1] - a[1] * c[0],
        ];
        let length = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt();
        self.about(d.map(|x| x / length), arcmin / 60.0)
    }

    /// The whole mount, axis included.
    pub fn tripod(self, about: V, arcmin: f64) -> Mount {
        let moved = self.about(about, arcmin / 60.0);
        Mount {
            axis: turned(self.axis, about, (arcmin / 60.0_f64).to_radians()),
            ..moved
        }
    }
}
