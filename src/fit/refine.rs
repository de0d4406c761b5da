//! From a verified pose to the solution: match, fit, choose the order, repeat.

use super::doubt::{share_among_patches, widen};
use super::epoch::{Years, improve, told_by_stars};
use super::farther::{FARTHER, LOOKS, leaves_behind};
use super::matching::{Pair, pairs};
use super::polynomial::{Fitted, Model, Point, fit as fit_model};
use super::sip::{Reference, wcs_of};
use super::{DateVerdict, Epoch, MatchedStar, Solution, Told};
use crate::detect::Detections;
use crate::projection::Projection;
use crate::robust::median;
use crate::sky::RegionStar;
use crate::sphere::{angle_between, dot, tangent_basis, vector_to_sky};
use crate::verify::{Camera, Evidence};
use crate::wcs::{Sip, Wcs};

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
/// From this angle between the middle and a corner on a lens may be a fisheye, radians (35 deg).
const WIDE_RAD: f64 = 0.61;
/// Another projection, or a fit that looks farther out, is taken for this many times the stars.
const MORE_STARS: f64 = 1.03;
/// Systematic error beside the stated centroid errors (catalogue, pixel response), pixels.
const FLOOR_PX: f64 = 0.05;
/// A higher order must lower the criterion by this much: "very strong" on the scale of
/// Kass & Raftery (1995).
const CLEARLY_BETTER: f64 = 10.0;
/// Stars that a fit must rest on.
const FEWEST: usize = 4;

#[derive(Clone, Copy)]
struct Geometry {
    crpix: [f64; 2],
    half_px: [f64; 2],
    length_px: f64,
    /// Stars farther out than this show curvature, parts of `length_px`.
    outer: f64,
    /// Highest power of a polynomial.
    highest: usize,
}

impl Geometry {
    /// Of a frame of this size behind the lens of `camera`.
    fn new(size: [f64; 2], camera: &Camera) -> Geometry {
        let length_px = 0.5 * size[0].hypot(size[1]);
        // A fisheye may show half the sky as a circle within the frame.
        let half_sky = camera.projection.radius(std::f64::consts::FRAC_PI_2);
        let circle = match camera.projection {
            Projection::Gnomonic => 1.0,
            _ => (half_sky * camera.focal_px / length_px).min(1.0),
        };
        Geometry {
            crpix: size.map(|s| (s + 1.0) / 2.0),
            half_px: size.map(|s| s / 2.0),
            length_px,
            outer: 0.5 * circle,
            highest: if is_wide(camera) { 5 } else { 4 },
        }
    }

    /// Whether the lens may be a fisheye.
    fn is_wide(&self) -> bool {
        self.highest > 4
    }

    /// The next model, which tells what the chosen one leaves out; `None` where nothing that matters.
    fn freer_than(&self, model: Model, flipped: bool) -> Option<Model> {
        match model {
            Model::Similarity { .. } | Model::Polynomial(1) if !self.is_wide() => {
                Some(Model::Polynomial(2))
            }
            _ if !self.is_wide() => None,
            Model::Decentred { .. } => Some(Model::Polynomial(3)),
            Model::Polynomial(order) if order > 1 => Some(Model::Polynomial(order + 1)),
            _ => Some(Model::Decentred { flipped }),
        }
    }
}

/// Whether the lens of `camera` may be a fisheye.
fn is_wide(camera: &Camera) -> bool {
    let corner = camera.reference_px / camera.focal_px;
    camera.projection != Projection::Gnomonic || corner.atan() > WIDE_RAD
}

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
    let camera = &evidence.camera;
    let size = [detections.width as f64, detections.height as f64];
    let geometry = Geometry::new(size, camera);
    let radius_px = (1.5 + 0.5 * detections.fwhm_px).max(2.0);
    let settle = |projection| {
        let wcs = wcs_of_camera(camera, projection, &geometry);
        let curved = wcs.sip.is_some();
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
    best?.solution(detections, display, log10_chance)
}

/// What a fit begins with.
struct Start {
    wcs: Wcs,
    /// Stars are matched within this distance.
    radius_px: f64,
    /// The first matches may ask for curvature: they were brought in by some.
    curved: bool,
}

