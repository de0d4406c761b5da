//! Which fields, which part of the sky, which columns: the options that `build` and `fetch` share.

use super::position::{Position, targets_of};
use super::{DAMAGED, Failure, NOT_READABLE, USAGE};
use crate::catalogue::Columns;
use crate::deep::{Fields, Needs};
use crate::expected::{Expected, expected};
use anyhow::anyhow;
use clap::Args;
use std::path::PathBuf;

/// Which stars.
#[derive(Debug, Args)]
pub(super) struct RegionOptions {
    /// Keep what fields of this width need: MIN..MAX, degrees of the longer side, as 0.2..1
    #[arg(long, value_name = "MIN..MAX")]
    pub for_fields: Option<Fields>,
    /// Only stars within --radius of this position: "132.85 11.81" (degrees),
    /// "08h51m24s +11d48m36s" or a deep-sky object's name, "M 67"; may be repeated
    #[arg(
        long,
        value_name = "RA DEC|NAME",
        requires = "radius",
        requires = "for_fields",
        allow_hyphen_values = true
    )]
    pub around: Vec<Position>,
    /// Only stars within --radius of one of the positions, or names, in this file, one a line; a
    /// remark may follow after a comma
    #[arg(
        long,
        value_name = "FILE",
        requires = "radius",
        requires = "for_fields"
    )]
    pub targets: Option<PathBuf>,
    /// Radius about each position, degrees
    #[arg(long, value_name = "DEG", value_parser = radius)]
    pub radius: Option<f64>,
    /// No stars fainter than this magnitude
    #[arg(
        long,
        value_name = "MAG",
        requires = "for_fields",
        allow_hyphen_values = true
    )]
    pub faintest: Option<f64>,
    /// Which columns are what, and their units:
    /// ra=NAME:deg,dec=NAME:deg,pmra=NAME:mas/yr,pmdec=NAME:mas/yr,mag=NAME,epoch=NAME
    ///
    /// Units: deg, rad or hour; mas/yr, arcsec/yr or deg/yr. Proper motion in right ascension
    /// includes the cosine of the declination. Without this option the columns are those of the
    /// Gaia archive: ra, dec, pmra, pmdec, phot_g_mean_mag, ref_epoch.
    #[arg(long, value_name = "COLUMNS", requires = "for_fields")]
    pub columns: Option<Columns>,
    /// Epoch of the positions, for catalogues that do not say: Julian year, 2016.0 for Gaia DR3
    #[arg(long, value_name = "YEAR", requires = "for_fields", value_parser = year)]
    pub epoch: Option<f64>,
    /// Say how large the index will be, and build nothing
    #[arg(long, requires = "for_fields")]
    pub estimate: bool,
}

pub(super) fn radius(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(deg) if deg > 0.0 && deg <= 90.0 => Ok(deg),
        _ => Err("a number of degrees above 0, at most 90".into()),
    }
}

fn year(text: &str) -> Result<f64, String> {
    match text.trim().trim_start_matches('J').parse::<f64>() {
        Ok(year) if (1800.0..=2200.0).contains(&year) => Ok(year),
        _ => Err("a Julian year, as 2016.0".into()),
    }
}

impl RegionOptions {
    /// The positions that were asked for; none: the whole sky.
    fn positions(&self) -> Result<Vec<[f64; 2]>, Failure> {
        let mut positions: Vec<[f64; 2]> = self.around.iter().map(|p| p.0).collect();
        if let Some(path) = &self.targets {
            let text = std::fs::read_to_string(path).map_err(|error| {
                let what = format!("{}: cannot be read", path.display());
                Failure::new(NOT_READABLE, anyhow!(error).context(what))
            })?;
            let read = targets_of(&text)
                .map_err(|what| Failure::new(DAMAGED, anyhow!("{}: {what}", path.display())))?;
            positions.extend(read);
        }
        if self.radius.is_some() && positions.is_empty() {
            return Err(Failure::new(
                USAGE,
                anyhow!("--radius needs a position: add --around \"RA DEC\" or --targets FILE"),
            ));
        }
        Ok(positions)
    }

    /// What is wanted; `None` without `--for-fields`.
    pub(super) fn asked(&self) -> Result<Option<Asked>, Failure> {
        let Some(fields) = self.for_fields else {
            return Ok(None);
        };
        let positions = self.positions()?;
        let radius_deg = self.radius.unwrap_or_default();
        let needs = Needs::of(fields);
        Ok(Some(Asked {
            expected: expected(&needs, radius_deg, &positions),
            needs,
            radius_deg,
            positions,
        }))
    }
}

/// What an index is to hold.
pub(super) struct Asked {
    pub needs: Needs,
    pub radius_deg: f64,
    /// ICRS, degrees; none: the whole sky.
    pub positions: Vec<[f64; 2]>,
    pub expected: Expected,
}

impl Asked {
    /// What will be kept, and what that will take.
    pub(super) fn beforehand(&self) -> String {
        format!(
            "{}\nexpected: {:.4} % of the sky, at most {} stars, an index of at most about {}\n",
            self.needs.explain(),
            100.0 * self.expected.share,
            self.expected.stars,
            size(self.expected.index_bytes)
        )
    }
}

/// A length for people.
pub(super) fn size(bytes: u64) -> String {
    match bytes as f64 {
        b if b < 1e6 => format!("{:.0} kB", b / 1e3),
        b if b < 1e9 => format!("{:.1} MB", b / 1e6),
        b => format!("{:.1} GB", b / 1e9),
    }
}
