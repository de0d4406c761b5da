//! One frame in one line, for people.

use crate::angle::{format_dec, format_ra};
use crate::mount::{PointingError, compass_word};
use crate::track::{FrameKind, Row, RowStatus};

/// The line, without a line end: what became of the frame, its name, where it points, how far
/// and which way that is from where the mount was told to point, how its stars are.
pub fn line(row: &Row) -> String {
    line_with(row, row.pointing_error(), "")
}

/// The same with another pointing error, and `more` behind what is said of a solved frame.
pub fn line_with(row: &Row, error: Option<PointingError>, more: &str) -> String {
    match row.status {
        RowStatus::Solved => solved(row, error) + more,
        RowStatus::Unsolved => {
            let code = row.diagnosis_code.as_deref().unwrap_or("unknown");
            let why = row.diagnosis.as_deref().or(row.reason.as_deref());
            format!("unsolved  {}  {code}: {}", row.file, why.unwrap_or(""))
        }
        RowStatus::Error => format!("not used  {}", row.reason.as_deref().unwrap_or(&row.file)),
        RowStatus::NotALight => {
            let kind = match row.kind {
                FrameKind::Dark => "dark",
                FrameKind::Flat => "flat",
                FrameKind::Bias => "bias frame",
                FrameKind::Light => "no sky",
            };
            format!("left alone  {}  {kind}", row.file)
        }
    }
}

fn solved(row: &Row, error: Option<PointingError>) -> String {
    let mut parts = vec![format!("solved  {}", row.file)];
    if let Some([ra_deg, dec_deg]) = row.centre_deg() {
        parts.push(format!("{} {}", format_ra(ra_deg), format_dec(dec_deg)));
    }
    if let Some(error) = error {
        parts.push(format!("{} off", offset(&error)));
    }
    if let Some(matched) = row.stars_matched {
        parts.push(format!("{matched} stars"));
    }
    if let Some(px) = row.fwhm_px {
        parts.push(format!("{px:.1} px wide"));
    }
    parts.join("  ")
}

/// `3.1 arcmin south-west`.
pub fn offset(error: &PointingError) -> String {
    let direction = compass_word(error.position_angle_deg);
    match error.separation_deg * 60.0 {
        arcmin if arcmin < 0.1 => format!("{:.1} arcsec {direction}", arcmin * 60.0),
        arcmin if arcmin < 100.0 => format!("{arcmin:.1} arcmin {direction}"),
        arcmin => format!("{:.2} deg {direction}", arcmin / 60.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_has_its_line() {
        let row = Row {
            file: "a.fits".into(),
            status: RowStatus::Solved,
            ra_deg: Some(83.633_083),
            dec_deg: Some(22.0145),
            commanded_ra_deg: Some(83.633_083),
            commanded_dec_deg: Some(22.1),
            stars_matched: Some(31),
            fwhm_px: Some(2.04),
            ..Row::default()
        };
        assert_eq!(
            line(&row),
            "solved  a.fits  05h34m31.94s +22d00m52.2s  5.1 arcmin south off  31 stars  2.0 px wide"
        );
        let cloud = Row {
            status: RowStatus::Unsolved,
            diagnosis_code: Some("cloud".into()),
            diagnosis: Some("Mostly cloud: uneven light, and no stars.".into()),
            ..row.clone()
        };
        assert_eq!(
            line(&cloud),
            "unsolved  a.fits  cloud: Mostly cloud: uneven light, and no stars."
        );
        let flat = Row {
            status: RowStatus::NotALight,
            kind: FrameKind::Flat,
            ..row
        };
        assert_eq!(line(&flat), "left alone  a.fits  flat");
    }
}