/// Matches and fits in turn until nothing changes.
fn settled(
    detections: &Detections,
    start: Start,
    stars: &[RegionStar],
    geometry: &Geometry,
    epoch: Epoch,
) -> Option<Settled> {
    let geometry = *geometry;
    let Start {
        mut wcs,
        mut radius_px,
        curved,
    } = start;
    let flipped = wcs.cd[0][0] * wcs.cd[1][1] - wcs.cd[0][1] * wcs.cd[1][0] < 0.0;
    let rounds = if geometry.is_wide() {
        ROUNDS_OF_WIDE
    } else {
        ROUNDS
    };
    let mut last: Option<(Fitted, Vec<Pair>, Vec<Point>)> = None;
    let mut years = match epoch {
        Epoch::Known { .. } => Years::known(),
        Epoch::Unknown { .. } => Years::unknown(),
    };
    for round in 0..rounds {
        let now: Vec<RegionStar> = stars.iter().map(|star| star.after(years.after)).collect();
        let found = pairs(detections, &now, &wcs, radius_px);
        if found.len() < FEWEST {
            return None;
        }
        let points = points(detections, &found, &wcs, &geometry);
        let mut fitted = best_model(&points, flipped, &geometry, round > 0 || curved)?;
        if years.sigma > 0.0 {
            years = improve(&mut fitted, &points, years);
        }
        wcs = moved(&fitted, &wcs, &geometry)?;
        let sizes = fitted.residuals.iter().map(|r| r[0].hypot(r[1]));
        // Five Rayleigh medians hold all but a few in a billion of good matches.
        radius_px = (5.0 * median(sizes)?).clamp(0.7, radius_px.max(3.0));
        let detected = |pairs: &[Pair]| pairs.iter().map(|pair| pair.detection).collect::<Vec<_>>();
        let settled = last.as_ref().is_some_and(|(before, pairs, _)| {
            detected(pairs) == detected(&found) && before.terms.len() == fitted.terms.len()
        });
        last = Some((fitted, found, points));
        if settled {
            break;
        }
    }
    let (mut fitted, found, points) = last?;
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
        wcs,
        geometry,
        epoch,
        years,
        told,
    })
}

