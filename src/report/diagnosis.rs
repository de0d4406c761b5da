//! The diagnosis of an unsolved frame in words: what is wrong and what to do next, for someone
//! standing in the dark.

use super::Unsolved;
use super::text::small_angle;
use crate::diagnosis::{Cause, Suspect};
use serde::Serialize;

/// Why a frame did not solve.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DiagnosisRecord {
    /// Short name, the same in every version.
    pub code: &'static str,
    /// What was found, with its measure.
    pub sentence: String,
    /// What to do, likeliest to help first.
    pub next: Vec<String>,
}

const SEE_IT: &str = "Look at the picture of --overlay, which marks what was taken for stars: doubled or false ones \
                      cannot be matched, nor a picture that was stitched, cut together or warped.";
const CUT_OUT: &str = "Cut out the middle of the picture, a third of its width and only sky, and give that: there even a \
                       fisheye bends little.";
const DAYLIGHT: &str = "In daylight and twilight keep the telescope and your eyes away from the Sun, as the rules of \
                        your site and your instrument's maker require.";

impl DiagnosisRecord {
    /// Words for `cause`; `unsolved` says where the search ended.
    pub fn new(cause: &Cause, unsolved: Unsolved) -> DiagnosisRecord {
        let mut next: Vec<String> = steps(cause).into_iter().map(String::from).collect();
        if let Cause::IndexTooShallow {
            field_deg,
            magnitude,
            near_deg,
            ..
        } = *cause
        {
            next.insert(0, deeper(field_deg, magnitude, near_deg));
        }
        if let Some(step) = unsolved.limit_step() {
            // A limit stands in the way of a frame that looks sound, and of no other.
            let at = match cause {
                Cause::NoMatch { .. } => 0,
                _ => next.len(),
            };
            next.insert(at, step.into());
        }
        DiagnosisRecord {
            code: cause.code(),
            sentence: sentence(cause),
            next,
        }
    }
}

/// Service of the Gaia archive (ESA), the example of a TAP service everywhere here.
const STAR_SERVICE: &str = "https://gea.esac.esa.int/tap-server/tap";

/// How to come by a star-index that is deep enough: a command to be copied as it stands, but for
/// the position where that is unknown.
fn deeper([width, height]: [f64; 2], magnitude: f64, near_deg: Option<[f64; 2]>) -> String {
    /// What index-builder can be asked for.
    const LIMITS_DEG: [f64; 2] = [0.05, 10.0];
    /// A claimed scale may be a little wrong.
    const CLAIM_ERROR: f64 = 0.1;
    let wider = width.max(height);
    let [low, high] = [1.0 - CLAIM_ERROR, 1.0 + CLAIM_ERROR]
        .map(|factor| (factor * wider).clamp(LIMITS_DEG[0], LIMITS_DEG[1]));
    let (at, replace) = match near_deg {
        Some([ra, dec]) => (format!("{ra:.4} {dec:+.4}"), ""),
        None => (
            "RA DEC".to_owned(),
            " with the position of your target in degrees for RA DEC",
        ),
    };
    format!(
        "Build a star-index to magnitude {magnitude:.1} or fainter around the target{replace}: \
         index-builder build --out deep.nfsky --for-fields {low:.3}..{high:.3} --around \"{at}\" \
         --radius 2 --tap {STAR_SERVICE} (or a table of stars instead of --tap). Then name it: \
         --index deep.nfsky."
    )
}

fn sentence(cause: &Cause) -> String {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    match *cause {
        Cause::NoStars => "No stars: the frame shows nothing but noise.".into(),
        Cause::FewStars { found: 1 } => {
            "Only one star: four make a pattern, six or more a proof.".into()
        }
        Cause::FewStars { found } => {
            format!("Only {found} stars: four make a pattern, six or more a proof.")
        }
        Cause::Trailed {
            length_px,
            angle_deg,
        } => format!(
            "The stars are trails about {length_px:.0} px long, {angle_deg:.0} deg from the first \
             pixel axis: the mount moved, or did not track, while the shutter was open."
        ),
        Cause::OutOfFocus { width_px } => {
            format!("The stars are discs about {width_px:.0} px wide: far out of focus.")
        }
        Cause::Overexposed { full_share } => {
            format!("{} of the pixels are burnt out.", percent(full_share))
        }
        Cause::BrightSky { fill } => format!(
            "The sky fills {} of the range that the frame can hold: daylight, twilight, the Moon or a \
             lamp.",
            percent(fill)
        ),
        Cause::Cloud { found } => clouded(found),
        Cause::IndexTooShallow {
            field_deg: [width, height],
            expected,
            ..
        } => format!(
            "By the claimed scale the field is {} x {}, and the star-indexes hold about {} there: \
             six make a proof.",
            small_angle(width),
            small_angle(height),
            match expected {
                n if n < 1.5 => "one star or none".to_owned(),
                n => format!("{n:.0} stars"),
            }
        ),
        Cause::NoMatch {
            found, suspects, ..
        } => {
            let why = likely(suspects.iter().flatten());
            format!("{found} stars, and no place in the sky fits them beyond doubt.{why}")
        }
        Cause::TooWide { field_deg } => format!(
            "By the claimed focal length the field would be about {field_deg:.0} deg wide through a \
             fisheye, and wider than any that is searched for."
        ),
    }
}

