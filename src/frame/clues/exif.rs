//! What cameras write beside a picture: orientation, optics, time, place.
//!
//! Source: Exif 2.32 (CIPA DC-008), section 4.6.

use super::exif_lists::shortened;
use super::time::{parse_stamp, parse_time};
use super::{Clues, ScaleClue, Site};
use crate::sphere::arcsec_per_px;
use exif::{Context, Exif, Field, In, Reader, Tag, Value};
use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek};

/// Diagonal of a 24 x 36 mm film frame, micrometres: what focal lengths 'in 35-mm terms' refer to.
const FILM_DIAGONAL_UM: f64 = 43_267.0;

/// A picture whose width differs by less than this share from what its camera made of it has had
/// its edges cut off, or not cut off yet; beyond it the pixels were resampled.
const SAME_PIXELS: f64 = 0.05;

/// Largest TIFF whose camera data are looked for; the library reads the file as a whole.
const MAX_TIFF_BYTES: u64 = 512 << 20;

/// Camera data.
#[derive(Default)]
pub(in crate::frame) struct CameraData {
    found: Vec<Exif>,
    /// Each directory stands by itself instead of in a tree: its tags count as those of a TIFF
    /// directory.
    loose: bool,
}

impl CameraData {
    /// Of a JPEG file.
    pub fn of_jpeg(bytes: Vec<u8>) -> CameraData {
        let exif = exif::get_exif_attr_from_jpeg(&mut Cursor::new(bytes));
        exif.map_or_else(|_| CameraData::default(), CameraData::of_tree)
    }

    /// Of a TIFF file: only where its first directory points at some or is turned.
    pub fn of_tiff(file: &File) -> CameraData {
        if !has_camera_data(file) {
            return CameraData::default();
        }
        let (mut file, mut bytes) = (file, Vec::new());
        match file.read_to_end(&mut bytes) {
            Ok(_) => CameraData::of_tree(bytes),
            Err(_) => CameraData::default(),
        }
    }

    /// Of one directory tree in TIFF form.
    pub fn of_tree(bytes: Vec<u8>) -> CameraData {
        CameraData {
            found: read_raw(bytes).into_iter().collect(),
            loose: false,
        }
    }

    /// Of directories in TIFF form, each with a header of its own, as CR3 keeps them.
    #[cfg(feature = "camera-raw")]
    pub fn of_loose_directories(directories: impl IntoIterator<Item = Vec<u8>>) -> CameraData {
        CameraData {
            found: directories.into_iter().filter_map(read_raw).collect(),
            loose: true,
        }
    }

    /// EXIF orientation, 1 to 8.
    pub fn orientation(&self) -> u8 {
        let value = field(self, Tag::Orientation).and_then(|f| f.value.get_uint(0));
        match value {
            Some(o @ 1..=8) => o as u8,
            _ => 1,
        }
    }

    /// The clues of a picture of `width` x `height` pixels.
    pub fn clues(&self, width: usize, height: usize) -> Clues {
        let mut remarks = Vec::new();
        let focal_length_mm = positive(self, Tag::FocalLength);
        let pixel_size_um = pixel_size_um(self, width);
        let exposure_s = positive(self, Tag::ExposureTime);
        let start = start_jd_utc(self, &mut remarks);
        let diagonal_px = (width as f64).hypot(height as f64);
        Clues {
            positions: Vec::new(),
            scales: scales(self, focal_length_mm, pixel_size_um, diagonal_px),
            focal_length_mm,
            pixel_size_um,
            mid_jd_utc: start.map(|jd| jd + exposure_s.unwrap_or(0.0) / 2.0 / 86_400.0),
            exposure_s,
            site: site(self),
            remarks,
        }
    }
}

fn read_raw(bytes: Vec<u8>) -> Option<Exif> {
    Reader::new()
        .continue_on_error(true)
        .read_raw(shortened(bytes)?)
        .or_else(|e| e.distill_partial_result(|_| {}))
        .ok()
}

fn has_camera_data(mut file: &File) -> bool {
    if file.metadata().map_or(true, |m| m.len() > MAX_TIFF_BYTES) || file.rewind().is_err() {
        return false;
    }
    let Ok(mut decoder) = tiff::decoder::Decoder::new(BufReader::new(file)) else {
        return false;
    };
    let mut has = |tag| matches!(decoder.find_tag(tag), Ok(Some(_)));
    let found = has(tiff::tags::Tag::ExifDirectory) || has(tiff::tags::Tag::Orientation);
    found && file.rewind().is_ok()
}

