//! The deep-sky objects that a solved frame shows, or lies in.

use super::rounding::decimals;
use crate::fit::Solution;
use crate::guide::pixel_of;
use crate::mount::separation_deg;
use deep_sky_names::{Object, around};
use serde::Serialize;

/// Most objects of one frame: a wide one holds hundreds.
pub const MOST_OBJECTS: usize = 20;

/// A deep-sky object of a frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ObjectRecord {
    /// Its best known name: `M 81`.
    pub name: &'static str,
    /// Its names in plain language.
    pub popular_names: Vec<&'static str>,
    /// Its other designations.
    pub also: Vec<&'static str>,
    /// What it is, in words.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// ICRS right ascension of its middle, degrees, 0 to 360.
    pub ra_deg: f64,
    /// ICRS declination of its middle, degrees.
    pub dec_deg: f64,
    /// Major and minor axis; null where unknown.
    pub size_arcmin: Option<[f64; 2]>,
    /// Of the major axis, north through east; null where unknown, and for round ones.
    pub position_angle_deg: Option<f64>,
    /// Brightness of the whole, V or else B.
    pub magnitude: Option<f64>,
    /// Pixel of its middle, from 1 as in FITS; null where that lies outside of the frame.
    pub pixel: Option<[f64; 2]>,
}

/// The objects whose middle a frame of `size` pixels shows, and those that its own
/// centre lies in, the most prominent first.
pub fn objects(solution: &Solution, size: [usize; 2]) -> Vec<ObjectRecord> {
    let centre_deg = [solution.centre_ra_deg, solution.centre_dec_deg];
    let corner_deg = |corner: &[f64; 2]| separation_deg(centre_deg, *corner);
    let radius_deg = solution.corners_deg.iter().map(corner_deg);
    let radius_deg = radius_deg.fold(0.0, f64::max);
    let mut found: Vec<(f64, ObjectRecord)> = around(centre_deg, radius_deg)
        .filter(|object| !object.is_minor())
        .filter_map(|object| {
            let apart_deg = object.separation_deg(centre_deg);
            let pixel = pixel_of(solution, size, [object.ra_deg, object.dec_deg]);
            let shown = pixel.is_some() || holds(&object, centre_deg, apart_deg);
            shown.then(|| (prominence(&object), record(&object, pixel)))
        })
        .collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.truncate(MOST_OBJECTS);
    found.into_iter().map(|(_, object)| object).collect()
}

/// `M 81 (Bode's Galaxy), M 82 (Cigar Galaxy) and 3 more`; `None` where there is nothing to name.
pub fn in_words(objects: &[ObjectRecord]) -> Option<String> {
    /// More than these are no longer read.
    const NAMED: usize = 4;
    let titles: Vec<String> = objects
        .iter()
        .take(NAMED)
        .map(ObjectRecord::title)
        .collect();
    let listed = titles.join(", ");
    match objects.len().saturating_sub(NAMED) {
        _ if objects.is_empty() => None,
        0 => Some(listed),
        more => Some(format!("{listed} and {more} more")),
    }
}

impl ObjectRecord {
    /// `M 81 (Bode's Galaxy)`.
    pub fn title(&self) -> String {
        match self.popular_names.first() {
            Some(popular) => format!("{} ({popular})", self.name),
            None => self.name.to_owned(),
        }
    }
}

/// The ellipse of `object` holds `place_deg`, `apart_deg` from its middle.
fn holds(object: &Object, [ra_deg, dec_deg]: [f64; 2], apart_deg: f64) -> bool {
    let Some(major_arcmin) = object.major_arcmin else {
        return false;
    };
    let minor_arcmin = object.minor_arcmin.unwrap_or(major_arcmin);
    let Some(axis_deg) = object.position_angle_deg else {
        // Which way it lies is not known: the circle that is part of it anyway.
        return 120.0 * apart_deg <= minor_arcmin;
    };
    let towards = crate::mount::pointing_error([object.ra_deg, object.dec_deg], [ra_deg, dec_deg]);
    let (sin, cos) = (towards.position_angle_deg - axis_deg)
        .to_radians()
        .sin_cos();
    let along = 120.0 * apart_deg * cos / major_arcmin;
    let across = 120.0 * apart_deg * sin / minor_arcmin;
    along.hypot(across) <= 1.0
}

/// What is looked for first has the smallest value: magnitudes, less some for fame.
fn prominence(object: &Object) -> f64 {
    // Nebulae without a magnitude are known for their size.
    let size = object.major_arcmin.unwrap_or(0.1).max(0.1);
    let magnitude = object.magnitude.unwrap_or(13.0 - 2.5 * size.log10());
    let listed = if object.name().starts_with("M ") {
        3.0
    } else {
        0.0
    };
    let popular = if object.popular_names().next().is_some() {
        2.0
    } else {
        0.0
    };
    magnitude - listed - popular
}

fn record(object: &Object, pixel: Option<[f64; 2]>) -> ObjectRecord {
    ObjectRecord {
        name: object.name(),
        popular_names: object.popular_names().collect(),
        also: object.designations().skip(1).collect(),
        kind: object.kind,
        ra_deg: object.ra_deg,
        dec_deg: object.dec_deg,
        size_arcmin: object
            .major_arcmin
            .map(|major| [major, object.minor_arcmin.unwrap_or(major)]),
        position_angle_deg: object.position_angle_deg,
        magnitude: object.magnitude,
        pixel: pixel.map(|p| p.map(|c| decimals(c, 1))),
    }
}
