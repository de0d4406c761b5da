//! What a frame means for the mount's next step, as parts of the JSON object: the position to sync
//! to, the target, a star to focus on, an earlier framing.

use super::rounding::{decimals, significant, turn};
use crate::angle::{format_dec, format_ra};
use crate::fit::Solution;
use crate::frame::Site;
use crate::guide::{FocusStar, Framing, Whereabouts, whereabouts};
use crate::mount::{Moment, altitude_of_deg};
use serde::Serialize;

/// A position in every form that mounts take.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Place {
    /// Right ascension, degrees, 0 to 360.
    pub ra_deg: f64,
    /// Right ascension, hours, 0 to 24.
    pub ra_hours: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
    /// Right ascension in hours, `05:34:31.94`.
    pub ra: String,
    /// Declination in degrees, `+22:00:52.2`.
    pub dec: String,
}

/// A position in both equinoxes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Places {
    /// ICRS (J2000).
    pub j2000: Place,
    /// True equator and equinox of the frame's mid-exposure; null where that is not known.
    pub of_date: Option<Place>,
}

/// Where something lies, counted from the centre of the frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Direction {
    /// FITS pixel that shows it; null outside of the frame.
    pub pixel: Option<[f64; 2]>,
    /// Angle on the sky.
    pub separation_arcmin: f64,
    /// The same in widths of the displayed frame.
    pub separation_frame_widths: f64,
    /// North through east, at the frame's centre.
    pub position_angle_deg: f64,
    /// How far to the east of the centre.
    pub east_arcmin: f64,
    /// How far to the north.
    pub north_arcmin: f64,
    /// Difference of right ascension, -180 to 180: a turn of the RA axis.
    pub ra_difference_deg: f64,
    /// Difference of declination.
    pub dec_difference_deg: f64,
    /// Along 'right' of the displayed frame.
    pub right_arcmin: f64,
    /// Along 'up' of the displayed frame.
    pub up_arcmin: f64,
    /// The same in widths of the displayed frame.
    pub right_frame_widths: f64,
    /// The same in heights of the displayed frame.
    pub up_frame_heights: f64,
}

/// The target that was asked for.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TargetRecord {
    /// Its name, where a name was given.
    pub name: Option<String>,
    /// Where it is.
    pub position: Places,
    /// The frame shows it.
    pub in_frame: bool,
    /// From the frame's centre to it; null for a frame that is not solved.
    pub direction: Option<Direction>,
    /// Above the horizon, without refraction; null where time or site are not known.
    pub altitude_deg: Option<f64>,
}

/// The star to focus on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FocusStarRecord {
    /// Its name, else its Bayer designation, else its Flamsteed designation, else its Hipparcos
    /// number.
    pub name: String,
    /// Bayer designation.
    pub bayer: Option<&'static str>,
    /// Flamsteed designation.
    pub flamsteed: Option<&'static str>,
    /// The designations that are not the name, for people.
    #[serde(skip)]
    pub in_brackets: String,
    /// Hipparcos number.
    pub hip: u32,
    /// V.
    pub magnitude: f64,
    /// Where it stands at the frame's time.
    pub position: Places,
    /// From the frame's centre to it.
    pub direction: Direction,
    /// Above the horizon, without refraction; null where time or site are not known.
    pub altitude_deg: Option<f64>,
}

/// An earlier frame whose framing is to be repeated, and what is between.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EarlierRecord {
    /// Name of the earlier frame.
    pub file: String,
    /// From the centre of this frame to that of the earlier one: where the camera has to go.
    pub direction: Direction,
    /// By how much the position angle of 'up' has to grow.
    pub turn_deg: f64,
    /// Scale of this frame over that of the earlier one.
    pub scale_ratio: f64,
    /// One of the two is mirrored and the other not.
    pub mirrored_apart: bool,
    /// How much of the earlier picture this frame shows, by area.
    pub shown_percent: f64,
    /// How much of this frame the earlier picture covers, by area.
    pub covered_percent: f64,
    /// Border of the earlier frame on the sky, for the picture.
    #[serde(skip)]
    pub outline_deg: Vec<[f64; 2]>,
}

/// Time and place of a frame, as far as they are known.
#[derive(Debug, Clone, Copy)]
pub struct Circumstances<'a> {
    /// Mid-exposure.
    pub moment: Option<&'a Moment>,
    /// Place of observation.
    pub site: Option<&'a Site>,
}

