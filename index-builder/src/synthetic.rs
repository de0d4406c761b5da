//! A made-up deep sky with the star counts of the real one, for tests and measurements.
//!
//! **Density.** Stars per square degree brighter than V magnitude m at galactic longitude l and
//! latitude b: the analytic fit of Bahcall & Soneira (1980, ApJS 44, 73, appendix B), disc and
//! spheroid, with the constants from memory:
//!
//! ```text
//! N = 925 10^(0.035 (m - 15.75)) / (1 + 10^(-0.132 (m - 15.75)))^3
//!         / (sin b (1 - mu cot b cos l))^(3 - 5 gamma)
//!   + 1050 10^(0.087 (m - 17.5)) / (1 + 10^(-0.180 (m - 17.5)))^2.5
//!         / (1 - cos b cos l)^(1.45 - 0.20 cos b cos l)
//! gamma = 0.36, falling by 0.04 a magnitude from 12 to 20; mu = 0.03, growing by 0.0075 likewise
//! ```
//!
//! The fit holds from 20 deg latitude up; nearer to the Milky Way the counts of 15 deg are used,
//! since dust there undoes what the fit would add. Within a cell of 1.8 deg the density is even;
//! magnitudes follow the fit; proper motions are normal, 5 mas/yr a coordinate.

use std::io::{self, Write};

/// HEALPix depth of the cells of even density.
const DEPTH: u8 = 5;
const CELLS: u64 = 12 << (2 * DEPTH);
/// Square degrees of such a cell.
const CELL_DEG2: f64 = 41_252.961 / CELLS as f64;
/// Magnitudes of the model.
const BRIGHTEST: f64 = 5.0;
const FAINTEST: f64 = 21.0;
/// Steps of the table of counts, magnitudes.
const STEP: f64 = 0.125;

/// Stars per square degree brighter than magnitude `mag` at a galactic position, degrees.
pub fn stars_per_deg2(mag: f64, longitude_deg: f64, latitude_deg: f64) -> f64 {
    let b = latitude_deg.abs().max(15.0).to_radians();
    let cos_l = libm::cos(longitude_deg.to_radians());
    let (sin_b, cos_b) = libm::sincos(b);
    let power = |exponent: f64| libm::pow(10.0, exponent);
    let within = (mag - 12.0).clamp(0.0, 8.0);
    let (gamma, mu) = (0.36 - 0.04 * within, 0.03 + 0.0075 * within);
    let disc = 925.0 * power(0.035 * (mag - 15.75))
        / libm::pow(1.0 + power(-0.132 * (mag - 15.75)), 3.0)
        / libm::pow(
            sin_b * (1.0 - mu * cos_b / sin_b * cos_l),
            3.0 - 5.0 * gamma,
        );
    let spheroid = 1050.0 * power(0.087 * (mag - 17.5))
        / libm::pow(1.0 + power(-0.180 * (mag - 17.5)), 2.5)
        / libm::pow(1.0 - cos_b * cos_l, 1.45 - 0.20 * cos_b * cos_l);
    disc + spheroid
}

/// Galactic longitude and latitude of an ICRS position, all in radians (Hipparcos Catalogue, ESA
/// SP-1200, volume 1, equation 1.5.11: pole 192.85948, +27.12825, node 32.93192 deg).
pub(crate) fn galactic(ra: f64, dec: f64) -> [f64; 2] {
    let (pole_ra, pole_dec, node) = (
        192.859_48_f64.to_radians(),
        27.128_25_f64.to_radians(),
        32.931_92_f64.to_radians(),
    );
    let (sd, cd) = libm::sincos(dec);
    let (sp, cp) = libm::sincos(pole_dec);
    let (sa, ca) = libm::sincos(ra - pole_ra);
    let b = libm::asin((sd * sp + cd * cp * ca).clamp(-1.0, 1.0));
    let l = libm::atan2(sd * cp - cd * sp * ca, cd * sa) + node;
    [l, b]
}

