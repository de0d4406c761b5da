//! One good file of each format that is read, small, with everything in it that is read.

#![allow(dead_code, reason = "each test takes what it needs")]

use crate::cfitsio;
use crate::dng::{Dng, EXIF, Exif};
use crate::support::{self, HEIGHT, WIDTH, bzip2, fits, fits_u16, gzip};
use image::ImageEncoder;

/// How a good file becomes a damaged one.
#[derive(Clone, Copy, PartialEq)]
pub enum Way {
    /// Its bytes are damaged.
    Bytes,
    /// The bytes inside are damaged, then packed by gzip.
    InsideGzip,
    /// Its bytes are damaged, then the chunks' checksums made right.
    SignedPng,
}

/// A format to be damaged.
pub struct Kind {
    /// For messages.
    pub name: &'static str,
    /// The undamaged file.
    pub good: Vec<u8>,
    /// How it is damaged.
    pub way: Way,
    /// Decoded in a child process, which takes milliseconds.
    pub slow: bool,
}

/// Tile-compressed FITS.
fn tiles(algorithm: i32, bitpix: i32) -> Vec<u8> {
    let folder = support::folder();
    let path = folder.path().join("tiles.fits");
    let values: Vec<f64> = support::sky()
        .iter()
        .map(|v| f64::from(*v % 1000) / if bitpix < 0 { 2.0 } else { 1.0 })
        .collect();
    let tile = if algorithm == cfitsio::HCOMPRESS_1 {
        [WIDTH as i64, HEIGHT as i64]
    } else {
        [30, 10]
    };
    let picture = cfitsio::Picture {
        bitpix,
        axes: &[WIDTH as i64, HEIGHT as i64],
        tile: &tile,
        algorithm,
        dither: 1,
        values: &values,
    };
    let (scale, smooth) = (3, true);
    cfitsio::write_lossy(&path, &picture, scale, smooth);
    std::fs::read(&path).expect("just written")
}

/// One good file of each format.
pub fn formats() -> Vec<Kind> {
    let clues = [
        "RA      = '05 34 31.9'",
        "DEC     = '+22 00 52'",
        "OBJCTRA = 5.57553",
        "OBJCTDEC= 22.0145",
        "DATE-OBS= '2017-12-19T18:33:43.317-0700'",
        "EXPTIME = 60.0",
        "SITELONG= '-116:51:48.00'",
        "SITELAT = '+33:24:24.00'",
        "LST     = '17:04:23'",
        "CTYPE1  = 'RA---TAN'",
        "CTYPE2  = 'DEC--TAN'",
        "CRVAL1  = 83.6",
        "CRVAL2  = 22.0",
        "CRPIX1  = 20",
        "CRPIX2  = 20",
        "CDELT1  = -0.001",
        "CDELT2  = 0.001",
        "FOCALLEN= 400",
        "XPIXSZ  = 3.8",
        "HIERARCH OBS NAME = 'a long&'",
        "CONTINUE  ' text'",
    ];
    let plane: Vec<u8> = support::sky()
        .iter()
        .flat_map(|v| f32::from(*v).to_be_bytes())
        .collect();
    let cube = fits(-32, &[WIDTH, HEIGHT, 3], &clues[..2], &plane.repeat(3));
    let first = fits(-32, &[3, WIDTH, HEIGHT], &clues[..2], &plane.repeat(3));
    let camera_data = Exif {
        pixel_um_100: 376,
        film_focal_mm: 200,
        ..EXIF
    };
    #[cfg(feature = "camera-raw")]
    let dng = Dng::mosaic(WIDTH, HEIGHT, &support::sky()).file().0;
    let kind = |name, good, way| Kind {
        name,
        good,
        way,
        slow: false,
    };
    let mut kinds = vec![
        kind("fits", fits_u16(&clues), Way::Bytes),
        kind("fits-cube", cube, Way::Bytes),
        kind("fits-colour-first", first, Way::Bytes),
        kind("gzip", gzip(&fits_u16(&[])), Way::Bytes),
        kind("bzip2", bzip2(&fits_u16(&[])), Way::Bytes),
        kind("inside-gzip", fits_u16(&clues), Way::InsideGzip),
        kind("rice", tiles(cfitsio::RICE_1, 16), Way::Bytes),
        kind("rice-float", tiles(cfitsio::RICE_1, -32), Way::Bytes),
        kind(
            "rice-inside-gzip",
            tiles(cfitsio::RICE_1, 16),
            Way::InsideGzip,
        ),
        kind("gzip-1", tiles(cfitsio::GZIP_1, 32), Way::Bytes),
        kind("gzip-2", tiles(cfitsio::GZIP_2, -32), Way::Bytes),
        kind("plio", tiles(cfitsio::PLIO_1, 16), Way::Bytes),
        kind("hcompress", tiles(cfitsio::HCOMPRESS_1, 16), Way::Bytes),
        kind(
            "hcompress-float",
            tiles(cfitsio::HCOMPRESS_1, -32),
            Way::Bytes,
        ),
        kind("png", support::png_u16(), Way::Bytes),
        kind("png-signed", support::png_u16(), Way::SignedPng),
        kind("jpeg", support::jpeg(), Way::Bytes),
        kind("png-exif", png_with(&camera_data.tree()), Way::SignedPng),
        kind("jpeg-exif", jpeg_with(&camera_data.tree()), Way::Bytes),
        kind("webp", support::webp(), Way::Bytes),
        kind(
            "webp-lossy",
            include_bytes!("../webp/lossy.webp").to_vec(),
            Way::Bytes,
        ),
        kind(
            "webp-transparent",
            include_bytes!("../webp/transparent.webp").to_vec(),
            Way::Bytes,
        ),
        kind("tiff", support::tiff_u16(), Way::Bytes),
        kind(
            "tiff-exif",
            camera_data.tiff(WIDTH, HEIGHT, &support::sky()),
            Way::Bytes,
        ),
        kind("tiff-float", support::tiff_f32(), Way::Bytes),
    ];
    #[cfg(feature = "camera-raw")]
    kinds.push(Kind {
        slow: true,
        ..kind("dng", dng, Way::Bytes)
    });
    kinds
}

/// A grey JPEG with camera data.
fn jpeg_with(camera_data: &[u8]) -> Vec<u8> {
    let grey: Vec<u8> = support::sky().iter().map(|v| (v / 200) as u8).collect();
    let mut out = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 95);
    write_grey(encoder, &grey, camera_data);
    out
}

/// A grey PNG with camera data.
fn png_with(camera_data: &[u8]) -> Vec<u8> {
    let grey: Vec<u8> = support::sky().iter().map(|v| (v / 200) as u8).collect();
    let mut out = Vec::new();
    write_grey(
        image::codecs::png::PngEncoder::new(&mut out),
        &grey,
        camera_data,
    );
    out
}

fn write_grey(mut encoder: impl ImageEncoder, grey: &[u8], camera_data: &[u8]) {
    encoder
        .set_exif_metadata(camera_data.to_vec())
        .expect("this format holds camera data");
    let size = [WIDTH as u32, HEIGHT as u32];
    encoder
        .write_image(grey, size[0], size[1], image::ExtendedColorType::L8)
        .expect("writing to memory");
}
