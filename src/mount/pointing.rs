//! Pointing error: where the frame's centre lies as seen from the commanded position.

use crate::sphere::{cross, dot, sky_to_vector};

/// Found centre minus commanded position. The move that mends it is its opposite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointingError {
    /// Angle on the sky, degrees, 0 to 180.
    pub separation_deg: f64,
    /// Direction from the commanded position to the found one, north through east, degrees,
    /// 0 to 360. At a pole, north and east are those of the meridian that the commanded right
    /// ascension names.
    pub position_angle_deg: f64,
}

impl PointingError {
    /// Separation times the sine of the position angle, degrees: how far too far east.
    pub fn east_deg(&self) -> f64 {
        self.separation_deg * self.position_angle_deg.to_radians().sin()
    }

    /// Separation times the cosine of the position angle, degrees: how far too far north.
    pub fn north_deg(&self) -> f64 {
        self.separation_deg * self.position_angle_deg.to_radians().cos()
    }
}

/// Pointing error of a frame found at `found_deg` when `commanded_deg` was asked for.
///
/// Both are RA, Dec in degrees in the same system (ICRS here). Works by vectors, so that it is
/// exact from milliarcseconds to 180 degrees, across RA 0 and at the poles. Exactly opposite the
/// commanded position the direction is undefined and given as 0.
pub fn pointing_error(commanded_deg: [f64; 2], found_deg: [f64; 2]) -> PointingError {
    let (sin_ra, cos_ra) = commanded_deg[0].to_radians().sin_cos();
    let (sin_dec, cos_dec) = commanded_deg[1].to_radians().sin_cos();
    let towards_east = [-sin_ra, cos_ra, 0.0];
    let towards_north = [-sin_dec * cos_ra, -sin_dec * sin_ra, cos_dec];
    let found = sky_to_vector(found_deg[0], found_deg[1]);
    let (east, north) = (dot(found, towards_east), dot(found, towards_north));
    let depth = dot(found, sky_to_vector(commanded_deg[0], commanded_deg[1]));
    let angle = east.atan2(north).to_degrees().rem_euclid(360.0);
    PointingError {
        separation_deg: east.hypot(north).atan2(depth).to_degrees(),
        position_angle_deg: if angle >= 360.0 { 0.0 } else { angle },
    }
}

/// Angle between two sky positions (RA, Dec in degrees), degrees, 0 to 180.
pub fn separation_deg(a_deg: [f64; 2], b_deg: [f64; 2]) -> f64 {
    pointing_error(a_deg, b_deg).separation_deg
}

/// How near the straight way (great circle) between two positions comes to a third (RA, Dec in
/// degrees), where it passes that on its way: degrees. `None` where it is nearest at an end of the
/// way, or where every way is straight: between opposite positions.
pub fn passes_at_deg(place_deg: [f64; 2], from_deg: [f64; 2], to_deg: [f64; 2]) -> Option<f64> {
    let [place, from, to] = [place_deg, from_deg, to_deg].map(|[ra, dec]| sky_to_vector(ra, dec));
    let pole = cross(from, to);
    let length = dot(pole, pole).sqrt();
    if length < 1e-9 {
        return None;
    }
    // Ahead at the beginning, behind at the end.
    let ahead = dot(cross(pole, from), place) > 0.0;
    let behind = dot(cross(pole, to), place) < 0.0;
    let height = (dot(pole, place) / length).clamp(-1.0, 1.0);
    (ahead && behind).then(|| height.abs().asin().to_degrees())
}

/// The nearest of the eight compass words for a position angle in degrees.
pub fn compass_word(position_angle_deg: f64) -> &'static str {
    const WORDS: [&str; 8] = [
        "north",
        "north-east",
        "east",
        "south-east",
        "south",
        "south-west",
        "west",
        "north-west",
    ];
    // rem_euclid keeps the index below 8; NaN becomes 0.
    WORDS[((position_angle_deg / 45.0).round().rem_euclid(8.0)) as usize % 8]
}
