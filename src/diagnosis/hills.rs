//! Hills and hollows of the sky's light. Vignetting makes one hill, a gradient none, the glow of
//! an amplifier one at the edge; clouds make several of each.

use super::survey::LightMap;
use crate::detect::background::neighbours;

/// A hill counts from this height on, in standard errors of a cell.
const HEIGHT: f64 = 8.0;
/// ... and from this share of the sky's level on.
const HEIGHT_SHARE: f64 = 0.004;
/// ... and of the range of the light in the frame: beside a cloud its ripples are small, and so
/// is beside a glow what is left of its shape in the cells.
const HEIGHT_RANGE: f64 = 0.02;

/// From this many hills and hollows on the sky is clouded: vignetting makes one, with a gradient or
/// a glow at an edge or without.
const CLOUDED: usize = 2;
/// One hill alone is no vignetting where it is this many times as bright as the brightest edge:
/// optics take less than half of the light there. Common practice.
const BEYOND_OPTICS: f64 = 2.0;

/// Whether the light is uneven as that of clouds is, and not as that of optics and sensors.
pub(super) fn is_clouded(light: &LightMap) -> bool {
    match hills(light) {
        0 => false,
        CLOUDED.. => true,
        _ => {
            let (_, highest) = light.range();
            let edge = highest_edge(&light.level, light.size[0]);
            edge > 0.0 && highest > BEYOND_OPTICS * edge
        }
    }
}

/// Number of hills and hollows that rise, or sink, well beyond the noise before they meet a higher
/// hill or a deeper hollow, and do not lie at the edge: what lies there may be a slope.
///
/// Their heights are those of persistent homology (Edelsbrunner, Letscher & Zomorodian 2002): the
/// level sinks, hills come up like islands, and where two meet the lower one ends.
fn hills(light: &LightMap) -> usize {
    let [cols, rows] = light.size;
    if cols < 4 || rows < 4 || light.level.len() != cols * rows || !(light.error > 0.0) {
        return 0;
    }
    let (low, high) = light.range();
    let mean = light.level.iter().sum::<f64>() / light.level.len() as f64;
    let least = (HEIGHT * light.error)
        .max(HEIGHT_SHARE * mean.abs())
        .max(HEIGHT_RANGE * (high - low));
    let hollows: Vec<f64> = light.level.iter().map(|v| -v).collect();
    rising(&light.level, cols, least) + rising(&hollows, cols, least)
}

/// Hills within the frame that are at least `least` high.
fn rising(level: &[f64], cols: usize, least: f64) -> usize {
    let rows = level.len() / cols;
    let mut order: Vec<usize> = (0..level.len()).collect();
    order.sort_by(|a, b| level[*b].total_cmp(&level[*a]));
    // The island that a cell belongs to, named by its top; the cell itself while it is a top.
    let mut island: Vec<Option<usize>> = vec![None; level.len()];
    let mut count = 0;
    for k in order {
        island[k] = Some(k);
        for near in neighbours(k, cols, rows) {
            let (Some(here), Some(there)) = (top(&mut island, k), top(&mut island, near)) else {
                continue;
            };
            if here == there {
                continue;
            }
            let (higher, lower) = if level[here] > level[there] {
                (here, there)
            } else {
                (there, here)
            };
            island[lower] = Some(higher);
            if level[lower] - level[k] >= least && is_inside(lower, cols, rows) {
                count += 1;
            }
        }
    }
    // The highest hill never ends: it counts by its height above the highest edge.
    let highest = level.iter().copied().fold(f64::MIN, f64::max);
    count + usize::from(highest - highest_edge(level, cols) >= least)
}

/// The highest level at the edge of the mesh.
fn highest_edge(level: &[f64], cols: usize) -> f64 {
    let rows = level.len() / cols;
    (0..level.len())
        .filter(|k| !is_inside(*k, cols, rows))
        .map(|k| level[k])
        .fold(f64::MIN, f64::max)
}

fn is_inside(k: usize, cols: usize, rows: usize) -> bool {
    let (i, j) = (k % cols, k / cols);
    i > 0 && j > 0 && i + 1 < cols && j + 1 < rows
}

/// The top of the island of `k`; the way there is shortened. `None`: still under water.
fn top(island: &mut [Option<usize>], mut k: usize) -> Option<usize> {
    loop {
        let next = island[k]?;
        if next == k {
            return Some(k);
        }
        island[k] = island[next];
        k = next;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(light: impl Fn(f64, f64) -> f64) -> LightMap {
        let size = [24, 16];
        let level = (0..size[0] * size[1])
            .map(|k| light((k % size[0]) as f64 - 11.5, (k / size[0]) as f64 - 7.5))
            .collect();
        LightMap {
            level,
            size,
            error: 0.1,
        }
    }

    #[test]
    fn vignetting_is_one_hill_and_a_glow_or_gradient_adds_none() {
        let vignetting = |x: f64, y: f64| 1000.0 - 0.5 * (x * x + y * y);
        let glow = |x: f64, y: f64| 500.0 * (-(x + 11.5).hypot(y + 7.5) / 3.0).exp();
        assert_eq!(hills(&map(vignetting)), 1);
        assert!(hills(&map(|x, y| vignetting(x, y) + 9.0 * x)) <= 1);
        assert_eq!(hills(&map(|x, y| 1000.0 + glow(x, y))), 0);
        let both = map(|x, y| vignetting(x, y) + glow(x, y));
        assert!(!is_clouded(&both));
    }

    /// A hill that no optics make.
    #[test]
    fn one_bright_hill_is_clouded() {
        let hill = |x: f64, y: f64| 1000.0 + 1500.0 * (-(x * x + y * y) / 20.0).exp();
        assert_eq!(hills(&map(hill)), 1);
        assert!(is_clouded(&map(hill)));
    }

    /// cos x cos y on two by two periods has two tops and two bottoms within, and some at edges.
    #[test]
    fn waves_are_counted() {
        use std::f64::consts::TAU;
        let waves = |x: f64, y: f64| {
            1000.0 + 50.0 * (TAU * (x + 3.0) / 12.0).cos() * (TAU * (y + 2.0) / 8.0).cos()
        };
        assert!(hills(&map(waves)) >= 4);
        assert!(is_clouded(&map(waves)));
    }
}
