//! From a verified pose to the solution: match, fit, choose the order, repeat.

use super::choice::{best_model, reach_out};
use super::doubt::{share_among_patches, widen};
use super::epoch::{Years, improve, told_by_stars};
use super::farther::LOOKS;
use super::geometry::{Geometry, is_wide, scale_of, wcs_of_camera};
use super::matching::{Pair, pairs};
use super::polynomial::{Fitted, Point};
use super::settled::Settled;
use super::sip::{Reference, wcs_of};
use super::{Epoch, Solution};
use crate::detect::Detections;
use crate::projection::Projection;
use crate::robust::median;
use crate::sky::RegionStar;
use crate::sphere::{dot, tangent_basis, vector_to_sky};
use crate::verify::{Camera, Evidence};
use crate::wcs::Wcs;

/// What 'up' means for a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Display {
    /// Direction of 'up' in stored pixels (x, y).
    pub up: [f64; 2],
    /// Direction of 'right' in stored pixels.
    pub right: [f64; 2],
}

/// Rounds of matching and fitting: of a lens that bends, stars come in from the middle outwards.
const ROUNDS: usize = 6;
const ROUNDS_OF_WIDE: usize = 12;
/// Systematic error beside the stated centroid errors (catalogue, pixel response), pixels.
const FLOOR_PX: f64 = 0.05;
/// Stars that a fit must rest on.
pub const FEWEST: usize = 4;

/// Fits pixel to sky over all stars of the frame, starting from `camera`. `stars` are the
/// catalogue stars around the frame: where they were at the frame's epoch, if that is known, else
/// at the catalogue's. `None` where fewer than four stars remain.
pub fn fit(
    detections: &Detections,
    evidence: &Evidence,
    stars: &[RegionStar],
    display: Display,
    log10_chance: f64,
    epoch: Epoch,
) -> Option<Solution> {
    let held = fit_behind(&evidence.camera, None, detections, stars, epoch)?;
    held.solution(detections, display, log10_chance)
}

/// Fits all stars of a frame, starting from what was said of a `part` of it; `camera` is that of the
/// whole frame. Otherwise as [`fit`].
pub fn fit_beyond(
    part: &Solution,
    camera: &Camera,
    detections: &Detections,
    stars: &[RegionStar],
    display: Display,
    epoch: Epoch,
) -> Option<Solution> {
    let held = fit_behind(camera, Some(&part.wcs), detections, stars, epoch)?;
    held.solution(detections, display, part.log10_chance)
}

/// The best fit behind `camera`, whose own projection begins with the map that is `known`, if one is.
fn fit_behind(
    camera: &Camera,
    known: Option<&Wcs>,
    detections: &Detections,
    stars: &[RegionStar],
    epoch: Epoch,
) -> Option<Settled> {
    let size = [detections.width as f64, detections.height as f64];
    let geometry = Geometry::new(size, camera).of_part(detections.part);
    let radius_px = (1.5 + 0.5 * detections.fwhm_px).max(2.0);
    let settle = |projection| {
        let known = known.filter(|wcs| wcs.projection == projection);
        let wcs = known.cloned();
        let wcs = wcs.unwrap_or_else(|| wcs_of_camera(camera, projection, &geometry));
        let curved = known.is_some() || wcs.sip.is_some();
        let start = Start {
            wcs,
            radius_px,
            curved,
        };
        let mut held = settled(detections, start, stars, &geometry, epoch)?;
        for _ in 0..LOOKS {
            let Some(more) = held.farther(detections, stars, radius_px) else {
                break;
            };
            held = more;
        }
        Some(held)
    };
    let others = Projection::ALL
        .into_iter()
        .filter(|&p| p != camera.projection && is_wide(camera));
    let mut best = settle(camera.projection);
    for projection in others {
        if let Some(other) = settle(projection)
            && best.as_ref().is_none_or(|best| other.holds_more_than(best))
        {
            best = Some(other);
        }
    }
    best
}

/// What a fit begins with.
pub struct Start {
    pub wcs: Wcs,
    /// Stars are matched within this distance.
    pub radius_px: f64,
    /// The first matches may ask for curvature: they were brought in by some.
    pub curved: bool,
}

/// One round of matching and fitting.
struct Round {
    fitted: Fitted,
    found: Vec<Pair>,
    points: Vec<Point>,
}

impl Round {
    /// Whether the same detections carry a model with as many terms.
    fn is_like(&self, other: &Round) -> bool {
        let detected = |round: &Round| round.found.iter().map(|p| p.detection).collect::<Vec<_>>();
        detected(self) == detected(other) && self.fitted.terms.len() == other.fitted.terms.len()
    }
}

impl Start {
    fn flipped(&self) -> bool {
        let cd = &self.wcs.cd;
        cd[0][0] * cd[1][1] - cd[0][1] * cd[1][0] < 0.0
    }

