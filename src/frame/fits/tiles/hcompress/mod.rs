//! HCOMPRESS_1: a two-dimensional Haar transform, whose coefficients are stored bit plane by bit
//! plane in quadtrees.
//!
//! Source: FITS 4.0, section 10.4.4; White, R. L. 1992, 'High-performance compression of
//! astronomical images' (Space Telescope Science Institute); the order of the bytes is that of the
//! program of that paper.

mod inverse;
mod planes;
mod smooth;

use super::bits::Bits;
use crate::frame::budget::Budget;
use crate::frame::fault::Fault;
use std::num::Wrapping;

/// A coefficient of the transform. Damaged ones overflow; those of a picture of 32-bit numbers
/// need more than 32 bits.
type Coefficient = Wrapping<i64>;

/// First bytes of every tile.
const MAGIC: [u8; 2] = [0xdd, 0x99];

/// Bytes that decoding holds for each pixel: its coefficient and the pixel.
pub(super) const BYTES_PER_PIXEL: u64 = 12;

/// Rows and columns of coefficients.
struct Plane {
    values: Vec<Coefficient>,
    rows: usize,
    columns: usize,
}

/// What stands in front of the coded planes.
struct Head {
    rows: usize,
    columns: usize,
    scale: i32,
    sum: i64,
    bits: [u8; 3],
}

impl Head {
    fn read(data: &[u8]) -> Option<(Head, &[u8])> {
        let (head, rest) = data.split_first_chunk::<25>()?;
        let number = |at: usize| {
            let bytes = head[at..at + 4].try_into();
            bytes.map(i32::from_be_bytes).ok()
        };
        let length = |at: usize| usize::try_from(number(at)?).ok();
        let head = Head {
            rows: length(2)?,
            columns: length(6)?,
            scale: number(10)?,
            sum: i64::from_be_bytes(head[14..22].try_into().ok()?),
            bits: [head[22], head[23], head[24]],
        };
        data.starts_with(&MAGIC).then_some((head, rest))
    }
}

/// Decodes a tile of `count` pixels; `smooth` asks for steps of a lossy coding to be smoothed.
pub(super) fn decode(
    data: &[u8],
    count: usize,
    smooth: bool,
    budget: &Budget,
) -> Result<Vec<i32>, Fault> {
    let damaged = || Fault::damaged("has a compressed tile that makes no sense: copy it again");
    let (head, rest) = Head::read(data).ok_or_else(damaged)?;
    if head.rows.checked_mul(head.columns) != Some(count) || count == 0 {
        return Err(Fault::damaged(
            "has a compressed tile of the wrong size: copy it again",
        ));
    }
    let mut plane = Plane {
        values: vec![Wrapping(0); count],
        rows: head.rows,
        columns: head.columns,
    };
    let mut bits = Bits::new(rest);
    planes::read(&mut bits, &mut plane, head.bits, budget)?.ok_or_else(damaged)?;
    planes::sign(&mut bits, &mut plane).ok_or_else(damaged)?;
    plane.values[0] = Wrapping(head.sum);
    if head.scale > 1 {
        let scale = Wrapping(i64::from(head.scale));
        plane.values.iter_mut().for_each(|value| *value *= scale);
    }
    let most = if smooth {
        i64::from(head.scale >> 1)
    } else {
        0
    };
    inverse::pixels(plane, most, budget)
}
