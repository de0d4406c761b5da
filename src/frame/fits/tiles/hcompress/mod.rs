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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Deadline;
    use std::time::Instant;

    /// One row of two pixels, 5 and 9: twice their sum, and twice their difference in four bit
    /// planes, of which the first has the one bit (code 8: 011) and the others none (111110).
    fn row() -> Vec<u8> {
        let none = "1111 111110";
        let planes = ["1111 011", none, none, none, none, none, none, none, "0000"].concat();
        let bits = planes.replace(' ', "");
        let bytes = bits.as_bytes().chunks(8).map(|bits| {
            let bit = |byte: u8, bit: &u8| byte << 1 | (bit - b'0');
            bits.iter().fold(0, bit) << (8 - bits.len())
        });
        let head = [0xdd, 0x99, 0, 0, 0, 1, 0, 0, 0, 2, 0, 0, 0, 0];
        let sum = 28_i64.to_be_bytes();
        let planes = [0, 4, 0];
        head.into_iter()
            .chain(sum)
            .chain(planes)
            .chain(bytes)
            .chain([0])
            .collect()
    }

    #[test]
    fn a_tile_may_be_one_row() {
        let budget = Budget::new(0, Deadline::NONE);
        let pixels = decode(&row(), 2, true, &budget).expect("a sound tile");
        assert_eq!(pixels, [5, 9]);
        assert!(decode(&row(), 3, true, &budget).is_err(), "another size");
    }

    #[test]
    fn it_ends_with_the_time() {
        let over = Deadline::after(Instant::now(), Some(std::time::Duration::ZERO));
        let late = decode(&row(), 2, false, &Budget::new(0, over));
        assert!(matches!(late, Err(Fault::TimeLimit)), "{late:?}");
    }
}
