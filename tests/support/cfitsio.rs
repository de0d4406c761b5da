//! The C library as writer of compressed images and as oracle for reading them.
#![allow(dead_code, unsafe_code)]

use fitsio_sys as c;
use std::ffi::CString;
use std::path::Path;

/// Compression codes of fitsio.h.
pub const RICE_1: i32 = 11;
/// See `RICE_1`.
pub const GZIP_1: i32 = 21;
/// See `RICE_1`.
pub const GZIP_2: i32 = 22;
/// See `RICE_1`.
pub const PLIO_1: i32 = 31;
/// See `RICE_1`.
pub const HCOMPRESS_1: i32 = 41;

/// What to write.
pub struct Picture<'a> {
    /// Bits per pixel, FITS code.
    pub bitpix: i32,
    /// Axes, fastest first.
    pub axes: &'a [i64],
    /// Tile, fastest first.
    pub tile: &'a [i64],
    /// Compression code.
    pub algorithm: i32,
    /// 0: as it is, 1 and 2: subtractive dither, -1: none; with quantisation of 8 steps per sigma.
    pub dither: i32,
    /// Values.
    pub values: &'a [f64],
}

fn literal(path: &Path) -> CString {
    CString::new(path.to_str().expect("a plain path")).expect("a plain path")
}

/// Writes a compressed image to `path`.
pub fn write(path: &Path, picture: &Picture) {
    let name = literal(path);
    let (mut handle, mut status) = (std::ptr::null_mut(), 0);
    let mut axes: Vec<_> = picture.axes.iter().map(|n| *n as _).collect();
    let mut tile: Vec<_> = picture.tile.iter().map(|n| *n as _).collect();
    let mut values = picture.values.to_vec();
    let mut blank = f64::NAN;
    // SAFETY: every array is as long as the call is told and outlives it.
    unsafe {
        c::ffdkinit(&raw mut handle, name.as_ptr(), &raw mut status);
        c::fits_set_compression_type(handle, picture.algorithm, &raw mut status);
        c::fits_set_tile_dim(
            handle,
            tile.len() as i32,
            tile.as_mut_ptr(),
            &raw mut status,
        );
        if picture.bitpix < 0 {
            c::fits_set_quantize_method(handle, picture.dither, &raw mut status);
            let level = if picture.dither == 0 { 0.0 } else { 8.0 };
            c::fits_set_quantize_level(handle, level, &raw mut status);
            c::fits_set_dither_seed(handle, 77, &raw mut status);
        }
        c::ffcrim(
            handle,
            picture.bitpix,
            axes.len() as i32,
            axes.as_mut_ptr(),
            &raw mut status,
        );
        c::ffppn(
            handle,
            82,
            1,
            values.len() as _,
            values.as_mut_ptr().cast(),
            (&raw mut blank).cast(),
            &raw mut status,
        );
        c::ffclos(handle, &raw mut status);
    }
    assert_eq!(
        status,
        0,
        "the C library could not write {}",
        path.display()
    );
}

/// Reads `count` values of the second unit of `path`.
pub fn read(path: &Path, count: usize) -> Vec<f64> {
    let name = literal(path);
    let (mut handle, mut status, mut any) = (std::ptr::null_mut(), 0, 0);
    let mut values = vec![0.0; count];
    let mut blank = f64::NAN;
    // SAFETY: as above.
    unsafe {
        c::ffdkopn(&raw mut handle, name.as_ptr(), 0, &raw mut status);
        c::ffmahd(handle, 2, std::ptr::null_mut(), &raw mut status);
        c::ffgpv(
            handle,
            82,
            1,
            count as _,
            (&raw mut blank).cast(),
            values.as_mut_ptr().cast(),
            &raw mut any,
            &raw mut status,
        );
        c::ffclos(handle, &raw mut status);
    }
    assert_eq!(status, 0, "the C library could not read {}", path.display());
    values
}
