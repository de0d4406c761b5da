//! Real frames with hints that are wrong, by their headers or by options: each that solves without
//! hints solves to the same position. Needs the folder that NIGHTFIX_REAL_FRAMES names.

#[path = "support/sky_check.rs"]
mod sky_check;

use serde_json::Value;
use sky_check::apart_arcsec;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Pixel size that goes with the focal lengths below, micrometres.
const PIXEL_UM: f64 = 3.76;

/// Arcseconds per radian over micrometres per millimetre.
const ARCSEC_MM_PER_UM: f64 = 206.264_806_247;

/// A hint about the position: what it is called, and what it makes of the true one.
type WrongPosition = (&'static str, fn([f64; 2]) -> [f64; 2]);

const POSITIONS: [WrongPosition; 5] = [
    ("other hemisphere", |[ra, dec]| [ra, -dec]),
    ("antipode", |[ra, dec]| [(ra + 180.0) % 360.0, -dec]),
    ("hours as degrees", |[ra, dec]| [ra / 15.0, dec]),
    ("degrees as hours", |[ra, dec]| [ra * 15.0 % 360.0, dec]),
    // What a mount reports that was never aligned.
    ("pole", |_| [0.0, 90.0]),
];

/// A hint about the scale.
#[derive(Clone, Copy)]
enum WrongScale {
    /// Focal length, this many times the true one, with a right pixel size.
    Focal(f64),
    /// Pixel size, this many times the true one, with a right focal length.
    Pixel(f64),
    /// Pixel scale itself.
    Scale(f64),
}

const SCALES: [WrongScale; 6] = [
    WrongScale::Focal(3.0),
    WrongScale::Focal(1.0 / 3.0),
    WrongScale::Pixel(2.0),
    WrongScale::Pixel(0.5),
    WrongScale::Scale(3.0),
    WrongScale::Scale(1.0 / 3.0),
];

/// One position or none with one scale or none.
#[derive(Clone, Copy)]
struct Hints {
    position: Option<WrongPosition>,
    scale: Option<WrongScale>,
}

impl Hints {
    /// All combinations but the one without any hint.
    fn all() -> Vec<Hints> {
        let positions = POSITIONS.into_iter().map(Some).chain([None]);
        positions
            .flat_map(|position| {
                let scales = SCALES.into_iter().map(Some).chain([None]);
                scales.map(move |scale| Hints { position, scale })
            })
            .filter(|h| h.position.is_some() || h.scale.is_some())
            .collect()
    }

    fn name(&self) -> String {
        let position = self.position.map_or("no position", |(name, _)| name);
        let scale = match self.scale {
            None => "no scale".to_owned(),
            Some(WrongScale::Focal(times)) => format!("focal length x {times:.2}"),
            Some(WrongScale::Pixel(times)) => format!("pixel size x {times:.2}"),
            Some(WrongScale::Scale(times)) => format!("scale x {times:.2}"),
        };
        format!("{position}, {scale}")
    }

    /// Focal length (mm) and pixel size (um), or the scale, for a frame of this true scale.
    fn optics(&self, scale: f64) -> Option<Result<[f64; 2], f64>> {
        let focal_mm = ARCSEC_MM_PER_UM * PIXEL_UM / scale;
        Some(match self.scale? {
            WrongScale::Focal(times) => Ok([focal_mm * times, PIXEL_UM]),
            WrongScale::Pixel(times) => Ok([focal_mm, PIXEL_UM * times]),
            WrongScale::Scale(times) => Err(scale * times),
        })
    }

    fn options(&self, truth: &Truth) -> Vec<String> {
        let mut options = vec!["--ignore-header".to_owned()];
        if let Some((_, wrong)) = self.position {
            let [ra, dec] = wrong(truth.centre_deg);
            options.extend(["--at".into(), format!("{ra:.6} {dec:.6}")]);
        }
        match self.optics(truth.scale) {
            Some(Ok([focal, pixel])) => options.extend([
                "--focal-length".into(),
                format!("{focal:.3}"),
                "--pixel-size".into(),
                format!("{pixel:.3}"),
            ]),
            Some(Err(scale)) => options.extend(["--scale".into(), format!("{scale:.5}")]),
            None => {}
        }
        options
    }

    fn cards(&self, truth: &Truth) -> Vec<String> {
        let mut cards = Vec::new();
        if let Some((_, wrong)) = self.position {
            let [ra, dec] = wrong(truth.centre_deg);
            cards.push(format!("RA      = {ra:>20.6}"));
            cards.push(format!("DEC     = {dec:>20.6}"));
        }
        match self.optics(truth.scale) {
            Some(Ok([focal, pixel])) => {
                cards.push(format!("FOCALLEN= {focal:>20.3}"));
                cards.push(format!("XPIXSZ  = {pixel:>20.3}"));
            }
            Some(Err(scale)) => cards.push(format!("PIXSCALE= {scale:>20.5}")),
            None => {}
        }
        cards
    }
}

/// A frame and where it points.
struct Truth {
    path: PathBuf,
    name: String,
    centre_deg: [f64; 2],
    scale: f64,
    /// How far two solutions of one frame may lie apart, pixels.
    allowed_px: f64,
}

impl Truth {
    fn is_fits(&self) -> bool {
        let name = self.name.to_ascii_lowercase();
        name.ends_with(".fits") || name.ends_with(".fit")
    }

    fn check(&self, options: &[String], path: &Path, what: &str) {
        let output = Command::new(env!("CARGO_BIN_EXE_nightfix"))
            .args(["solve", "--json"])
            .args(options)
            .arg(path)
            .output()
            .unwrap();
        let found: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(found["status"], "solved", "{}: {what}", self.name);
        let centre = ["ra_deg", "dec_deg"].map(|key| found["centre"][key].as_f64().unwrap());
        let off = apart_arcsec(centre, self.centre_deg) / self.scale;
        assert!(off < self.allowed_px, "{}: {what}: {off} px off", self.name);
    }

    fn check_by_options(&self, hints: &Hints) {
        let what = format!("options, {}", hints.name());
        self.check(&hints.options(self), &self.path, &what);
    }

    fn check_by_header(&self, hints: &Hints, folder: &Path) {
        let path = folder.join("frame.fits");
        let bytes = std::fs::read(&self.path).unwrap();
        std::fs::write(&path, with_cards(&bytes, &hints.cards(self))).unwrap();
        self.check(&[], &path, &format!("header, {}", hints.name()));
    }
}

/// All that a header may say of position and scale.
const CLUES: [&str; 16] = [
    "RA", "DEC", "OBJCTRA", "OBJCTDEC", "TELRA", "TELDEC", "CRVAL1", "CRVAL2", "CTYPE1", "CTYPE2",
    "FOCALLEN", "XPIXSZ", "YPIXSZ", "PIXSCALE", "PLTSCALE", "SCALE",
];

/// A FITS file whose header says of position and scale what `cards` say, and nothing else.
fn with_cards(bytes: &[u8], cards: &[String]) -> Vec<u8> {
    const BLOCK: usize = 2880;
    let end = bytes
        .chunks(80)
        .position(|card| card.starts_with(b"END") && card[3..].iter().all(|b| *b == b' '))
        .expect("a header");
    let mut out: Vec<u8> = bytes[..end * 80]
        .chunks(80)
        .filter(|card| {
            let keyword = String::from_utf8_lossy(&card[..8]);
            !CLUES.contains(&keyword.trim())
        })
        .flatten()
        .copied()
        .collect();
    for card in cards.iter().map(String::as_str).chain(["END"]) {
        out.extend(format!("{card:<80}").bytes());
    }
    out.resize(out.len().next_multiple_of(BLOCK), b' ');
    out.extend_from_slice(&bytes[((end + 1) * 80).next_multiple_of(BLOCK)..]);
    out
}

fn frames() -> Option<Vec<Truth>> {
    let folder = PathBuf::from(std::env::var_os("NIGHTFIX_REAL_FRAMES")?);
    let text = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    let list: Vec<Value> = serde_json::from_str(&text).unwrap();
    let number = |truth: &Value, key: &str| truth[key].as_f64().unwrap();
    let truths = list.iter().map(|truth| {
        let name = truth["file"].as_str().unwrap().to_owned();
        let scale = number(truth, "scale_arcsec_per_px");
        let note = truth["note"].as_str().unwrap_or_default();
        Truth {
            path: folder.join(&name),
            name,
            centre_deg: ["centre_ra_deg", "centre_dec_deg"].map(|key| number(truth, key)),
            scale,
            // The note of the strongly distorted lens allows an arc minute in the centre.
            allowed_px: if note.contains("allow 1 arcmin") {
                60.0 / scale + 2.0
            } else {
                2.0
            },
        }
    });
    Some(truths.collect())
}

/// Every frame with a few of the hints, in turn, so that each hint meets several frames.
#[test]
fn wrong_hints_only_cost_time() {
    let Some(frames) = frames() else {
        eprintln!("\nskipped: real frames, since NIGHTFIX_REAL_FRAMES names no folder");
        return;
    };
    let all = Hints::all();
    let place = tempfile::tempdir().unwrap();
    // Steps without a common divisor with the number of hints, 41.
    let (mut by_options, mut by_header, mut checked) = (0, 20, 0);
    for frame in &frames {
        for _ in 0..2 {
            by_options = (by_options + 3) % all.len();
            frame.check_by_options(&all[by_options]);
            checked += 1;
        }
        if frame.is_fits() {
            by_header = (by_header + 7) % all.len();
            frame.check_by_header(&all[by_header], place.path());
            checked += 1;
        }
    }
    assert!(checked > all.len());
    eprintln!("\nreal frames: {checked} solves checked");
}

/// Every frame with every hint.
///
/// `cargo test --release --test wrong_hints -- --ignored --nocapture`
#[test]
#[ignore = "takes a quarter of an hour"]
fn every_wrong_hint_on_every_frame() {
    let Some(frames) = frames() else {
        eprintln!("\nskipped: real frames, since NIGHTFIX_REAL_FRAMES names no folder");
        return;
    };
    let place = tempfile::tempdir().unwrap();
    let (mut checked, mut failed) = (0, Vec::new());
    for frame in &frames {
        for hints in Hints::all() {
            let mut attempt = |run: &dyn Fn()| {
                checked += 1;
                if std::panic::catch_unwind(std::panic::AssertUnwindSafe(run)).is_err() {
                    failed.push(format!("{}: {}", frame.name, hints.name()));
                }
            };
            attempt(&|| frame.check_by_options(&hints));
            if frame.is_fits() {
                attempt(&|| frame.check_by_header(&hints, place.path()));
            }
        }
    }
    eprintln!(
        "\nreal frames: {checked} solves checked, {} failed",
        failed.len()
    );
    assert!(failed.is_empty(), "{failed:#?}");
}
