//! The compact extract of bright stars (`.nfcat`), as `catalogue/README.md` describes it.

use super::{Catalogue, CatalogueStar};
use flate2::read::ZlibDecoder;
use std::io::Read;

pub(super) const MAGIC: &[u8] = b"NFCAT\x00\x01\x00";
const ZONES: usize = 180;
/// RA step (3), Dec, two proper motions, magnitude, colour (2 each).
const BYTES_PER_STAR: usize = 13;
const NO_COLOUR: i16 = i16::MAX;

/// A column of `count` values whose bytes are stored plane by plane.
fn column<'a>(rest: &mut &'a [u8], count: usize, width: usize) -> Option<Vec<u32>> {
    let (planes, after): (&'a [u8], _) = rest.split_at_checked(count * width)?;
    *rest = after;
    let mut values = vec![0_u32; count];
    for (byte, plane) in planes.chunks_exact(count.max(1)).enumerate() {
        for (value, &b) in values.iter_mut().zip(plane) {
            *value |= u32::from(b) << (8 * byte);
        }
    }
    Some(values)
}

/// Reads an extract from its bytes; the error says what is wrong.
pub fn read_extract(bytes: &[u8]) -> Result<Catalogue, &'static str> {
    let head = bytes
        .get(MAGIC.len()..MAGIC.len() + 8)
        .ok_or("it is too short")?;
    let count = u32::from_le_bytes([head[0], head[1], head[2], head[3]]) as usize;
    let epoch = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
    if count > 100_000_000 {
        return Err("its number of stars cannot be right");
    }
    let expected = ZONES * 4 + count * BYTES_PER_STAR;
    let mut body = Vec::new();
    ZlibDecoder::new(&bytes[MAGIC.len() + 8..])
        .take(expected as u64 + 1)
        .read_to_end(&mut body)
        .map_err(|_| "its compressed part does not unpack")?;
    if body.len() != expected {
        return Err("its length does not agree with its number of stars");
    }
    let mut rest = &body[..];
    let mut next = |count, width| column(&mut rest, count, width).ok_or("it ends early");
    let per_zone = next(ZONES, 4)?;
    let (step, dec) = (next(count, 3)?, next(count, 2)?);
    let (pm_ra, pm_dec) = (next(count, 2)?, next(count, 2)?);
    let (mag, bv) = (next(count, 2)?, next(count, 2)?);
    if per_zone.iter().map(|&n| u64::from(n)).sum::<u64>() != count as u64 {
        return Err("its zones do not add up");
    }
    let mut stars = Vec::with_capacity(count);
    for (zone, &in_zone) in per_zone.iter().enumerate() {
        let mut ra = 0_u32;
        for _ in 0..in_zone {
            let i = stars.len();
            ra = ra.wrapping_add(step[i]);
            let signed = |v: u32| f64::from(v as u16 as i16);
            let star = CatalogueStar {
                ra_deg: f64::from(ra) * 1e-4,
                dec_deg: zone as f64 - 90.0 + f64::from(dec[i]) * 1e-4,
                pm_mas_yr: [signed(pm_ra[i]), signed(pm_dec[i])],
                mag: signed(mag[i]) / 100.0,
                bv: (bv[i] as u16 as i16 != NO_COLOUR).then(|| signed(bv[i]) / 100.0),
            };
            if star.ra_deg >= 360.0 || star.dec_deg > 90.0 {
                return Err("a position lies outside the sky");
            }
            stars.push(star);
        }
    }
    Ok(Catalogue {
        epoch_jyear: f64::from(epoch),
        stars,
    })
}
