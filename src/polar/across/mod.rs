//! The mount of a whole night, from ordinary frames on several fields.
//!
//! # What is looked at
//!
//! Every solved frame says where the tube looked and how the camera lay about the line of sight, at
//! a known time and site: in axes that turn with the Earth, and as the air shows it. The header says
//! where the mount was sent. Two kinds of data follow.
//!
//! *Where the mount was sent*: the first frame of each run against the hour angle and declination
//! of its header. Later frames of a run are tracking, guiding or dither, which is another story
//! ([`crate::track`]).
//!
//! *How the camera lay*: where the tube looks, an equatorial mount of given terms holds the camera in
//! one way. This needs no header, and no sync or guiding touches it; it ends where somebody
//! turns the camera in its holder.
//!
//! # The terms
//!
//! The usual ones of a mount on two axes (for example Meeks 1979; Trueblood & Genet 1997, *Telescope
//! Control*, ch. on systematic errors; Wallace 2002, Proc. SPIE 4848, 125: sources from memory): zeros
//! of both circles, the tilt of the hour axis against the pole, a line of sight that is not square to
//! the declination axis (the tube describes a cone), a declination axis that is not square to the hour
//! axis, and a tube that hangs by its length times the sine of the zenith distance. They are put
//! together by rotations, not by formulas for small angles ([`model`]):
//!
//! ```text
//! camera = droop · tilt · Rz(-hour) · Rx(square) · Ry(-dec) · Rz(cone) · Rx(turn)
//! ```
//!
//! with hour + 180 deg and 180 deg - dec for a tube past the pole; on which side it was the
//! camera's half turn tells, or the header where the camera was turned otherwise.
//!
//! # The fit
//!
//! Robust weighted least squares ([`fit`]). The scatter of each kind of data is found from its own
//! residuals; errors are those of Student's distribution with the freedom that is left. Each term
//! has a wide prior, what is usual for mounts, so that what the night does not determine stays what
//! it was, and its error says so; a term is told only where the data say at least three times as
//! much, and what cannot be told apart is named by the singular vectors of the data ([`judge`]).
//!
//! Syncs set the zeros anew, and so does who centres a target by hand: fields between two of them
//! share zeros, others do not ([`groups`]). A night on which each field was centred first shows
//! nothing but zeros; then the camera's lay alone is used. Whether the mount reckons with
//! refraction, and in which equinox a header speaks that does not say so, is left open between readings
//! that the residuals judge.

mod fit;
mod groups;
mod judge;
mod layout;
mod linear;
mod model;
mod stops;
mod tails;
mod told;

use super::judge::AxisError;
use crate::track::{PierSide, Row, Run, Track};

/// Fields that it takes at least: fewer leave nothing to check by.
const LEAST_FIELDS: usize = 4;
/// Fields farther apart than this are two, degrees.
const APART_DEG: f64 = 1.0;

/// What a mount may be off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Term {
    /// The hour axis does not point at the pole.
    Axis,
    /// The tube hangs.
    Flexure,
    /// The line of sight is not square to the declination axis.
    Cone,
    /// The declination axis is not square to the hour axis.
    Square,
}

impl Term {
    /// Those of the told numbers, the axis twice.
    const ALL: [Term; judge::TOLD] = [
        Term::Axis,
        Term::Axis,
        Term::Flexure,
        Term::Cone,
        Term::Square,
    ];
}

/// A term and its error, arcmin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// Its size. Flexure: how far the tube hangs at the horizon. Cone: positive, where the line of
    /// sight leans to the east on the side of the pier of the first field, west on the other.
    /// Square: likewise the declination axis: its eastern end leans to the north pole.
    pub arcmin: f64,
    /// The true size lies within this of it in 95 % of cases.
    pub error95_arcmin: f64,
}

/// Where the axis points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Axis {
    /// Altitude and azimuth (north through east), degrees, free of refraction.
    pub altitude_azimuth_deg: [f64; 2],
    /// Off the true pole.
    pub error: AxisError,
}

/// What a night says of the mount under one camera.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Across {
    /// Camera key.
    pub camera: String,
    /// Fields on the sky.
    pub fields: usize,
    /// Frames on them.
    pub frames: usize,
    /// Hour angles covered, hours, west positive.
    pub hour_angles_h: Option<[f64; 2]>,
    /// Declinations covered, degrees.
    pub declinations_deg: Option<[f64; 2]>,
    /// The tube was on both sides of the pier.
    pub both_sides: bool,
    /// The side of the pier in the first field, by the header.
    pub first_side: Option<PierSide>,
    /// The pole is the one above the northern horizon.
    pub north: bool,
    /// Where the mount was sent says something.
    pub by_places: bool,
    /// How the camera lay says something.
    pub by_turn: bool,
    /// The hour axis, where it is told.
    pub axis: Option<Axis>,
    /// The other terms, where they are told.
    pub terms: Vec<(Term, Amount)>,
    /// Terms that the night cannot tell apart, or one that it cannot tell at all.
    pub apart: Vec<Vec<Term>>,
    /// Rows of the first fields after the mount's zeros were set anew, in order of time.
    pub set_anew: Vec<usize>,
    /// Rows of the first fields after the camera was turned.
    pub camera_turned: Vec<usize>,
    /// How well the mount goes where it is sent once all terms are taken off, arcsec.
    pub scatter_arcsec: Option<f64>,
    /// The same for the camera's turn, arcmin.
    pub turn_scatter_arcmin: Option<f64>,
    /// Why nothing is told, or not the axis.
    pub reason: Option<String>,
}

/// Judges the mount under each camera that has a solved frame with a time.
pub fn across(rows: &[Row], track: &Track) -> Vec<Across> {
    if track.runs.is_empty() {
        let reason = "no solved frame says when it was taken".to_owned();
        return vec![Across {
            reason: Some(reason),
            ..Across::default()
        }];
    }
    let mut cameras: Vec<&str> = track.runs.iter().map(|r| r.camera.as_str()).collect();
    cameras.dedup();
    let one = |camera: &&str| {
        let runs: Vec<&Run> = track.runs.iter().filter(|r| r.camera == **camera).collect();
        of_camera(camera, rows, &runs, track)
    };
    cameras.iter().map(one).collect()
}

fn of_camera(camera: &str, rows: &[Row], runs: &[&Run], track: &Track) -> Across {
    let mut across = Across {
        camera: camera.to_owned(),
        ..Across::default()
    };
    let Some(site) = track.place.site else {
        across.reason = Some(
            "it takes the latitude and longitude of the site, which no header states, or which \
             the frames contradict"
                .into(),
        );
        return across;
    };
    let zenith = stops::zenith(&site);
    let stops = stops::gather(rows, runs, &track.place, &site);
    across.cover(rows, &stops);
    across.north = site.latitude_deg >= 0.0;
    if across.fields < LEAST_FIELDS {
        across.reason = Some(across.too_few());
        return across;
    }
    let Some(verdict) = judge::judge(&stops, zenith) else {
        across.reason = Some(across.says_nothing());
        return across;
    };
    across.tell(&verdict, &stops, site);
    across
}