fn clouded(found: usize) -> String {
    let stars = match found {
        0 => {
            return "Uneven light, and no stars: cloud, or a picture that shows none, since they were \
                    taken out or it is not of the sky."
                .into();
        }
        1 => "one star".to_owned(),
        n => format!("{n} stars"),
    };
    format!("Mostly cloud: uneven light, and {stars}.")
}

/// A sentence of what may be the reason; nothing without any.
fn likely<'a>(suspects: impl Iterator<Item = &'a Suspect>) -> String {
    let reasons: Vec<String> = suspects.map(suspicion).collect();
    match reasons.as_slice() {
        [] => String::new(),
        reasons => format!(" Likely {}.", reasons.join(", or ")),
    }
}

/// Why many stars may match nothing.
fn suspicion(suspect: &Suspect) -> String {
    match suspect {
        Suspect::Bent => {
            "the picture is no single exposure (a panorama, a composition), or the lens \
                          bends it in a way of its own"
                .into()
        }
        Suspect::Crowded => "the stars stand so close that few are seen alone".into(),
        Suspect::Narrow { fwhm_px } => format!(
            "the field is under one degree wide, since stars take {fwhm_px:.0} px of it, and needs a \
             deeper star-index than the one in the program"
        ),
        Suspect::ShortTrails { elongation } => {
            format!("it is that the stars are short trails, {elongation:.1} times as long as wide")
        }
    }
}

fn steps(cause: &Cause) -> Vec<&'static str> {
    match cause {
        Cause::NoStars => vec![
            "See that the cap and every cover are off, and that the shutter opens.",
            "Expose longer: some seconds show stars through most telescopes.",
            "If the sky is clear, the focus may be very far off: bring a bright star near it first.",
        ],
        Cause::FewStars { .. } => vec![
            "Expose two to four times as long.",
            "See whether there is thin cloud or dew, and whether the focus is near.",
            "Say what you know: --at for the position, --scale for the pixel scale.",
        ],
        Cause::Trailed { .. } => vec![
            "See that tracking is on, and that nothing moves or touches the mount while it exposes.",
            "Expose for a shorter time: the trails shorten with it.",
        ],
        Cause::OutOfFocus { .. } => {
            vec!["Focus until stars are a few pixels wide, then expose again."]
        }
        Cause::Overexposed { .. } => vec![
            "Expose for a shorter time, or with less gain.",
            "See that no lamp shines into the telescope.",
            DAYLIGHT,
        ],
        Cause::BrightSky { .. } => vec![
            "Expose for a shorter time: stars outshine a bright sky when neither is burnt out.",
            "Wait for darkness, or turn away from the Moon or the lamp.",
            DAYLIGHT,
        ],
        Cause::Cloud { .. } => vec![
            "Look at the sky: wait, or try a clear part of it.",
            "See whether dew covers the optics.",
        ],
        Cause::IndexTooShallow { .. } => vec![
            "If the scale is not what the header claims, say what it is: --scale, or --focal-length \
             with --pixel-size.",
        ],
        Cause::TooWide { .. } => vec![
            CUT_OUT,
            "If the focal length is not what the header claims, say what it is: --scale, or \
             --focal-length with --pixel-size.",
        ],
        Cause::NoMatch {
            scale_claimed,
            suspects,
            ..
        } => steps_of_many(suspects.contains(&Some(Suspect::Bent)), *scale_claimed),
    }
}

/// What to do where there are stars enough, and no place fits.
fn steps_of_many(bent: bool, scale_claimed: bool) -> Vec<&'static str> {
    match (bent, scale_claimed) {
        (true, _) => vec![
            CUT_OUT,
            SEE_IT,
            "Say how large the field is (--scale, or --focal-length with --pixel-size), and where the \
             telescope points, roughly (--at).",
        ],
        (false, false) => vec![
            "Say how large the field is (--scale, or --focal-length with --pixel-size): under one \
             degree it needs a deeper star-index than the one in the program.",
            SEE_IT,
            "Say where the telescope points, roughly: --at.",
        ],
        (false, true) => vec![
            SEE_IT,
            "See whether the claimed scale is right: a field under one degree needs a deeper \
             star-index than the one in the program.",
            "Say where the telescope points, roughly: --at.",
        ],
    }
}
