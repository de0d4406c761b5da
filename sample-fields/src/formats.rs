//! Frames as files: FITS (FITS 4.0 standard, Pence et al. 2010 and its 4.0 revision), gzip, PNG,
//! TIFF, JPEG. Each is made in memory and put in place in one step.

use crate::{Error, Field};
use std::io::{Cursor, Write};
use std::path::Path;

const FITS_BLOCK: usize = 2880;

/// One line of a FITS header.
#[derive(Debug, Clone)]
pub struct Card {
    keyword: String,
    value: String,
    comment: String,
}

impl Card {
    /// A number or a logical value, written as it is given.
    pub fn number(keyword: &str, value: impl std::fmt::Display, comment: &str) -> Self {
        Self {
            keyword: keyword.into(),
            value: format!("{value:>20}"),
            comment: comment.into(),
        }
    }

    /// A text, quoted as the standard wants.
    pub fn text(keyword: &str, value: &str, comment: &str) -> Self {
        let quoted = value.replace('\'', "''");
        Self {
            keyword: keyword.into(),
            value: format!("'{quoted:<8}'"),
            comment: comment.into(),
        }
    }

    /// The 80 characters; what does not fit is cut off the comment.
    fn line(&self) -> String {
        let full = format!(
            "{:<8.8}= {:<20} / {}",
            self.keyword, self.value, self.comment
        );
        let ascii: String = full
            .chars()
            .map(|c| if (' '..='~').contains(&c) { c } else { '?' })
            .collect();
        format!("{ascii:<80.80}")
    }
}

/// A FITS file with one 16-bit image (BZERO 32768), or three planes for a colour frame, and the
/// given cards after the mandatory ones.
pub fn fits_bytes(field: &Field, cards: &[Card]) -> Vec<u8> {
    let colour = field.samples_per_px == 3;
    let mut header = vec![
        Card::number("SIMPLE", "T", "FITS standard"),
        Card::number("BITPIX", 16, "bits per value"),
        Card::number("NAXIS", if colour { 3 } else { 2 }, "axes"),
        Card::number("NAXIS1", field.truth.width_px, "pixels in a row"),
        Card::number("NAXIS2", field.truth.height_px, "rows"),
    ];
    if colour {
        header.push(Card::number("NAXIS3", 3, "red, green, blue"));
    }
    header.push(Card::number("BSCALE", 1, ""));
    header.push(Card::number("BZERO", 32768, "unsigned 16-bit values"));
    header.extend_from_slice(cards);
    let mut file: Vec<u8> = header
        .iter()
        .flat_map(|card| card.line().into_bytes())
        .collect();
    file.extend_from_slice(format!("{:<80}", "END").as_bytes());
    file.resize(file.len().next_multiple_of(FITS_BLOCK), b' ');
    for plane in 0..field.samples_per_px {
        let values = field
            .pixels
            .iter()
            .skip(plane)
            .step_by(field.samples_per_px);
        // Taking 32768 off an unsigned value is flipping its highest bit.
        file.extend(values.flat_map(|v| (v ^ 0x8000).to_be_bytes()));
    }
    file.resize(file.len().next_multiple_of(FITS_BLOCK), 0);
    file
}

/// The same bytes, gzip-compressed (RFC 1952) without a time or a name.
///
/// # Errors
/// [`Error::Encode`] if the compressor fails.
pub fn gzip_bytes(bytes: &[u8]) -> Result<Vec<u8>, Error> {
    let mut encoder = flate2::GzBuilder::new()
        .mtime(0)
        .write(Vec::new(), flate2::Compression::best());
    encoder
        .write_all(bytes)
        .and_then(|()| encoder.finish())
        .map_err(|e| Error::Encode {
            format: "gzip",
            cause: e.to_string(),
        })
}

fn sides(field: &Field, format: &'static str) -> Result<(u32, u32), Error> {
    match (
        u32::try_from(field.truth.width_px),
        u32::try_from(field.truth.height_px),
    ) {
        (Ok(width), Ok(height)) => Ok((width, height)),
        _ => Err(Error::Encode {
            format,
            cause: "it is too large".into(),
        }),
    }
}

/// A 16-bit PNG, grey or colour.
///
/// # Errors
/// [`Error::Encode`] if the encoder refuses the frame.
pub fn png_bytes(field: &Field) -> Result<Vec<u8>, Error> {
    use image::codecs::png::{CompressionType, FilterType, PngEncoder};
    use image::{ExtendedColorType, ImageEncoder};
    let (width, height) = sides(field, "PNG")?;
    let colour = if field.samples_per_px == 3 {
        ExtendedColorType::Rgb16
    } else {
        ExtendedColorType::L16
    };
    // The encoder takes 16-bit values in the order of this computer's bytes.
    let bytes: Vec<u8> = field.pixels.iter().flat_map(|v| v.to_ne_bytes()).collect();
    let mut file = Vec::new();
    PngEncoder::new_with_quality(&mut file, CompressionType::Best, FilterType::Adaptive)
        .write_image(&bytes, width, height, colour)
        .map_err(|e| Error::Encode {
            format: "PNG",
            cause: e.to_string(),
        })?;
    Ok(file)
}

/// An 8-bit PNG, stretched as [`jpeg_bytes`] does.
///
/// # Errors
/// [`Error::Encode`] if the encoder refuses the frame.
pub fn stretched_png_bytes(field: &Field) -> Result<Vec<u8>, Error> {
    use image::codecs::png::PngEncoder;
    use image::{ExtendedColorType, ImageEncoder};
    let (width, height) = sides(field, "PNG")?;
    let colour = if field.samples_per_px == 3 {
        ExtendedColorType::Rgb8
    } else {
        ExtendedColorType::L8
    };
    let mut file = Vec::new();
    PngEncoder::new(&mut file)
        .write_image(&stretched(field), width, height, colour)
        .map_err(|e| Error::Encode {
            format: "PNG",
            cause: e.to_string(),
        })?;
    Ok(file)
}

