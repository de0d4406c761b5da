//! What the rounds of matching and fitting end with, and the solution that it makes.

use super::epoch::Years;
use super::farther::{FARTHER, leaves_behind};
use super::geometry::{Geometry, scale_of};
use super::matching::Pair;
use super::polynomial::Fitted;
use super::refine::{Display, FEWEST, Start, settled};
use super::{DateVerdict, Epoch, MatchedStar, Solution, Told};
use crate::detect::Detections;
use crate::projection::Projection;
use crate::sky::RegionStar;
use crate::sphere::{angle_between, dot, tangent_basis, vector_to_sky};
use crate::wcs::Wcs;

/// Another projection, or a fit that looks farther out, is taken for this many times the stars.
const MORE_STARS: f64 = 1.03;

/// What the rounds of a fit ended with.
pub struct Settled {
    /// The last fit, and the pairs that it is of.
    pub fitted: Fitted,
    /// See `fitted`.
    pub found: Vec<Pair>,
    /// The WCS that it makes.
    pub wcs: Wcs,
    /// The frame.
    pub geometry: Geometry,
    /// When it was taken, as far as that was known.
    pub epoch: Epoch,
    /// Years after the epoch of `stars` that the fit settled on.
    pub years: Years,
    /// The same by the stars' own motion alone.
    pub told: Option<Years>,
}

impl Settled {
    /// A fit that begins with this one and looks farther from where it puts the stars, if there are
    /// stars to be had and it holds them.
    pub fn farther(
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
    pub fn holds_more_than(&self, other: &Settled) -> bool {
        let [own, others] = [self, other].map(|s| {
            let used = s.fitted.weights.iter().filter(|w| **w > 0.0);
            used.count() as f64
        });
        own > MORE_STARS * others
            || (own * MORE_STARS > others && self.fitted.variance < 0.9 * other.fitted.variance)
    }

    /// What is said of the frame; `None` where too few pairs have any weight.
    pub fn solution(
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