/// A made-up star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MadeUpStar {
    /// Number, unlike any other's.
    pub number: u64,
    /// ICRS position at 2016.0, degrees.
    pub ra_deg: f64,
    /// See `ra_deg`.
    pub dec_deg: f64,
    /// Proper motion in RA with cos Dec, and in Dec, mas/yr.
    pub pm_mas_yr: [f64; 2],
    /// Magnitude.
    pub mag: f64,
}

/// A sky of about this many stars; the same seed gives the same sky.
#[derive(Debug, Clone, Copy)]
pub struct SyntheticSky {
    faintest: f64,
    seed: u64,
}

/// SplitMix64 (Steele, Lea & Flood 2014).
struct Random(u64);

impl Random {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Normal, of variance one (Box & Muller 1958).
    fn normals(&mut self) -> [f64; 2] {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.unit()));
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * self.unit());
        [radius * cos, radius * sin]
    }
}

impl SyntheticSky {
    /// A sky of `stars` stars, give or take one per cell: as faint as that takes.
    ///
    /// # Errors
    ///
    /// More stars than the model has to its faintest magnitude, or fewer than its brightest.
    pub fn new(stars: u64, seed: u64) -> Result<SyntheticSky, String> {
        let total = |faintest: f64| -> f64 {
            (0..CELLS)
                .map(|cell| expected(cell, faintest) - expected(cell, BRIGHTEST))
                .sum()
        };
        let (least, most) = (total(BRIGHTEST + STEP), total(FAINTEST));
        if !(least..=most).contains(&(stars as f64)) {
            return Err(format!(
                "{stars} stars cannot be made up: the density model has {least:.0} to {most:.0}"
            ));
        }
        let (mut low, mut high) = (BRIGHTEST, FAINTEST);
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            if total(middle) < stars as f64 {
                low = middle;
            } else {
                high = middle;
            }
        }
        Ok(SyntheticSky {
            faintest: high,
            seed,
        })
    }

    /// Magnitude of its faintest stars.
    pub fn faintest_mag(&self) -> f64 {
        self.faintest
    }

    /// Number of its cells, each 1.8 deg wide.
    pub fn cells(&self) -> u64 {
        CELLS
    }

    /// The cell that holds an ICRS position, degrees.
    pub fn cell_at(&self, ra_deg: f64, dec_deg: f64) -> u64 {
        cdshealpix::nested::hash(DEPTH, ra_deg.to_radians(), dec_deg.to_radians())
    }

    /// The cells that a circle touches, ICRS, degrees; in order.
    pub fn cells_around(&self, ra_deg: f64, dec_deg: f64, radius_deg: f64) -> Vec<u64> {
        let [ra, dec, radius] = [ra_deg, dec_deg, radius_deg].map(f64::to_radians);
        let cover = cdshealpix::nested::cone_coverage_approx(DEPTH, ra, dec, radius);
        cover.flat_iter().collect()
    }

    /// The stars of a cell, in no order.
    pub fn stars(&self, cell: u64) -> Vec<MadeUpStar> {
        let mut random = Random(self.seed ^ cell.wrapping_mul(0xA24B_AED4_963E_E407));
        random.bits();
        let steps = ((self.faintest - BRIGHTEST) / STEP).ceil() as usize;
        let mags: Vec<f64> = (0..=steps)
            .map(|k| (BRIGHTEST + STEP * k as f64).min(self.faintest))
            .collect();
        let counts: Vec<f64> = mags.iter().map(|&mag| expected(cell, mag)).collect();
        let (first, last) = (counts[0], counts[steps]);
        let stars = (last - first + random.unit()).floor() as u64;
        (0..stars)
            .map(|k| {
                let wanted = first + (last - first) * random.unit();
                let step = counts.partition_point(|&n| n < wanted).clamp(1, steps);
                let part = (wanted - counts[step - 1]) / (counts[step] - counts[step - 1]);
                let (dx, dy) = (random.unit(), random.unit());
                let (ra, dec) = cdshealpix::nested::sph_coo(DEPTH, cell, dx, dy);
                MadeUpStar {
                    number: cell << 32 | k,
                    ra_deg: ra.to_degrees().rem_euclid(360.0),
                    dec_deg: dec.to_degrees(),
                    pm_mas_yr: random.normals().map(|n| 5.0 * n),
                    mag: mags[step - 1] + part * (mags[step] - mags[step - 1]),
                }
            })
            .collect()
    }
}

