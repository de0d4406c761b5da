//! Uncompressed FITS images: positioned reads in pieces that stay in cache, byte order and
//! scaling applied on the way into the smallest pixel type, pieces in parallel.

use super::hdu::{Bitpix, Hdu, Shape};
use crate::frame::Pixels;
use crate::frame::fault::Fault;
use crate::frame::source::Source;
use rayon::prelude::*;

/// Pixels of one piece. Everything a piece needs stays in the second-level cache.
const PIECE_PX: usize = 1 << 15;

/// Physical value = `zero + scale * stored` (FITS 4.0, equation 3).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Scaling {
    /// BSCALE.
    pub scale: f64,
    /// BZERO.
    pub zero: f64,
    /// Stored value of undefined pixels of integer images.
    pub blank: Option<i64>,
}

impl Scaling {
    /// Reads BSCALE, BZERO and BLANK.
    pub(crate) fn of(hdu: &Hdu, shape: &Shape) -> Scaling {
        let integer = !shape.bitpix.is_float();
        Scaling {
            // A scale of zero would make every pixel equal; it can only be a mistake.
            scale: hdu
                .header
                .number("BSCALE")
                .filter(|s| *s != 0.0)
                .unwrap_or(1.0),
            zero: hdu.header.number("BZERO").unwrap_or(0.0),
            blank: hdu.header.integer("BLANK").filter(|_| integer),
        }
    }

    /// What to add to stored integers, where they stay integers.
    pub(crate) fn whole_offset(&self) -> Option<i64> {
        let whole = self.scale == 1.0 && self.zero.fract() == 0.0 && self.zero.abs() < 1e15;
        whole.then_some(self.zero as i64)
    }
}

/// A stored number type.
trait Stored: Copy {
    const BYTES: usize;
    fn real(self) -> f64;
    fn whole(self) -> Option<i64>;
    fn from_be(bytes: &[u8]) -> Self;
}

macro_rules! stored {
    ($type:ty, $whole:expr) => {
        impl Stored for $type {
            const BYTES: usize = size_of::<$type>();
            fn real(self) -> f64 {
                self as f64
            }
            fn whole(self) -> Option<i64> {
                let whole: fn($type) -> Option<i64> = $whole;
                whole(self)
            }
            fn from_be(bytes: &[u8]) -> Self {
                bytes
                    .try_into()
                    .map_or(Default::default(), <$type>::from_be_bytes)
            }
        }
    };
}
stored!(u8, |v| Some(i64::from(v)));
stored!(i16, |v| Some(i64::from(v)));
stored!(i32, |v| Some(i64::from(v)));
stored!(i64, Some);
stored!(f32, |_| None);
stored!(f64, |_| None);

/// Why a piece could not be filled.
pub(crate) enum Stop {
    /// Some value does not fit the smaller type: try the larger.
    TooSmall,
    /// The frame cannot be read.
    Fault(Fault),
}

impl From<Fault> for Stop {
    fn from(fault: Fault) -> Stop {
        Stop::Fault(fault)
    }
}

/// Reads the plane, or the mean of the planes, of `shape` behind `hdu`.
pub(crate) fn read(source: &Source, hdu: &Hdu, shape: &Shape) -> Result<Pixels, Fault> {
    shape.check_data(source, hdu)?;
    // Pixels may become wider than they are stored.
    let budget = source.budget();
    budget.check_work((shape.pixels() * size_of::<f32>()) as u64)?;
    let image = Image {
        source,
        start: hdu.data_start,
        shape,
        scaling: Scaling::of(hdu, shape),
    };
    match shape.bitpix {
        Bitpix::U8 => image.read_bytes(),
        Bitpix::I16 => image.read_words(),
        Bitpix::I32 => image.read_smallest::<i32>(),
        Bitpix::I64 => image.read_smallest::<i64>(),
        Bitpix::F32 => image.read_floats(),
        Bitpix::F64 => image.read_real::<f64>(),
    }
}

