//! Pixel scales that a header claims, and the sensor and optics behind them.

use super::ScaleClue;
use crate::fit::wcs::Wcs;
use crate::frame::fits::card::Header;

/// Arcseconds per radian over micrometres per millimetre.
const ARCSEC_MM_PER_UM: f64 = 206.264_806_247;

/// Scales that are believed: a large telescope's to an all-sky lens's.
const BELIEVED_ARCSEC: std::ops::RangeInclusive<f64> = 0.01..=3600.0;

/// Optics and sensor.
#[derive(Debug, Clone, Default)]
pub(crate) struct Optics {
    /// Focal length, mm.
    pub focal_length_mm: Option<f64>,
    /// Pixel size in the file, micrometres, as the header's customary meaning has it.
    pub pixel_size_um: Option<f64>,
    /// Binning along x, 1 where none is stated.
    pub binning: f64,
}

/// Reads focal length, pixel size and binning.
pub(crate) fn optics(header: &Header) -> Optics {
    let first = |names: &[&str], range: std::ops::RangeInclusive<f64>| {
        let found = names.iter().find_map(|name| {
            let card = header.card(name)?;
            let value = card.value.as_f64()?;
            let comment = card.comment.to_ascii_lowercase();
            let metres = ["meter", "metre", "[m]", "(m)"]
                .iter()
                .any(|w| comment.contains(w))
                && !["milli", "micro"].iter().any(|w| comment.contains(w));
            Some((value, metres))
        });
        let (value, metres) = found?;
        let value = if metres { value * 1000.0 } else { value };
        range.contains(&value).then_some(value)
    };
    let pixel_names = [
        "XPIXSZ",
        "PIXSIZE1",
        "XPIXELSZ",
        "PIXSIZE",
        "PIXELSZ",
        "XPIXSIZE",
        "PIXSZ",
        "PIXELSIZE",
    ];
    Optics {
        focal_length_mm: first(
            &["FOCALLEN", "FOCLEN", "FOCAL", "TELFOCAL"],
            1.0..=100_000.0,
        ),
        pixel_size_um: first(&pixel_names, 0.3..=500.0),
        binning: first(
            &["XBINNING", "CCDXBIN", "BINX", "XBIN", "BINNING"],
            1.0..=32.0,
        )
        .unwrap_or(1.0),
    }
}

/// Every claimed scale, likeliest first.
pub(crate) fn scales(header: &Header, optics: &Optics, wcs: Option<&Wcs>) -> Vec<ScaleClue> {
    let mut scales = Vec::new();
    let mut add = |arcsec_per_px: f64, source: String| {
        if BELIEVED_ARCSEC.contains(&arcsec_per_px) {
            scales.push(ScaleClue {
                arcsec_per_px,
                source,
            });
        }
    };
    if let Some(wcs) = wcs {
        add(wcs_scale_arcsec(wcs), "the WCS".into());
    }
    let stated = [
        "PIXSCALE", "SECPIX", "SECPIX1", "IM_SCALE", "PIXSCAL1", "XPIXSCAL", "SCALE", "PIXSCAL",
        "IMSCALE",
    ];
    for name in stated {
        if let Some(value) = header.number(name) {
            add(value.abs(), name.into());
        }
    }
    if let (Some(plate), Some(pixel)) = (header.number("PLTSCALE"), optics.pixel_size_um) {
        add(plate * pixel / 1000.0, "PLTSCALE and the pixel size".into());
    }
    if let (Some(focal), Some(pixel)) = (optics.focal_length_mm, optics.pixel_size_um) {
        let scale = ARCSEC_MM_PER_UM * pixel / focal;
        add(scale, "focal length and pixel size".into());
        // Custom has the pixel size include the binning, but not everybody's custom.
        if optics.binning > 1.0 {
            add(
                scale * optics.binning,
                "focal length, pixel size and binning".into(),
            );
        }
    }
    scales
}

fn wcs_scale_arcsec(wcs: &Wcs) -> f64 {
    let [[a, b], [c, d]] = wcs.cd;
    (a * d - b * c).abs().sqrt() * 3600.0
}
