//! Positions on the command line and in lists of targets: numbers, or names of deep-sky objects.

use deep_sky_names::find;
use std::str::FromStr;

/// ICRS right ascension and declination, degrees; read from numbers or from a name.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position(pub [f64; 2]);

const SYNTAX: &str = "write \"132.85 11.81\" (degrees) or \"08h51m24s +11d48m36s\" or \
                      \"8:51:24 +11:48:36\" (hours, degrees) or a name like \"M 67\"";

impl FromStr for Position {
    type Err = String;

    fn from_str(text: &str) -> Result<Position, String> {
        let refusal = match numbers(text) {
            Ok(position) => return Ok(position),
            Err(refusal) => refusal,
        };
        if !text.chars().any(char::is_alphabetic) {
            return Err(refusal);
        }
        match find(text) {
            Ok(object) => Ok(Position([object.ra_deg, object.dec_deg])),
            Err(unknown) if text.trim_start().starts_with(char::is_alphabetic) => {
                Err(unknown.to_string())
            }
            Err(_) => Err(refusal),
        }
    }
}

fn numbers(text: &str) -> Result<Position, String> {
    let wrong = || format!("'{}' is no position: {SYNTAX}", text.trim());
    let words: Vec<&str> = text.split_whitespace().collect();
    let [ra, dec] = words[..] else {
        return Err(wrong());
    };
    let (ra_deg, dec_deg) = match (ra.parse::<f64>(), dec.parse::<f64>()) {
        (Ok(ra), Ok(dec)) => (ra, dec),
        _ => {
            let hours = sexagesimal(ra, 'h').ok_or_else(wrong)?;
            (15.0 * hours, sexagesimal(dec, 'd').ok_or_else(wrong)?)
        }
    };
    if !(0.0..=360.0).contains(&ra_deg) || !(-90.0..=90.0).contains(&dec_deg) {
        return Err(format!("'{}' lies outside the sky: {SYNTAX}", text.trim()));
    }
    Ok(Position([ra_deg, dec_deg]))
}

/// `8:51:24.5`, `08h51m24.5s`: units of the first part. Minutes and seconds below 60.
fn sexagesimal(text: &str, unit: char) -> Option<f64> {
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => (-1.0, rest),
        None => (1.0, text.strip_prefix('+').unwrap_or(text)),
    };
    let plain = digits.replace([unit, 'm'], ":").replace('s', "");
    let parts: Vec<f64> = plain
        .trim_end_matches(':')
        .split(':')
        .map(|part| part.parse().ok().filter(|n: &f64| *n >= 0.0))
        .collect::<Option<_>>()?;
    let (first, rest) = parts.split_first()?;
    if rest.is_empty() || rest.len() > 2 || rest.iter().any(|n| *n >= 60.0) {
        return None;
    }
    let rest = rest.iter().zip([60.0, 3600.0]).map(|(n, part)| n / part);
    Some(sign * (first + rest.sum::<f64>()))
}

/// Positions of a list: one a line, whatever follows a comma is a remark, `#` begins a comment.
///
/// # Errors
///
/// Names the line that is no position; an empty list.
pub fn targets_of(text: &str) -> Result<Vec<[f64; 2]>, String> {
    let mut targets = Vec::new();
    for (number, line) in text.lines().enumerate() {
        let line = line.split('#').next().unwrap_or_default();
        let position = line.split(',').next().unwrap_or_default();
        if position.trim().is_empty() {
            continue;
        }
        let parsed: Position = position
            .parse()
            .map_err(|what| format!("line {}: {what}", number + 1))?;
        targets.push(parsed.0);
    }
    if targets.is_empty() {
        return Err("it names no target: one position a line".into());
    }
    Ok(targets)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn degrees_and_hours_are_told_apart_by_their_form() {
        let at = |text: &str| text.parse::<Position>().unwrap().0;
        assert_eq!(at("132.85 11.81"), [132.85, 11.81]);
        let near = |text: &str, expected: [f64; 2]| {
            let found = at(text);
            assert!((found[0] - expected[0]).abs() < 1e-9, "{text}");
            assert!((found[1] - expected[1]).abs() < 1e-9, "{text}");
        };
        near("08h51m24s +11d48m36s", [132.85, 11.81]);
        near("8:51:24 -0:30:00", [132.85, -0.5]);
        for wrong in [
            "132.85",
            "8:61:00 1:00:00",
            "361 0",
            "0 -91",
            "a b",
            "1 2 3",
        ] {
            assert!(wrong.parse::<Position>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn names_stand_for_positions() {
        let m67 = "Messier 67".parse::<Position>().unwrap().0;
        assert!((m67[0] - 132.83).abs() < 0.02 && (m67[1] - 11.81).abs() < 0.02);
        assert_eq!(
            targets_of("M 67\nngc 2682, the same\n").unwrap(),
            [m67, m67]
        );
        let unknown = "crab nebla".parse::<Position>().unwrap_err();
        assert!(unknown.contains("Crab Nebula"), "{unknown}");
        let numbers = "8:61:00 1:00:00 x".parse::<Position>().unwrap_err();
        assert!(numbers.contains("is no position"), "{numbers}");
    }

    #[test]
    fn lists_may_hold_names_and_comments() {
        let list = "# mine\n132.85 11.81, a cluster\n\n8:51:24 +11:48:36 # again\n";
        assert_eq!(targets_of(list).unwrap().len(), 2);
        assert!(
            targets_of("1 2\nthere\n")
                .unwrap_err()
                .starts_with("line 2")
        );
        assert!(targets_of("# nothing\n").is_err());
    }
}
