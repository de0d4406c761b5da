//! Tile-compressed images: a table of compressed tiles that looks like an image.
//!
//! Source: FITS 4.0, section 10. All of its algorithms are decoded here: the C library crashes on
//! damaged data, and takes more than a compiler to build.

mod algorithm;
mod bits;
mod gzip;
mod hcompress;
#[cfg(test)]
mod oracle;
mod plio;
mod quantize;
mod rice;
mod table;

use super::card::Header;
use super::hdu::{Bitpix, Hdu, Shape};
use super::image::{Scaling, finite_or_nan};
use crate::frame::Pixels;
use crate::frame::fault::Fault;
use crate::frame::source::Source;
use algorithm::{Algorithm, Numbers, largest, numbers};
use quantize::{Dither, Quantised};
use rayon::prelude::*;
use table::Table;

/// The columns that a tile may be in.
const ARRAYS: [&str; 3] = [
    "COMPRESSED_DATA",
    "GZIP_COMPRESSED_DATA",
    "UNCOMPRESSED_DATA",
];

/// Decodes the image of `shape` behind `hdu`; colour planes are averaged.
pub(super) fn read(source: &Source, hdu: &Hdu, shape: &Shape) -> Result<Pixels, Fault> {
    if shape.interleaved && shape.planes > 1 {
        return Err(Fault::NotReadable(
            "is compressed with its colour axis first, which is not read: uncompress it first"
                .into(),
        ));
    }
    let size = tile_size(&hdu.header, shape)?;
    let unpacked = unpacked_bytes(shape, size);
    source
        .budget()
        .check_picture(shape.pixels() as u64, unpacked)?;
    let algorithm = Algorithm::of(&hdu.header, shape.bitpix)?;
    let tiles = Tiles {
        table: Table::read(source, hdu)?,
        source,
        shape,
        algorithm,
        scaling: algorithm.scaling(hdu, shape),
        dither: dither(&hdu.header),
        constant: Quantised {
            scale: hdu.header.number("ZSCALE").unwrap_or(1.0),
            zero: hdu.header.number("ZZERO").unwrap_or(0.0),
            blank: hdu.header.integer("ZBLANK"),
            dither: Dither::None,
        },
        quantised_by_header: hdu.header.number("ZSCALE").is_some(),
        size,
    };
    tiles.check_rows()?;
    tiles.decode()
}

fn dither(header: &Header) -> Dither {
    let seed = header.integer("ZDITHER0").unwrap_or(1);
    match header
        .text("ZQUANTIZ")
        .map(str::to_ascii_uppercase)
        .as_deref()
    {
        Some("SUBTRACTIVE_DITHER_1") => Dither::Subtractive {
            seed,
            keep_zero: false,
        },
        Some("SUBTRACTIVE_DITHER_2") => Dither::Subtractive {
            seed,
            keep_zero: true,
        },
        _ => Dither::None,
    }
}

/// Pixels of a tile along x, y and over all further axes.
fn tile_size(header: &Header, shape: &Shape) -> Result<[usize; 3], Fault> {
    let length = |axis: usize, default: usize| match header.integer(&format!("ZTILE{axis}")) {
        Some(n) if n >= 1 => Ok(usize::try_from(n).unwrap_or(usize::MAX)),
        Some(n) => Err(Fault::damaged(format!(
            "has ZTILE{axis} = {n}: compress it again"
        ))),
        None => Ok(default),
    };
    let depth = if shape.axes > 2 { length(3, 1)? } else { 1 };
    Ok([
        length(1, shape.width)?.min(shape.width),
        length(2, 1)?.min(shape.height),
        usize::try_from(shape.planes_stored)
            .unwrap_or(usize::MAX)
            .min(depth)
            .max(1),
    ])
}

/// Bytes of all samples that have to be decoded. Tiles that reach through more planes than are
/// wanted are decoded whole.
fn unpacked_bytes(shape: &Shape, size: [usize; 3]) -> u64 {
    let deep = shape.planes.div_ceil(size[2]) as u64;
    let planes = deep
        .saturating_mul(size[2] as u64)
        .min(shape.planes_stored.max(1));
    planes
        .saturating_mul(shape.pixels() as u64)
        .saturating_mul(shape.bitpix.bytes())
}

/// Everything that is needed to decode any tile.
struct Tiles<'a> {
    table: Table,
    source: &'a Source,
    shape: &'a Shape,
    algorithm: Algorithm,
    scaling: Scaling,
    dither: Dither,
    constant: Quantised,
    quantised_by_header: bool,
    size: [usize; 3],
}

