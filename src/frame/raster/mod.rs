//! PNG, JPEG, TIFF and WebP: decoded by well-kept libraries within limits that the file's own length
//! sets, colours averaged to one plane.

mod jpeg;
mod planes;
mod tiff;
mod tiff_values;
mod webp;

use super::budget::{Budget, check_size};
use super::clues::exif::CameraData;
use super::fault::Fault;
use super::open::Format;
use super::source::Timed;
use super::{Frame, Pixels};
use image::{ImageDecoder, Limits};
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

/// Memory for what PNG files hold beside a picture.
const MAX_EXTRAS_BYTES: u64 = 16 << 20;

/// A decoded picture without its metadata.
struct Picture {
    width: usize,
    height: usize,
    pixels: Pixels,
    /// More than one colour channel.
    coloured: bool,
}

/// Reads a raster of a recognised format from the start of `file`.
pub(super) fn read(
    file: File,
    budget: &Budget,
    format: Format,
    path: &Path,
) -> Result<Frame, Fault> {
    let (picture, camera) = match format {
        Format::Jpeg => {
            let bytes = whole(&file, budget)?;
            let picture = jpeg::read(&bytes, budget)?;
            (picture, CameraData::of_jpeg(bytes))
        }
        Format::Webp => webp::read(&whole(&file, budget)?, budget)?,
        Format::Tiff => {
            let picture = tiff::read(&file, budget)?;
            (picture, CameraData::of_tiff(&file))
        }
        _ => png(&file, budget)?,
    };
    Ok(Frame {
        path: path.to_owned(),
        width: picture.width,
        height: picture.height,
        nonlinear: format == Format::Jpeg || matches!(picture.pixels, Pixels::U8(_)),
        pixels: picture.pixels,
        mosaic_stated: picture.coloured.then_some(false),
        first_row_on_top: true,
        orientation: camera.orientation(),
        clues: camera.clues(picture.width, picture.height),
    })
}

/// All bytes of a file.
fn whole(file: &File, budget: &Budget) -> Result<Vec<u8>, Fault> {
    let mut bytes = Vec::new();
    Timed::new(file, budget.deadline())
        .take(budget.stored())
        .read_to_end(&mut bytes)
        .map_err(super::source::read_fault)?;
    Ok(bytes)
}

fn png(file: &File, budget: &Budget) -> Result<(Picture, CameraData), Fault> {
    let reader = BufReader::with_capacity(1 << 18, Timed::new(file, budget.deadline()));
    // Texts and colour profiles swell as they are unpacked, and nothing of them is wanted.
    let mut limits = Limits::no_limits();
    limits.max_alloc = Some(MAX_EXTRAS_BYTES.max(budget.stored()));
    let decoder = image::codecs::png::PngDecoder::with_limits(reader, limits);
    let mut decoder = decoder.map_err(image_fault)?;
    // Damaged camera data are no reason to refuse the picture.
    let camera = decoder
        .exif_metadata()
        .ok()
        .flatten()
        .map_or_else(CameraData::default, CameraData::of_tree);
    Ok((decode(decoder, budget)?, camera))
}

/// Decodes with any decoder of the image library, once the claimed size is checked.
fn decode(decoder: impl ImageDecoder, budget: &Budget) -> Result<Picture, Fault> {
    let (width, height) = decoder.dimensions();
    check_size(width.into(), height.into())?;
    let colour = decoder.color_type();
    let pixels = u64::from(width) * u64::from(height);
    budget.check_picture(pixels, decoder.total_bytes())?;
    budget.check_time()?;
    let (width, height) = (width as usize, height as usize);
    let channels = planes::Channels {
        stored: usize::from(colour.channel_count()),
        used: if colour.has_color() { 3 } else { 1 },
        planar: false,
    };
    let samples = width * height * channels.stored;
    let pixels = if colour.bytes_per_pixel() == colour.channel_count() {
        let mut bytes = vec![0_u8; samples];
        decoder.read_image(&mut bytes).map_err(image_fault)?;
        Pixels::U8(planes::mean_u8(bytes, channels))
    } else {
        let mut words = vec![0_u16; samples];
        decoder
            .read_image(bytemuck::cast_slice_mut(&mut words))
            .map_err(image_fault)?;
        Pixels::U16(planes::mean_u16(words, channels))
    };
    Ok(Picture {
        width,
        height,
        pixels,
        coloured: channels.used > 1,
    })
}

fn image_fault(error: image::ImageError) -> Fault {
    match error {
        image::ImageError::IoError(e) => super::source::read_fault(e),
        image::ImageError::Unsupported(e) => Fault::NotReadable(format!(
            "is of a kind that is not read ({}): save it as 8- or 16-bit PNG or as FITS",
            one_line(&e.to_string())
        )),
        other => decode_fault(&other.to_string()),
    }
}

/// The fault of data that a decoder refuses.
fn decode_fault(what: &str) -> Fault {
    Fault::damaged(format!(
        "cannot be decoded ({}): copy it again from where it was taken",
        one_line(what)
    ))
}

fn one_line(text: &str) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    words.join(" ").chars().take(120).collect()
}
