//! The detections of a frame in buckets, for looking up what lies near a predicted position.

use crate::detect::Detections;

/// Buckets along each axis.
const BUCKETS: usize = 32;
/// Detections beyond this rank are too faint to speak for or against a pose.
const MOST: usize = 400;

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
}

/// The brightest detections of a frame by place.
#[derive(Debug, Clone)]
pub struct DetectionField {
    spots: Vec<Spot>,
    starts: Vec<u32>,
    /// Magnitudes by rank.
    mags: Vec<f64>,
    /// Numbers of the spots by rank.
    places: Vec<u32>,
    /// Width and height, pixels.
    pub size_px: [f64; 2],
    /// Typical star width, pixels.
    pub fwhm_px: f64,
}

impl DetectionField {
    /// Sorts the brightest detections into buckets.
    pub fn new(detections: &Detections) -> DetectionField {
        let size_px = [detections.width as f64, detections.height as f64];
        let centre = [(size_px[0] - 1.0) / 2.0, (size_px[1] - 1.0) / 2.0];
        let mut field = DetectionField {
            spots: Vec::new(),
            starts: vec![0; BUCKETS * BUCKETS + 1],
            mags: Vec::new(),
            places: Vec::new(),
            size_px,
            fwhm_px: detections.fwhm_px.max(1.0),
        };
        let mut keyed: Vec<(usize, Spot)> = detections
            .stars
            .iter()
            .take(MOST)
            .enumerate()
            .map(|(rank, star)| {
                let offset = [star.x_px - centre[0], star.y_px - centre[1]];
                let [column, row] = [0, 1].map(|axis| field.bucket(offset[axis], axis));
                (
                    row * BUCKETS + column,
                    Spot {
                        offset,
                        sigma_px: star.sigma_px,
                        rank,
                        mag: magnitude(star.flux),
                        saturated: star.saturated,
                    },
                )
            })
            .collect();
        field.mags = detections
            .stars
            .iter()
            .take(MOST)
            .map(|star| magnitude(star.flux))
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

    /// Share of the `eligible` brightest detections within `window` of a magnitude; one of them
    /// is taken to be there.
    pub fn share_near(&self, mag: f64, window: f64, eligible: usize) -> f64 {
        let eligible = eligible.clamp(1, self.mags.len().max(1));
        let near = |m: &&f64| (**m - mag).abs() <= window;
        let count = self.mags.iter().take(eligible).filter(near).count();
        count.max(1) as f64 / eligible as f64
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

    /// True where there is none.
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

fn magnitude(flux: f64) -> f64 {
    -2.5 * flux.max(1e-9).log10()
}
