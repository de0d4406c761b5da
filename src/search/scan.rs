//! One batch of tiles: code matches become candidates, candidates become poses with evidence.

use super::SearchError;
use super::plan::{FLAT_WIDEST_DEG, SCALE_CLAIM_ERROR, Stage, frame_quads};
use crate::Deadline;
use crate::detect::Detections;
use crate::projection::Projection;
use crate::quads::{FrameQuad, Lens, QuadTable};
use crate::sky::{Sky, SkyRegion, SkyTile, Star, band_serves, index_serves};
use crate::sphere::ARCSEC_PER_RAD;
use crate::verify::{
    Camera, DetectionField, Evidence, GLANCE_GAIN, GLANCE_STARS, Proposal, QuadMatch, Weigher,
};
use rayon::prelude::*;
use star_index::IndexError;

/// Scales searched, arcsec per pixel: up to the whole sky on a small sensor.
pub const SCALE_RANGE: [f64; 2] = [0.05, 1500.0];
/// Narrowest field, degrees, of the longer side, and the widest of a lens that keeps lines straight.
const FIELD_RANGE_DEG: [f64; 2] = [0.08, 115.0];
/// Random distortion that verification allows, relative to the distance from the quad.
const DISTORTION_FLAT: f64 = 0.0003;
const DISTORTION_WIDE: f64 = 0.0015;
/// Prior of the radial term at the frame's corner.
const RADIAL_FLAT: f64 = 0.001;
const RADIAL_WIDE: f64 = 0.015;
/// The same for a fisheye, which keeps to a law of distances only roughly.
const RADIAL_FISHEYE: f64 = 0.03;

/// The likeliest pose of a batch.
#[derive(Debug, Clone)]
pub struct Best {
    /// What speaks for it.
    pub evidence: Evidence,
    /// Number of its star-index.
    pub index: usize,
}

/// What came of a batch.
#[derive(Debug, Clone, Default)]
pub struct BatchResult {
    /// Candidates weighed; one that is weighed again with more stars counts twice.
    pub candidates: u64,
    /// The likeliest.
    pub best: Option<Best>,
}

/// Scans tiles for one stage.
pub struct Scanner<'a> {
    pub(super) sky: &'a Sky,
    pub(super) table: QuadTable,
    weigher: Weigher<'a>,
    /// Catalogue stars that a pose is asked for at most.
    stars_asked: usize,
    offsets: Vec<[f64; 2]>,
    /// The quads of the `all_of` brightest detections but those of the `done` brightest, and quads
    /// of neighbours among the `neighbours_of` brightest.
    all_of: usize,
    done: usize,
    neighbours_of: usize,
    lens: Lens,
    pub(super) scales: Vec<f64>,
    /// Years of proper motion, by star-index.
    years: Vec<f64>,
    pub(super) half_px: [f64; 2],
    /// When to stop.
    deadline: Deadline,
}

/// Memory of one thread.
#[derive(Default)]
struct Scratch {
    region: SkyRegion,
    hits: Vec<(u32, u32)>,
}

