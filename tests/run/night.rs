//! A rendered night in a folder, with a known truth.

use sample_fields::{Card, Content, Field, FieldSpec, Truth, fits_bytes, render};
use std::path::Path;

/// Commanded position of every light, degrees.
pub const TARGET: [f64; 2] = [130.0, 19.7];

/// A light frame that shows stars.
pub struct Light {
    /// Name of its file.
    pub file: String,
    /// Minutes since the night began.
    pub minutes: usize,
    /// Where it points.
    pub truth: Truth,
}

/// One camera: pixels and width of field.
#[derive(Clone, Copy)]
pub struct Camera {
    /// Pixels along x and y.
    pub size: [usize; 2],
    /// Width of the field, degrees.
    pub width_deg: f64,
}

/// The usual camera of these tests.
pub const CAMERA: Camera = Camera {
    size: [480, 360],
    width_deg: 2.4,
};

/// Minutes since the night began as `DATE-OBS`.
fn date(minutes: usize) -> String {
    format!("2026-02-11T{:02}:{:02}:00", 18 + minutes / 60, minutes % 60)
}

/// What every frame of the night has in its header.
fn cards(minutes: usize, kind: Option<&str>) -> Vec<Card> {
    let mut cards = vec![
        Card::text("DATE-OBS", &date(minutes), "start, UTC"),
        Card::number("EXPTIME", 60.0, "[s]"),
    ];
    cards.extend(kind.map(|kind| Card::text("IMAGETYP", kind, "")));
    cards
}

/// The request of a frame that points `east` and `north` degrees from the target.
pub fn spec(camera: Camera, offset_deg: [f64; 2], rotation_deg: f64, seed: u64) -> FieldSpec {
    let dec_deg = TARGET[1] + offset_deg[1];
    let ra_deg = TARGET[0] + offset_deg[0] / dec_deg.to_radians().cos();
    FieldSpec {
        width_px: camera.size[0],
        height_px: camera.size[1],
        rotation_deg,
        epoch_year: 2026.12,
        vignetting: 0.15,
        hot_pixels: 20,
        seed,
        ..FieldSpec::new(ra_deg, dec_deg, camera.width_deg)
    }
}

/// Writes a light frame; `with_position`: the header says where it was told to point.
pub fn light(
    folder: &Path,
    file: &str,
    minutes: usize,
    spec: &FieldSpec,
    with_position: bool,
) -> Light {
    let field = render(spec).expect("a frame");
    let mut cards = cards(minutes, None);
    if with_position {
        cards.push(Card::text("OBJECT", "Beehive", ""));
        cards.push(Card::number("RA", TARGET[0], "[deg]"));
        cards.push(Card::number("DEC", TARGET[1], "[deg]"));
    }
    put(folder, file, &fits_bytes(&field, &cards));
    Light {
        file: file.into(),
        minutes,
        truth: field.truth,
    }
}

/// Writes a frame of clouds.
pub fn cloud(folder: &Path, file: &str, minutes: usize, seed: u64) {
    let spec = FieldSpec {
        content: Content::Starless,
        ..spec(CAMERA, [0.0, 0.0], 0.0, seed)
    };
    let field = render(&spec).expect("a frame");
    put(
        folder,
        file,
        &fits_bytes(&field, &cards(minutes, Some("Light"))),
    );
}

/// Writes a frame whose stars are trails of `length_px`: the mount moved.
pub fn trail(folder: &Path, file: &str, minutes: usize, length_px: usize, seed: u64) {
    let mut field = render(&spec(CAMERA, [0.0, 0.0], 0.0, seed)).expect("a frame");
    let width = CAMERA.size[0];
    let rows: Vec<u16> = field
        .pixels
        .chunks(width)
        .flat_map(|row| {
            (0..width).map(|x| {
                let window = &row[x.saturating_sub(length_px)..=x];
                let sum: u64 = window.iter().map(|v| u64::from(*v)).sum();
                // Light piles up as it would on a moving sensor: the sky stays, stars spread out.
                (sum / window.len() as u64) as u16
            })
        })
        .collect();
    field.pixels = rows;
    put(
        folder,
        file,
        &fits_bytes(&field, &cards(minutes, Some("Light"))),
    );
}

