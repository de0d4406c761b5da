//! Which stars fields of a given size need, and which quads.

use std::fmt;
use std::str::FromStr;

/// Widths of field that an index is built for, degrees.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fields {
    /// The narrowest.
    pub narrowest_deg: f64,
    /// The widest.
    pub widest_deg: f64,
}

/// Limits of what can be asked for, degrees: narrower fields need cells finer than any catalogue
/// fills, wider ones are served by the index that is part of the program.
const LIMITS_DEG: [f64; 2] = [0.05, 10.0];

impl FromStr for Fields {
    type Err = String;

    fn from_str(text: &str) -> Result<Fields, String> {
        let wrong = || format!("'{text}' is no range of widths in degrees: write it as 0.2..1");
        let (low, high) = text.split_once("..").ok_or_else(wrong)?;
        let number = |t: &str| t.trim().parse::<f64>().map_err(|_| wrong());
        let (narrowest_deg, widest_deg) = (number(low)?, number(high)?);
        if !(narrowest_deg <= widest_deg) {
            return Err(format!(
                "'{text}': the narrowest field comes first, as in 0.2..1"
            ));
        }
        let [least, most] = LIMITS_DEG;
        if narrowest_deg < least || widest_deg > most {
            return Err(format!(
                "'{text}': fields from {least} to {most} degrees can be asked for; wider ones are \
                 served by the star-index inside nightfix"
            ));
        }
        Ok(Fields {
            narrowest_deg,
            widest_deg,
        })
    }
}

impl fmt::Display for Fields {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}..{}", self.narrowest_deg, self.widest_deg)
    }
}

/// What fields of some width need.
#[derive(Debug, Clone, PartialEq)]
pub struct Needs {
    /// The fields.
    pub fields: Fields,
    /// HEALPix depth of the cells whose brightest stars are kept.
    pub depth: u8,
    /// Stars kept per cell.
    pub per_cell: usize,
    /// One band of quads per step of a factor of two in width, narrowest first.
    pub bands: Vec<Band>,
}

/// How the quads of a band are chosen.
///
/// A frame shows the stars of its field to some brightness. Every star is therefore joined with
/// the nearest of those that are brighter than itself: whatever the faintest star that shows,
/// its quads hold no star that is too faint. Of the quads that a star makes with them the most
/// compact are taken, since those lie within most of the fields that the star lies in.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// HEALPix depth of the cells that thin the stars.
    pub thin_depth: u8,
    /// How many of the brightest stars of every such cell are joined.
    pub per_cell: usize,
    /// Quads that each of them contributes.
    pub quads_per_star: usize,
    /// No pair of a quad is farther apart, radians.
    pub longest_rad: f64,
    /// HEALPix depth of the band's tiles.
    pub tile_depth: u8,
}

/// Stars kept per finest cell: the narrowest field, two cells in area, shows about 16.
const KEPT_PER_CELL: usize = 8;
/// No cell's edge is longer than this part of the narrowest field's width.
const EDGE_OF_FIELD: f64 = 0.6;
/// Quads of coarser cells than these are served by the index inside the program.
const COARSEST_DEPTH: u8 = 4;

/// Edge of a HEALPix cell, radians: near the square root of its area (1.023 / 2^depth).
pub(crate) fn edge_rad(depth: u8) -> f64 {
    std::f64::consts::FRAC_PI_3 / f64::from(1_u32 << depth)
}

/// The depth of the coarsest cells that are fine enough for a field.
fn depth_for(width_deg: f64) -> u8 {
    let fine = |depth: &u8| edge_rad(*depth) <= EDGE_OF_FIELD * width_deg.to_radians();
    (COARSEST_DEPTH..12).find(fine).unwrap_or(12)
}

impl Needs {
    /// What `fields` need.
    pub fn of(fields: Fields) -> Needs {
        let depth = depth_for(fields.narrowest_deg);
        let coarsest = depth_for(fields.widest_deg);
        let bands = (coarsest..=depth).rev().map(|d| band(d, d == depth));
        Needs {
            fields,
            depth,
            per_cell: KEPT_PER_CELL,
            bands: bands.collect(),
        }
    }

    /// What is kept and why, for people.
    pub fn explain(&self) -> String {
        let edge_deg = edge_rad(self.depth).to_degrees();
        let area = |width_deg: f64| width_deg * width_deg / 1.5;
        let shown = area(self.fields.narrowest_deg) / edge_deg.powi(2) * self.per_cell as f64;
        format!(
            "fields of {} deg: the brightest {} stars of every cell of {edge_deg:.3} deg, so that \
             the narrowest field (3:2) shows about {shown:.0}; {} bands of quads, one per factor \
             of two in width",
            self.fields,
            self.per_cell,
            self.bands.len()
        )
    }
}

/// The quads of a band. The finest has four times the stars of the next one, and fewer each.
fn band(depth: u8, finest: bool) -> Band {
    Band {
        thin_depth: depth,
        per_cell: KEPT_PER_CELL,
        quads_per_star: if finest { 2 } else { 3 },
        longest_rad: 2.6 * edge_rad(depth),
        tile_depth: depth - 3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_understood_or_refused_with_the_way_out() {
        let fields: Fields = "0.2..1".parse().unwrap();
        assert_eq!([fields.narrowest_deg, fields.widest_deg], [0.2, 1.0]);
        for wrong in ["1", "1..0.2", "0.01..1", "0.2..20", "a..b", "NaN..1"] {
            assert!(wrong.parse::<Fields>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn bands_reach_from_the_narrowest_to_the_widest_field() {
        let needs = Needs::of("0.2..1".parse().unwrap());
        let depths: Vec<u8> = needs.bands.iter().map(|b| b.thin_depth).collect();
        assert_eq!(depths, [9, 8, 7]);
        assert_eq!(Needs::of("0.1..0.1".parse().unwrap()).depth, 10);
    }
}
