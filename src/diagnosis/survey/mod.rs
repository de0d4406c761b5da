//! A coarse look at a frame that did not solve: its light and the objects in it, whatever their
//! shape. The detector looks for stars and passes over the rest, which is the subject here.

mod banding;
mod objects;

use crate::detect::background::{Mesh, least_noise, narrow};
use crate::detect::pixels::{Image, Pixel, Plane};
use crate::frame::{Frame, Pixels};
pub use objects::Object;

/// Blocks along the long side of the first plane that is looked at: fine enough for trails.
const LONG_SIDE: usize = 600;
/// Binned by these factors more, for wide and faint objects.
const COARSER: [usize; 2] = [3, 6];
/// Cells of the background mesh along the long side: wider than the widest ring.
const CELLS: usize = 8;
/// The same of the mesh in which clouds are looked for.
const LIGHT_CELLS: usize = 24;
/// Pixels looked at for the percentiles.
const SAMPLE: usize = 65_536;
/// Full scales of sensors and converters of 8 to 16 bits.
const FULL_SCALES: [f64; 4] = [255.0, 4095.0, 16_383.0, 65_535.0];

/// What a frame looks like as a whole.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Survey {
    /// Median pixel as a share of the largest value that the frame can hold, 0 to 1.
    pub fill: f64,
    /// First and third quartile of the pixels as such shares.
    pub quartiles: [f64; 2],
    /// Share of the pixels within 3 % of that largest value.
    pub full_share: f64,
    /// Sky level on a mesh wider than the widest ring.
    pub coarse_light: LightMap,
    /// The same on a finer mesh, banding taken off.
    pub light: LightMap,
    /// What is brighter than the sky, most light first, in finer and then in coarser blocks.
    pub objects: Vec<Vec<Object>>,
}

/// Sky level on a mesh.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LightMap {
    /// Level per cell, row by row, the frame's own units.
    pub level: Vec<f64>,
    /// Cells along x and y.
    pub size: [usize; 2],
    /// Standard error of a cell's level.
    pub error: f64,
}

impl LightMap {
    /// Of a mesh whose cells have this noise.
    fn of(mesh: &Mesh, noise: f64) -> LightMap {
        LightMap {
            level: mesh.level.iter().map(|v| f64::from(*v)).collect(),
            size: [mesh.cols, mesh.rows],
            error: noise / SAMPLES_PER_CELL.sqrt(),
        }
    }

    /// The lowest and the highest level.
    pub fn range(&self) -> (f64, f64) {
        let around = |(low, high): (f64, f64), v: &f64| (low.min(*v), high.max(*v));
        self.level.iter().fold((f64::MAX, f64::MIN), around)
    }
}

/// Surveys `frame`; an empty survey where its pixels do not fill its width and height.
pub fn survey(frame: &Frame) -> Survey {
    match &frame.pixels {
        Pixels::U8(data) => of(frame, data),
        Pixels::U16(data) => of(frame, data),
        Pixels::F32(data) => of(frame, data),
    }
}

fn of<P: Pixel>(frame: &Frame, data: &[P]) -> Survey {
    let (width, height) = (frame.width, frame.height);
    if width < 8 || height < 8 || data.len() != width * height {
        return Survey::default();
    }
    let image = Image::new(data, width, height);
    let (quartiles, full_share) = fullness(data);
    let mut survey = Survey {
        fill: quartiles[1],
        quartiles: [quartiles[0], quartiles[2]],
        full_share,
        ..Survey::default()
    };
    // Even blocks: the colours of a mosaic cancel.
    let bin = (width.max(height) / LONG_SIDE).max(2).next_multiple_of(2);
    let (mut plane, _) = Plane::binned(&image, bin);
    if plane.width < 8 || plane.height < 8 {
        return survey;
    }
    let mesh = measured::<P>(&plane, CELLS);
    let noise: f64 = mesh.noise.iter().map(|v| f64::from(*v)).sum();
    survey.coarse_light = LightMap::of(&mesh, noise / mesh.noise.len() as f64);
    banding::remove(&mut plane, &mesh);
    let finer = measured::<P>(&plane, LIGHT_CELLS);
    survey.light = LightMap::of(&finer, f64::from(finer.quiet_noise()));
    let objects = |plane: &Plane| objects::find(plane, &measured::<P>(plane, CELLS));
    survey.objects.push(objects(&plane));
    let wide = narrow::without(&plane, &measured::<P>(&plane, CELLS));
    for factor in COARSER {
        let coarse = wide.rebinned(factor);
        if coarse.width < 8 || coarse.height < 8 {
            break;
        }
        survey.objects.push(objects(&coarse));
    }
    survey
}

/// A background mesh of about `cells` cells along the long side.
fn measured<P: Pixel>(plane: &Plane, cells: usize) -> Mesh {
    let cell = (plane.width.max(plane.height) / cells).max(8);
    Mesh::measure(plane, cell, f32::INFINITY, least_noise::<P>(plane.bin))
}

/// Values that a mesh cell's level is the mean of, at least.
const SAMPLES_PER_CELL: f64 = 200.0;

/// Quartiles as shares of the largest possible value, and the share of pixels near that.
fn fullness<P: Pixel>(data: &[P]) -> ([f64; 3], f64) {
    let step = (data.len() / SAMPLE).max(1);
    // An odd step meets all columns of the frame, and all colours of a mosaic.
    let mut sample: Vec<f64> = data
        .iter()
        .step_by(step | 1)
        .map(|p| f64::from(p.value()))
        .filter(|v| v.is_finite())
        .collect();
    if sample.is_empty() {
        return ([0.0; 3], 0.0);
    }
    sample.sort_unstable_by(f64::total_cmp);
    let top = data
        .iter()
        .map(|p| p.value())
        .filter(|v| v.is_finite())
        .fold(f32::NEG_INFINITY, f32::max);
    // One bright pixel comes near a full scale by chance; where a converter clips there are more.
    let shared = || data.iter().filter(|p| p.value() == top).nth(1).is_some();
    let full = full_scale(f64::from(top), f64::from(P::CEILING), shared);
    let near = sample.partition_point(|v| *v < 0.97 * full);
    (
        [1, 2, 3].map(|k| (sample[k * sample.len() / 4] / full).clamp(0.0, 1.0)),
        (sample.len() - near) as f64 / sample.len() as f64,
    )
}

/// The largest value that the camera can have written: the full scale that the brightest pixel
/// reaches, exactly or with others (`shared`), else that of the pixel type (floating point: 1, or 65535
/// where values are larger).
fn full_scale(top: f64, type_ceiling: f64, shared: impl Fn() -> bool) -> f64 {
    let reached = FULL_SCALES
        .iter()
        .find(|full| **full <= type_ceiling && (0.985 * **full..=**full).contains(&top));
    match reached {
        Some(full) if top == *full || shared() => *full,
        _ if type_ceiling.is_finite() => type_ceiling,
        _ if top <= 1.0 => 1.0,
        _ => top.max(65_535.0),
    }
}
