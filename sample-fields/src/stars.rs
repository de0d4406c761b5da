//! Which stars fall on a frame, how bright they are there, and those the catalogue lacks.

use crate::{Catalogue, Content, Error, FieldSpec, TangentFrame};
use rand::Rng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, StandardNormal};

/// Magnitude at which the catalogue ends.
const CATALOGUE_LIMIT: f64 = 11.0;
/// Star counts grow about as 10^(0.35 m) near magnitude 12 (common practice, rounded).
const COUNT_SLOPE: f64 = 0.35;
/// Stars so far outside may still throw light onto the frame.
const MARGIN_PX: f64 = 60.0;
/// The faint stars' density is that of the catalogue within at least this radius.
const DENSITY_RADIUS_DEG: f64 = 1.5;
/// Stars drawn at most, brightest first; beyond it the faint ones drown in the noise anyway.
const MOST_FAINT_STARS: usize = 80_000;

/// A star image to be painted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Source {
    /// Centre, 0-based pixels.
    pub x: f64,
    /// Centre, 0-based pixels.
    pub y: f64,
    /// Magnitude as seen on this frame.
    pub magnitude: f64,
    /// B-V.
    pub colour_bv: f64,
}

/// All sources of one frame.
pub(crate) struct Scene {
    pub sources: Vec<Source>,
    pub catalogue_stars: usize,
    /// Magnitude of a star with signal-to-noise 8.
    pub reference_magnitude: f64,
}

/// Gathers the stars for a frame.
pub(crate) fn scene(spec: &FieldSpec, rng: &mut ChaCha12Rng) -> Result<Scene, Error> {
    let frame = TangentFrame::of(spec);
    let (width, height) = (spec.width_px as f64, spec.height_px as f64);
    let half_diagonal_px = libm::hypot(width, height) / 2.0;
    let scale_rad = spec.scale_deg_per_px().to_radians();
    // A barrel lens brings stars in from beyond the corner of an undistorted frame.
    let reach = (half_diagonal_px * (1.0 + 4.0 * spec.k1.abs()) + MARGIN_PX) * scale_rad;
    let density_reach_rad =
        libm::atan(half_diagonal_px * scale_rad).max(DENSITY_RADIUS_DEG.to_radians());
    let (near_cos, density_cos) = (libm::cos(libm::atan(reach)), libm::cos(density_reach_rad));
    let Known {
        mut sources,
        catalogue_stars,
        counted,
    } = known(spec, &frame, [near_cos, density_cos], rng)?;
    let reference_magnitude = spec
        .reference_magnitude
        .unwrap_or_else(|| usual_exposure(&sources));
    if spec.faint_stars {
        let cap_sr = std::f64::consts::TAU * (1.0 - density_cos);
        let per_px = counted as f64 / cap_sr * scale_rad * scale_rad;
        add_faint_stars(
            &mut sources,
            per_px,
            reference_magnitude,
            [width, height],
            rng,
        );
    }
    sources.retain(|s| s.magnitude < reference_magnitude + 2.5);
    if spec.content == Content::Scrambled {
        for source in &mut sources {
            source.x = rng.random_range(-0.5..width - 0.5);
            source.y = rng.random_range(-0.5..height - 0.5);
        }
    }
    let catalogue_stars = if spec.content == Content::Sky {
        catalogue_stars
    } else {
        0
    };
    Ok(Scene {
        sources,
        catalogue_stars,
        reference_magnitude,
    })
}

/// Stars of the catalogue.
struct Known {
    /// In the frame and a margin around it.
    sources: Vec<Source>,
    /// How many of them the frame holds.
    catalogue_stars: usize,
    /// How many there are in the circle that the density of stars is taken from.
    counted: usize,
}

/// The catalogue's stars whose angle from the centre has a larger cosine than `near_cos`, and the count
/// of those with a larger one than `density_cos`.
fn known(
    spec: &FieldSpec,
    frame: &TangentFrame,
    [near_cos, density_cos]: [f64; 2],
    rng: &mut ChaCha12Rng,
) -> Result<Known, Error> {
    let catalogue = Catalogue::embedded()?;
    let (width, height) = (spec.width_px as f64, spec.height_px as f64);
    let centre = frame.centre();
    let years = spec.epoch_year - 2000.0;

    let mut sources = Vec::new();
    let (mut catalogue_stars, mut counted) = (0, 0_usize);
    for (star, direction) in catalogue.stars.iter().zip(&catalogue.directions) {
        let along: f64 = (0..3).map(|i| direction[i] * centre[i]).sum();
        counted += usize::from(along > density_cos);
        if along < near_cos {
            continue;
        }
        let Some([x, y]) = frame.to_pixel(moved(star, *direction, years)) else {
            continue;
        };
        catalogue_stars += usize::from(inside(x, y, width, height, 0.0));
        if inside(x, y, width, height, MARGIN_PX) {
            let scatter: f64 = StandardNormal.sample(rng);
            let magnitude = star.magnitude + spec.magnitude_scatter * scatter;
            sources.push(Source {
                x,
                y,
                magnitude,
                colour_bv: star.colour_bv.unwrap_or(0.7),
            });
        }
    }
    Ok(Known {
        sources,
        catalogue_stars,
        counted,
    })
}