impl Circumstances<'_> {
    /// Height of an ICRS position above the horizon, degrees.
    pub fn altitude_deg(&self, place_deg: [f64; 2]) -> Option<f64> {
        let (moment, site) = self.moment.zip(self.site)?;
        Some(altitude_of_deg(moment, site, place_deg))
    }
}

impl Place {
    fn new([ra_deg, dec_deg]: [f64; 2]) -> Place {
        let colons = |text: String| text.replace(['h', 'd', 'm'], ":").replace('s', "");
        let hours = turn(ra_deg, 7) / 15.0;
        Place {
            ra_deg: turn(ra_deg, 7),
            ra_hours: decimals(hours, 8),
            dec_deg: decimals(dec_deg, 7),
            ra: colons(format_ra(ra_deg)),
            dec: colons(format_dec(dec_deg)),
        }
    }
}

impl Places {
    /// Of an ICRS position.
    pub fn new(icrs_deg: [f64; 2], moment: Option<&Moment>) -> Places {
        Places {
            j2000: Place::new(icrs_deg),
            of_date: moment.map(|m| Place::new(m.icrs_to_date(icrs_deg[0], icrs_deg[1]))),
        }
    }
}

impl Direction {
    /// From the figures.
    pub fn new(found: &Whereabouts) -> Direction {
        let arcmin = |deg: f64| decimals(deg * 60.0, 3);
        let [right, up] = found.right_up_deg;
        let [widths, heights] = found.right_up_frames;
        Direction {
            pixel: found.pixel.map(|p| p.map(|c| decimals(c, 2))),
            separation_arcmin: arcmin(found.way.separation_deg),
            separation_frame_widths: decimals(found.frame_widths, 4),
            position_angle_deg: turn(found.way.position_angle_deg, 3),
            east_arcmin: arcmin(found.way.east_deg()),
            north_arcmin: arcmin(found.way.north_deg()),
            ra_difference_deg: decimals(found.ra_difference_deg, 6),
            dec_difference_deg: decimals(found.dec_difference_deg, 6),
            right_arcmin: arcmin(right),
            up_arcmin: arcmin(up),
            right_frame_widths: decimals(widths, 4),
            up_frame_heights: decimals(heights, 4),
        }
    }
}

impl TargetRecord {
    /// The target at `place_deg` as seen from a frame of `size` pixels, if that is solved.
    pub fn new(
        name: Option<&str>,
        place_deg: [f64; 2],
        seen_from: Option<(&Solution, [usize; 2])>,
        at: Circumstances,
    ) -> TargetRecord {
        let found = seen_from.map(|(solution, size)| whereabouts(solution, size, place_deg));
        TargetRecord {
            name: name.map(str::to_owned),
            position: Places::new(place_deg, at.moment),
            in_frame: found.is_some_and(|f| f.pixel.is_some()),
            direction: found.as_ref().map(Direction::new),
            altitude_deg: at.altitude_deg(place_deg).map(|a| decimals(a, 2)),
        }
    }
}

impl FocusStarRecord {
    /// The star as seen from a frame of `size` pixels.
    pub fn new(
        found: &FocusStar,
        solution: &Solution,
        size: [usize; 2],
        at: Circumstances,
    ) -> Self {
        FocusStarRecord {
            name: found.star.title(),
            bayer: found.star.bayer,
            flamsteed: found.star.flamsteed,
            in_brackets: found.star.in_brackets(),
            hip: found.star.hip,
            magnitude: found.star.magnitude,
            position: Places::new(found.place_deg, at.moment),
            direction: Direction::new(&whereabouts(solution, size, found.place_deg)),
            altitude_deg: found.altitude_deg.map(|a| decimals(a, 2)),
        }
    }
}

impl EarlierRecord {
    /// From the figures.
    pub fn new(file: &str, framing: &Framing, outline_deg: Vec<[f64; 2]>) -> EarlierRecord {
        EarlierRecord {
            file: file.to_owned(),
            direction: Direction::new(&framing.shift),
            turn_deg: decimals(framing.turn_deg, 3),
            scale_ratio: significant(framing.scale_ratio, 6),
            mirrored_apart: framing.mirrored_apart,
            shown_percent: decimals(100.0 * framing.shown, 2),
            covered_percent: decimals(100.0 * framing.covered, 2),
            outline_deg,
        }
    }
}
