//! The part of a frame in which detections lie at all.
//!
//! Behind a dome slit, a tree or a cloud only a part of the frame shows stars. Stars predicted in
//! the covered part say nothing when they are missing, and detections are denser in the open part
//! than their number over the whole frame would tell.

/// Directions in which the frame is looked at: halves of the plane at steps of 22.5 degrees.
const DIRECTIONS: usize = 16;
/// A side of the frame counts as covered where this many detections are to be expected beyond the
/// outermost one: by chance that happens with a probability of e^-4, or 2 %.
const EXPECTED_BEYOND: f64 = 4.0;

/// A convex polygon with sides in fixed directions, pixels from the frame's centre.
#[derive(Debug, Clone)]
pub struct Open {
    /// Unit vectors, and how far the open part reaches along each.
    sides: Vec<([f64; 2], f64)>,
    /// Its area, square pixels.
    pub area_px2: f64,
}

impl Open {
    /// Of the detections at `places` (pixels from the centre) in a frame of this size.
    pub fn new(places: &[[f64; 2]], size_px: [f64; 2]) -> Open {
        let [w, h] = size_px.map(|s| 0.5 * s);
        let frame = vec![[-w, -h], [w, -h], [w, h], [-w, h]];
        let frame_px2 = area(&frame);
        let mut sides = Vec::new();
        let mut outline = frame.clone();
        // Fewer do not say where they could not be.
        let count = if places.len() < 4 { 0 } else { places.len() };
        for k in 0..DIRECTIONS {
            let angle = k as f64 / DIRECTIONS as f64 * std::f64::consts::TAU;
            let along = [angle.cos(), angle.sin()];
            let reach = |place: &[f64; 2]| along[0] * place[0] + along[1] * place[1];
            let last = places.iter().map(reach).fold(f64::NEG_INFINITY, f64::max);
            let first = places.iter().map(reach).fold(f64::INFINITY, f64::min);
            let beyond = frame_px2 - area(&clipped(&frame, along, last));
            if beyond * count as f64 > EXPECTED_BEYOND * frame_px2 {
                // Of evenly spread places the outermost falls short of the rim by the mean gap.
                let rim = last + (last - first) / (count as f64 - 1.0);
                sides.push((along, rim));
                outline = clipped(&outline, along, rim);
            }
        }
        Open {
            sides,
            area_px2: area(&outline).clamp(1.0, frame_px2.max(1.0)),
        }
    }

    /// Whether a place in the frame lies in the open part.
    #[inline]
    pub fn contains(&self, place: [f64; 2]) -> bool {
        self.sides
            .iter()
            .all(|(along, rim)| along[0] * place[0] + along[1] * place[1] <= *rim)
    }
}

/// The part of a convex polygon that reaches no farther than `rim` along a unit vector
/// (Sutherland & Hodgman 1974).
fn clipped(outline: &[[f64; 2]], along: [f64; 2], rim: f64) -> Vec<[f64; 2]> {
    let over = |p: [f64; 2]| along[0] * p[0] + along[1] * p[1] - rim;
    let mut kept = Vec::with_capacity(outline.len() + 1);
    for (i, &b) in outline.iter().enumerate() {
        let a = outline[(i + outline.len() - 1) % outline.len()];
        let (from, to) = (over(a), over(b));
        if (from > 0.0) != (to > 0.0) {
            let share = from / (from - to);
            kept.push([0, 1].map(|k| a[k] + share * (b[k] - a[k])));
        }
        if to <= 0.0 {
            kept.push(b);
        }
    }
    kept
}

/// Area of a polygon (the shoelace formula).
fn area(outline: &[[f64; 2]]) -> f64 {
    let twice: f64 = (0..outline.len())
        .map(|i| {
            let (a, b) = (outline[i], outline[(i + 1) % outline.len()]);
            a[0] * b[1] - b[0] * a[1]
        })
        .sum();
    0.5 * twice.abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Places at the nodes of a lattice with golden-ratio steps: even, without a pattern.
    fn even(count: usize, low: [f64; 2], high: [f64; 2]) -> Vec<[f64; 2]> {
        (0..count)
            .map(|k| {
                let unit = [
                    (k as f64 + 0.5) / count as f64,
                    (k as f64 * 0.618_034).fract(),
                ];
                [0, 1].map(|i| low[i] + unit[i] * (high[i] - low[i]))
            })
            .collect()
    }

    #[test]
    fn stars_all_over_the_frame_leave_it_open() {
        for count in [4, 8, 20, 100] {
            let open = Open::new(
                &even(count, [-500.0, -300.0], [500.0, 300.0]),
                [1000.0, 600.0],
            );
            assert!(
                open.area_px2 > 0.95 * 600_000.0,
                "{count}: {}",
                open.area_px2
            );
            assert!(open.contains([499.0, 299.0]) || open.area_px2 < 600_000.0);
        }
    }

    #[test]
    fn a_strip_is_known_for_what_it_is() {
        let places = even(20, [-500.0, -300.0], [-250.0, 300.0]);
        let open = Open::new(&places, [1000.0, 600.0]);
        assert!(
            (open.area_px2 / 150_000.0 - 1.0).abs() < 0.15,
            "{}",
            open.area_px2
        );
        assert!(open.contains([-300.0, 200.0]) && !open.contains([-150.0, 0.0]));
        assert!(places.iter().all(|&place| open.contains(place)));
    }

    #[test]
    fn a_diagonal_edge_too() {
        let places: Vec<[f64; 2]> = even(60, [-400.0, -400.0], [400.0, 400.0])
            .into_iter()
            .filter(|p| p[0] + p[1] < -300.0)
            .collect();
        let open = Open::new(&places, [800.0, 800.0]);
        assert!(open.contains([-350.0, -350.0]) && !open.contains([50.0, 50.0]));
    }
}
