//! What cameras write beside a picture: orientation, optics, time, place.
//!
//! Source: Exif 2.32 (CIPA DC-008), section 4.6.

use crate::frame::clues::time::{parse_stamp, parse_time};
use crate::frame::{Clues, ScaleClue, Site};
use exif::{Exif, Field, In, Reader, Tag, Value};
use std::fs::File;
use std::io::{BufReader, Cursor, Seek};

/// Arcseconds per radian over micrometres per millimetre.
const ARCSEC_MM_PER_UM: f64 = 206.264_806_247;

/// Length of the long side of 35-mm film, micrometres.
const FILM_LONG_SIDE_UM: f64 = 36_000.0;

/// Largest TIFF whose camera data are looked for; the library reads the file as a whole.
const MAX_TIFF_BYTES: u64 = 512 << 20;

/// Camera data of a JPEG file, where there are any.
pub(super) fn of_jpeg(bytes: Vec<u8>) -> Option<Exif> {
    read(Cursor::new(bytes))
}

/// Camera data of a TIFF file: only where its first directory points at some or is turned.
pub(super) fn of_tiff(mut file: &File) -> Option<Exif> {
    file.rewind().ok()?;
    let mut decoder = tiff::decoder::Decoder::new(BufReader::new(file)).ok()?;
    let mut has = |tag| matches!(decoder.find_tag(tag), Ok(Some(_)));
    if !has(tiff::tags::Tag::ExifDirectory) && !has(tiff::tags::Tag::Orientation) {
        return None;
    }
    if file.metadata().ok()?.len() > MAX_TIFF_BYTES {
        return None;
    }
    file.rewind().ok()?;
    read(BufReader::new(file))
}

fn read(mut from: impl std::io::BufRead + Seek) -> Option<Exif> {
    Reader::new()
        .continue_on_error(true)
        .read_from_container(&mut from)
        .or_else(|e| e.distill_partial_result(|_| {}))
        .ok()
}

/// EXIF orientation, 1 to 8.
pub(super) fn orientation(exif: &Exif) -> u8 {
    let value = field(exif, Tag::Orientation).and_then(|f| f.value.get_uint(0));
    match value {
        Some(o @ 1..=8) => o as u8,
        _ => 1,
    }
}

/// The clues of a picture of `width` x `height` pixels.
pub(super) fn clues(exif: &Exif, width: usize, height: usize) -> Clues {
    let mut remarks = Vec::new();
    let focal_length_mm = positive(exif, Tag::FocalLength);
    let pixel_size_um = pixel_size_um(exif, width);
    let exposure_s = positive(exif, Tag::ExposureTime);
    let start = start_jd_utc(exif, &mut remarks);
    Clues {
        positions: Vec::new(),
        scales: scales(exif, focal_length_mm, pixel_size_um, width.max(height)),
        focal_length_mm,
        pixel_size_um,
        mid_jd_utc: start.map(|jd| jd + exposure_s.unwrap_or(0.0) / 2.0 / 86_400.0),
        exposure_s,
        site: site(exif),
        remarks,
    }
}

fn scales(
    exif: &Exif,
    focal_mm: Option<f64>,
    pixel_um: Option<f64>,
    long_px: usize,
) -> Vec<ScaleClue> {
    let scale = |focal_mm: f64, pixel_um: f64, source: &str| ScaleClue {
        arcsec_per_px: ARCSEC_MM_PER_UM * pixel_um / focal_mm,
        source: source.into(),
    };
    let mut scales = Vec::new();
    if let (Some(focal), Some(pixel)) = (focal_mm, pixel_um) {
        scales.push(scale(
            focal,
            pixel,
            "EXIF focal length and sensor resolution",
        ));
    }
    if let Some(focal) = positive(exif, Tag::FocalLengthIn35mmFilm) {
        let pixel = FILM_LONG_SIDE_UM / long_px as f64;
        scales.push(scale(focal, pixel, "EXIF focal length in 35-mm terms"));
    }
    scales
}

