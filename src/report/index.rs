//! What there is to say about a star-index, as one JSON object (schema `nightfix.sky/1`) and as
//! text. Every key is always there; what is not known is null. `sky.schema.json` beside this file
//! describes it for machines.

use super::rounding::{decimals, turn};
use super::text::Block;
use crate::sky::{Coverage, StarIndex};
use serde::Serialize;

/// Name and number of the schema: the number rises when a key changes its meaning or goes away.
pub const SCHEMA: &str = "nightfix.sky/1";

/// What is known of the soundness of a star-index.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum IndexStatus {
    /// Its head is sound; the rest is verified where it is read.
    Usable,
    /// Every byte is as it was written.
    Verified,
    /// It cannot be opened, is of another kind or version, or is damaged.
    Unusable,
}

/// Quads of like size.
#[derive(Debug, Clone, Serialize)]
pub struct BandRecord {
    /// Their number.
    pub quads: u64,
    /// Shortest first side, degrees.
    pub shortest_deg: f64,
    /// Longest first side, degrees.
    pub longest_deg: f64,
}

/// A part of the sky: a circle.
#[derive(Debug, Clone, Serialize)]
pub struct PatchRecord {
    /// ICRS right ascension of its centre.
    pub ra_deg: f64,
    /// ICRS declination of its centre.
    pub dec_deg: f64,
    /// Radius.
    pub radius_deg: f64,
}

/// What is in a star-index.
#[derive(Debug, Clone, Serialize)]
pub struct IndexFacts {
    /// Length of the file.
    pub bytes: u64,
    /// Stars.
    pub stars: u64,
    /// Quads.
    pub quads: u64,
    /// Julian year of its positions.
    pub epoch_jyear: f64,
    /// Magnitude of the faintest star.
    pub faintest_mag: f64,
    /// Half of the stars are brighter.
    pub median_mag: Option<f64>,
    /// Narrowest and widest field that it was built for; null: any.
    pub fields_deg: Option<[f64; 2]>,
    /// Part of the sky covered, 0 to 1.
    pub covered_share: f64,
    /// Parts of the sky, largest first; empty: the whole sky.
    pub patches: Vec<PatchRecord>,
    /// Smallest quads first.
    pub bands: Vec<BandRecord>,
    /// The catalogues that it was built from.
    pub origin: String,
}

/// A star-index and its state.
#[derive(Debug, Clone, Serialize)]
pub struct IndexRecord {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// The file; null: the one inside the program.
    pub file: Option<String>,
    /// Whether it can be used.
    pub status: IndexStatus,
    /// Why not.
    pub reason: Option<String>,
    /// What is in it; null where that cannot be read.
    pub index: Option<IndexFacts>,
}

impl IndexFacts {
    /// The facts of an index.
    pub fn new(index: &StarIndex, coverage: &Coverage) -> IndexFacts {
        let header = index.header();
        let [narrowest, widest] = header.fields_deg;
        let patches = coverage.patches.iter().map(|patch| {
            let [ra_deg, dec_deg] = crate::sphere::vector_to_sky(patch.centre);
            PatchRecord {
                ra_deg: turn(ra_deg, 3),
                dec_deg: decimals(dec_deg, 3),
                radius_deg: decimals(patch.radius_deg, 3),
            }
        });
        let bands = index.bands().iter().map(|band| BandRecord {
            quads: band.quads,
            shortest_deg: decimals(band.shortest_rad.to_degrees(), 4),
            longest_deg: decimals(band.longest_rad.to_degrees(), 4),
        });
        IndexFacts {
            bytes: header.file_bytes,
            stars: header.stars,
            quads: header.quads,
            epoch_jyear: header.epoch_jyear,
            faintest_mag: decimals(header.faintest_mag, 2),
            median_mag: coverage.median_mag,
            fields_deg: (widest > 0.0).then_some([narrowest, widest]),
            covered_share: header.covered_share,
            patches: patches.collect(),
            bands: bands.collect(),
            origin: header.origin(),
        }
    }
}

impl IndexRecord {
    /// One JSON object on one line.
    ///
    /// # Errors
    ///
    /// Never in practice: a record holds plain values.
    pub fn to_json_line(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self)
    }

    /// The block of lines, ending in a line end.
    pub fn to_text(&self) -> String {
        let mut block = Block::default();
        let verdict = match self.status {
            IndexStatus::Usable => "USABLE",
            IndexStatus::Verified => "VERIFIED",
            IndexStatus::Unusable => "NOT USABLE",
        };
        let name = self.file.as_deref();
        block.verdict(
            verdict,
            name.unwrap_or("the built-in star-index"),
            self.reason.as_deref(),
        );
        if let Some(facts) = &self.index {
            facts.lines(&mut block);
        }
        if self.status == IndexStatus::Usable {
            block.line("Checksums", "head verified; --check verifies every byte");
        }
        block.0
    }
}

/// Parts of the sky named in the text.
const PATCHES_NAMED: usize = 6;

impl IndexFacts {
    fn lines(&self, block: &mut Block) {
        block.line("Sky", &self.sky());
        let half = self
            .median_mag
            .map(|mag| format!("; half of the stars are brighter than {mag:.1}"));
        block.line(
            "Depth",
            &format!(
                "to magnitude {:.1}{}",
                self.faintest_mag,
                half.unwrap_or_default()
            ),
        );
        block.line(
            "Stars",
            &format!(
                "{}, positions of {:.1}",
                thousands(self.stars),
                self.epoch_jyear
            ),
        );
        let fields = match self.fields_deg {
            Some([narrowest, widest]) => format!("built for {narrowest} to {widest} deg"),
            None => "any that shows stars enough: from about 1 deg".into(),
        };
        block.line("Fields", &fields);
        for (number, band) in self.bands.iter().enumerate() {
            let label = if number == 0 { "Bands" } else { "" };
            let text = format!(
                "{} quads of {} to {} deg",
                thousands(band.quads),
                band.shortest_deg,
                band.longest_deg
            );
            block.line(label, &text);
        }
        block.line("Size", &format!("{} bytes", thousands(self.bytes)));
        if !self.origin.is_empty() {
            block.line("From", &self.origin);
        }
    }

    fn sky(&self) -> String {
        let Some(first) = self.patches.first() else {
            return match self.covered_share {
                share if share > 0.99 => "the whole sky".into(),
                share if share < 0.01 => "under 1 % of the sky".into(),
                share => format!("{:.0} % of the sky", 100.0 * share),
            };
        };
        let circle = |p: &PatchRecord| {
            format!(
                "{:.2} deg about {:.2} {:+.2}",
                p.radius_deg, p.ra_deg, p.dec_deg
            )
        };
        let rest = self.patches[1..].iter().take(PATCHES_NAMED - 1);
        let mut text = rest.fold(circle(first), |text, p| text + "; " + &circle(p));
        if self.patches.len() > PATCHES_NAMED {
            text += &format!("; {} more places", self.patches.len() - PATCHES_NAMED);
        }
        text
    }
}

/// A number with its thousands set apart.
fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::thousands;

    #[test]
    fn thousands_are_set_apart() {
        assert_eq!(thousands(0), "0");
        assert_eq!(thousands(976_026), "976,026");
        assert_eq!(thousands(1_000_000), "1,000,000");
    }
}
