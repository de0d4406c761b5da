//! What a frame was made for: the sky, or to calibrate the camera.

use crate::track::FrameKind;

/// Keywords that say it, likeliest first. Common practice: no standard has one.
const KEYWORDS: [&str; 6] = [
    "IMAGETYP",
    "IMAGETYPE",
    "OBSTYPE",
    "FRAME",
    "FRAMETYP",
    "EXPTYPE",
];

/// What the header says that the frame was made for; `text` gives the text of a keyword.
///
/// Without a keyword that says so an `OBJECT` named `dark`, `flat` or `bias` counts.
pub fn stated_kind<'a>(text: impl Fn(&str) -> Option<&'a str>) -> Option<FrameKind> {
    let stated = KEYWORDS.iter().find_map(|keyword| kind_of(text(keyword)?));
    stated.or_else(|| {
        let object = text("OBJECT")?.trim().to_lowercase();
        let words = ["dark", "darks", "flat", "flats", "bias"];
        words.contains(&object.as_str()).then(|| kind_of(&object))?
    })
}

/// Reads `Dark Frame`, `FLAT`, `Light`, `object`, `zero`, ... A dark for flats is a dark.
fn kind_of(text: &str) -> Option<FrameKind> {
    let text = text.to_lowercase();
    let has = |words: &[&str]| words.iter().any(|word| text.contains(word));
    if has(&["dark"]) {
        Some(FrameKind::Dark)
    } else if has(&["bias", "zero", "offset"]) {
        Some(FrameKind::Bias)
    } else if has(&["flat"]) {
        Some(FrameKind::Flat)
    } else if has(&["light", "object", "science", "target"]) {
        Some(FrameKind::Light)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_as_cameras_name_them() {
        let of = |keyword: &str, value: &'static str| {
            let keyword = keyword.to_owned();
            stated_kind(move |asked| (asked == keyword).then_some(value))
        };
        assert_eq!(of("IMAGETYP", "Dark Frame"), Some(FrameKind::Dark));
        assert_eq!(of("IMAGETYP", "DARKFLAT"), Some(FrameKind::Dark));
        assert_eq!(of("OBSTYPE", "zero"), Some(FrameKind::Bias));
        assert_eq!(of("FRAME", "Sky flat"), Some(FrameKind::Flat));
        assert_eq!(of("IMAGETYP", "Light Frame"), Some(FrameKind::Light));
        assert_eq!(of("IMAGETYP", "focus"), None);
        assert_eq!(of("OBJECT", "Flat"), Some(FrameKind::Flat));
        assert_eq!(of("OBJECT", "Dark nebula B 33"), None);
    }
}
