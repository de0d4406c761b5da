//! Frames of the real sky with one or two of the things that spoil frames, at moderate strength,
//! solved with nothing known but their pixels.

mod defect;
mod picture;
mod scene;
mod shape;
#[path = "../../support/sky_check.rs"]
mod sky_check;
mod unsolvable;

use crate::star_field::{Random, frame_of};
use defect::Defect;
use nightfix::frame::{Frame, Pixels};
use nightfix::search::Request;
use nightfix::sky::Sky;
use nightfix::solve::solve;
use rayon::prelude::*;
use sample_fields::{TangentFrame, Truth};
use sky_check::apart_arcsec;
use std::path::Path;

/// Fewer stars of the catalogue that show, and nothing is asked.
const LEAST_SHOWN: usize = 8;
/// A position that far off is wrong, as a share of the frame's width.
const WRONG: f64 = 0.01;

/// A frame as a file holds it.
struct Spoiled {
    number: u64,
    defects: Vec<Defect>,
    frame: Frame,
    truth: Truth,
    /// Right ascension and declination of the middle of what was written, which may be a screen.
    middle_deg: [f64; 2],
    width_deg: f64,
    shown: usize,
}

impl Spoiled {
    /// Frame `number` with this many defects, perhaps a certain one of them: drawn until eight stars show.
    fn new(number: u64, count: usize, wanted: Option<&str>) -> Spoiled {
        let mut random = Random(number.wrapping_mul(0x9E37_79B9).wrapping_add(77));
        loop {
            let defects = defect::draw(count, &mut random);
            if wanted.is_some_and(|name| defects.iter().all(|d| format!("{d:?}") != name)) {
                continue;
            }
            let seed = (random.uniform() * 1e15) as u64;
            let spoiled = Spoiled::with(number, defects, seed);
            if spoiled.shown >= LEAST_SHOWN {
                return spoiled;
            }
        }
    }

    fn with(number: u64, defects: Vec<Defect>, seed: u64) -> Spoiled {
        let exposed = defect::expose(&defects, Random(seed));
        let picture = [Defect::StretchedJpeg, Defect::Caption, Defect::Windows];
        let mut shown = exposed.shown.len();
        let truth = &exposed.truth;
        let mut middle_deg = [truth.ra_deg, truth.dec_deg];
        let mut frame = exposed.canvas.frame(65_535.0);
        frame.first_row_on_top = false;
        if picture.iter().any(|p| defects.contains(p)) {
            let mut random = Random(seed ^ 0x5EED);
            let made = picture::picture(&exposed, &defects, &mut random);
            shown = made.shown;
            let (nx, ny) = (truth.width_px, truth.height_px);
            middle_deg = TangentFrame::new(truth.ra_deg, truth.dec_deg, truth.cd_deg, nx, ny)
                .sky_of_fits_pixel(made.middle);
            frame = as_written(&made.image, &mut random);
        }
        Spoiled {
            number,
            defects,
            frame,
            middle_deg,
            truth: exposed.truth,
            width_deg: exposed.width_deg,
            shown,
        }
    }

    /// `None`: unsolved; else whether it is right.
    fn solved(&self, sky: &Sky) -> Option<bool> {
        let outcome = solve(&self.frame, sky, &Request::default()).expect("an undamaged index");
        let solution = outcome.solution?;
        let truth = &self.truth;
        let scale = solution.scale_arcsec_per_px / truth.scale_arcsec_per_px;
        let centre = [solution.centre_ra_deg, solution.centre_dec_deg];
        let off_deg = apart_arcsec(centre, self.middle_deg) / 3600.0;
        Some(
            off_deg < WRONG * self.width_deg
                && (scale - 1.0).abs() < 0.02
                && solution.mirrored == truth.mirrored,
        )
    }

    fn about(&self) -> String {
        format!(
            "frame {}, {:?}, {:.1} deg wide, {} stars show, k1 {}",
            self.number, self.defects, self.width_deg, self.shown, self.truth.k1
        )
    }

