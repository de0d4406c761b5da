//! The claims of a header against what was found: one sentence for each that cannot be right,
//! with the misreading that would explain it.

use crate::fit::Solution;
use crate::frame::{Clues, PositionClue, ScaleClue};
use crate::mount::{Moment, misread_site, separation_deg};

/// A scale farther than this from the one found is wrong: focal lengths and pixel sizes are
/// rounded, lenses breathe. Common practice.
const SAME_SCALE: f64 = 0.05;

/// Reducers and extenders that are commonly put behind a telescope, and binning: factors of the
/// focal length. Common practice.
pub const FOCAL_FACTORS: [f64; 10] = [0.5, 0.63, 0.7, 0.8, 1.5, 2.0, 2.5, 3.0, 0.25, 1.0 / 3.0];

/// Farther than this a mount does not stray that knows where it is.
pub const FAR_DEG: f64 = 10.0;

/// A place this close is met by chance once in 1500 times.
pub const CLOSE_DEG: f64 = 3.0;

/// Everything that the solution contradicts.
pub fn contradicted(clues: &Clues, moment: Option<&Moment>, solution: &Solution) -> Vec<String> {
    let found_deg = [solution.centre_ra_deg, solution.centre_dec_deg];
    let site = moment.zip(clues.site.as_ref()).and_then(|(moment, site)| {
        let misread = misread_site(moment, site, found_deg)?;
        let explanation = misread.explained_by.first()?;
        Some(format!(
            "The header's time and site cannot both be right: with them {misread}. All fits \
             {explanation}."
        ))
    });
    let scale = scale(&clues.scales, solution.scale_arcsec_per_px);
    let position = position(&clues.positions, found_deg);
    [position, scale, site].into_iter().flatten().collect()
}

/// What is wrong with the likeliest scale.
fn scale(claims: &[ScaleClue], found: f64) -> Option<String> {
    let first = claims.first()?;
    let off = |claim: &ScaleClue| (found / claim.arcsec_per_px).ln().abs();
    if off(first) <= SAME_SCALE {
        return None;
    }
    let focal_factor = first.arcsec_per_px / found;
    let why = if let Some(other) = claims.iter().find(|claim| off(claim) <= SAME_SCALE) {
        format!("it agrees with {}", other.source)
    } else if let Some(factor) = FOCAL_FACTORS
        .iter()
        .find(|factor| (focal_factor / **factor).ln().abs() <= SAME_SCALE)
    {
        format!(
            "as if the focal length were {factor:.2} times the stated one, or the binning another"
        )
    } else {
        "check focal length, pixel size and binning".to_owned()
    };
    Some(format!(
        "The header's scale is wrong: {:.4} arcsec per pixel by {}, {found:.4} found; {why}.",
        first.arcsec_per_px, first.source
    ))
}

/// A misreading that would bring the likeliest position to the place found, where no reading
/// that was tried is near it.
fn position(claims: &[PositionClue], found_deg: [f64; 2]) -> Option<String> {
    let first = claims.first()?;
    let near = |place: [f64; 2], limit_deg| separation_deg(place, found_deg) < limit_deg;
    let (ra, dec) = (first.ra_deg, first.dec_deg);
    if near([ra, dec], FAR_DEG)
        || claims
            .iter()
            .any(|c| near([c.ra_deg, c.dec_deg], CLOSE_DEG))
    {
        return None;
    }
    let misreadings = [
        ([ra, -dec], "with the other sign of the declination"),
        (
            [ra * 15.0 % 360.0, dec],
            "with the right ascension read in hours",
        ),
        ([ra / 15.0, dec], "with the right ascension read in degrees"),
        (
            [(360.0 - ra) % 360.0, dec],
            "with the other sign of the right ascension",
        ),
        (
            [(ra + 180.0) % 360.0, dec],
            "twelve hours away, as after a meridian flip gone wrong",
        ),
        (
            [(ra + 180.0) % 360.0, -dec],
            "on the opposite point of the sky",
        ),
    ];
    let (_, how) = misreadings
        .into_iter()
        .find(|(place, _)| near(*place, CLOSE_DEG))?;
    Some(format!(
        "The header's position ({}) is far from the place found, which lies close to it {how}.",
        first.source
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::EquinoxClue;

    fn at(ra_deg: f64, dec_deg: f64) -> PositionClue {
        PositionClue {
            ra_deg,
            dec_deg,
            equinox: EquinoxClue::J2000,
            source: "RA/DEC".into(),
        }
    }

    #[test]
    fn misread_positions_are_named() {
        let said = |claims: &[PositionClue], found| position(claims, found).unwrap_or_default();
        assert!(said(&[at(80.0, -22.0)], [81.0, 22.5]).contains("sign of the declination"));
        assert!(said(&[at(5.5, 22.0)], [82.5, 22.0]).contains("read in hours"));
        assert!(said(&[at(82.5, 22.0)], [5.5, 22.0]).contains("read in degrees"));
        assert!(said(&[at(80.0, 22.0)], [260.2, -22.5]).contains("opposite"));
        // Near enough, or near a reading that was tried: nothing to say.
        assert_eq!(position(&[at(80.0, 22.0)], [85.0, 22.0]), None);
        assert_eq!(
            position(&[at(5.5, 22.0), at(82.5, 22.0)], [82.5, 22.0]),
            None
        );
        assert_eq!(position(&[at(80.0, 22.0)], [130.0, 22.0]), None);
        assert_eq!(position(&[], [130.0, 22.0]), None);
    }

    #[test]
    fn wrong_scales_are_named() {
        let claim = |arcsec_per_px, source: &str| ScaleClue {
            arcsec_per_px,
            source: source.into(),
        };
        let optics = claim(2.0, "focal length and pixel size");
        let said = |claims: &[ScaleClue], found| scale(claims, found).unwrap_or_default();
        assert_eq!(scale(std::slice::from_ref(&optics), 2.08), None);
        // Half the focal length, twice the scale.
        assert!(said(std::slice::from_ref(&optics), 4.0).contains("0.50 times"));
        let binned = claim(4.0, "focal length, pixel size and binning");
        assert!(said(&[optics.clone(), binned], 4.05).contains("agrees with focal length, pixel"));
        assert!(said(&[optics], 2.3).contains("check focal length"));
    }
}