/// Pixel size in this file: the sensor's, scaled where the picture was made smaller later.
fn pixel_size_um(exif: &Exif, width: usize) -> Option<f64> {
    let per_unit = positive(exif, Tag::FocalPlaneXResolution)?;
    let unit = field(exif, Tag::FocalPlaneResolutionUnit).and_then(|f| f.value.get_uint(0));
    let unit_um = match unit {
        Some(3) => 10_000.0,
        Some(4) => 1_000.0,
        Some(5) => 1.0,
        _ => 25_400.0,
    };
    let taken_px = positive(exif, Tag::PixelXDimension).unwrap_or(width as f64);
    let size = unit_um / per_unit * taken_px / width as f64;
    (0.3..=500.0).contains(&size).then_some(size)
}

fn start_jd_utc(exif: &Exif, remarks: &mut Vec<String>) -> Option<f64> {
    if let Some(jd) = gps_jd_utc(exif) {
        return Some(jd);
    }
    let mut stamp = [Tag::DateTimeOriginal, Tag::DateTimeDigitized, Tag::DateTime]
        .into_iter()
        .find_map(|tag| parse_stamp(&text(exif, tag)?))?;
    let offset = [Tag::OffsetTimeOriginal, Tag::OffsetTime]
        .into_iter()
        .find_map(|tag| {
            parse_time(&format!("00:00{}", text(exif, tag)?)).and_then(|(_, offset)| offset)
        });
    stamp.offset_s = stamp.offset_s.or(offset);
    if stamp.offset_s.is_none() {
        remarks.push("the camera's clock names no time zone: it was taken as UTC".into());
    }
    Some(stamp.jd_utc())
}

fn gps_jd_utc(exif: &Exif) -> Option<f64> {
    let mut stamp = parse_stamp(&text(exif, Tag::GPSDateStamp)?)?;
    let hours = sexagesimal(exif, Tag::GPSTimeStamp)?;
    stamp.time_s = Some(hours * 3600.0);
    Some(stamp.jd_utc())
}

fn site(exif: &Exif) -> Option<Site> {
    let signed = |value: Tag, side: Tag, negative: &str| {
        let angle = sexagesimal(exif, value)?;
        let side = text(exif, side).unwrap_or_default();
        Some(if side.eq_ignore_ascii_case(negative) {
            -angle
        } else {
            angle
        })
    };
    let latitude_deg = signed(Tag::GPSLatitude, Tag::GPSLatitudeRef, "S")?;
    let longitude_deg = signed(Tag::GPSLongitude, Tag::GPSLongitudeRef, "W")?;
    let there = (-90.0..=90.0).contains(&latitude_deg)
        && (-180.0..=180.0).contains(&longitude_deg)
        && (latitude_deg, longitude_deg) != (0.0, 0.0);
    there.then_some(Site {
        longitude_deg,
        latitude_deg,
    })
}

fn field(exif: &Exif, tag: Tag) -> Option<&Field> {
    exif.get_field(tag, In::PRIMARY)
}

/// The numbers of a field.
fn numbers(exif: &Exif, tag: Tag) -> Vec<f64> {
    match field(exif, tag).map(|f| &f.value) {
        Some(Value::Rational(v)) => v.iter().map(|r| r.to_f64()).collect(),
        Some(Value::SRational(v)) => v.iter().map(|r| r.to_f64()).collect(),
        Some(value) => value
            .iter_uint()
            .map_or(Vec::new(), |v| v.map(f64::from).collect()),
        None => Vec::new(),
    }
}

fn positive(exif: &Exif, tag: Tag) -> Option<f64> {
    numbers(exif, tag)
        .first()
        .copied()
        .filter(|v| v.is_finite() && *v > 0.0)
}

fn sexagesimal(exif: &Exif, tag: Tag) -> Option<f64> {
    let numbers = numbers(exif, tag);
    let value = *numbers.first()?
        + numbers.get(1).unwrap_or(&0.0) / 60.0
        + numbers.get(2).unwrap_or(&0.0) / 3600.0;
    value.is_finite().then_some(value)
}

fn text(exif: &Exif, tag: Tag) -> Option<String> {
    match &field(exif, tag)?.value {
        Value::Ascii(parts) => {
            let text = String::from_utf8_lossy(parts.first()?);
            let text = text.trim_matches(['\0', ' ']);
            (!text.is_empty()).then(|| text.to_owned())
        }
        _ => None,
    }
}
