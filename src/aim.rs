//! Where someone wants to point: a position, or the name of a deep-sky object or a star.

use crate::angle::{AngleError, ParsedPosition, format_dec, format_ra, parse_position};
use deep_sky_names::{FindError, find};
use star_names::NamedStar;

/// Why a text says nowhere to point; one sentence for the user.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AimError {
    /// It is written like a position, but does not make one.
    #[error("{0}; or name a deep-sky object, as 'M 81'")]
    Position(#[from] AngleError),
    /// It is written like a name.
    #[error("{0}; or write a position, as '05h34m31.9s +22d00m52s'")]
    Name(#[from] FindError),
}

/// Reads a position as [`parse_position`] does, or a name as [`find`] does: `M 81`, `ngc 7000`,
/// `Crab Nebula`; or as [`star_names::find`] does: `Vega`, `alpha Lyr`, `61 Cyg`. Positions of names are ICRS
/// (J2000), without proper motion.
///
/// # Errors
///
/// It is neither, or a name that means several places.
///
/// ```
/// let aim = nightfix::aim::parse_aim("messier 81")?;
/// assert_eq!(aim.name.as_deref(), Some("M 81"));
/// # Ok::<(), nightfix::aim::AimError>(())
/// ```
pub fn parse_aim(text: &str) -> Result<ParsedPosition, AimError> {
    let refusal = match parse_position(text) {
        Ok(position) => return Ok(position),
        Err(refusal) => refusal,
    };
    if !text.chars().any(char::is_alphabetic) {
        return Err(refusal.into());
    }
    let found = find(text);
    if let (Err(FindError::Unknown { .. }), Some(star)) = (&found, star_names::find(text)) {
        return Ok(star_position(&star));
    }
    match found {
        Ok(object) => Ok(ParsedPosition {
            ra_deg: object.ra_deg,
            dec_deg: object.dec_deg,
            understood: format!(
                "{}, {}: RA {} Dec {} (J2000)",
                object.title(),
                object.kind,
                format_ra(object.ra_deg),
                format_dec(object.dec_deg)
            ),
            name: Some(object.name().to_owned()),
        }),
        // `47 Tuc` is a name and `5h34m +22x` a position; most of either begin as such.
        Err(FindError::Unknown { .. }) if !begins_like_a_name(text) => Err(refusal.into()),
        Err(unknown) => Err(unknown.into()),
    }
}

fn star_position(star: &NamedStar) -> ParsedPosition {
    let name = star.title();
    ParsedPosition {
        ra_deg: star.ra_deg,
        dec_deg: star.dec_deg,
        understood: format!(
            "{name}{}, star of magnitude {:.1}: RA {} Dec {} (J2000)",
            star.in_brackets(),
            star.magnitude,
            format_ra(star.ra_deg),
            format_dec(star.dec_deg)
        ),
        name: Some(name),
    }
}

fn begins_like_a_name(text: &str) -> bool {
    let text = text.trim_start().to_lowercase();
    let is_label = ["ra ", "ra=", "ra:", "dec", "α", "δ", "right"]
        .iter()
        .any(|label| text.starts_with(label));
    text.starts_with(char::is_alphabetic) && !is_label
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_come_before_names() {
        let aim = parse_aim("5:34:31.9 +22:00:52").unwrap();
        assert_eq!(aim.name, None);
        let crab = parse_aim("crab nebula").unwrap();
        assert_eq!(crab.name.as_deref(), Some("M 1"));
        assert!(
            (crab.ra_deg - aim.ra_deg).abs() < 0.01 && (crab.dec_deg - aim.dec_deg).abs() < 0.01
        );
        assert!(
            crab.understood
                .starts_with("M 1 (Crab Nebula), supernova remnant: RA 05h34m")
        );
    }

    #[test]
    fn stars_come_after_deep_sky_objects() {
        let name = |text: &str| parse_aim(text).unwrap().name.unwrap_or_default();
        assert_eq!(name("vega"), "Vega");
        assert_eq!(name("α Lyr"), "Vega");
        assert_eq!(name("HIP 11767"), "Polaris");
        assert_eq!(name("61 cyg"), "61 Cyg");
        let understood = parse_aim("Tejat").unwrap().understood;
        assert!(
            understood.starts_with("Tejat (mu Gem, 13 Gem), star of magnitude 2.9: RA 06h22m57")
        );
        // Barnard 33, and no star.
        assert_eq!(name("B 33"), "B 33");
    }

    #[test]
    fn errors_speak_of_what_was_meant() {
        let says = |text: &str| parse_aim(text).unwrap_err().to_string();
        assert!(says("M 811").starts_with("'M 811' is no deep-sky object"));
        assert!(says("crab nebla").contains("Crab Nebula"));
        assert!(says("eastern veil").contains("NGC 6992"));
        for text in ["83.6", "", "RA 5x Dec 3", "5h34m 10x"] {
            assert!(
                says(text).contains("is no sky position"),
                "{text}: {}",
                says(text)
            );
        }
    }
}