impl Tiles<'_> {
    /// Tiles along x, along y, and along z as far as planes are wanted.
    fn counts(&self) -> [usize; 3] {
        let [x, y, z] = self.size;
        [
            self.shape.width.div_ceil(x),
            self.shape.height.div_ceil(y),
            self.shape.planes.div_ceil(z),
        ]
    }

    fn check_rows(&self) -> Result<(), Fault> {
        let [x, y, z] = self.counts();
        let needed = x.checked_mul(y).and_then(|n| n.checked_mul(z));
        let Some(needed) = needed.filter(|n| *n <= self.table.len()) else {
            return Err(Fault::damaged(
                "has fewer compressed tiles than its size needs: copy it again",
            ));
        };
        self.table.check_shared(needed, &ARRAYS)
    }

    /// How many bands are decoded at once: as many as the budget has memory for.
    fn bands_at_once(&self) -> Result<usize, Fault> {
        let budget = self.source.budget();
        let samples = unpacked_bytes(self.shape, self.size);
        let plane = (self.shape.pixels() * size_of::<f32>()) as u64;
        let left = |used: u64| budget.work_bytes().saturating_sub(used);
        let beside = plane.saturating_sub(samples);
        let band = self.band_bytes();
        budget.check_work(band.saturating_add(beside))?;
        let most = left(beside) / band.max(1);
        Ok(usize::try_from(most).unwrap_or(usize::MAX).max(1))
    }

    /// Most memory that decoding a band takes: the numbers of the tiles on top of each other, and
    /// what it takes to unpack the last of them.
    fn band_bytes(&self) -> u64 {
        let unpacking = self.algorithm.bytes_per_pixel(self.shape.bitpix);
        let [x, y, z] = self.size.map(|n| n as u64);
        let held = 8 * (self.counts()[2] as u64 - 1);
        // Saturating: a tile may claim to reach through any number of planes.
        (x * y).saturating_mul(z).saturating_mul(unpacking + held)
    }

    /// Integers that stay integers go into 16 bits where all of them fit.
    fn decode(&self) -> Result<Pixels, Fault> {
        let offset = self.scaling.whole_offset();
        if let (Some(offset), false) = (offset, self.shape.bitpix.is_float()) {
            let blank = self.constant.blank.or(self.scaling.blank);
            let whole = |numbers: &Numbers, from: usize, sums: &mut [f64]| {
                let Numbers::Whole(stored) = numbers else {
                    return false;
                };
                let mut fits = true;
                for (sum, stored) in sums.iter_mut().zip(&stored[from..]) {
                    let stored = i64::from(*stored);
                    let value = stored.wrapping_add(offset);
                    fits &= (0..=65535).contains(&value) && Some(stored) != blank;
                    *sum += value as f64;
                }
                fits
            };
            let mean = |sum: f64| (sum / self.shape.planes as f64).round() as u16;
            if let Some(plane) = self.bands(whole, mean)? {
                return Ok(narrow(plane, self.shape.bitpix));
            }
        }
        let plane = self.bands(
            |numbers, from, sums| self.add_physical(numbers, from, sums),
            |sum| finite_or_nan(sum / self.shape.planes as f64),
        )?;
        plane
            .map(Pixels::F32)
            .ok_or_else(|| Fault::damaged("has compressed tiles of the wrong size: copy it again"))
    }

    /// Adds physical values of the numbers from index `from` to `sums`.
    fn add_physical(&self, numbers: &Numbers, from: usize, sums: &mut [f64]) -> bool {
        let Scaling { scale, zero, blank } = self.scaling;
        let blank = self.constant.blank.or(blank);
        match numbers {
            Numbers::Whole(stored) => {
                for (sum, stored) in sums.iter_mut().zip(&stored[from..]) {
                    let is_blank = blank == Some(i64::from(*stored));
                    *sum += if is_blank {
                        f64::NAN
                    } else {
                        zero + scale * f64::from(*stored)
                    };
                }
            }
            Numbers::Real(values) => {
                for (sum, value) in sums.iter_mut().zip(&values[from..]) {
                    *sum += zero + scale * value;
                }
            }
        }
        true
    }

    /// Decodes band by band: all tiles beside each other, of all planes. `add` adds the
    /// physical values of numbers from an index on to a piece of a row, or says that they do not
    /// fit, which ends everything with `None`; `mean` makes a pixel of the sum over the planes.
    fn bands<T: Copy + Default + Send>(
        &self,
        add: impl Fn(&Numbers, usize, &mut [f64]) -> bool + Sync,
        mean: impl Fn(f64) -> T + Sync,
    ) -> Result<Option<Vec<T>>, Fault> {
        let band_px = self.shape.width * self.size[1];
        let at_once = self.bands_at_once()?;
        let mut plane = vec![T::default(); self.shape.pixels()];
        for (group, bands) in plane
            .chunks_mut(band_px.saturating_mul(at_once))
            .enumerate()
        {
            let fitted = bands
                .par_chunks_mut(band_px)
                .enumerate()
                .try_for_each(|(n, out)| {
                    self.band(group * at_once + n, out, &add, &mean)
                        .map_err(Some)?
                        .ok_or(None)
                });
            match fitted {
                Ok(()) => {}
                Err(None) => return Ok(None),
                Err(Some(fault)) => return Err(fault),
            }
        }
        Ok(Some(plane))
    }

    /// Decodes all tiles of a band into `out`.
    fn band<T: Copy>(
        &self,
        band: usize,
        out: &mut [T],
        add: impl Fn(&Numbers, usize, &mut [f64]) -> bool,
        mean: impl Fn(f64) -> T,
    ) -> Result<Option<()>, Fault> {
        let across = self.counts()[0];
        let width = self.shape.width;
        let rows = out.len() / width;
        let mut sums = vec![0_f64; self.size[0]];
        for x in 0..across {
            let left = x * self.size[0];
            let columns = self.size[0].min(width - left);
            let column = self.column(band, x, columns * rows)?;
            for (row, out) in out.chunks_exact_mut(width).enumerate() {
                let sums = &mut sums[..columns];
                sums.fill(0.0);
                for (numbers, planes) in &column {
                    for plane in 0..*planes {
                        if !add(numbers, (plane * rows + row) * columns, sums) {
                            return Ok(None);
                        }
                    }
                }
                for (pixel, sum) in out[left..].iter_mut().zip(sums) {
                    *pixel = mean(*sum);
                }
            }
        }
        Ok(Some(()))
    }

    /// The tiles on top of each other at place `x` of a band, as far as their planes are wanted,
    /// `area` pixels each: their numbers and how many planes of each are wanted.
    fn column(&self, band: usize, x: usize, area: usize) -> Result<Vec<(Numbers, usize)>, Fault> {
        let [across, down, deep] = self.counts();
        let stored = usize::try_from(self.shape.planes_stored).unwrap_or(usize::MAX);
        let tile = |z: usize| {
            self.source.budget().check_time()?;
            let depth = self.size[2].min(stored.max(1) - z * self.size[2]);
            let wanted = depth.min(self.shape.planes - z * self.size[2]);
            let count = area * depth;
            let numbers = self.tile((z * down + band) * across + x, count)?;
            numbers.check_count(count)?;
            Ok((numbers, wanted))
        };
        (0..deep).map(tile).collect()
    }

    /// The numbers of the tile in a row of the table.
    fn tile(&self, row: usize, count: usize) -> Result<Numbers, Fault> {
        let float = self.shape.bitpix.is_float();
        let packed = self.table.array(self.source, row, ARRAYS[0])?;
        if !packed.is_empty() {
            let quantised = self.quantised(row);
            let raw_type = if quantised.is_some() {
                Bitpix::I32
            } else {
                self.shape.bitpix
            };
            let budget = self.source.budget();
            let numbers = self.algorithm.unpack(&packed, count, raw_type, budget)?;
            return Ok(match (quantised, numbers) {
                (Some(quantised), Numbers::Whole(stored)) => {
                    Numbers::Real(quantised.restore(&stored, row))
                }
                (_, numbers) => numbers,
            });
        }
        // Tiles that could not be quantised are kept as they were.
        let packed = self.table.array(self.source, row, ARRAYS[1])?;
        if float && !packed.is_empty() {
            let (bytes, element) = gzip::unpack(&packed, count, largest(self.shape.bitpix), false)?;
            return numbers(&bytes, element, self.shape.bitpix);
        }
        let bytes = self.table.array(self.source, row, ARRAYS[2])?;
        if bytes.len() == count * self.shape.bitpix.bytes() as usize {
            return numbers(
                &bytes,
                self.shape.bitpix.bytes() as usize,
                self.shape.bitpix,
            );
        }
        Err(Fault::damaged(format!(
            "has nothing in compressed tile {}: copy it again",
            row + 1
        )))
    }

    /// How the floating-point values of a tile were quantised; `None` for integers and for
    /// values stored without loss.
    fn quantised(&self, row: usize) -> Option<Quantised> {
        let by_column = self.table.has("ZSCALE");
        if !self.shape.bitpix.is_float() || !(by_column || self.quantised_by_header) {
            return None;
        }
        let column = |name| self.table.number(row, name);
        let blank = column("ZBLANK").map(|b| b as i64);
        Some(Quantised {
            scale: column("ZSCALE").unwrap_or(self.constant.scale),
            zero: column("ZZERO").unwrap_or(self.constant.zero),
            blank: blank.or(self.constant.blank).or(Some(i64::from(i32::MIN))),
            dither: self.dither,
        })
    }
}

/// 8-bit images go back to 8 bits.
fn narrow(plane: Vec<u16>, bitpix: Bitpix) -> Pixels {
    if bitpix == Bitpix::U8 && plane.iter().all(|v| *v < 256) {
        return Pixels::U8(plane.into_iter().map(|v| v as u8).collect());
    }
    Pixels::U16(plane)
}
