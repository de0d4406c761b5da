//! Why a frame did not solve, from measurements: the light, the shapes, the number of stars and
//! what the star-indexes hold. Says what was found; `report` puts it into words.

mod depth;
mod light;
mod shape;
mod skyless;

pub use skyless::{Skyless, skyless};

use crate::detect::{Detections, survey};
use crate::frame::Frame;
use crate::sky::Sky;
use crate::solve::Request;
use shape::Common;

/// Fewer stars than this leave most places of the sky without a certain match.
const FEW_STARS: usize = 8;
/// Fewer than this make no quad.
const LEAST_STARS: usize = 4;
/// A detection counts as a star from here on.
const SURE_SNR: f64 = 5.0;
/// Unevenness of the sky, in standard errors of a mesh cell and as a share of the sky, that no
/// gradient explains: clouds.
const ROUGH: f64 = 6.0;
const ROUGH_SHARE: f64 = 0.004;
/// Stars as narrow as this are in focus, however large a nebula or a galaxy behind them, pixels.
const FOCUSED_FWHM_PX: f64 = 8.0;

/// What kept a frame from being solved.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Cause {
    /// Nothing in it: cap on, or far too short.
    NoStars,
    /// Too few stars for a certain match.
    FewStars {
        /// Stars found.
        found: usize,
    },
    /// The mount moved.
    Trailed {
        /// Median length of the trails, pixels.
        length_px: f64,
        /// From the first pixel axis towards the second, degrees, 0 to 180.
        angle_deg: f64,
    },
    /// Stars are discs or rings.
    OutOfFocus {
        /// Median diameter, pixels.
        width_px: f64,
    },
    /// Burnt out.
    Overexposed {
        /// Share of the pixels at full scale, 0 to 1.
        full_share: f64,
    },
    /// Twilight, the Moon or a lamp.
    BrightSky {
        /// Sky level as a share of full scale, 0 to 1.
        fill: f64,
    },
    /// Light of uneven sky and few stars.
    Cloud {
        /// Stars found.
        found: usize,
    },
    /// By its claimed scale the field is too small for the star-indexes at hand.
    IndexTooShallow {
        /// Angles of the field, degrees.
        field_deg: [f64; 2],
        /// Catalogue stars to expect in it.
        expected: f64,
        /// Faintest magnitude that an index needs for this field.
        magnitude: f64,
        /// Where the frame may point: ICRS, degrees; `None`: unknown.
        near_deg: Option<[f64; 2]>,
    },
    /// Stars enough, and yet no place fits.
    NoMatch {
        /// Stars found.
        found: usize,
        /// A pixel scale was claimed, by which the star-indexes are deep enough.
        scale_claimed: bool,
    },
}

impl Cause {
    /// Short name, the same in every version.
    pub fn code(&self) -> &'static str {
        match self {
            Cause::NoStars => "no-stars",
            Cause::FewStars { .. } => "few-stars",
            Cause::Trailed { .. } => "trailed",
            Cause::OutOfFocus { .. } => "out-of-focus",
            Cause::Overexposed { .. } => "overexposed",
            Cause::BrightSky { .. } => "bright-sky",
            Cause::Cloud { .. } => "cloud",
            Cause::IndexTooShallow { .. } => "index-too-shallow",
            Cause::NoMatch { .. } => "no-match",
        }
    }
}

/// Everything that a diagnosis rests on.
#[derive(Clone, Copy)]
pub struct FrameFacts<'a> {
    /// The frame.
    pub frame: &'a Frame,
    /// What was found in it.
    pub detections: &'a Detections,
    /// What was known.
    pub request: &'a Request,
    /// The star-indexes it was compared with.
    pub sky: &'a Sky,
}

/// Finds the likeliest cause. The order is that of certainty: light that is too strong explains
/// everything after it, and so on.
pub fn diagnose(facts: &FrameFacts<'_>) -> Cause {
    let survey = survey(facts.frame);
    if survey.full_share >= light::BURNT_SHARE {
        return Cause::Overexposed {
            full_share: survey.full_share,
        };
    }
    if survey.fill >= light::BRIGHT_FILL {
        return Cause::BrightSky { fill: survey.fill };
    }
    match shape::common(&survey) {
        Some(Common::Trails {
            length_px,
            angle_deg,
        }) => {
            return Cause::Trailed {
                length_px,
                angle_deg,
            };
        }
        Some(Common::Discs { width_px }) if !is_focused(facts.detections) => {
            return Cause::OutOfFocus { width_px };
        }
        _ => {}
    }
    let sure = facts.detections.stars.iter().filter(|s| s.snr >= SURE_SNR);
    let found = sure.count();
    if found < FEW_STARS {
        let clouded = light::unevenness(&survey)
            .is_some_and(|u| u.rough >= ROUGH && u.rough_share >= ROUGH_SHARE);
        return match found {
            _ if clouded => Cause::Cloud { found },
            0..LEAST_STARS => Cause::NoStars,
            _ => Cause::FewStars { found },
        };
    }
    match depth::depth(facts) {
        Some(depth) if depth.expected < depth::STARS_NEEDED => Cause::IndexTooShallow {
            field_deg: depth.field_deg,
            expected: depth.expected,
            magnitude: depth.magnitude,
            near_deg: facts
                .request
                .starts
                .first()
                .map(|start| [start.ra_deg, start.dec_deg]),
        },
        depth => Cause::NoMatch {
            found,
            scale_claimed: depth.is_some(),
        },
    }
}

/// Many narrow stars: wide objects among them are no stars out of focus.
fn is_focused(detections: &Detections) -> bool {
    let narrow = |s: &&crate::detect::Detection| s.snr >= 10.0 && s.fwhm_px < FOCUSED_FWHM_PX;
    detections.stars.iter().filter(narrow).count() >= 2 * FEW_STARS
}
