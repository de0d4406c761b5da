//! The C library as writer of compressed images and as oracle for reading them.
#![allow(dead_code, unsafe_code)]

use fitsio_sys as c;
use std::ffi::CString;
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

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

/// Type code of fitsio.h and the values in that type: compressed images are not converted.
fn native(bitpix: i32, values: &[f64]) -> (i32, Vec<u8>) {
    let each = |f: &dyn Fn(f64) -> Vec<u8>| values.iter().flat_map(|v| f(*v)).collect();
    match bitpix {
        8 => (11, each(&|v| vec![v as u8])),
        16 => (21, each(&|v| (v as i16).to_ne_bytes().to_vec())),
        20 => (20, each(&|v| (v as u16).to_ne_bytes().to_vec())),
        32 => (31, each(&|v| (v as i32).to_ne_bytes().to_vec())),
        -32 => (42, each(&|v| (v as f32).to_ne_bytes().to_vec())),
        _ => (82, each(&|v| v.to_ne_bytes().to_vec())),
    }
}

/// The C library's HCOMPRESS counts its bits in static variables: one call at a time.
fn turn() -> MutexGuard<'static, ()> {
    static TURN: Mutex<()> = Mutex::new(());
    TURN.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Writes a compressed image to `path`, without loss where it holds integers.
pub fn write(path: &Path, picture: &Picture) {
    write_lossy(path, picture, 0, false);
}

/// Writes a compressed image to `path`; HCOMPRESS_1 divides by `scale` and says whether it is to be
/// smoothed.
pub fn write_lossy(path: &Path, picture: &Picture, scale: u16, smooth: bool) {
    let _turn = turn();
    let name = literal(path);
    let (mut handle, mut status) = (std::ptr::null_mut(), 0);
    let mut axes: Vec<_> = picture.axes.iter().map(|n| *n as _).collect();
    let mut tile: Vec<_> = picture.tile.iter().map(|n| *n as _).collect();
    // The C library finds blank values by comparing, which not-a-number never passes.
    let marked = |v: &f64| if v.is_nan() { -1e30 } else { *v };
    let values: Vec<f64> = picture.values.iter().map(marked).collect();
    let (kind, mut bytes) = native(picture.bitpix, &values);
    let (_, mut blank) = native(picture.bitpix, &[-1e30]);
    // SAFETY: every array is as long as the call is told and outlives it.
    unsafe {
        c::ffdkinit(&raw mut handle, name.as_ptr(), &raw mut status);
        c::fits_set_compression_type(handle, picture.algorithm, &raw mut status);
        // Below zero: in counts, not in units of the noise.
        c::fits_set_hcomp_scale(handle, -f32::from(scale), &raw mut status);
        c::fits_set_hcomp_smooth(handle, i32::from(smooth), &raw mut status);
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
        let (count, array) = (values.len() as _, bytes.as_mut_ptr().cast());
        if picture.bitpix < 0 {
            let blank = blank.as_mut_ptr().cast();
            c::ffppn(handle, kind, 1, count, array, blank, &raw mut status);
        } else {
            c::ffppr(handle, kind, 1, count, array, &raw mut status);
        }
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
    let _turn = turn();
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

/// What the C library says of the data's and the whole unit's checksum of the primary unit: 1 right,
/// 0 missing, -1 wrong.
pub fn checksums(path: &Path) -> [i32; 2] {
    let name = literal(path);
    let (mut handle, mut status) = (std::ptr::null_mut(), 0);
    let [mut of_data, mut of_unit] = [0; 2];
    // SAFETY: the name ends with a zero; the handle is that of the open file until it is closed.
    unsafe {
        c::ffdkopn(&raw mut handle, name.as_ptr(), 0, &raw mut status);
        c::ffvcks(handle, &raw mut of_data, &raw mut of_unit, &raw mut status);
        c::ffclos(handle, &raw mut status);
    }
    assert_eq!(status, 0, "{}", path.display());
    [of_data, of_unit]
}
