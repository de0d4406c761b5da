//! Reads the bright-star extract, by the layout in `index-builder/catalogue/README.md`.

use crate::Error;
use std::io::Read;
use std::sync::OnceLock;

static EXTRACT: &[u8] = include_bytes!("../../index-builder/catalogue/bright-stars.nfcat");
const ZONES: usize = 180;
/// B-V of a star whose colour the catalogue does not give.
const UNKNOWN_COLOUR: i16 = 32767;

/// One star, ICRS, equinox and epoch J2000.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Star {
    /// Right ascension, degrees, 0 to 360.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
    /// Proper motion in right ascension times cos Dec, mas/yr.
    pub pm_ra_mas_yr: f64,
    /// Proper motion in declination, mas/yr.
    pub pm_dec_mas_yr: f64,
    /// Magnitude.
    pub magnitude: f64,
    /// B-V, where known.
    pub colour_bv: Option<f64>,
}

/// All stars of the extract.
#[derive(Debug)]
pub struct Catalogue {
    /// The stars, by declination zone of one degree, then right ascension.
    pub stars: Vec<Star>,
    /// Unit vector of each star at J2000, beside `stars`.
    pub(crate) directions: Vec<[f64; 3]>,
}

impl Catalogue {
    /// The extract that is compiled in; decoded on first use and kept.
    ///
    /// # Errors
    /// [`Error::Catalogue`] when the embedded file does not follow its stated layout.
    pub fn embedded() -> Result<&'static Self, Error> {
        static DECODED: OnceLock<Result<Catalogue, &'static str>> = OnceLock::new();
        DECODED
            .get_or_init(|| decode(EXTRACT))
            .as_ref()
            .map_err(|what| Error::Catalogue(what))
    }
}

fn decode(file: &[u8]) -> Result<Catalogue, &'static str> {
    let (head, packed) = file.split_at_checked(16).ok_or("it ends within its head")?;
    if !head.starts_with(b"NFCAT\x00\x01\x00") {
        return Err("it does not begin with its signature");
    }
    let count = u32::from_le_bytes([head[8], head[9], head[10], head[11]]) as usize;
    if count > 20_000_000 {
        return Err("it claims more stars than an extract can hold");
    }
    let size = ZONES * 4 + count * 13;
    let mut body = Vec::with_capacity(size);
    flate2::read::ZlibDecoder::new(packed)
        .take(size as u64 + 1)
        .read_to_end(&mut body)
        .map_err(|_| "its packed part can't be unpacked")?;
    if body.len() != size {
        return Err("its columns have the wrong length");
    }
    let (zones, columns) = body.split_at(ZONES * 4);
    let zone_sizes = (0..ZONES).map(|z| {
        (0..4)
            .map(|b| (zones[b * ZONES + z] as usize) << (8 * b))
            .sum::<usize>()
    });
    let byte = |plane: usize, star: usize| columns[plane * count + star];
    let pair = |plane: usize, star: usize| [byte(plane, star), byte(plane + 1, star)];
    let mut stars = Vec::with_capacity(count);
    for (zone, zone_size) in zone_sizes.enumerate() {
        let mut ra_steps = 0_u32;
        for i in stars.len()..stars.len() + zone_size {
            if i >= count {
                return Err("its zones hold more stars than it claims");
            }
            ra_steps += u32::from_le_bytes([byte(0, i), byte(1, i), byte(2, i), 0]);
            let bv = i16::from_le_bytes(pair(11, i));
            stars.push(Star {
                ra_deg: f64::from(ra_steps) * 1e-4,
                dec_deg: zone as f64 - 90.0 + f64::from(u16::from_le_bytes(pair(3, i))) * 1e-4,
                pm_ra_mas_yr: f64::from(i16::from_le_bytes(pair(5, i))),
                pm_dec_mas_yr: f64::from(i16::from_le_bytes(pair(7, i))),
                magnitude: f64::from(i16::from_le_bytes(pair(9, i))) * 0.01,
                colour_bv: (bv != UNKNOWN_COLOUR).then(|| f64::from(bv) * 0.01),
            });
        }
    }
    if stars.len() != count {
        return Err("its zones hold fewer stars than it claims");
    }
    let directions = stars
        .iter()
        .map(|s| crate::projection::direction(s.ra_deg, s.dec_deg))
        .collect();
    Ok(Catalogue { stars, directions })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sirius (HIP 32349) at J2000: 101.28715539, -16.71611582, proper motion -546.01, -1223.07
    /// mas/yr (Hipparcos, van Leeuwen 2007, I/311, propagated from J1991.25); V = -1.44 (ESA 1997).
    #[test]
    fn sirius_stands_where_hipparcos_says() {
        let catalogue = Catalogue::embedded().unwrap();
        let sirius = catalogue
            .stars
            .iter()
            .min_by(|a, b| a.magnitude.total_cmp(&b.magnitude))
            .unwrap();
        assert!((sirius.ra_deg - 101.287_155).abs() < 3e-4, "{sirius:?}");
        assert!((sirius.dec_deg + 16.716_116).abs() < 3e-4, "{sirius:?}");
        assert!((sirius.pm_ra_mas_yr + 546.0).abs() < 2.0, "{sirius:?}");
        assert!((sirius.pm_dec_mas_yr + 1223.0).abs() < 2.0, "{sirius:?}");
        assert!((sirius.magnitude + 1.44).abs() < 0.05, "{sirius:?}");
    }

    #[test]
    fn a_cut_or_changed_extract_is_refused() {
        assert!(decode(&EXTRACT[..10]).is_err());
        assert!(decode(&EXTRACT[..EXTRACT.len() / 2]).is_err());
        let mut other = EXTRACT[..4096].to_vec();
        other[0] = b'X';
        assert!(decode(&other).is_err());
    }
}