/// The WCS of a camera in a projection that need not be its own, the radial term as SIP.
fn wcs_of_camera(camera: &Camera, projection: Projection, geometry: &Geometry) -> Wcs {
    let [ra, dec] = vector_to_sky(camera.axes[2]);
    let [east, north, _] = tangent_basis(ra, dec);
    let scale = (1.0 / camera.focal_px).to_degrees();
    let sign = if camera.flipped { -1.0 } else { 1.0 };
    let cd = [east, north].map(|axis| {
        [
            scale * dot(axis, camera.axes[0]),
            scale * sign * dot(axis, camera.axes[1]),
        ]
    });
    // r' = r (1 + k r^2) inverted to first order.
    let bend = (projection.cubic() - camera.projection.cubic()) / camera.focal_px.powi(2);
    let k = bend - camera.radial / camera.reference_px.powi(2);
    let sip = (k != 0.0).then(|| Sip {
        order: 3,
        a: vec![(3, 0, k), (1, 2, k)],
        b: vec![(2, 1, k), (0, 3, k)],
        inverse_order: 3,
        ap: vec![(3, 0, -k), (1, 2, -k)],
        bp: vec![(2, 1, -k), (0, 3, -k)],
    });
    Wcs {
        crpix: geometry.crpix,
        crval: [ra, dec],
        cd,
        projection,
        sip,
    }
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

fn scale_of(wcs: &Wcs) -> f64 {
    (wcs.cd[0][0] * wcs.cd[1][1] - wcs.cd[0][1] * wcs.cd[1][0])
        .abs()
        .sqrt()
}

/// The model that the stars support: a freer one only where the criterion falls clearly.
fn best_model(
    points: &[Point],
    flipped: bool,
    geometry: &Geometry,
    curved: bool,
) -> Option<Fitted> {
    let outer = geometry.outer;
    let mut best = fit_model(points, Model::Similarity { flipped })?;
    // The first matches lie where the pose is best: no curvature from them alone, except that
    // the pose's own radial term brought them in.
    let highest = if curved { geometry.highest } else { 1 };
    // A polynomial also frees the centre of the distortion, which a lens need not share with the
    // frame: the radial model is for stars that cannot carry one.
    let polynomials = [2, 3, 4, 5].map(Model::Polynomial);
    let [radial, decentred] = [Model::Radial { flipped }, Model::Decentred { flipped }];
    let few: &[Model] = match reach_out(points, Model::Polynomial(2), outer) {
        _ if geometry.is_wide() => &[radial, decentred],
        true => &[],
        false => &[radial],
    };
    let curved = few.iter().chain(&polynomials);
    for model in [Model::Polynomial(1)].iter().chain(curved).copied() {
        let enough = 2 * points.len() >= 3 * model.parameters();
        if model.order() > highest || !enough || !reach_out(points, model, outer) {
            break;
        }
        if let Some(freer) = fit_model(points, model)
            && freer.criterion < best.criterion - CLEARLY_BETTER
        {
            best = freer;
        }
    }
    Some(best)
}

/// Curvature needs stars well out, and a free one in every quadrant: else it runs away where
/// there are none. What depends on the distance alone needs them on two sides.
fn reach_out(points: &[Point], model: Model, outer: f64) -> bool {
    let quadrants = match model {
        Model::Similarity { .. } | Model::Polynomial(..=1) => return true,
        Model::Radial { .. } | Model::Decentred { .. } => 2,
        Model::Polynomial(_) => 4,
    };
    let mut reach = [0.0_f64; 4];
    for p in points {
        let quadrant = usize::from(p.uv[0] > 0.0) + 2 * usize::from(p.uv[1] > 0.0);
        reach[quadrant] = reach[quadrant].max(p.uv[0].hypot(p.uv[1]));
    }
    reach.iter().filter(|&&r| r > outer).count() >= quadrants
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

/// What the rounds of a fit ended with.
struct Settled {
    fitted: Fitted,
    found: Vec<Pair>,
    wcs: Wcs,
    geometry: Geometry,
    epoch: Epoch,
    years: Years,
    told: Option<Years>,
}

impl Settled {
    /// A fit that begins with this one and looks farther from where it puts the stars, if there are
    /// stars to be had and it holds them.
    fn farther(
        &self,
        detections: &Detections,
        stars: &[RegionStar],
        radius_px: f64,
    ) -> Option<Settled> {
        let now: Vec<RegionStar> = stars.iter().map(|s| s.after(self.years.after)).collect();
        let radius_px = FARTHER * radius_px;
        let held = (&self.wcs, self.found.as_slice());
        if !leaves_behind(detections, &now, held, radius_px) {
            return None;
        }
        let start = Start {
            wcs: self.wcs.clone(),
            radius_px,
            curved: true,
        };
        let more = settled(detections, start, stars, &self.geometry, self.epoch)?;
        more.holds_more_than(self).then_some(more)
    }

    /// Whether it rests on clearly more stars than `other`, or on as many with smaller residuals.
    fn holds_more_than(&self, other: &Settled) -> bool {
        let [own, others] = [self, other].map(|s| {
            let used = s.fitted.weights.iter().filter(|w| **w > 0.0);
            used.count() as f64
        });
        own > MORE_STARS * others
            || (own * MORE_STARS > others && self.fitted.variance < 0.9 * other.fitted.variance)
    }

    /// What is said of the frame; `None` where too few pairs have any weight.
    fn solution(
        self,
        detections: &Detections,
        display: Display,
        log10_chance: f64,
    ) -> Option<Solution> {
        let matched = self.matched(detections);
        if matched.len() < FEWEST {
            return None;
        }
        let square = |m: &MatchedStar| m.residual_px[0].powi(2) + m.residual_px[1].powi(2);
        let squares: f64 = matched.iter().map(square).sum();
        let wcs = &self.wcs;
        let [cx, cy] = self.geometry.crpix;
        let [width, height] = [detections.width as f64, detections.height as f64];
        let centre = wcs.pixel_to_sky(cx, cy);
        let scale_deg = scale_of(wcs);
        let (rotation_deg, mirrored) = self.rotation(centre, display);
        let corner = |x: f64, y: f64| wcs.pixel_to_sky(x, y);
        let begin = self.epoch.begin_jyear();
        Some(Solution {
            centre_ra_deg: centre[0],
            centre_dec_deg: centre[1],
            uncertainty_arcsec: self.fitted.centre.radius95() * scale_deg * 3600.0,
            scale_arcsec_per_px: scale_deg * 3600.0,
            rotation_deg,
            mirrored,
            field_deg: [
                self.across_deg([0.5, cy], [width + 0.5, cy]),
                self.across_deg([cx, 0.5], [cx, height + 0.5]),
            ],
            corners_deg: [
                corner(1.0, 1.0),
                corner(width, 1.0),
                corner(width, height),
                corner(1.0, height),
            ],
            rms_px: (squares / matched.len() as f64).sqrt(),
            matched,
            log10_chance,
            epoch_jyear: begin + self.years.after,
            epoch_sigma_years: self.years.sigma,
            told_by_stars: self.told.map(|told| Told {
                jyear: begin + told.after,
                sigma_years: told.sigma,
            }),
            date: match self.epoch {
                Epoch::Known { .. } => DateVerdict::Believed,
                Epoch::Unknown { .. } => DateVerdict::None,
            },
            wcs: self.wcs,
        })
    }

    /// The pairs that the solution rests on.
    fn matched(&self, detections: &Detections) -> Vec<MatchedStar> {
        let used = self.found.iter().zip(&self.fitted.weights);
        used.filter(|(_, weight)| **weight > 0.0)
            .filter_map(|(pair, _)| {
                let star = &detections.stars[pair.detection];
                let [x, y] = self.wcs.vector_to_pixel(pair.star.vector)?;
                let [ra_deg, dec_deg] = vector_to_sky(pair.star.vector);
                Some(MatchedStar {
                    detection: pair.detection,
                    ra_deg,
                    dec_deg,
                    mag: f64::from(pair.star.mag),
                    residual_px: [x - 1.0 - star.x_px, y - 1.0 - star.y_px],
                })
            })
            .collect()
    }

    /// Position angle of the picture's up at its centre, degrees, and whether it is mirrored.
    fn rotation(&self, centre: [f64; 2], display: Display) -> (f64, bool) {
        let [east, north, _] = tangent_basis(centre[0], centre[1]);
        let step = |towards: [f64; 2]| {
            let [x, y] = [0, 1].map(|axis| self.geometry.crpix[axis] + towards[axis]);
            let to = self.wcs.pixel_to_vector(x, y);
            (dot(to, east), dot(to, north))
        };
        let ((up_e, up_n), (right_e, right_n)) = (step(display.up), step(display.right));
        // With up = north, right is west on the ordinary sky.
        let mirrored = right_e * up_n - right_n * up_e > 0.0;
        (up_e.atan2(up_n).to_degrees().rem_euclid(360.0), mirrored)
    }

    /// Angle between the directions of two pixels on opposite sides of the centre, degrees; of a
    /// fisheye through the centre, which may be more than half a circle.
    fn across_deg(&self, a: [f64; 2], b: [f64; 2]) -> f64 {
        let [cx, cy] = self.geometry.crpix;
        let [a, b, centre] = [a, b, [cx, cy]].map(|[x, y]| self.wcs.pixel_to_vector(x, y));
        let radians = match self.wcs.projection {
            Projection::Gnomonic => angle_between(a, b),
            _ => angle_between(a, centre) + angle_between(centre, b),
        };
        radians.to_degrees()
    }
}

/// At most this many stars around a frame, the brightest, are fitted.
pub const FIT_STARS: usize = 600;

/// Angle from the centre to the farthest corner of the frame of `camera`, radians, with room for
/// the error of the pose.
pub fn reach_rad(camera: &Camera) -> f64 {
    (camera.projection).angle(1.02 * camera.reference_px / camera.focal_px)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sphere::sky_to_vector;

    #[test]
    fn camera_and_wcs_agree() {
        let lenses = Projection::ALL.into_iter();
        for (projection, flipped) in lenses.flat_map(|p| [(p, false), (p, true)]) {
            let camera = Camera {
                axes: {
                    let p = sky_to_vector(200.0, 89.0);
                    let [e, n, _] = tangent_basis(200.0, 89.0);
                    [e, n, p]
                },
                focal_px: 2000.0,
                flipped,
                radial: 0.0,
                reference_px: 500.0,
                projection,
            };
            let geometry = Geometry::new([800.0, 600.0], &camera);
            let wcs = wcs_of_camera(&camera, projection, &geometry);
            let sign = if flipped { -1.0 } else { 1.0 };
            for [x, y] in [[0.0, 0.0], [300.0, -200.0]] {
                let seen = camera.direction([x, sign * y]);
                let here = wcs.pixel_to_vector(400.5 + x, 300.5 + y);
                assert!(angle_between(seen, here) < 1e-12);
            }
        }
    }
}
