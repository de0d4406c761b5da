//! The files of a bundle.

use crate::answer::Answer;
use crate::frame::{Frame, Pixels};
use crate::sky::Sky;
use std::fmt::Write as _;
use std::io::{Seek, Write};
use std::path::Path;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// A file's name and content.
pub(super) type Part = (&'static str, Vec<u8>);

/// What is said instead of the frame's name.
pub(super) const FRAME: &str = "frame";

/// Stars and refusals as tables; FITS pixels, the first one is (1, 1).
pub(super) fn tables(answer: &Answer) -> [Part; 2] {
    let detections = &answer.outcome.detections;
    let mut stars = "x_px,y_px,sigma_px,flux,snr,fwhm_px,elongation,saturated\n".to_owned();
    for star in &detections.stars {
        let _ = writeln!(
            stars,
            "{:.3},{:.3},{:.4},{:.6e},{:.2},{:.3},{:.3},{}",
            star.x_px + 1.0,
            star.y_px + 1.0,
            star.sigma_px,
            star.flux,
            star.snr,
            star.fwhm_px,
            star.elongation,
            star.saturated
        );
    }
    let mut refused = "x_px,y_px,why\n".to_owned();
    for place in &detections.refused {
        let _ = writeln!(
            refused,
            "{:.1},{:.1},{}",
            place.x_px + 1.0,
            place.y_px + 1.0,
            place.why.code()
        );
    }
    [
        ("stars.csv", stars.into_bytes()),
        ("refused.csv", refused.into_bytes()),
    ]
}

/// How the search went; `lines` are what it says of the star-indexes.
pub(super) fn search(answer: &Answer, sky: &Sky, lines: &[String]) -> Part {
    let (outcome, request) = (&answer.outcome, &answer.request);
    let detections = &outcome.detections;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "frame {} x {} px, sky {:.1} with noise {:.2}, stars {:.2} px wide, mosaic {}, saturated \
         from {:?}, background {:?}",
        detections.width,
        detections.height,
        detections.sky_level,
        detections.sky_noise,
        detections.fwhm_px,
        detections.mosaic,
        detections.saturation_level,
        detections.background
    );
    let _ = writeln!(text, "asked: {request:?}");
    for line in lines {
        text += &without_folders(line, sky);
        text.push('\n');
    }
    let _ = writeln!(text, "search: {:?}", outcome.search);
    let _ = writeln!(
        text,
        "best chance of a false match: 10^{:.2}",
        outcome.best_log10_chance
    );
    let _ = writeln!(text, "diagnosis: {:?}", outcome.diagnosis);
    ("search.txt", text.into_bytes())
}

/// Star-indexes by their file names: folders tell who somebody is.
fn without_folders(line: &str, sky: &Sky) -> String {
    let mut line = line.to_owned();
    for number in 0..sky.indexes().len() {
        let path = sky.name(number);
        if let Some(name) = path.file_name() {
            line = line.replace(&path.display().to_string(), &name.to_string_lossy());
        }
    }
    line
}

/// The pixels as FITS (4.0), nothing in the header but how they are stored.
pub(super) fn pixels(frame: &Frame) -> Part {
    let (bitpix, zero, mut data): (i32, u32, Vec<u8>) = match &frame.pixels {
        Pixels::U8(values) => (8, 0, values.clone()),
        Pixels::U16(values) => {
            let stored = |v: &u16| (v ^ 0x8000).to_be_bytes();
            (16, 32_768, values.iter().flat_map(stored).collect())
        }
        Pixels::F32(values) => (
            -32,
            0,
            values.iter().flat_map(|v| v.to_be_bytes()).collect(),
        ),
    };
    let order = if frame.first_row_on_top {
        "TOP-DOWN"
    } else {
        "BOTTOM-UP"
    };
    let mut cards = vec![
        "SIMPLE  =                    T".to_owned(),
        format!("BITPIX  = {bitpix:>20}"),
        format!("NAXIS   = {:>20}", 2),
        format!("NAXIS1  = {:>20}", frame.width),
        format!("NAXIS2  = {:>20}", frame.height),
        format!("ROWORDER= '{order}'"),
    ];
    if zero > 0 {
        cards.push(format!("BZERO   = {zero:>20}"));
    }
    cards.push("END".to_owned());
    let header: String = cards.iter().map(|card| format!("{card:<80}")).collect();
    let mut file = header.into_bytes();
    file.resize(file.len().next_multiple_of(2880), b' ');
    file.append(&mut data);
    file.resize(file.len().next_multiple_of(2880), 0);
    ("pixels.fits", file)
}

/// `text` without the path of the frame.
pub(super) fn unnamed(text: &str, path: &Path) -> String {
    text.replace(&path.display().to_string(), FRAME)
}

/// Writes all of them as one zip file.
pub(super) fn write(out: impl Write + Seek, parts: &[Part]) -> std::io::Result<()> {
    let mut zip = ZipWriter::new(out);
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
    for (name, content) in parts {
        zip.start_file(*name, options)?;
        zip.write_all(content)?;
    }
    zip.finish()?.flush()
}