fn inside(x: f64, y: f64, width: f64, height: f64, margin: f64) -> bool {
    x >= -0.5 - margin
        && x < width - 0.5 + margin
        && y >= -0.5 - margin
        && y < height - 0.5 + margin
}

/// Direction after `years` of proper motion along the great circle's tangent (ESA 1997,
/// SP-1200, vol. 1; parallax and radial velocity are beyond the catalogue's digits).
fn moved(star: &crate::Star, direction: [f64; 3], years: f64) -> [f64; 3] {
    if years == 0.0 {
        return direction;
    }
    let mas_rad = (1.0_f64 / 3_600_000.0).to_radians();
    let (ra, dec) = (star.ra_deg.to_radians(), star.dec_deg.to_radians());
    let (east, north) = (
        star.pm_ra_mas_yr * mas_rad * years,
        star.pm_dec_mas_yr * mas_rad * years,
    );
    let (sin_ra, cos_ra, sin_dec, cos_dec) =
        (libm::sin(ra), libm::cos(ra), libm::sin(dec), libm::cos(dec));
    [
        direction[0] - east * sin_ra - north * sin_dec * cos_ra,
        direction[1] + east * cos_ra - north * sin_dec * sin_ra,
        direction[2] + north * cos_dec,
    ]
}

/// 12.5, or the 800th brightest star's magnitude where that is brighter: wide fields are exposed
/// for their bright stars.
fn usual_exposure(sources: &[Source]) -> f64 {
    let mut magnitudes: Vec<f64> = sources.iter().map(|s| s.magnitude).collect();
    magnitudes.sort_by(f64::total_cmp);
    magnitudes
        .get(800)
        .copied()
        .unwrap_or(f64::INFINITY)
        .min(12.5)
}

/// Adds stars between the catalogue's limit and what the exposure can show.
fn add_faint_stars(
    sources: &mut Vec<Source>,
    catalogue_per_px: f64,
    reference_magnitude: f64,
    size: [f64; 2],
    rng: &mut ChaCha12Rng,
) {
    let depth = (reference_magnitude + 1.5 - CATALOGUE_LIMIT).min(3.5);
    if depth <= 0.0 {
        return;
    }
    let growth = libm::pow(10.0, COUNT_SLOPE * depth) - 1.0;
    let area = (size[0] + 2.0 * MARGIN_PX) * (size[1] + 2.0 * MARGIN_PX);
    let number = ((catalogue_per_px * area * growth) as usize).min(MOST_FAINT_STARS);
    for _ in 0..number {
        let share: f64 = rng.random();
        let tint: f64 = StandardNormal.sample(rng);
        sources.push(Source {
            x: rng.random_range(-0.5 - MARGIN_PX..size[0] - 0.5 + MARGIN_PX),
            y: rng.random_range(-0.5 - MARGIN_PX..size[1] - 0.5 + MARGIN_PX),
            magnitude: CATALOGUE_LIMIT + libm::log10(1.0 + share * growth) / COUNT_SLOPE,
            colour_bv: 0.75 + 0.3 * tint,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Barnard's star (HIP 87937): position and proper motion of Hipparcos (van Leeuwen 2007) carried
    /// from J1991.25 to 2000.0 and to 2025.0 by astropy 8.0.2 (`SkyCoord.apply_space_motion`, no
    /// radial velocity).
    #[test]
    fn barnards_star_moves_as_hipparcos_says() {
        let star = crate::Star {
            ra_deg: 269.452_075_1,
            dec_deg: 4.693_390_9,
            pm_ra_mas_yr: -798.58,
            pm_dec_mas_yr: 10_328.12,
            magnitude: 9.5,
            colour_bv: None,
        };
        let direction = crate::projection::direction(star.ra_deg, star.dec_deg);
        let [x, y, z] = moved(&star, direction, 25.0);
        let ra_deg = libm::atan2(y, x).to_degrees().rem_euclid(360.0);
        let dec_deg = libm::atan2(z, libm::hypot(x, y)).to_degrees();
        assert!((ra_deg - 269.446_510_0).abs() < 2e-6, "{ra_deg}");
        assert!((dec_deg - 4.765_113_8).abs() < 2e-6, "{dec_deg}");
    }
}
