//! The report on a default index: bands, and how many fields it can recognise.

use crate::build::Built;
use crate::coverage::Coverage;
use std::fmt::Write as _;

/// Stars, bytes and bands.
pub(super) fn summary(built: &Built) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    for band in &built.bands {
        let quads: usize = band.tiles.iter().map(Vec::len).sum();
        let [shortest_deg, longest_deg] = band.size_rad.map(f64::to_degrees);
        let _ = writeln!(
            text,
            "band of {shortest_deg:.4} to {longest_deg:.2} deg: tile depth {}, {quads} quads",
            band.depth
        );
    }
    let (stars, bytes) = (built.table.records.len(), built.bytes.len());
    let _ = writeln!(text, "{stars} stars, {bytes} bytes");
    text
}

/// The coverage table; shares of the windows that hold six stars or more.
pub(super) fn table(rows: &[Coverage]) -> String {
    let percent = |part: usize, whole: usize| match whole {
        0 => "-".to_string(),
        _ => format!("{:.2} %", 100.0 * part as f64 / whole as f64),
    };
    let mut text = format!(
        "\n{:>9} {:>8} {:>10} {:>10} {:>10} {:>10}\n",
        "width deg", "windows", "6+ stars", "1+ quads", "2+ quads", "5+ quads"
    );
    for row in rows {
        let [one, two, five] = row.with_quads.map(|n| percent(n, row.counted));
        let six = percent(row.counted, row.windows);
        let _ = writeln!(
            text,
            "{:>9} {:>8} {six:>10} {one:>10} {two:>10} {five:>10}",
            row.width_deg, row.windows
        );
    }
    text
}