impl<'a> Scanner<'a> {
    /// For one stage of a search.
    pub fn new(
        detections: &Detections,
        field: &'a DetectionField,
        sky: &'a Sky,
        years: &[f64],
        stage: &Stage,
    ) -> Scanner<'a> {
        let centre = [
            (detections.width as f64 - 1.0) / 2.0,
            (detections.height as f64 - 1.0) / 2.0,
        ];
        let offsets = detections
            .stars
            .iter()
            .map(|s| [s.x_px - centre[0], s.y_px - centre[1]])
            .collect();
        let distortion = if stage.lens == Lens::Flat {
            DISTORTION_FLAT
        } else {
            DISTORTION_WIDE
        };
        Scanner {
            sky,
            table: QuadTable::new(frame_quads(detections, stage)),
            weigher: Weigher::new(field, distortion),
            stars_asked: Weigher::stars_asked(field),
            offsets,
            all_of: stage.all_of.min(field.len()),
            done: stage.done.min(field.len()),
            neighbours_of: stage.neighbours_of.min(field.len()),
            lens: stage.lens,
            scales: stage.scales.clone(),
            years: years.to_vec(),
            half_px: [
                detections.width as f64 / 2.0,
                detections.height as f64 / 2.0,
            ],
            deadline: Deadline::NONE,
        }
    }

    /// The same, to be given up at a time: what is left is then passed over.
    pub fn until(self, deadline: Deadline) -> Scanner<'a> {
        Scanner { deadline, ..self }
    }

    /// The time is over.
    pub fn is_late(&self) -> bool {
        self.deadline.passed()
    }

    /// The stage has no quads of its own, for want of detections.
    pub fn has_nothing_to_ask(&self) -> bool {
        self.table.is_empty()
    }

    /// Years of proper motion for the stars of star-index `index`.
    pub(super) fn years(&self, index: usize) -> f64 {
        self.years.get(index).copied().unwrap_or(0.0)
    }

    /// Scans `tiles` on all threads. The result does not depend on their number: candidates
    /// are compared in the order of the tiles.
    pub fn batch(&self, tiles: &[SkyTile]) -> Result<BatchResult, SearchError> {
        let results: Vec<Result<BatchResult, SearchError>> = tiles
            .par_iter()
            .map_init(Scratch::default, |scratch, tile| {
                self.tile(tile, scratch).map_err(|error| SearchError {
                    index: tile.index,
                    error,
                })
            })
            .collect();
        let mut total = BatchResult::default();
        for result in results {
            let result = result?;
            total.candidates += result.candidates;
            total.take(result.best);
        }
        Ok(total)
    }

    fn tile(&self, tile: &SkyTile, scratch: &mut Scratch) -> Result<BatchResult, IndexError> {
        let mut result = BatchResult::default();
        let Some(index) = self.sky.indexes().get(tile.index) else {
            return Ok(result);
        };
        if self.is_late() {
            return Ok(result);
        }
        let quads = index.tile(tile.band, tile.tile)?;
        let years = self.years(tile.index);
        let band = index.bands().get(tile.band);
        let widths_deg = band.and_then(|band| band_serves(index, band));
        let Scratch { region, hits } = scratch;
        hits.clear();
        self.table
            .scan(quads.codes(), |number, quad| hits.push((number, quad)));
        for &(number, frame_quad) in hits.iter() {
            let (Some(stars), Some(quad)) =
                (quads.stars(number as usize), self.table.quad(frame_quad))
            else {
                return Err(IndexError::Damaged("tile"));
            };
            let [a, b, c, d] = stars.map(|star| index.star(star));
            let stars = [a?, b?, c?, d?].map(|record| record.star_after(years));
            if let Some(focal_px) = self.focal_px(quad, &stars, widths_deg) {
                self.weigh_in(tile.index, region, (quad, stars, focal_px), &mut result)?;
            }
        }
        Ok(result)
    }

    /// Weighs the match of a frame quad with four stars.
    pub(super) fn consider(
        &self,
        index: usize,
        region: &mut SkyRegion,
        quad: &FrameQuad,
        stars: [Star; 4],
        result: &mut BatchResult,
    ) -> Result<(), IndexError> {
        let widths_deg = self.sky.indexes().get(index).and_then(index_serves);
        if let Some(focal_px) = self.focal_px(quad, &stars, widths_deg) {
            self.weigh_in(index, region, (quad, stars, focal_px), result)?;
        }
        Ok(())
    }

    /// Counts a candidate, a frame quad and the stars that it matches, and keeps it if it is the
    /// likeliest.
    fn weigh_in(
        &self,
        index: usize,
        region: &mut SkyRegion,
        (quad, stars, focal_px): (&FrameQuad, [Star; 4], f64),
        result: &mut BatchResult,
    ) -> Result<(), IndexError> {
        // What is turned down from here on was a trial: how well the four stars fit was looked at.
        result.candidates += 1;
        if let Some(proposal) = self.propose(quad, stars, focal_px) {
            let evidence = self.weigh(index, region, &proposal, &mut result.candidates)?;
            result.take(evidence.map(|evidence| Best { evidence, index }));
        }
        Ok(())
    }

    /// The focal length that the longest side of a quad tells, in pixels, where the scale and the
    /// field are possible and the field is one that the quad was stored for (`widths_deg`; `None`:
    /// any).
    fn focal_px(
        &self,
        quad: &FrameQuad,
        stars: &[Star; 4],
        widths_deg: Option<[f64; 2]>,
    ) -> Option<f64> {
        let angle = crate::sphere::angle_between(stars[0].vector, stars[1].vector);
        let focal_px = match self.lens {
            Lens::Flat => {
                let focal_px = f64::from(quad.length) / angle;
                let width = 2.0 * (self.half_px[0].max(self.half_px[1]) / focal_px).atan();
                let field = FIELD_RANGE_DEG[0]..=FLAT_WIDEST_DEG;
                field.contains(&width.to_degrees()).then_some(focal_px)?
            }
            Lens::Wide {
                focal_px, error, ..
            } => {
                let ratio = f64::from(quad.length) / angle;
                let fits = (1.0 - 1.3 * error..=1.0 + 1.3 * error).contains(&ratio);
                fits.then_some(focal_px)?
            }
        };
        if !self.scale_is_possible(focal_px) {
            return None;
        }
        if let Some([narrowest, widest]) = widths_deg {
            let width = 2.0 * (self.half_px[0].max(self.half_px[1]) / focal_px).atan();
            if !(narrowest..=widest).contains(&width.to_degrees()) {
                return None;
            }
        }
        Some(focal_px)
    }

    /// The pose that a match proposes; `None` where the four stars have none in common.
    fn propose(&self, quad: &FrameQuad, stars: [Star; 4], focal_px: f64) -> Option<Proposal> {
        let offsets = self.quad_offsets(quad);
        let reference = self.half_px[0].hypot(self.half_px[1]);
        let (projection, radial) = match self.lens {
            Lens::Flat => (Projection::Gnomonic, RADIAL_FLAT),
            Lens::Wide { projection, .. } => (
                projection,
                match projection {
                    Projection::Gnomonic => RADIAL_WIDE,
                    _ => RADIAL_FISHEYE,
                },
            ),
        };
        let radial_px = radial * reference;
        let [a, b, ..] = offsets;
        let length_px = (a[0] - b[0]).hypot(a[1] - b[1]);
        let gate_px = f64::from(quad.radius) * length_px;
        let pose = Camera::from_quad(&QuadMatch {
            offsets,
            stars: stars.map(|star| star.vector),
            focal_px,
            flipped: quad.flipped,
            reference_px: reference,
            projection,
            gate_px,
            radial_px,
        })?;
        let width = 2.0 * (self.half_px[0].max(self.half_px[1]) / pose.focal_px).atan();
        if projection == Projection::Gnomonic && width.to_degrees() > FIELD_RANGE_DEG[1] {
            return None;
        }
        let ranks = quad.detections.map(usize::from);
        let (among, done) = match ranks.iter().all(|&rank| rank < self.all_of) {
            true => (self.all_of, self.done),
            false => (self.neighbours_of, self.all_of),
        };
        Some(Proposal {
            pose,
            spots: offsets,
            ranks,
            among,
            done,
            stars,
            gate_px,
            radial_px,
        })
    }

    fn scale_is_possible(&self, focal_px: f64) -> bool {
        let scale = ARCSEC_PER_RAD / focal_px;
        let claimed = |claim: &f64| (scale / claim - 1.0).abs() <= SCALE_CLAIM_ERROR;
        (SCALE_RANGE[0]..=SCALE_RANGE[1]).contains(&scale)
            && (self.scales.is_empty() || self.scales.iter().any(claimed))
    }

    fn quad_offsets(&self, quad: &FrameQuad) -> [[f64; 2]; 4] {
        let sign = if quad.flipped { -1.0 } else { 1.0 };
        quad.detections.map(|d| {
            let [x, y] = self.offsets[usize::from(d)];
            [x, sign * y]
        })
    }

    fn weigh(
        &self,
        index: usize,
        region: &mut SkyRegion,
        proposal: &Proposal,
        candidates: &mut u64,
    ) -> Result<Option<Evidence>, IndexError> {
        let camera = &proposal.pose;
        let corner = self.half_px[0].hypot(self.half_px[1]) / camera.focal_px;
        let reach_rad = camera.projection.angle(corner);
        let (sky, centre) = (self.sky, camera.axes[2]);
        let years = self.years(index);
        let mut weigh = |most: usize| {
            let enough = self.weigher.stars_around(most);
            let stars = region.cone(sky, index, centre, reach_rad, enough, years)?;
            Ok(self.weigher.weigh(proposal, stars, most))
        };
        let glance = weigh(GLANCE_STARS)?;
        let is_promising = glance.as_ref().is_some_and(|e| e.gain >= GLANCE_GAIN);
        if !is_promising || self.stars_asked <= GLANCE_STARS {
            return Ok(glance);
        }
        *candidates += 1;
        weigh(self.stars_asked)
    }
}

impl BatchResult {
    /// Keeps the likelier pose; the earlier one on a tie.
    pub(super) fn take(&mut self, new: Option<Best>) {
        let Some(new) = new else { return };
        let log_ratio = |best: &Best| best.evidence.log_ratio;
        if self
            .best
            .as_ref()
            .is_none_or(|old| log_ratio(&new) > log_ratio(old))
        {
            self.best = Some(new);
        }
    }
}
