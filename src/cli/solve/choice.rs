//! Which star-indexes were asked for a frame, in which order, and which one answered: for people.

use crate::answer::Answer;
use crate::search::SearchOrder;
use crate::sky::{Sky, StarIndex, band_serves, index_serves};

/// Lines without line ends.
pub(in crate::cli) fn lines(sky: &Sky, answer: &Answer) -> Vec<String> {
    let detections = &answer.outcome.detections;
    let longer_px = detections.width.max(detections.height) as f64;
    let scales = &answer.request.scales_arcsec_per_px;
    let widths_deg: Vec<f64> = scales.iter().map(|s| s * longer_px / 3600.0).collect();
    let mut lines = vec![match widths_deg.first() {
        Some(width) => format!("by the claimed scale the field is {width:.2} deg wide"),
        None => "no scale is claimed: every star-index is asked".into(),
    }];
    for (number, index) in sky.indexes().iter().enumerate() {
        let name = sky.name(number).display();
        let order = answer.outcome.search.order;
        lines.push(format!("{name}: {}", reason(index, &widths_deg, order)));
    }
    lines.push(outcome(sky, answer));
    lines
}

/// When and why an index is asked.
fn reason(index: &StarIndex, widths_deg: &[f64], order: SearchOrder) -> String {
    let Some([narrowest, widest]) = index_serves(index) else {
        return "serves any field that shows stars enough".into();
    };
    let serves = format!("serves fields of {narrowest:.2} to {widest:.2} deg");
    if widths_deg.is_empty() {
        return match order {
            SearchOrder::Spiral => format!("{serves}, asked cell by cell with the others"),
            SearchOrder::WholeSky => format!("{serves}, asked after the built-in one"),
        };
    }
    let fits = |[low, high]: [f64; 2]| widths_deg.iter().any(|w| (low..=high).contains(w));
    let bands = index.bands().iter();
    let asked = bands
        .filter(|band| band_serves(index, band).is_some_and(fits))
        .count();
    match asked {
        0 => format!("{serves}, asked only once the claimed scale fits nowhere"),
        _ => format!(
            "{serves}, asked with {asked} of its {} bands of quads",
            index.bands().len()
        ),
    }
}

fn outcome(sky: &Sky, answer: &Answer) -> String {
    let search = &answer.outcome.search;
    let effort = format!(
        "{} sky cells and {} candidates, {} bytes of star-index read",
        search.cells, search.candidates, search.index_bytes
    );
    match answer.outcome.star_index {
        Some(number) => format!("solved by {}: {effort}", sky.name(number).display()),
        None => format!("solved by none: {effort}"),
    }
}
