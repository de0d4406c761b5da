//! Whether the star-indexes hold stars enough for a field, and how deep they would have to go.

use super::FrameFacts;
use crate::sky::SkyRegion;
use crate::sphere::sky_to_vector;

/// Catalogue stars in the field that make a solution likely.
pub(super) const STARS_NEEDED: f64 = 6.0;
/// Stars that an index built for such fields should show in one: fields differ by a factor of two.
const STARS_WANTED: f64 = 2.0 * STARS_NEEDED;
/// Square degrees of the whole sky: 4 pi (180 / pi)^2.
const WHOLE_SKY_DEG2: f64 = 41_252.96;
/// Radius within which the stars around a commanded position are counted, degrees.
const COUNT_RADIUS_DEG: f64 = 1.5;
/// log10 of the number of stars over the whole sky brighter than magnitude 8, 9, and so on
/// up to 20: G of Gaia DR3, rounded, from memory. Only their growth is used.
const LOG10_STARS_TO_8: [f64; 13] = [
    4.7, 5.15, 5.6, 6.05, 6.48, 6.86, 7.22, 7.56, 7.87, 8.16, 8.45, 8.72, 8.98,
];

/// What the star-indexes offer for a field of known size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Depth {
    /// Angles of the field, degrees.
    pub field_deg: [f64; 2],
    /// Catalogue stars to expect in it.
    pub expected: f64,
    /// Faintest magnitude that an index needs for this field.
    pub magnitude: f64,
}

/// From the likeliest claimed scale; `None` where none is claimed or the index cannot be read.
pub(super) fn depth(facts: &FrameFacts<'_>) -> Option<Depth> {
    let scale = *facts.request.scales_arcsec_per_px.first()?;
    let size = [facts.detections.width, facts.detections.height];
    let field_deg = size.map(|n| n as f64 * scale / 3600.0);
    let area = field_deg[0] * field_deg[1];
    let (density, faintest) = (0..facts.sky.indexes().len())
        .filter_map(|index| density(facts, index))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let expected = density * area;
    let growth = (STARS_WANTED / expected.max(1e-9)).log10();
    Some(Depth {
        field_deg,
        expected,
        magnitude: fainter_by(faintest, growth),
    })
}

/// Stars per square degree of a star-index around the commanded position, else on average; and
/// its faintest magnitude.
fn density(facts: &FrameFacts<'_>, index: usize) -> Option<(f64, f64)> {
    let header = facts.sky.indexes().get(index)?.header();
    let density = match facts.request.starts.first() {
        Some(start) => {
            let radius_rad = COUNT_RADIUS_DEG.to_radians();
            let mut region = SkyRegion::default();
            let stars = region
                .cone(
                    facts.sky,
                    index,
                    sky_to_vector(start.ra_deg, start.dec_deg),
                    radius_rad,
                    usize::MAX,
                    0.0,
                )
                .ok()?;
            // Area of a cap: 2 pi (1 - cos r), as a share of 4 pi.
            stars.len() as f64 / (WHOLE_SKY_DEG2 * 0.5 * (1.0 - radius_rad.cos()))
        }
        None => header.stars as f64 / WHOLE_SKY_DEG2,
    };
    Some((density, header.faintest_mag))
}

/// The magnitude to which there are 10^`growth` times as many stars as to `from`.
fn fainter_by(from: f64, growth: f64) -> f64 {
    const FIRST: f64 = 8.0;
    let last = LOG10_STARS_TO_8.len() - 1;
    let at = (from - FIRST).clamp(0.0, last as f64);
    let below = (at as usize).min(last - 1);
    let slope = |k: usize| LOG10_STARS_TO_8[k + 1] - LOG10_STARS_TO_8[k];
    let wanted = LOG10_STARS_TO_8[below] + slope(below) * (at - below as f64) + growth;
    let above = LOG10_STARS_TO_8.partition_point(|n| *n < wanted);
    let step = above.clamp(1, last) - 1;
    FIRST + step as f64 + (wanted - LOG10_STARS_TO_8[step]) / slope(step)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gaia DR3 has 102 stars to G 11 and 1766 to G 15 within 1 deg of (132.85, +11.81), away
    /// from the Milky Way, which makes the growth over the whole sky faster.
    #[test]
    fn grows_as_star_counts_do() {
        let reached = fainter_by(11.0, (1766.0_f64 / 102.0).log10());
        assert!((14.0..=15.0).contains(&reached), "{reached}");
    }

    #[test]
    fn no_growth_needs_no_depth() {
        assert!((fainter_by(11.0, 0.0) - 11.0).abs() < 1e-9);
        assert!(fainter_by(11.0, 1.0) > fainter_by(11.0, 0.5));
    }
}
