//! `index-builder depth`: how deep a catalogue must go for a field, and what that takes.

use super::Failure;
use super::region::size;
use super::service::ROW_BYTES;
use crate::deep::{Fields, Needs};
use crate::expected::expected;
use crate::synthetic::stars_per_deg2;
use crate::tap::{Wanted, first_requests};
use clap::Args;
use std::fmt::Write as _;

/// Say how deep a catalogue must go for fields of some widths, and what an index of them takes.
///
/// From star counts by magnitude and galactic latitude (Bahcall & Soneira 1980): the magnitude to
/// which a 3:2 field shows 12 stars on average, at the galactic poles, where stars are fewest, and
/// at 20 degrees from the Milky Way; the index of 2 degrees around a target and of the whole sky;
/// and the download for the former from a catalogue service.
#[derive(Debug, Args)]
pub(super) struct DepthOptions {
    /// Widths of field, degrees
    #[arg(value_name = "DEG", value_parser = width, default_values_t = [0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1.0])]
    widths: Vec<f64>,
}

/// Stars with which most fields solve.
const WANTED: f64 = 12.0;
/// Around a target, degrees.
const RADIUS_DEG: f64 = 2.0;
/// A target far from the Milky Way, at galactic latitude 47.
const TARGET_DEG: [f64; 2] = [150.0, 12.0];
/// To which catalogue services are asked.
const FAINTEST_MAG: f64 = 21.0;

fn width(text: &str) -> Result<f64, String> {
    let fields: Fields = format!("{text}..{text}").parse()?;
    Ok(fields.narrowest_deg)
}

pub(super) fn run(options: &DepthOptions) -> Result<(), Failure> {
    let mut text = format!(
        "{:>9} {:>12} {:>10} {:>14} {:>10} {:>15} {:>10}\n",
        "width deg",
        "at the poles",
        "at 20 deg",
        "2 deg: index",
        "download",
        "all sky: stars",
        "index"
    );
    for &width_deg in &options.widths {
        let needs = Needs::of(Fields {
            narrowest_deg: width_deg,
            widest_deg: width_deg,
        });
        let [target, sky] = [
            expected(&needs, RADIUS_DEG, &[TARGET_DEG]),
            expected(&needs, 0.0, &[]),
        ];
        let [rows, _] = first_requests(&Wanted {
            needs: &needs,
            radius_deg: RADIUS_DEG,
            of_deg: &[TARGET_DEG],
            faintest_mag: FAINTEST_MAG,
        });
        let area_deg2 = width_deg * width_deg / 1.5;
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "{width_deg:>9} {:>12} {:>10} {:>14} {:>10} {:>13.1} M {:>10}",
            magnitude(area_deg2, 90.0),
            magnitude(area_deg2, 20.0),
            size(target.index_bytes),
            size(rows * ROW_BYTES),
            sky.stars as f64 / 1e6,
            size(sky.index_bytes)
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
