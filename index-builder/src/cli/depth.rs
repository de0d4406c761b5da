//! `index-builder depth`: how deep a catalogue must go for a field.

use super::Failure;
use crate::deep::{Fields, Needs};
use crate::synthetic::stars_per_deg2;
use clap::Args;
use std::fmt::Write as _;

/// Say how deep a catalogue must go for fields of some widths.
///
/// From star counts by magnitude and galactic latitude (Bahcall & Soneira 1980): the magnitude to
/// which a 3:2 field shows 12 stars on average, at the galactic poles, where stars are fewest,
/// and at 20 degrees from the Milky Way; and what an index of the whole sky for that width keeps.
#[derive(Debug, Args)]
pub(super) struct DepthOptions {
    /// Widths of field, degrees
    #[arg(value_name = "DEG", default_values_t = [0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1.0])]
    widths: Vec<f64>,
}

/// Stars with which most fields solve.
const WANTED: f64 = 12.0;
/// Bytes of an index per star kept: the most that it takes.
const BYTES_PER_STAR: f64 = 64.0;

pub(super) fn run(options: &DepthOptions) -> Result<(), Failure> {
    let mut text = format!(
        "{:>9} {:>12} {:>12} {:>14} {:>12}\n",
        "width deg", "at the poles", "at 20 deg", "stars, all sky", "index at most"
    );
    for &width_deg in &options.widths {
        let fields = Fields {
            narrowest_deg: width_deg,
            widest_deg: width_deg,
        };
        let needs = Needs::of(fields);
        let stars = needs.per_cell as f64 * 12.0 * 4_f64.powi(i32::from(needs.depth));
        let area_deg2 = width_deg * width_deg / 1.5;
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "{width_deg:>9} {:>12} {:>12} {:>11.1} M {:>9.2} GB",
            magnitude(area_deg2, 90.0),
            magnitude(area_deg2, 20.0),
            stars / 1e6,
            stars * BYTES_PER_STAR / 1e9
        );
    }
    super::print(&text)
}

/// The magnitude to which an area shows enough stars, mean of all longitudes.
fn magnitude(area_deg2: f64, latitude_deg: f64) -> String {
    let expected = |mag: f64| {
        let longitudes = (0..12).map(|k| 30.0 * f64::from(k) + 15.0);
        let sum: f64 = longitudes
            .map(|l| stars_per_deg2(mag, l, latitude_deg))
            .sum();
        area_deg2 * sum / 12.0
    };
    let mags = (50..=220).map(|tenths| f64::from(tenths) / 10.0);
    match mags.into_iter().find(|&mag| expected(mag) >= WANTED) {
        Some(mag) => format!("{mag:.1}"),
        None => "beyond 22".into(),
    }
}
