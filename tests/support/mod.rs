//! Small files of every format, built here byte by byte or by libraries that the program reads
//! nothing with.
#![allow(dead_code)]

use std::path::{Path, PathBuf};

/// Width of the test picture; not a multiple of anything.
pub const WIDTH: usize = 53;
/// Height of the test picture.
pub const HEIGHT: usize = 41;

/// A folder that vanishes at the end of the test.
pub fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

/// Writes `bytes` under `name`.
pub fn put(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, bytes).expect("a file in the temporary folder");
    path
}

/// Numbers that look like noise and are the same every time (Knuth's MMIX constants).
pub fn noise(seed: u64) -> impl Iterator<Item = u64> {
    let mut state = seed;
    std::iter::repeat_with(move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        state >> 33
    })
}

/// A sky of about 500 with noise, and a star.
pub fn sky() -> Vec<u16> {
    let mut noise = noise(7);
    let mut sky: Vec<u16> = (0..WIDTH * HEIGHT)
        .map(|_| 480 + (noise.next().unwrap_or(0) % 41) as u16)
        .collect();
    sky[20 * WIDTH + 30] = 40_000;
    sky
}

/// A FITS unit of these cards (80 columns or less each) and data, filled up to blocks.
pub fn unit(cards: &[&str], data: &[u8]) -> Vec<u8> {
    let mut bytes: Vec<u8> = cards
        .iter()
        .chain(&["END"])
        .flat_map(|card| format!("{card:<80}").into_bytes())
        .collect();
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes.extend_from_slice(data);
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    bytes
}

/// Cards of an image.
pub fn image_cards(bitpix: i32, axes: &[usize], more: &[&str]) -> Vec<String> {
    let mut cards = vec![
        "SIMPLE  =                    T".to_owned(),
        format!("BITPIX  = {bitpix:>20}"),
        format!("NAXIS   = {:>20}", axes.len()),
    ];
    for (i, n) in axes.iter().enumerate() {
        cards.push(format!("NAXIS{}  = {n:>20}", i + 1));
    }
    cards.extend(more.iter().map(|&c| c.to_owned()));
    cards
}

/// A primary image.
pub fn fits(bitpix: i32, axes: &[usize], more: &[&str], data: &[u8]) -> Vec<u8> {
    let cards = image_cards(bitpix, axes, more);
    unit(&cards.iter().map(String::as_str).collect::<Vec<_>>(), data)
}

/// Cards that make 16-bit data unsigned.
pub const UNSIGNED: [&str; 2] = ["BZERO   = 32768", "BSCALE  = 1"];

/// The sky as unsigned 16-bit FITS.
pub fn fits_u16(more: &[&str]) -> Vec<u8> {
    let data: Vec<u8> = sky()
        .iter()
        .flat_map(|v| (v ^ 0x8000).to_be_bytes())
        .collect();
    fits(16, &[WIDTH, HEIGHT], &[&UNSIGNED[..], more].concat(), &data)
}

/// Packs bytes with gzip.
pub fn gzip(bytes: &[u8]) -> Vec<u8> {
    use std::io::Write;
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::new(6));
    packer.write_all(bytes).expect("writing to memory");
    packer.finish().expect("writing to memory")
}

/// Packs bytes with bzip2.
pub fn bzip2(bytes: &[u8]) -> Vec<u8> {
    use std::io::Write;
    let mut packer = bzip2::write::BzEncoder::new(Vec::new(), bzip2::Compression::new(9));
    packer.write_all(bytes).expect("writing to memory");
    packer.finish().expect("writing to memory")
}

/// The sky as WebP, without loss.
pub fn webp() -> Vec<u8> {
    let bytes: Vec<u8> = sky().iter().map(|v| (v / 200) as u8).collect();
    let mut out = Vec::new();
    image_webp::WebPEncoder::new(&mut out)
        .encode(
            &bytes,
            WIDTH as u32,
            HEIGHT as u32,
            image_webp::ColorType::L8,
        )
        .expect("writing to memory");
    out
}

/// The sky as PNG, 16-bit.
pub fn png_u16() -> Vec<u8> {
    use image::ImageEncoder;
    let words: Vec<u8> = sky().iter().flat_map(|v| v.to_ne_bytes()).collect();
    let mut out = Vec::new();
    image::codecs::png::PngEncoder::new(&mut out)
        .write_image(
            &words,
            WIDTH as u32,
            HEIGHT as u32,
            image::ExtendedColorType::L16,
        )
        .expect("writing to memory");
    out
}

/// A grey JPEG of the sky's upper bytes.
pub fn jpeg() -> Vec<u8> {
    let bytes: Vec<u8> = sky().iter().map(|v| (v / 200) as u8).collect();
    let mut out = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 95)
        .encode(
            &bytes,
            WIDTH as u32,
            HEIGHT as u32,
            image::ExtendedColorType::L8,
        )
        .expect("writing to memory");
    out
}

/// The sky as 16-bit TIFF.
pub fn tiff_u16() -> Vec<u8> {
    let mut out = std::io::Cursor::new(Vec::new());
    tiff::encoder::TiffEncoder::new(&mut out)
        .and_then(|mut e| {
            e.write_image::<tiff::encoder::colortype::Gray16>(WIDTH as u32, HEIGHT as u32, &sky())
        })
        .expect("writing to memory");
    out.into_inner()
}

/// The sky as 32-bit floating-point TIFF.
pub fn tiff_f32() -> Vec<u8> {
    let sky: Vec<f32> = sky().iter().map(|v| f32::from(*v) / 4.0).collect();
    let mut out = std::io::Cursor::new(Vec::new());
    tiff::encoder::TiffEncoder::new(&mut out)
        .and_then(|mut e| {
            e.write_image::<tiff::encoder::colortype::Gray32Float>(
                WIDTH as u32,
                HEIGHT as u32,
                &sky,
            )
        })
        .expect("writing to memory");
    out.into_inner()
}