/// Writes a frame without sky: noise about `level`, falling off to the corners by `fall_off`.
pub fn skyless(folder: &Path, file: &str, kind: Option<&str>, level: f64, fall_off: f64) {
    let spec = FieldSpec {
        vignetting: fall_off,
        sky_adu: level,
        hot_pixels: 0,
        ..spec(CAMERA, [0.0, 0.0], 0.0, level as u64)
    };
    let mut field = render(&spec).expect("a frame");
    let [width, height] = CAMERA.size;
    let mut state = level as u64 + 7;
    for (at, value) in field.pixels.iter_mut().enumerate() {
        let [x, y] = [at % width, at / width];
        let [dx, dy] = [
            x as f64 / width as f64 - 0.5,
            y as f64 / height as f64 - 0.5,
        ];
        let light = level * (1.0 - fall_off * 2.0 * (dx * dx + dy * dy));
        // Knuth's MMIX generator; twelve uniforms make a normal number.
        let normal = (0..12)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f64 / (1_u64 << 24) as f64
            })
            .sum::<f64>()
            - 6.0;
        *value = (light + normal * (level.sqrt() + 5.0)).clamp(0.0, 65_535.0) as u16;
    }
    put(folder, file, &fits_bytes(&field, &cards(0, kind)));
}

fn put(folder: &Path, file: &str, bytes: &[u8]) {
    let path = folder.join(file);
    std::fs::create_dir_all(path.parent().expect("a parent")).expect("a folder");
    std::fs::write(path, bytes).expect("a file");
}

/// A short night of `count` drifting lights, for tests of the journal.
pub fn short(folder: &Path, count: usize) -> Vec<Light> {
    (0..count)
        .map(|k| {
            let offset = [0.02 * k as f64, -0.01 * k as f64];
            let spec = spec(CAMERA, offset, 12.0, 500 + k as u64);
            light(folder, &format!("light-{k}.fits"), 3 * k, &spec, true)
        })
        .collect()
}

/// What a field is, for tests that write their own files.
pub fn bytes_of(field: &Field, minutes: usize) -> Vec<u8> {
    fits_bytes(field, &cards(minutes, None))
}

/// Frames of the evening.
pub const FRAMES: usize = 60;
/// Minutes from one frame to the next.
pub const MINUTES: usize = 4;
/// The first frame after the pier flip.
const FLIPPED: usize = 33;
/// The first frame of the second target.
pub const RETARGETED: usize = 45;

/// 60 frames of an evening: a drift, a pier flip, clouds that come and go, a frame in which the
/// mount moved, another target, a second camera, frames without a position in their header, and
/// what calibrates the camera. The lights that show stars.
pub fn evening(folder: &Path) -> Vec<Light> {
    let mut lights = Vec::new();
    for k in 0..FRAMES {
        let file = format!("light-{k}.fits");
        match k {
            20..24 | 41 => cloud(folder, &file, MINUTES * k, 900 + k as u64),
            30 => trail(folder, &file, MINUTES * k, 60, 930),
            _ => {
                let rotation = if k < FLIPPED { 12.0 } else { 192.0 };
                let camera = match k % 7 {
                    // A guide camera that writes into the same folder.
                    6 => Camera {
                        size: [320, 240],
                        width_deg: 1.9,
                    },
                    _ => CAMERA,
                };
                // Later on another target, without a word in the header.
                let offset = if k < RETARGETED {
                    [0.01 * k as f64, -0.004 * k as f64]
                } else {
                    [-9.0, 14.0 + 0.01 * k as f64]
                };
                let spec = spec(camera, offset, rotation, 800 + k as u64);
                let stated = k < RETARGETED && k % 3 != 0;
                lights.push(light(folder, &file, MINUTES * k, &spec, stated));
            }
        }
    }
    skyless(
        folder,
        "calibration/d1.fits",
        Some("Dark Frame"),
        900.0,
        0.0,
    );
    skyless(folder, "calibration/d2.fits", None, 1200.0, 0.0);
    skyless(folder, "calibration/f1.fits", Some("flat"), 28_000.0, 0.2);
    skyless(folder, "calibration/f2.fits", None, 24_000.0, 0.25);
    skyless(folder, "calibration/b1.fits", Some("Bias"), 300.0, 0.0);
    lights
}