    /// Writes the frame where somebody can look at it.
    fn keep(&self, folder: &Path) {
        let (width, height) = (self.frame.width as u32, self.frame.height as u32);
        let path = folder.join(format!("{}.png", self.number));
        let written = match &self.frame.pixels {
            Pixels::U8(data) => image::GrayImage::from_raw(width, height, data.clone())
                .map(|picture| picture.save(&path)),
            Pixels::U16(data) => {
                image::ImageBuffer::<image::Luma<u16>, _>::from_raw(width, height, data.clone())
                    .map(|picture| picture.save(&path))
            }
            _ => None,
        };
        if !matches!(written, Some(Ok(()))) {
            eprintln!("{} could not be written", path.display());
        }
    }
}

/// The picture as a JPEG file gives it back; its first row in store is its lowest.
fn as_written(image: &image::GrayImage, random: &mut Random) -> Frame {
    let quality = 80 + (15.0 * random.uniform()) as u8;
    let mut packed = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut packed, quality)
        .encode_image(image)
        .expect("writing to memory");
    let pixels = image::load_from_memory(&packed)
        .expect("a JPEG picture")
        .into_luma8();
    let (width, height) = (image.width() as usize, image.height() as usize);
    Frame {
        nonlinear: true,
        first_row_on_top: false,
        ..frame_of(width, height, Pixels::U8(pixels.into_raw()))
    }
}

/// What came of frames `numbers` with this many defects each: how many are solved; none is wrong.
fn solved(numbers: std::ops::Range<u64>, count: usize) -> usize {
    let sky = Sky::embedded().expect("the index inside the program");
    let keep = std::env::var_os("NIGHTFIX_UNSOLVED");
    let wanted = std::env::var("NIGHTFIX_DEFECT").ok();
    let outcomes: Vec<Option<String>> = numbers
        .into_par_iter()
        .map(|number| {
            let spoiled = Spoiled::new(number, count, wanted.as_deref());
            match spoiled.solved(&sky) {
                Some(true) => None,
                Some(false) => Some(format!("WRONG: {}", spoiled.about())),
                None => {
                    if let Some(folder) = &keep {
                        spoiled.keep(Path::new(folder));
                    }
                    Some(format!("unsolved: {}", spoiled.about()))
                }
            }
        })
        .collect();
    let bad: Vec<&String> = outcomes.iter().flatten().collect();
    for line in &bad {
        eprintln!("{line}");
    }
    assert!(!bad.iter().any(|line| line.starts_with("WRONG")));
    outcomes.len() - bad.len()
}

#[test]
fn frames_with_one_or_two_defects() {
    let (one, two) = (solved(0..14, 1), solved(100..114, 2));
    eprintln!("{one} of 14 with one defect, {two} of 14 with two");
    assert!(one + two >= 27, "{one}, {two}");
}

/// `NIGHTFIX_SPOILED=FIRST..END cargo test --release --test stars -- --ignored --nocapture many_frames`;
/// `NIGHTFIX_DEFECT` names a defect that all have; frames not solved are written to the folder
/// `NIGHTFIX_UNSOLVED`.
#[test]
#[ignore = "takes minutes"]
fn many_frames_with_one_or_two_defects() {
    let range = std::env::var("NIGHTFIX_SPOILED").unwrap_or_else(|_| "1000..1200".into());
    let (first, end) = range
        .split_once("..")
        .and_then(|(a, b)| Some((a.parse().ok()?, b.parse().ok()?)))
        .expect("NIGHTFIX_SPOILED as FIRST..END");
    let (one, two) = (solved(first..end, 1), solved(first..end, 2));
    let frames = (end - first) as usize;
    eprintln!("{one} of {frames} with one defect, {two} of {frames} with two");
    assert!(one + two >= frames * 2 * 97 / 100);
}
