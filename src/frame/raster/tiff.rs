//! TIFF: integers of 8 to 64 bits and floating point, grey or colour, interleaved or planar.

use super::planes::{Channels, mean_f32, mean_real, mean_u8, mean_u16};
use super::{Picture, decode_fault, jpeg, one_line, tiff_values};
use crate::frame::Pixels;
use crate::frame::budget::{Budget, check_size};
use crate::frame::fault::Fault;
use crate::frame::source::{Timed, ended_early, read_fault, read_file_at};
use std::fs::File;
use std::io::{BufReader, Read, Seek};
use tiff::decoder::{BufferLayoutPreference, Decoder, DecodingResult, Limits};
use tiff::tags::{CompressionMethod, Tag};
use tiff::{ColorType, TiffError};

/// Decodes the first image of a TIFF file.
pub(super) fn read(mut file: &File, budget: &Budget) -> Result<Picture, Fault> {
    let len = budget.stored();
    tiff_values::check(file, len)?;
    file.rewind().map_err(read_fault)?;
    let reader = BufReader::with_capacity(1 << 18, Timed::new(file, budget.deadline()));
    let mut decoder = Decoder::new(reader).map_err(tiff_fault)?;
    let (width, height) = decoder.dimensions().map_err(tiff_fault)?;
    check_size(width.into(), height.into())?;
    let colour = decoder.colortype().map_err(tiff_fault)?;
    let (stored, used) = channels(colour)?;
    let pixels = u64::from(width) * u64::from(height);
    let bytes = pixels * stored as u64 * u64::from(colour.bit_depth().div_ceil(8));
    budget.check_picture(pixels, bytes)?;
    // The mean of the channels may be wider than they are stored.
    budget.check_work(pixels * size_of::<f32>() as u64)?;

    // The decoder's own limits, raised to what was just found reasonable.
    let mut limits = Limits::default();
    limits.decoding_buffer_size = usize::try_from(bytes).unwrap_or(usize::MAX);
    limits.intermediate_buffer_size = limits.decoding_buffer_size.max(1 << 20);
    limits.ifd_value_size = usize::try_from(len).unwrap_or(usize::MAX).min(64 << 20);
    let mut decoder = decoder.with_limits(limits);
    check_jpegs(&mut decoder, file, budget)?;
    let mut samples = DecodingResult::U8(Vec::new());
    let layout = decoder
        .read_image_to_buffer(&mut samples)
        .map_err(tiff_fault)?;
    let channels = planes_read(&layout, stored, used);
    let (width, height) = (width as usize, height as usize);
    let pixels = average(samples, channels);
    check_count(&pixels, width * height)?;
    Ok(Picture {
        width,
        height,
        pixels,
        coloured: channels.used > 1,
    })
}

/// Checks the pictures that strips and tiles are where they are JPEG: the library decodes them
/// whatever size they say they have.
fn check_jpegs(
    decoder: &mut Decoder<impl Read + Seek>,
    file: &File,
    budget: &Budget,
) -> Result<(), Fault> {
    let compression = decoder.find_tag_unsigned::<u16>(Tag::Compression);
    if compression.map_err(tiff_fault)? != Some(CompressionMethod::ModernJPEG.to_u16()) {
        return Ok(());
    }
    let mut list = |tag| {
        decoder
            .find_tag_unsigned_vec::<u64>(tag)
            .map_err(tiff_fault)
    };
    let (places, lengths) = match (list(Tag::StripOffsets)?, list(Tag::TileOffsets)?) {
        (Some(places), _) => (places, list(Tag::StripByteCounts)?),
        (None, places) => (places.unwrap_or_default(), list(Tag::TileByteCounts)?),
    };
    let (width, height) = decoder.chunk_dimensions();
    let tables = decoder.find_tag(Tag::JPEGTables).map_err(tiff_fault)?;
    let tables = tables
        .and_then(|t| t.into_u8_vec().ok())
        .unwrap_or_default();
    let mut bytes = Vec::new();
    for (place, length) in places.into_iter().zip(lengths.unwrap_or_default()) {
        budget.check_time()?;
        if length > budget.stored() {
            return Err(ended_early());
        }
        bytes.resize(length as usize, 0);
        read_file_at(file, &mut bytes, place).map_err(read_fault)?;
        for frame in jpeg::frames(&tables).chain(jpeg::frames(&bytes)) {
            budget.check_work(frame.work_bytes() + 2 * length)?;
            if frame.width > u64::from(width) || frame.height > u64::from(height) {
                return Err(Fault::damaged(
                    "holds a JPEG of another size than its strip or tile: copy it again from where \
                     it was taken",
                ));
            }
        }
    }
    Ok(())
}