/// Expected stars of a cell to a magnitude.
fn expected(cell: u64, mag: f64) -> f64 {
    let (ra, dec) = cdshealpix::nested::center(DEPTH, cell);
    let [l, b] = galactic(ra, dec).map(f64::to_degrees);
    CELL_DEG2 * stars_per_deg2(mag, l, b)
}

/// First line of a table in the form of the Gaia archive.
pub const CSV_HEAD: &str = "source_id,ref_epoch,ra,dec,pmra,pmdec,phot_g_mean_mag";

/// Writes stars as rows of that table.
pub fn write_csv(stars: &[MadeUpStar], out: &mut impl Write) -> io::Result<()> {
    for star in stars {
        let [pm_ra, pm_dec] = star.pm_mas_yr;
        writeln!(
            out,
            "{},2016.0,{:.10},{:.10},{pm_ra:.3},{pm_dec:.3},{:.4}",
            star.number, star.ra_deg, star.dec_deg, star.mag
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stars per square degree at the galactic pole brighter than V 15 and 20: about 100 and
    /// some 1500 (rounded, from memory: Allen's Astrophysical Quantities, table of star counts).
    #[test]
    fn counts_at_the_pole_are_of_the_right_size() {
        assert!((70.0..150.0).contains(&stars_per_deg2(15.0, 0.0, 90.0)));
        assert!((1000.0..2500.0).contains(&stars_per_deg2(20.0, 0.0, 90.0)));
        assert!(stars_per_deg2(15.0, 180.0, 20.0) > 2.0 * stars_per_deg2(15.0, 180.0, 90.0));
    }

    /// Sagittarius A* (radio position 266.41684, -29.00781; Reid & Brunthaler 2004) lies at
    /// galactic longitude 359.944, latitude -0.046.
    #[test]
    fn the_galactic_centre_is_in_the_middle() {
        let at = galactic(266.416_84_f64.to_radians(), (-29.007_81_f64).to_radians());
        let [l, b] = at.map(f64::to_degrees);
        assert!((l.rem_euclid(360.0) - 359.944).abs() < 1e-3, "{l}");
        assert!((b + 0.046).abs() < 1e-3, "{b}");
    }

    #[test]
    fn the_same_seed_gives_the_same_sky() {
        let sky = SyntheticSky::new(2_000_000, 7).unwrap();
        let total: usize = (0..sky.cells()).map(|cell| sky.stars(cell).len()).sum();
        assert!(total.abs_diff(2_000_000) < 12_288, "{total}");
        let cell = sky.cell_at(10.0, 20.0);
        let stars = sky.stars(cell);
        assert_eq!(stars, SyntheticSky::new(2_000_000, 7).unwrap().stars(cell));
        assert_ne!(stars, SyntheticSky::new(2_000_000, 8).unwrap().stars(cell));
        assert!(
            stars
                .iter()
                .all(|s| sky.cell_at(s.ra_deg, s.dec_deg) == cell)
        );
        assert!(stars.iter().all(|s| s.mag <= sky.faintest_mag()));
    }

    #[test]
    fn the_cells_around_a_place_hold_all_that_is_near() {
        let sky = SyntheticSky::new(2_000_000, 7).unwrap();
        let near = sky.cells_around(10.0, 20.0, 3.0);
        assert!(near.len() < 30, "{}", near.len());
        for (east, north) in [(0.0, 0.0), (2.9, 0.0), (0.0, -2.9), (-2.0, 2.0)] {
            let ra_deg = 10.0 + east / 20.0_f64.to_radians().cos();
            assert!(near.contains(&sky.cell_at(ra_deg, 20.0 + north)));
        }
    }
}
