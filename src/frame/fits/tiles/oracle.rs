//! PLIO_1 and HCOMPRESS_1 against the C library cfitsio 3.49, tile by tile: it codes, both decode,
//! and every pixel has to be the same.
#![allow(unsafe_code, reason = "calls of the C library")]

use super::{hcompress, plio};
use crate::Deadline;
use crate::frame::budget::Budget;
use std::ffi::{c_int, c_long, c_uchar};
use std::sync::{Mutex, MutexGuard, PoisonError};

unsafe extern "C" {
    fn pl_p2li(pixels: *mut c_int, first: c_int, list: *mut i16, count: c_int) -> c_int;
    fn pl_l2pi(list: *mut i16, first: c_int, pixels: *mut c_int, count: c_int) -> c_int;
}

/// The C library counts its bits in static variables: one call at a time.
static TURN: Mutex<()> = Mutex::new(());

fn turn() -> MutexGuard<'static, ()> {
    TURN.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A tile of numbers.
struct Tile {
    rows: usize,
    columns: usize,
    values: Vec<i32>,
}

/// A fixed sequence (Knuth's MMIX constants).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 32
    }

    /// From 0 to below `end`.
    fn below(&mut self, end: u64) -> i64 {
        (self.next() % end) as i64
    }

    fn side(&mut self) -> usize {
        let most = [3, 9, 40, 130][self.below(4) as usize];
        1 + self.below(most) as usize
    }
}

/// Kinds of pictures, each within 0 to 65535 unless it says otherwise.
const KINDS: usize = 8;

/// A sky with noise of `sigma` and some stars.
fn sky(random: &mut Random, rows: usize, columns: usize, sigma: i64) -> Vec<i64> {
    let mut values: Vec<i64> = (0..rows * columns)
        .map(|at| {
            let noise: i64 = (0..4).map(|_| random.below(sigma as u64)).sum();
            500 + noise + (at % columns) as i64
        })
        .collect();
    for _ in 0..rows * columns / 60 {
        let (row, column) = (random.below(rows as u64), random.below(columns as u64));
        let flux = 60_000 >> random.below(12);
        for (at, value) in values.iter_mut().enumerate() {
            let (y, x) = ((at / columns) as i64, (at % columns) as i64);
            let square = (y - row).pow(2) + (x - column).pow(2);
            *value = (*value + flux / (1 + square * square)).min(65_535);
        }
    }
    values
}

fn tile(random: &mut Random, kind: usize) -> Tile {
    let (rows, columns) = (random.side(), random.side());
    let count = rows * columns;
    let mut plain = |of: &mut dyn FnMut(&mut Random, usize) -> i64| -> Vec<i64> {
        (0..count).map(|at| of(random, at)).collect()
    };
    let values = match kind % KINDS {
        0 => plain(&mut |_, _| 777),
        1 => plain(&mut |r, _| r.below(65_536)),
        2 => plain(&mut |r, _| r.below(65_536) - 32_768),
        3 => sky(random, rows, columns, 6),
        4 => sky(random, rows, columns, 40)
            .iter()
            .map(|v| v - 600)
            .collect(),
        5 => plain(&mut |r, _| i64::from(r.below(20) == 0)),
        6 => plain(&mut |r, at| ((at % columns) as i64 * 300 + r.below(2)) % 65_536),
        _ => plain(&mut |r, _| r.below(1 << 32) - (1 << 31)),
    };
    Tile {
        rows,
        columns,
        values: values.into_iter().map(|v| v as i32).collect(),
    }
}

/// Codes with the C library; in 64 bits where `wide`.
fn coded(tile: &Tile, scale: i32, wide: bool) -> Vec<u8> {
    let _turn = turn();
    let (columns, rows) = (tile.columns as c_int, tile.rows as c_int);
    // Noise of 32 bits takes more than what it is made of.
    let mut out = vec![0_u8; 12 * tile.values.len() + 1000];
    let (mut length, mut status) = (out.len() as c_long, 0);
    let bytes = out.as_mut_ptr().cast();
    // SAFETY: the arrays are as long as the calls are told, or longer, and outlive them.
    unsafe {
        if wide {
            let mut values: Vec<i64> = tile.values.iter().map(|v| i64::from(*v)).collect();
            let values = values.as_mut_ptr();
            fitsio_sys::fits_hcompress64(
                values,
                columns,
                rows,
                scale,
                bytes,
                &raw mut length,
                &raw mut status,
            );
        } else {
            let mut values = tile.values.clone();
            let values = values.as_mut_ptr();
            fitsio_sys::fits_hcompress(
                values,
                columns,
                rows,
                scale,
                bytes,
                &raw mut length,
                &raw mut status,
            );
        }
    }
    assert_eq!(status, 0);
    out.truncate(length as usize);
    out
}