/// Channels stored per pixel, and those of them that are light.
fn channels(colour: ColorType) -> Result<(usize, usize), Fault> {
    Ok(match colour {
        ColorType::Gray(_) => (1, 1),
        ColorType::GrayA(_) => (2, 1),
        ColorType::RGB(_) | ColorType::YCbCr(_) => (3, 3),
        ColorType::RGBA(_) => (4, 3),
        ColorType::Multiband { num_samples, .. } if num_samples > 0 => {
            let n = usize::from(num_samples);
            (n, n.min(3))
        }
        other => {
            return Err(Fault::NotReadable(format!(
                "holds {other:?} colours, which are not read: save it in grey or RGB"
            )));
        }
    })
}

fn planes_read(layout: &BufferLayoutPreference, stored: usize, used: usize) -> Channels {
    Channels {
        stored,
        used,
        planar: layout.planes > 1,
    }
}

fn average(samples: DecodingResult, channels: Channels) -> Pixels {
    use DecodingResult as R;
    match samples {
        R::U8(v) => Pixels::U8(mean_u8(v, channels)),
        R::U16(v) => Pixels::U16(mean_u16(v, channels)),
        R::I8(v) => Pixels::F32(mean_real(&v, channels, f64::from)),
        R::I16(v) => whole(mean_real(&v, channels, f64::from)),
        R::U32(v) => whole(mean_real(&v, channels, f64::from)),
        R::I32(v) => whole(mean_real(&v, channels, f64::from)),
        R::U64(v) => whole(mean_real(&v, channels, |x| x as f64)),
        R::I64(v) => whole(mean_real(&v, channels, |x| x as f64)),
        R::F16(v) => Pixels::F32(mean_real(&v, channels, |x| x.to_f64())),
        R::F32(v) => Pixels::F32(mean_f32(v, channels)),
        R::F64(v) => Pixels::F32(mean_real(&v, channels, |x| x)),
    }
}

/// Means of integers in 16 bits where all of them fit.
fn whole(values: Vec<f32>) -> Pixels {
    if values.iter().all(|v| (0.0..=65535.0).contains(v)) {
        return Pixels::U16(values.into_iter().map(|v| v.round() as u16).collect());
    }
    Pixels::F32(values)
}

fn check_count(pixels: &Pixels, expected: usize) -> Result<(), Fault> {
    let count = match pixels {
        Pixels::U8(p) => p.len(),
        Pixels::U16(p) => p.len(),
        Pixels::F32(p) => p.len(),
    };
    if count == expected {
        return Ok(());
    }
    Err(Fault::NotReadable(
        "packs its pixels in a way that is not read: save it with 8 or 16 bits per channel".into(),
    ))
}

fn tiff_fault(error: TiffError) -> Fault {
    match error {
        TiffError::IoError(e) => read_fault(e),
        TiffError::UnsupportedError(e) => Fault::NotReadable(format!(
            "is a kind of TIFF that is not read ({}): save it without compression",
            one_line(&e.to_string())
        )),
        other => decode_fault(&other.to_string()),
    }
}