struct Image<'a> {
    source: &'a Source,
    start: u64,
    shape: &'a Shape,
    scaling: Scaling,
}

impl Image<'_> {
    /// 8-bit data without scaling stay as they are.
    fn read_bytes(&self) -> Result<Pixels, Fault> {
        let simple = self.scaling.whole_offset() == Some(0) && self.scaling.blank.is_none();
        if !simple || self.shape.planes != 1 {
            return self.read_smallest::<u8>();
        }
        let plane = self.fill(|first, piece: &mut [u8], _| {
            Ok(self
                .source
                .read_exact_at(piece, self.start + first as u64)?)
        });
        plane.map(Pixels::U8).map_err(no_smaller)
    }

    /// 16-bit data, by far the commonest, have a path of their own.
    fn read_words(&self) -> Result<Pixels, Fault> {
        let offset = self.scaling.whole_offset();
        let flip = match offset {
            Some(32768) => 0x8000,
            Some(0) => 0,
            _ => return self.read_smallest::<i16>(),
        };
        // Without the offset, values below zero do not fit; neither does a blank value.
        let blank = self.scaling.blank.and_then(|b| i16::try_from(b).ok());
        if self.shape.planes != 1 || blank.is_some() {
            return self.read_smallest::<i16>();
        }
        // Read in place: the first touch of fresh memory is what costs.
        let plane = self.fill(|first, piece: &mut [u16], _| {
            let at = self.start + 2 * first as u64;
            self.source
                .read_exact_at(bytemuck::cast_slice_mut(piece), at)?;
            let mut bits = 0;
            for pixel in piece.iter_mut() {
                let stored = u16::from_be(*pixel);
                bits |= stored;
                *pixel = stored ^ flip;
            }
            if flip == 0 && bits & 0x8000 != 0 {
                return Err(Stop::TooSmall);
            }
            Ok(())
        });
        match plane {
            Ok(plane) => Ok(Pixels::U16(plane)),
            Err(Stop::TooSmall) => self.read_real::<i16>(),
            Err(Stop::Fault(fault)) => Err(fault),
        }
    }

    /// Integers: 16-bit where all of them fit, else floating point.
    fn read_smallest<T: Stored>(&self) -> Result<Pixels, Fault> {
        let Some(offset) = self.scaling.whole_offset() else {
            return self.read_real::<T>();
        };
        let planes = self.shape.planes as i64;
        let plane = self.fill(|first, piece: &mut [u16], buffer| {
            let mut sums = vec![0_i64; piece.len()];
            for plane in 0..self.shape.planes {
                let samples = self.load(plane, first, piece.len(), T::BYTES, buffer)?;
                for (sum, bytes) in sums.iter_mut().zip(samples) {
                    let stored = T::from_be(&bytes[..T::BYTES]).whole();
                    let value = stored
                        .filter(|v| Some(*v) != self.scaling.blank)
                        .and_then(|v| v.checked_add(offset))
                        .filter(|v| (0..=65535).contains(v));
                    *sum += value.ok_or(Stop::TooSmall)?;
                }
            }
            for (pixel, sum) in piece.iter_mut().zip(sums) {
                *pixel = ((sum + planes / 2) / planes) as u16;
            }
            Ok(())
        });
        match plane {
            Ok(plane) => Ok(narrow_bytes(plane, T::BYTES)),
            Err(Stop::TooSmall) => self.read_real::<T>(),
            Err(Stop::Fault(fault)) => Err(fault),
        }
    }

    /// 32-bit floating point without scaling is read in place, too.
    fn read_floats(&self) -> Result<Pixels, Fault> {
        if self.scaling.whole_offset() != Some(0) || self.shape.planes != 1 {
            return self.read_real::<f32>();
        }
        let plane = self.fill(|first, piece: &mut [f32], _| {
            let at = self.start + 4 * first as u64;
            self.source
                .read_exact_at(bytemuck::cast_slice_mut(piece), at)?;
            for pixel in piece.iter_mut() {
                let value = f32::from_bits(u32::from_be(pixel.to_bits()));
                *pixel = if value.is_finite() { value } else { f32::NAN };
            }
            Ok(())
        });
        plane.map(Pixels::F32).map_err(no_smaller)
    }

    /// Everything else becomes floating point.
    fn read_real<T: Stored>(&self) -> Result<Pixels, Fault> {
        let Scaling { scale, zero, blank } = self.scaling;
        let planes = self.shape.planes as f64;
        let plane = self.fill(|first, piece: &mut [f32], buffer| {
            let mut sums = vec![0_f64; piece.len()];
            for plane in 0..self.shape.planes {
                let samples = self.load(plane, first, piece.len(), T::BYTES, buffer)?;
                for (sum, bytes) in sums.iter_mut().zip(samples) {
                    let stored = T::from_be(&bytes[..T::BYTES]);
                    let is_blank = blank.is_some() && stored.whole() == blank;
                    *sum += if is_blank {
                        f64::NAN
                    } else {
                        zero + scale * stored.real()
                    };
                }
            }
            for (pixel, sum) in piece.iter_mut().zip(sums) {
                *pixel = finite_or_nan(sum / planes);
            }
            Ok(())
        });
        plane.map(Pixels::F32).map_err(no_smaller)
    }

    /// Reads `count` pixels from pixel `first` of a plane; each item begins with the `bytes` of
    /// one of them.
    fn load<'b>(
        &self,
        plane: usize,
        first: usize,
        count: usize,
        bytes: usize,
        buffer: &'b mut Vec<u8>,
    ) -> Result<std::slice::Chunks<'b, u8>, Fault> {
        let planes = self.shape.planes;
        // Samples that are read, the first of them, and how far apart those of the plane lie.
        let (samples, sample, step) = if self.shape.interleaved {
            (count * planes, (first * planes) as u64, planes)
        } else {
            let start = plane as u64 * self.shape.pixels() as u64;
            (count, start + first as u64, 1)
        };
        buffer.resize(samples * bytes, 0);
        self.source
            .read_exact_at(buffer, self.start + sample * bytes as u64)?;
        let skipped = if step > 1 { plane * bytes } else { 0 };
        Ok(buffer[skipped..].chunks(step * bytes))
    }

    /// Fills a plane piece by piece; `fill_piece` gets the index of its first pixel, the piece
    /// and a byte buffer that it may keep for the next one.
    fn fill<T, F>(&self, fill_piece: F) -> Result<Vec<T>, Stop>
    where
        T: Copy + Default + Send,
        F: Fn(usize, &mut [T], &mut Vec<u8>) -> Result<(), Stop> + Sync,
    {
        let mut plane = vec![T::default(); self.shape.pixels()];
        plane
            .par_chunks_mut(PIECE_PX)
            .enumerate()
            .try_for_each_init(Vec::new, |buffer, (index, piece)| {
                fill_piece(index * PIECE_PX, piece, buffer)
            })?;
        Ok(plane)
    }
}

/// 8-bit data that went through the 16-bit path fit 8 bits again.
fn narrow_bytes(plane: Vec<u16>, stored_bytes: usize) -> Pixels {
    if stored_bytes == 1 && plane.iter().all(|v| *v < 256) {
        return Pixels::U8(plane.into_iter().map(|v| v as u8).collect());
    }
    Pixels::U16(plane)
}

/// Infinite values are no measurement either.
pub(crate) fn finite_or_nan(value: f64) -> f32 {
    let value = value as f32;
    if value.is_finite() { value } else { f32::NAN }
}

/// `TooSmall` cannot come from a path that has no smaller type.
fn no_smaller(stop: Stop) -> Fault {
    match stop {
        Stop::Fault(fault) => fault,
        Stop::TooSmall => Fault::damaged("cannot be read: get it again from where it was taken"),
    }
}
