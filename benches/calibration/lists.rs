//! Detection lists that show no piece of the sky.

use crate::random::Random;
use nightfix::detect::{Detection, Detections};

/// Common sensor formats, reduced; pixels.
pub const SIZES: [[usize; 2]; 6] = [
    [1200, 800],
    [1936, 1096],
    [640, 480],
    [1024, 1024],
    [3000, 2000],
    [1280, 960],
];

/// How the places of a list came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shape {
    /// Anywhere.
    Even,
    /// In a strip, corner or disc of an eighth to a half of the frame, as behind a dome slit, a
    /// tree or a cloud.
    OneSided,
    /// In one to five clumps, a few of them anywhere.
    Clumped,
    /// At the nodes of a grid of any direction, up to half a pixel off.
    Gridded,
    /// On whole pixels and as sharp: the same pattern in five lists that follow each other, with a
    /// few others of their own each.
    HotPixels,
    /// Of a real frame, with the rows of its stars shuffled.
    ShuffledReal,
}

pub const SHAPES: [Shape; 6] = [
    Shape::Even,
    Shape::OneSided,
    Shape::Clumped,
    Shape::Gridded,
    Shape::HotPixels,
    Shape::ShuffledReal,
];

/// List `number`: the same one in every run. Shapes take turns; without real frames theirs is left
/// out.
pub fn list(number: u64, real: &[Detections]) -> (Shape, Detections) {
    let shapes = if real.is_empty() { 5 } else { 6 };
    let shape = SHAPES[(number % shapes) as usize];
    let round = number / shapes;
    let mut random = Random::new(number);
    if shape == Shape::ShuffledReal {
        let frame = &real[random.below(real.len())];
        return (shape, shuffled(frame, &mut random));
    }
    let mut pattern = Random::new(if shape == Shape::HotPixels {
        1_000_000_007 + round / 5
    } else {
        number.wrapping_add(1 << 40)
    });
    let size = SIZES[pattern.below(SIZES.len())];
    let count = pattern.log_between(4.0, 151.0) as usize;
    let own = if shape == Shape::HotPixels {
        count / 5
    } else {
        0
    };
    let mut places = places(shape, size, count, &mut pattern);
    for place in &mut places[..own] {
        *place = [0, 1].map(|axis| random.between(-0.5, size[axis] as f64 - 0.5));
    }
    let sharp = shape == Shape::HotPixels;
    (shape, with_fluxes(&places, size, sharp, &mut pattern))
}

fn places(shape: Shape, size: [usize; 2], count: usize, random: &mut Random) -> Vec<[f64; 2]> {
    let [width, height] = size.map(|s| s as f64);
    let anywhere = |random: &mut Random| [random.between(0.0, width), random.between(0.0, height)];
    let places: Vec<[f64; 2]> = match shape {
        Shape::Even | Shape::ShuffledReal => (0..count).map(|_| anywhere(random)).collect(),
        Shape::HotPixels => (0..count)
            .map(|_| anywhere(random).map(f64::floor))
            .collect(),
        Shape::OneSided => {
            let open = Opening::new(size, random);
            let mut kept = Vec::new();
            while kept.len() < count {
                let place = anywhere(random);
                if open.shows(place) {
                    kept.push(place);
                }
            }
            kept
        }
        Shape::Clumped => {
            let clumps: Vec<([f64; 2], f64)> = (0..1 + random.below(5))
                .map(|_| (anywhere(random), width * random.log_between(0.005, 0.15)))
                .collect();
            let lone = random.between(0.0, 0.5);
            (0..count)
                .map(|_| {
                    if random.between(0.0, 1.0) < lone {
                        return anywhere(random);
                    }
                    let (centre, spread) = clumps[random.below(clumps.len())];
                    centre.map(|c| c + spread * random.normal())
                })
                .collect()
        }
        Shape::Gridded => {
            let step = (width * height / count as f64).sqrt() * random.between(0.4, 1.0);
            let (sin, cos) =
                (random.between(0.0, 1.57) * f64::from(random.below(2) as u32)).sin_cos();
            let jitter = random.between(0.0, 0.5);
            (0..count)
                .map(|_| {
                    let node = anywhere(random).map(|c| (c / step).round() * step);
                    let [x, y] = [node[0] - width / 2.0, node[1] - height / 2.0];
                    [
                        cos * x - sin * y + width / 2.0,
                        sin * x + cos * y + height / 2.0,
                    ]
                    .map(|c| c + jitter * random.normal())
                })
                .collect()
        }
    };
    apart(places, [width, height])
}

/// Without those outside the frame and those that a detector would see as one.
fn apart(places: Vec<[f64; 2]>, size: [f64; 2]) -> Vec<[f64; 2]> {
    let mut kept: Vec<[f64; 2]> = Vec::with_capacity(places.len());
    for place in places {
        let inside = [0, 1]
            .iter()
            .all(|&i| place[i] > -0.5 && place[i] < size[i] - 0.5);
        let alone = kept
            .iter()
            .all(|other| (other[0] - place[0]).hypot(other[1] - place[1]) > 2.5);
        if inside && alone {
            kept.push(place);
        }
    }
    kept
}

/// The part of a frame that is not covered.
pub enum Opening {
    /// Between two parallel lines: a unit vector and two distances along it from the middle.
    Strip([f64; 2], [f64; 2]),
    /// A disc: centre and radius.
    Disc([f64; 2], f64),
    /// A rectangle: first and last corner.
    Corner([f64; 2], [f64; 2]),
}