/// Decodes with the C library.
fn decoded(tile: &Tile, code: &[u8], smooth: bool, wide: bool) -> Vec<i32> {
    let _turn = turn();
    // It reads a few bytes more than there are.
    let mut code: Vec<c_uchar> = [code, &[0; 16]].concat();
    let (mut columns, mut rows, mut scale, mut status) = (0, 0, 0, 0);
    let smooth = c_int::from(smooth);
    // Room for 64 bits a pixel: the C library puts 32 into the first half of it.
    let mut values = vec![0_i64; tile.values.len()];
    let code = code.as_mut_ptr();
    // SAFETY: as above.
    unsafe {
        let values = values.as_mut_ptr();
        let decode = if wide {
            fitsio_sys::fits_hdecompress64(
                code,
                smooth,
                values,
                &raw mut columns,
                &raw mut rows,
                &raw mut scale,
                &raw mut status,
            )
        } else {
            fitsio_sys::fits_hdecompress(
                code,
                smooth,
                values.cast(),
                &raw mut columns,
                &raw mut rows,
                &raw mut scale,
                &raw mut status,
            )
        };
        assert_eq!(decode, 0);
    }
    bytemuck::cast_slice(&values)[..tile.values.len()].to_vec()
}

#[test]
fn hcompress_gives_every_pixel() {
    let mut random = Random(11);
    let budget = Budget::new(0, Deadline::NONE);
    let mut lossy = 0;
    for round in 0..4000 {
        let kind = round % KINDS;
        let tile = tile(&mut random, kind);
        if tile.rows.min(tile.columns) < 2 {
            // There the C library writes beyond its memory; in files it takes no side below four.
            continue;
        }
        // As in files: 64 bits for images of 32, whose numbers may be small.
        let wide = kind == KINDS - 1 || random.below(2) == 1;
        let scale = [0, 1, 2, 3, 7, 16, 100, 1001][random.below(8) as usize];
        let code = coded(&tile, scale, wide);
        for smooth in [false, true] {
            let expected = decoded(&tile, &code, smooth, wide);
            let found = hcompress::decode(&code, tile.values.len(), smooth, &budget);
            let found = found.unwrap_or_else(|e| panic!("round {round}: {e:?}"));
            let (rows, columns) = (tile.rows, tile.columns);
            assert!(
                found == expected,
                "round {round}: kind {kind}, {rows} x {columns}, scale {scale}, smooth {smooth}"
            );
            if scale <= 1 {
                assert!(found == tile.values, "round {round}: not without loss");
            } else {
                lossy += usize::from(found != tile.values);
            }
        }
    }
    assert!(lossy > 1000, "{lossy}");
}

#[test]
fn plio_gives_every_pixel() {
    let mut random = Random(12);
    for round in 0..4000 {
        let mut tile = tile(&mut random, round);
        // Numbers from 0 to 2^24, and masks of long runs.
        let long = round % 3 == 0;
        let top = [2, 256, 1 << 24][random.below(3) as usize];
        let mut last = 0;
        for value in &mut tile.values {
            if !long || random.below(100) == 0 {
                last = value.rem_euclid(top);
            }
            *value = last;
        }
        let count = tile.values.len();
        let mut list = vec![0_i16; 4 * count + 100];
        let mut expected = vec![0; count];
        // SAFETY: the arrays are as long as the calls are told, or longer.
        let words = unsafe {
            pl_p2li(
                tile.values.as_mut_ptr(),
                1,
                list.as_mut_ptr(),
                count as c_int,
            )
        };
        assert!(words > 0, "round {round}");
        // SAFETY: as above.
        let pixels =
            unsafe { pl_l2pi(list.as_mut_ptr(), 1, expected.as_mut_ptr(), count as c_int) };
        assert_eq!(pixels as usize, count);
        let bytes: Vec<u8> = list[..words as usize]
            .iter()
            .flat_map(|word| word.to_be_bytes())
            .collect();
        let found = plio::decode(&bytes, count);
        let found = found.unwrap_or_else(|e| panic!("round {round}: {e:?}"));
        assert!(found == expected && found == tile.values, "round {round}");
    }
}

/// Damaged tiles: an answer or a fault, and soon.
#[test]
fn damaged_tiles_do_no_harm() {
    let mut random = Random(13);
    let budget = Budget::new(0, Deadline::NONE);
    let mut refused = 0;
    for round in 0..20_000 {
        let tile = tile(&mut random, round);
        let mut code = coded(&tile, [0, 9][round % 2], true);
        let end = if round % 7 == 0 {
            26.min(code.len())
        } else {
            code.len()
        };
        for _ in 0..1 + round % 4 {
            let at = random.below(end as u64) as usize;
            code[at] = random.next() as u8;
        }
        if round % 5 == 0 {
            code.truncate(random.below(code.len() as u64) as usize);
        }
        let count = tile.values.len();
        refused += usize::from(hcompress::decode(&code, count, true, &budget).is_err());
        refused += usize::from(plio::decode(&code, count).is_err());
    }
    assert!(refused > 10_000, "{refused}");
}