fn scales(
    exif: &CameraData,
    focal_mm: Option<f64>,
    pixel_um: Option<f64>,
    diagonal_px: f64,
) -> Vec<ScaleClue> {
    let scale = |focal_mm: f64, pixel_um: f64, source: &str| ScaleClue {
        arcsec_per_px: arcsec_per_px(pixel_um, focal_mm),
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
        let pixel = FILM_DIAGONAL_UM / diagonal_px;
        scales.push(scale(focal, pixel, "EXIF focal length in 35-mm terms"));
    }
    scales
}

/// Pixel size in this file: the sensor's, scaled where the picture was made smaller later.
fn pixel_size_um(exif: &CameraData, width: usize) -> Option<f64> {
    let per_unit = positive(exif, Tag::FocalPlaneXResolution)?;
    let unit = field(exif, Tag::FocalPlaneResolutionUnit).and_then(|f| f.value.get_uint(0));
    let unit_um = match unit {
        Some(3) => 10_000.0,
        Some(4) => 1_000.0,
        Some(5) => 1.0,
        _ => 25_400.0,
    };
    let taken_px = positive(exif, Tag::PixelXDimension).unwrap_or(width as f64);
    let resampled = match taken_px / width as f64 {
        ratio if (ratio - 1.0).abs() < SAME_PIXELS => 1.0,
        ratio => ratio,
    };
    let size = unit_um / per_unit * resampled;
    (0.3..=500.0).contains(&size).then_some(size)
}

fn start_jd_utc(exif: &CameraData, remarks: &mut Vec<String>) -> Option<f64> {
    let clock = [Tag::DateTimeOriginal, Tag::DateTimeDigitized, Tag::DateTime]
        .into_iter()
        .find_map(|tag| parse_stamp(&text(exif, tag)?));
    if let Some(jd) = gps_jd_utc(exif) {
        let apart_d = clock.map_or(0.0, |clock| (clock.jd_utc() - jd).abs());
        // More than any time zone: an old fix, a rollover of the GPS weeks, or a clock never set.
        if apart_d > 1.0 {
            remarks.push(format!(
                "the camera's clock and its GPS time are {apart_d:.1} days apart: the GPS time was \
                 taken"
            ));
        }
        return Some(jd);
    }
    let mut stamp = clock?;
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

fn gps_jd_utc(exif: &CameraData) -> Option<f64> {
    let mut stamp = parse_stamp(&text(exif, Tag::GPSDateStamp)?)?;
    let hours = sexagesimal(exif, Tag::GPSTimeStamp)?;
    stamp.time_s = Some(hours * 3600.0);
    Some(stamp.jd_utc())
}

fn site(exif: &CameraData) -> Option<Site> {
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

/// A field of the first picture. The numbers of the tags that are read here are unambiguous in
/// loose directories.
fn field(data: &CameraData, tag: Tag) -> Option<&Field> {
    let alone = Tag(Context::Tiff, tag.number());
    data.found.iter().find_map(|exif| {
        exif.get_field(tag, In::PRIMARY).or_else(|| {
            let field = exif.get_field(alone, In::PRIMARY);
            field.filter(|_| data.loose)
        })
    })
}

/// The numbers of a field.
fn numbers(exif: &CameraData, tag: Tag) -> Vec<f64> {
    match field(exif, tag).map(|f| &f.value) {
        Some(Value::Rational(v)) => v.iter().map(|r| r.to_f64()).collect(),
        Some(Value::SRational(v)) => v.iter().map(|r| r.to_f64()).collect(),
        Some(value) => value
            .iter_uint()
            .map_or(Vec::new(), |v| v.map(f64::from).collect()),
        None => Vec::new(),
    }
}

fn positive(exif: &CameraData, tag: Tag) -> Option<f64> {
    numbers(exif, tag)
        .first()
        .copied()
        .filter(|v| v.is_finite() && *v > 0.0)
}

fn sexagesimal(exif: &CameraData, tag: Tag) -> Option<f64> {
    let numbers = numbers(exif, tag);
    let value = *numbers.first()?
        + numbers.get(1).unwrap_or(&0.0) / 60.0
        + numbers.get(2).unwrap_or(&0.0) / 3600.0;
    value.is_finite().then_some(value)
}

fn text(exif: &CameraData, tag: Tag) -> Option<String> {
    match &field(exif, tag)?.value {
        Value::Ascii(parts) => {
            let text = String::from_utf8_lossy(parts.first()?);
            let text = text.trim_matches(['\0', ' ']);
            (!text.is_empty()).then(|| text.to_owned())
        }
        _ => None,
    }
}