impl Opening {
    /// Open for an eighth to a half of the frame.
    pub fn new(size: [usize; 2], random: &mut Random) -> Opening {
        let share = random.log_between(0.125, 0.5);
        Opening::of_share(size, share, random)
    }

    /// Open for this share of the frame: a strip along a side or across the middle, a corner or a
    /// disc, at random.
    pub fn of_share(size: [usize; 2], share: f64, random: &mut Random) -> Opening {
        let size = size.map(|s| s as f64);
        match random.below(4) {
            0 => {
                let axis = random.below(2);
                let mut low = [0.0; 2];
                let mut high = size;
                let begin = [0.0, 1.0 - share, random.between(0.0, 1.0 - share)][random.below(3)];
                low[axis] = begin * size[axis];
                high[axis] = (begin + share) * size[axis];
                Opening::Corner(low, high)
            }
            1 => {
                let side = share.sqrt();
                let low = size.map(|s| [0.0, (1.0 - side) * s][random.below(2)]);
                Opening::Corner(low, [0, 1].map(|i| low[i] + side * size[i]))
            }
            2 => {
                let radius = (share * size[0] * size[1] / std::f64::consts::PI).sqrt();
                let centre =
                    size.map(|s| random.between(radius.min(s / 2.0), (s - radius).max(s / 2.0)));
                Opening::Disc(centre, radius)
            }
            // A half-plane at any angle: where it ends is found by halving.
            _ => {
                let (sin, cos) = random.between(0.0, std::f64::consts::TAU).sin_cos();
                let reach = size[0].hypot(size[1]) / 2.0;
                let (mut low, mut high) = (-reach, reach);
                for _ in 0..40 {
                    let middle = 0.5 * (low + high);
                    let strip = Opening::Strip([cos, sin], [middle, reach]).centred(size);
                    if share_of(&strip, size) > share {
                        low = middle;
                    } else {
                        high = middle;
                    }
                }
                Opening::Strip([cos, sin], [low, reach]).centred(size)
            }
        }
    }

    /// A strip whose distances are counted from the middle of the frame.
    fn centred(self, size: [f64; 2]) -> Opening {
        match self {
            Opening::Strip(along, [low, high]) => {
                let middle = along[0] * size[0] / 2.0 + along[1] * size[1] / 2.0;
                Opening::Strip(along, [low + middle, high + middle])
            }
            other => other,
        }
    }

    pub fn shows(&self, place: [f64; 2]) -> bool {
        match self {
            Opening::Strip(along, [low, high]) => {
                let at = along[0] * place[0] + along[1] * place[1];
                (*low..*high).contains(&at)
            }
            Opening::Disc(centre, radius) => {
                (place[0] - centre[0]).hypot(place[1] - centre[1]) < *radius
            }
            Opening::Corner(low, high) => [0, 1]
                .iter()
                .all(|&i| (low[i]..high[i]).contains(&place[i])),
        }
    }
}

fn share_of(opening: &Opening, size: [f64; 2]) -> f64 {
    const STEPS: usize = 48;
    let at = |k: usize, length: f64| (k as f64 + 0.5) / STEPS as f64 * length;
    let shown = (0..STEPS * STEPS)
        .filter(|k| opening.shows([at(k % STEPS, size[0]), at(k / STEPS, size[1])]))
        .count();
    shown as f64 / (STEPS * STEPS) as f64
}

/// Detections at these places, brightest first.
fn with_fluxes(
    places: &[[f64; 2]],
    size: [usize; 2],
    sharp: bool,
    random: &mut Random,
) -> Detections {
    let fwhm_px = if sharp { 1.2 } else { random.between(1.8, 5.0) };
    let range = random.between(2.0, 6.0);
    let count = places.len() as f64;
    let stars = places
        .iter()
        .enumerate()
        .map(|(rank, place)| {
            let snr = 2000.0 * (-range * rank as f64 / count).exp();
            Detection {
                x_px: place[0],
                y_px: place[1],
                sigma_px: if sharp {
                    0.05
                } else {
                    random.between(0.05, 0.2)
                },
                flux: 100.0 * snr,
                snr,
                fwhm_px,
                elongation: 1.0,
                saturated: false,
            }
        })
        .collect();
    detections(stars, size, fwhm_px)
}

pub fn detections(stars: Vec<Detection>, [width, height]: [usize; 2], fwhm_px: f64) -> Detections {
    Detections {
        stars,
        width,
        height,
        fwhm_px,
        sky_level: 1000.0,
        sky_noise: 30.0,
        mosaic: false,
        ..Detections::default()
    }
}

/// The detections of a frame, or the brightest of them, each at the row of another one.
fn shuffled(frame: &Detections, random: &mut Random) -> Detections {
    let mut shuffled = frame.clone();
    let most = random.log_between(4.0, 151.0) as usize;
    shuffled.stars.truncate(most);
    let rows: Vec<f64> = shuffled.stars.iter().map(|star| star.y_px).collect();
    let mut order: Vec<usize> = (0..rows.len()).collect();
    for i in (1..order.len()).rev() {
        order.swap(i, random.below(i + 1));
    }
    for (star, &row) in shuffled.stars.iter_mut().zip(&order) {
        star.y_px = rows[row];
    }
    shuffled
}
