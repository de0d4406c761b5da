//! Why a frame did not solve, from measurements: the light, the shapes, the number of stars and
//! what the star-indexes hold. Says what was found; `report` puts it into words.

mod depth;
mod hills;
mod light;
mod shape;
mod skyless;
mod stars;
mod survey;
mod suspect;

pub use skyless::{Skyless, skyless};
pub use suspect::{Drawn, Suspect};

use crate::detect::Detections;
use crate::frame::Frame;
use crate::search::Request;
use crate::sky::Sky;
use stars::Counted;
use survey::{Survey, survey};

/// Fewer stars than this leave most places of the sky without a certain match.
const FEW_STARS: usize = 8;
/// Fewer than this make no quad.
const LEAST_STARS: usize = 4;
/// With few stars a sky that fills this share of the range is what hides them. Common practice:
/// dark skies are exposed to a tenth of the range.
const BRIGHT_FILL_FEW: f64 = 0.25;
/// The same where a picture program has stretched the range.
const BRIGHT_FILL_STRETCHED: f64 = 0.28;
/// A quarter of a picture of the night sky is darker than this: people leave its sky below.
const NIGHT_FILL_STRETCHED: f64 = 0.25;
/// A detection counts as a star from here on.
const SURE_SNR: f64 = 5.0;
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
        /// What may be the reason, likeliest first.
        suspects: [Option<Suspect>; 2],
    },
    /// By its claimed scale the field is wider than any lens that a search tries.
    TooWide {
        /// Angle along the longer side for an equidistant fisheye, degrees.
        field_deg: f64,
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
            Cause::TooWide { .. } => "too-wide",
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
    /// What the stars' images have in common; `None` with too few of them.
    pub drawn: Option<Drawn>,
}

/// Finds the likeliest cause. The order is that of certainty: light that is too strong explains
/// everything after it, and so on.
pub fn diagnose(facts: &FrameFacts<'_>) -> Cause {
    let survey = survey(facts.frame);
    if let Some(cause) = too_bright(&survey).or_else(|| shape::common(&survey, facts.detections)) {
        return cause;
    }
    let stars = Counted::of(facts, &survey);
    too_few(facts, &survey, &stars)
        .or_else(|| suspect::too_wide(facts).map(|field_deg| Cause::TooWide { field_deg }))
        .unwrap_or_else(|| unmatched(facts, stars.sure))
}

/// Light that leaves no room for stars.
fn too_bright(survey: &Survey) -> Option<Cause> {
    let &Survey {
        fill, full_share, ..
    } = survey;
    if full_share >= light::BURNT_SHARE {
        return Some(Cause::Overexposed { full_share });
    }
    (fill >= light::BRIGHT_FILL).then_some(Cause::BrightSky { fill })
}

/// What hides the stars where few are seen.
fn too_few(facts: &FrameFacts<'_>, survey: &Survey, stars: &Counted) -> Option<Cause> {
    let clouded = hills::is_clouded(&survey.light);
    let fewer = if clouded {
        stars.above_cloud
    } else {
        stars.sure
    };
    let trail = facts.drawn.filter(Drawn::is_trail);
    if let Some(trail) = trail.filter(|_| fewer < 2 * FEW_STARS) {
        return Some(Cause::Trailed {
            length_px: trail.length_px(),
            angle_deg: trail.angle_deg,
        });
    }
    if clouded && is_bright_picture(facts.frame, survey) && stars.above_cloud == 0 {
        // Uneven and bright: a landscape or clouds by day.
        return Some(Cause::BrightSky { fill: survey.fill });
    }
    if clouded && stars.above_cloud < FEW_STARS {
        return Some(Cause::Cloud {
            found: stars.above_cloud,
        });
    }
    // Twice as many as that are not all noise.
    let few_stars = stars.sure < 2 * FEW_STARS && stars.lone < FEW_STARS;
    few_stars.then(|| few(facts, survey, stars.lone))
}

/// Whether an uneven picture is bright as a day's. Of a nebula a part is as dark as a night's sky, and
/// its brightest are not as light as a day's.
fn is_bright_picture(frame: &Frame, survey: &Survey) -> bool {
    let [darker, brighter] = survey.quartiles;
    frame.nonlinear
        && survey.fill >= BRIGHT_FILL_STRETCHED
        && (darker >= NIGHT_FILL_STRETCHED || brighter >= light::BRIGHT_FILL)
}

/// Why none of many stars matches.
fn unmatched(facts: &FrameFacts<'_>, found: usize) -> Cause {
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
            suspects: suspect::suspects(facts, found, depth.is_some()),
        },
    }
}

/// Why there are few stars, or none, under a sky without clouds.
fn few(facts: &FrameFacts<'_>, survey: &Survey, found: usize) -> Cause {
    let bright = if facts.frame.nonlinear {
        BRIGHT_FILL_STRETCHED
    } else {
        BRIGHT_FILL_FEW
    };
    if survey.fill >= bright {
        Cause::BrightSky { fill: survey.fill }
    } else if found == 0 {
        Cause::NoStars
    } else {
        Cause::FewStars { found }
    }
}
