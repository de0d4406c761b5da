//! The detections of a frame in buckets, for looking up what lies near a predicted position.

use super::open::Open;
use crate::detect::Detections;

/// Buckets along each axis.
const BUCKETS: usize = 32;
/// Detections beyond this rank are too faint to speak for or against a pose.
pub const MOST_SPOTS: usize = 400;
/// The density about a detection is taken from the distance to its neighbour of this number: few
/// enough to see a clump, enough to be known to a factor of 1.4 (1 / sqrt(6)).
const CROWD: usize = 6;

/// A detection as verification needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Pixels from the frame's centre.
    pub offset: [f64; 2],
    /// Centroid error per axis, pixels.
    pub sigma_px: f64,
    /// Place in the order of brightness, 0 the brightest.
    pub rank: usize,
    /// Instrumental magnitude, -2.5 log10 of the flux.
    pub mag: f64,
    /// The flux is a lower limit.
    pub saturated: bool,
    /// Density of detections around it over their mean density, at least 1: where detections
    /// lie in clumps, more of them fall beside a predicted star by chance.
    pub crowding: f64,
}

/// The brightest detections of a frame by place.
#[derive(Debug, Clone)]
pub struct DetectionField {
    spots: Vec<Spot>,
    starts: Vec<u32>,
    /// Instrumental magnitudes by rank; `None`: saturated.
    mags: Vec<Option<f64>>,
    /// Numbers of the spots by rank.
    places: Vec<u32>,
    /// Width and height, pixels.
    pub size_px: [f64; 2],
    /// Typical star width, pixels.
    pub fwhm_px: f64,
    /// Where in the frame detections lie.
    pub open: Open,
}

impl DetectionField {
    /// Sorts the brightest detections into buckets.
    pub fn new(detections: &Detections) -> DetectionField {
        let size_px = [detections.width as f64, detections.height as f64];
        let centre = [(size_px[0] - 1.0) / 2.0, (size_px[1] - 1.0) / 2.0];
        let stars = &detections.stars[..detections.stars.len().min(MOST_SPOTS)];
        let places: Vec<[f64; 2]> = stars
            .iter()
            .map(|star| [star.x_px - centre[0], star.y_px - centre[1]])
            .collect();
        let mut field = DetectionField {
            spots: Vec::new(),
            starts: vec![0; BUCKETS * BUCKETS + 1],
            mags: Vec::new(),
            places: Vec::new(),
            size_px,
            fwhm_px: detections.fwhm_px.max(1.0),
            open: Open::new(&places, size_px),
        };
        let mean_density = places.len() as f64 / field.open.area_px2;
        let mut keyed: Vec<(usize, Spot)> = stars
            .iter()
            .enumerate()
            .map(|(rank, star)| {
                let offset = places[rank];
                let [column, row] = [0, 1].map(|axis| field.bucket(offset[axis], axis));
                let density = density_about(offset, &places, size_px);
                let spot = Spot {
                    offset,
                    sigma_px: star.sigma_px,
                    rank,
                    mag: magnitude(star.flux),
                    saturated: star.saturated,
                    crowding: (density / mean_density).max(1.0),
                };
                (row * BUCKETS + column, spot)
            })
            .collect();
        field.mags = keyed
            .iter()
            .map(|(_, spot)| (!spot.saturated).then_some(spot.mag))
            .collect();
        keyed.sort_by_key(|(bucket, spot)| (*bucket, spot.rank));
        for (bucket, spot) in keyed {
            field.starts[bucket + 1] += 1;
            field.spots.push(spot);
        }
        field.places = vec![0; field.spots.len()];
        for (place, spot) in field.spots.iter().enumerate() {
            field.places[spot.rank] = place as u32;
        }
        for i in 1..field.starts.len() {
            field.starts[i] += field.starts[i - 1];
        }
        field
    }

    fn bucket(&self, offset: f64, axis: usize) -> usize {
        let unit = offset / self.size_px[axis] + 0.5;
        ((unit * BUCKETS as f64).max(0.0) as usize).min(BUCKETS - 1)
    }

    /// Instrumental magnitudes by rank; `None`: saturated.
    pub fn mags(&self) -> &[Option<f64>] {
        &self.mags
    }

    /// The spot of a detection by its rank, wherever it lies.
    pub fn by_rank(&self, rank: usize) -> Option<&Spot> {
        let at = *self.places.get(rank)?;
        self.spots.get(at as usize)
    }

    /// Number of detections held.
    pub fn len(&self) -> usize {
        self.spots.len()
    }

    /// True where it holds no spot.
    pub fn is_empty(&self) -> bool {
        self.spots.is_empty()
    }

    /// Calls `visit` with every detection in the square of half side `reach_px` about `offset`
    /// (pixels from the centre, y as stored).
    #[inline]
    pub fn near(&self, offset: [f64; 2], reach_px: f64, mut visit: impl FnMut(&Spot)) {
        let low = [0, 1].map(|axis| self.bucket(offset[axis] - reach_px, axis));
        let high = [0, 1].map(|axis| self.bucket(offset[axis] + reach_px, axis));
        for row in low[1]..=high[1] {
            let first = self.starts[row * BUCKETS + low[0]] as usize;
            let last = self.starts[row * BUCKETS + high[0] + 1] as usize;
            for spot in &self.spots[first..last] {
                let inside = |axis: usize| (spot.offset[axis] - offset[axis]).abs() <= reach_px;
                if inside(0) && inside(1) {
                    visit(spot);
                }
            }
        }
    }
}

/// Detections per square pixel about one of them, by the distance to its neighbour number [`CROWD`]
/// or the last one. Of the circle only the part within the frame counts.
fn density_about(offset: [f64; 2], places: &[[f64; 2]], size_px: [f64; 2]) -> f64 {
    // The nearest is the detection itself.
    let count = CROWD.min(places.len().saturating_sub(1));
    let mut nearest2 = [f64::INFINITY; CROWD + 1];
    for other in places {
        let mut apart2 = (other[0] - offset[0]).powi(2) + (other[1] - offset[1]).powi(2);
        if apart2 < nearest2[CROWD] {
            for nearest2 in &mut nearest2 {
                if apart2 < *nearest2 {
                    std::mem::swap(nearest2, &mut apart2);
                }
            }
        }
    }
    let radius2 = nearest2[count];
    let radius = radius2.sqrt().max(1.0);
    let inside: f64 = (0..2)
        .map(|axis| {
            let half = 0.5 * size_px[axis];
            let (low, high) = (offset[axis] - radius, offset[axis] + radius);
            (high.min(half) - low.max(-half)) / (2.0 * radius)
        })
        .product();
    count as f64 / (std::f64::consts::PI * radius * radius * inside.max(0.1))
}

fn magnitude(flux: f64) -> f64 {
    -2.5 * flux.max(1e-9).log10()
}