/// A 16-bit TIFF, grey or colour, uncompressed.
///
/// # Errors
/// [`Error::Encode`] if the encoder refuses the frame.
pub fn tiff_bytes(field: &Field) -> Result<Vec<u8>, Error> {
    use tiff::encoder::{TiffEncoder, colortype};
    let (width, height) = sides(field, "TIFF")?;
    let mut file = Cursor::new(Vec::new());
    TiffEncoder::new(&mut file)
        .and_then(|mut encoder| match field.samples_per_px {
            3 => encoder.write_image::<colortype::RGB16>(width, height, &field.pixels),
            _ => encoder.write_image::<colortype::Gray16>(width, height, &field.pixels),
        })
        .map_err(|e| Error::Encode {
            format: "TIFF",
            cause: e.to_string(),
        })?;
    Ok(file.into_inner())
}

/// An 8-bit JPEG, stretched as pictures of the night sky usually are: the sky dark grey, bright
/// stars white (inverse hyperbolic sine; Lupton et al. 2004, PASP 116, 133).
///
/// `quality` runs from 1 to 100.
///
/// # Errors
/// [`Error::Encode`] if the encoder refuses the frame.
pub fn jpeg_bytes(field: &Field, quality: u8) -> Result<Vec<u8>, Error> {
    use image::ExtendedColorType;
    let (width, height) = sides(field, "JPEG")?;
    let colour = if field.samples_per_px == 3 {
        ExtendedColorType::Rgb8
    } else {
        ExtendedColorType::L8
    };
    let mut file = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut file, quality.clamp(1, 100))
        .encode(&stretched(field), width, height, colour)
        .map_err(|e| Error::Encode {
            format: "JPEG",
            cause: e.to_string(),
        })?;
    Ok(file)
}

/// All but the brightest of this share of the values stay below white in a stretched picture.
const WHITE_SHARE: f64 = 0.9998;

/// Eight-bit values: the median of each channel becomes 30, the brightest star images 255.
fn stretched(field: &Field) -> Vec<u8> {
    let samples = field.samples_per_px;
    let tables: Vec<Vec<u8>> = (0..samples)
        .map(|channel| {
            let mut values: Vec<u16> = field
                .pixels
                .iter()
                .skip(channel)
                .step_by(samples)
                .copied()
                .collect();
            values.sort_unstable();
            let at = |share: f64| {
                let place = (share * values.len().saturating_sub(1) as f64) as usize;
                values.get(place).copied().map_or(0.0, f64::from)
            };
            let sky = at(0.5);
            // Half the way between the quartiles of a normal law is 0.6745 sigma.
            let noise = ((at(0.5) - at(0.25)) / 0.6745).max(1.0);
            let top = libm::asinh((at(WHITE_SHARE) - sky).max(20.0 * noise) / noise / 4.0);
            (0..=u16::MAX)
                .map(|value| {
                    let share = libm::asinh((f64::from(value) - sky) / noise / 4.0) / top;
                    (30.0 + 225.0 * share).round().clamp(0.0, 255.0) as u8
                })
                .collect()
        })
        .collect();
    let look_up = |(i, value): (usize, &u16)| {
        tables
            .get(i % samples)
            .and_then(|t| t.get(usize::from(*value)))
            .copied()
            .unwrap_or(0)
    };
    field.pixels.iter().enumerate().map(look_up).collect()
}

/// Writes a frame in the format that the ending of `path` names: `.fits`, `.fits.gz`, `.png`,
/// `.tif`, `.jpg` (`.jpg` and FITS also in their other usual spellings).
///
/// # Errors
/// [`Error::UnknownEnding`], [`Error::Encode`] or [`Error::Write`].
pub fn write_field(path: &Path, field: &Field, cards: &[Card]) -> Result<(), Error> {
    let name = path.to_string_lossy().to_lowercase();
    let ends = |endings: &[&str]| endings.iter().any(|e| name.ends_with(e));
    let bytes = if ends(&[".fits.gz", ".fit.gz"]) {
        gzip_bytes(&fits_bytes(field, cards))?
    } else if ends(&[".fits", ".fit", ".fts"]) {
        fits_bytes(field, cards)
    } else if ends(&[".png"]) {
        png_bytes(field)?
    } else if ends(&[".tif", ".tiff"]) {
        tiff_bytes(field)?
    } else if ends(&[".jpg", ".jpeg"]) {
        jpeg_bytes(field, 92)?
    } else {
        return Err(Error::UnknownEnding(path.to_owned()));
    };
    write_atomically(path, &bytes)
}

/// Puts a file in place in one step: readers see the old one or the new one, never half of it.
///
/// # Errors
/// [`Error::Write`], the old file then being untouched.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let failed = |cause| Error::Write {
        path: path.to_owned(),
        cause,
    };
    let mut builder = tempfile::Builder::new();
    // Temporary files are private; a picture is for everybody whom the usual mask lets read.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder
        .prefix(".sample-fields")
        .tempfile_in(folder)
        .map_err(failed)?;
    file.write_all(bytes)
        .and_then(|()| file.as_file().sync_all())
        .map_err(failed)?;
    file.persist(path).map_err(|e| failed(e.error))?;
    Ok(())
}
