//! How tiles are packed, and what comes out of one.

use super::super::card::Header;
use super::super::hdu::{Bitpix, Hdu, Shape};
use super::super::image::Scaling;
use super::{gzip, hcompress, plio, rice};
use crate::frame::budget::Budget;
use crate::frame::fault::Fault;

/// How the tiles are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Algorithm {
    Rice {
        bytes_per_pixel: usize,
        block: usize,
    },
    Gzip {
        shuffled: bool,
    },
    Plio,
    Hcompress {
        smooth: bool,
    },
    Unpacked,
}

/// Numbers of one tile.
pub(super) enum Numbers {
    /// As they are stored, or quantised.
    Whole(Vec<i32>),
    /// Floating-point values.
    Real(Vec<f64>),
}

impl Numbers {
    /// Checks that a tile is whole.
    pub(super) fn check_count(&self, expected: usize) -> Result<(), Fault> {
        let count = match self {
            Numbers::Whole(stored) => stored.len(),
            Numbers::Real(values) => values.len(),
        };
        if count == expected {
            return Ok(());
        }
        Err(Fault::damaged(
            "has a compressed tile of the wrong size: copy it again",
        ))
    }
}

impl Algorithm {
    /// What the header of an image of `bitpix` states.
    pub(super) fn of(header: &Header, bitpix: Bitpix) -> Result<Algorithm, Fault> {
        let name = header.text("ZCMPTYPE").unwrap_or("");
        Ok(match name.to_ascii_uppercase().as_str() {
            "RICE_1" | "RICE_ONE" => Algorithm::Rice {
                bytes_per_pixel: parameter(header, "BYTEPIX").unwrap_or(match bitpix {
                    Bitpix::U8 => 1,
                    Bitpix::I16 => 2,
                    _ => 4,
                }),
                block: parameter(header, "BLOCKSIZE").unwrap_or(32),
            },
            "GZIP_1" => Algorithm::Gzip { shuffled: false },
            "GZIP_2" => Algorithm::Gzip { shuffled: true },
            "PLIO_1" => Algorithm::Plio,
            "HCOMPRESS_1" => Algorithm::Hcompress {
                smooth: parameter(header, "SMOOTH").is_some_and(|smooth| smooth != 0),
            },
            "NOCOMPRESS" => Algorithm::Unpacked,
            name => {
                return Err(Fault::NotReadable(format!(
                    "is compressed with '{name}', which is not read: uncompress it first"
                )));
            }
        })
    }

    /// What physical values are made by. PLIO_1 knows no negative numbers: writers store unsigned
    /// 16-bit ones as they are, although the header has the offset that makes them signed (as
    /// cfitsio does).
    pub(super) fn scaling(self, hdu: &Hdu, shape: &Shape) -> Scaling {
        const UNSIGNED: f64 = 32_768.0;
        let mut scaling = Scaling::of(hdu, shape);
        if self == Algorithm::Plio && scaling.zero == UNSIGNED {
            scaling.zero = 0.0;
        }
        scaling
    }

    /// Most memory that unpacking a tile of an image of `bitpix` takes, bytes per pixel.
    pub(super) fn bytes_per_pixel(self, bitpix: Bitpix) -> u64 {
        let element = bitpix.bytes().max(4);
        match self {
            Algorithm::Hcompress { .. } => hcompress::BYTES_PER_PIXEL,
            Algorithm::Rice { .. } | Algorithm::Plio if !bitpix.is_float() => 4,
            Algorithm::Rice { .. } | Algorithm::Plio => 8 + element,
            Algorithm::Gzip { .. } | Algorithm::Unpacked => 8 + 2 * element,
        }
    }

    /// Unpacks a tile of `count` numbers of an image whose tiles hold numbers of `bitpix`.
    pub(super) fn unpack(
        self,
        packed: &[u8],
        count: usize,
        bitpix: Bitpix,
        budget: &Budget,
    ) -> Result<Numbers, Fault> {
        match self {
            Algorithm::Rice {
                bytes_per_pixel,
                block,
            } => rice::decode(packed, count, bytes_per_pixel, block).map(Numbers::Whole),
            Algorithm::Gzip { shuffled } => {
                let (bytes, element) = gzip::unpack(packed, count, largest(bitpix), shuffled)?;
                numbers(&bytes, element, bitpix)
            }
            Algorithm::Plio => plio::decode(packed, count).map(Numbers::Whole),
            Algorithm::Hcompress { smooth } => {
                hcompress::decode(packed, count, smooth, budget).map(Numbers::Whole)
            }
            Algorithm::Unpacked => {
                let element = packed.len() / count.max(1);
                numbers(packed, element, bitpix)
            }
        }
    }
}

/// A parameter of the algorithm: `ZNAMEi` names it, `ZVALi` gives it.
fn parameter(header: &Header, name: &str) -> Option<usize> {
    (1..=9).find_map(|i| {
        let stated = header.text(&format!("ZNAME{i}"))?;
        let value = header.integer(&format!("ZVAL{i}"))?;
        stated
            .eq_ignore_ascii_case(name)
            .then(|| usize::try_from(value).ok())?
    })
}

/// Most bytes that one number of a tile is stored in: integers of fewer than 32 bits may be stored
/// in 32.
pub(super) fn largest(bitpix: Bitpix) -> usize {
    bitpix.bytes().max(4) as usize
}

/// Big-endian numbers of `element` bytes; floating point where the image is and the size fits.
pub(super) fn numbers(bytes: &[u8], element: usize, bitpix: Bitpix) -> Result<Numbers, Fault> {
    fn each<const N: usize, T>(bytes: &[u8], of: impl Fn([u8; N]) -> T) -> Vec<T> {
        bytes.as_chunks().0.iter().map(|chunk| of(*chunk)).collect()
    }
    Ok(match (element, bitpix) {
        (4, Bitpix::F32) => Numbers::Real(each(bytes, |b| f64::from(f32::from_be_bytes(b)))),
        (8, Bitpix::F64) => Numbers::Real(each(bytes, f64::from_be_bytes)),
        (8, _) => Numbers::Real(each(bytes, |b| i64::from_be_bytes(b) as f64)),
        (1, _) => Numbers::Whole(each(bytes, |[b]| i32::from(b))),
        (2, _) => Numbers::Whole(each(bytes, |b| i32::from(i16::from_be_bytes(b)))),
        (4, _) => Numbers::Whole(each(bytes, i32::from_be_bytes)),
        _ => {
            return Err(Fault::damaged(
                "has a compressed tile of the wrong size: copy it again",
            ));
        }
    })
}
