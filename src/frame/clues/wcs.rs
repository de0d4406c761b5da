//! An existing WCS, as far as a clue needs it: a projection that lenses have, TAN whatever else it
//! says, no distortion.
//!
//! Sources: FITS 4.0, section 8; Calabretta & Greisen 2002, section 6.1 (CROTA).

use crate::frame::fits::card::Header;
use crate::projection::Projection;
use crate::wcs::Wcs;

/// The linear WCS of the header and the sky position (RA, Dec, degrees) of the centre of a frame
/// of `width` x `height` pixels.
pub(crate) fn existing(header: &Header, width: usize, height: usize) -> Option<(Wcs, [f64; 2])> {
    let ctype = |n| {
        header
            .text(if n == 1 { "CTYPE1" } else { "CTYPE2" })
            .map(str::to_owned)
    };
    let (first, second) = (
        ctype(1)?.to_ascii_uppercase(),
        ctype(2)?.to_ascii_uppercase(),
    );
    let swapped = match (first.get(..3), second.get(..3)) {
        (Some("RA-" | "RA"), Some("DEC")) => false,
        (Some("DEC"), Some("RA-" | "RA")) => true,
        _ if first == "RA" && second.starts_with("DEC") => false,
        _ => return None,
    };
    let number = |name: &str| header.number(name);
    let mut crval = [number("CRVAL1")?, number("CRVAL2")?];
    let mut cd = matrix(header)?;
    if swapped {
        crval.swap(0, 1);
        cd.swap(0, 1);
    }
    if !(-90.0..=90.0).contains(&crval[1]) || crval[0].abs() > 720.0 {
        return None;
    }
    let wcs = Wcs {
        crpix: [number("CRPIX1")?, number("CRPIX2")?],
        crval,
        cd,
        projection: projection_of(&first),
        sip: None,
    };
    let centre = wcs.pixel_to_sky((width as f64 + 1.0) / 2.0, (height as f64 + 1.0) / 2.0);
    centre
        .iter()
        .all(|v| v.is_finite())
        .then_some((wcs, centre))
}

/// That of the axis type, such as `RA---ARC`.
fn projection_of(ctype: &str) -> Projection {
    let code = ctype.get(5..8);
    code.and_then(Projection::of_code).unwrap_or_default()
}

/// CD matrix from CD, from PC and CDELT, or from CDELT and CROTA.
fn matrix(header: &Header) -> Option<[[f64; 2]; 2]> {
    let number = |name: String| header.number(&name);
    let pick = |kind: &str, default: [[f64; 2]; 2]| -> [[f64; 2]; 2] {
        std::array::from_fn(|i| {
            std::array::from_fn(|j| {
                number(format!("{kind}{}_{}", i + 1, j + 1)).unwrap_or(default[i][j])
            })
        })
    };
    let cd = pick("CD", [[0.0; 2]; 2]);
    let cd = if cd != [[0.0; 2]; 2] {
        cd
    } else {
        let cdelt = [number("CDELT1".into())?, number("CDELT2".into())?];
        let angle = number("CROTA2".into())
            .or(number("CROTA1".into()))
            .unwrap_or(0.0);
        let (s, c) = angle.to_radians().sin_cos();
        // Calabretta & Greisen 2002, equation 189.
        let turned = [[c, -s * cdelt[1] / cdelt[0]], [s * cdelt[0] / cdelt[1], c]];
        let pc = pick("PC", turned);
        [pc[0].map(|v| v * cdelt[0]), pc[1].map(|v| v * cdelt[1])]
    };
    let det = cd[0][0] * cd[1][1] - cd[0][1] * cd[1][0];
    (det.is_finite() && det != 0.0).then_some(cd)
}