    /// Matches and fits once, and makes of it what the next round begins with.
    fn round(
        &mut self,
        detections: &Detections,
        stars: &[RegionStar],
        geometry: &Geometry,
        years: &mut Years,
    ) -> Option<Round> {
        let now: Vec<RegionStar> = stars.iter().map(|star| star.after(years.after)).collect();
        let found = pairs(detections, &now, &self.wcs, self.radius_px);
        if found.len() < FEWEST {
            return None;
        }
        let points = points(detections, &found, &self.wcs, geometry);
        let mut fitted = best_model(&points, self.flipped(), geometry, self.curved)?;
        if years.sigma > 0.0 {
            *years = improve(&mut fitted, &points, *years);
        }
        let sizes = fitted.residuals.iter().map(|r| r[0].hypot(r[1]));
        *self = Start {
            wcs: moved(&fitted, &self.wcs, geometry)?,
            // Five Rayleigh medians hold all but a few in a billion of good matches.
            radius_px: (5.0 * median(sizes)?).clamp(0.7, self.radius_px.max(3.0)),
            curved: true,
        };
        Some(Round {
            fitted,
            found,
            points,
        })
    }
}

/// Matches and fits in turn until nothing changes.
pub fn settled(
    detections: &Detections,
    mut start: Start,
    stars: &[RegionStar],
    geometry: &Geometry,
    epoch: Epoch,
) -> Option<Settled> {
    let flipped = start.flipped();
    let rounds = if geometry.is_wide() {
        ROUNDS_OF_WIDE
    } else {
        ROUNDS
    };
    let mut years = match epoch {
        Epoch::Known { .. } => Years::known(),
        Epoch::Unknown { .. } => Years::unknown(),
    };
    let mut last: Option<Round> = None;
    for _ in 0..rounds {
        let round = start.round(detections, stars, geometry, &mut years)?;
        let same = last.as_ref().is_some_and(|last| last.is_like(&round));
        last = Some(round);
        if same {
            break;
        }
    }
    let Round {
        mut fitted,
        found,
        points,
    } = last?;
    let told = told_by_stars(&fitted, &points, years.after);
    if let Some(freer) = geometry.freer_than(fitted.model, flipped)
        && reach_out(&points, freer, geometry.outer)
    {
        widen(&mut fitted, &points, freer);
    }
    if geometry.is_wide() {
        share_among_patches(&mut fitted);
    }
    Some(Settled {
        fitted,
        found,
        wcs: start.wcs,
        geometry: *geometry,
        epoch,
        years,
        told,
    })
}

/// Stars in the plane of the projection of `wcs`, in units of its scale.
fn points(detections: &Detections, found: &[Pair], wcs: &Wcs, geometry: &Geometry) -> Vec<Point> {
    let axes = tangent_basis(wcs.crval[0], wcs.crval[1]);
    let unit = scale_of(wcs).to_radians();
    let place = |vector: [f64; 3]| wcs.projection.place(axes.map(|axis| dot(vector, axis)));
    found
        .iter()
        .filter_map(|pair| {
            let star = &detections.stars[pair.detection];
            let target = place(pair.star.vector)?;
            let a_year_later = place(pair.star.after(1.0).vector)?;
            let pixel = [star.x_px + 1.0, star.y_px + 1.0];
            Some(Point {
                uv: [0, 1].map(|i| (pixel[i] - geometry.crpix[i]) / geometry.length_px),
                target: target.map(|c| c / unit),
                sigma_px: star.sigma_px.hypot(FLOOR_PX),
                motion: [0, 1].map(|i| (a_year_later[i] - target[i]) / unit),
            })
        })
        .collect()
}

/// The WCS after a fit: its constants become a new reference position.
fn moved(fitted: &Fitted, before: &Wcs, geometry: &Geometry) -> Option<Wcs> {
    let scale_deg = scale_of(before);
    let unit = scale_deg.to_radians();
    let [east, north, pole] = tangent_basis(before.crval[0], before.crval[1]);
    let shift = [0, 1].map(|axis| fitted.coefficients[axis][0] * unit);
    let [x, y, z] = before.projection.direction(shift);
    let vector: [f64; 3] = std::array::from_fn(|i| x * east[i] + y * north[i] + z * pole[i]);
    let crval = vector_to_sky(vector);
    // Turn the linear part from the old tangent plane to the new: near a pole, north turns.
    let [new_east, new_north, _] = tangent_basis(crval[0], crval[1]);
    let turn = [new_east, new_north].map(|axis| [dot(axis, east), dot(axis, north)]);
    let mut turned = fitted.clone();
    for k in 0..fitted.terms.len() {
        let old = [fitted.coefficients[0][k], fitted.coefficients[1][k]];
        for axis in 0..2 {
            turned.coefficients[axis][k] = turn[axis][0] * old[0] + turn[axis][1] * old[1];
        }
    }
    let reference = Reference {
        crpix: geometry.crpix,
        crval,
        scale_deg,
        projection: before.projection,
    };
    wcs_of(&turned, &reference, geometry.length_px, geometry.half_px)
}

/// At most this many stars around a frame, the brightest, are fitted.
pub const FIT_STARS: usize = 600;

/// Angle from the centre to the farthest corner of the frame of `camera`, radians, with room for
/// the error of the pose.
pub fn reach_rad(camera: &Camera) -> f64 {
    (camera.projection).angle(1.02 * camera.reference_px / camera.focal_px)
}
