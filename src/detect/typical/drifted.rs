//! Stars that were all drawn out alike, since the mount drifted or did not follow.

use std::f64::consts::PI;

/// One image at the first look.
#[derive(Debug, Clone, Copy)]
pub(super) struct Outline {
    /// Centre, pixels.
    pub x_px: f64,
    /// See `x_px`.
    pub y_px: f64,
    /// Geometric mean of the standard deviations along both axes, pixels.
    pub sigma_px: f64,
    /// Long over short axis.
    pub elongation: f64,
    /// Direction of the long axis from x towards y, radians, modulo pi.
    pub angle_rad: f64,
}

/// Images less drawn out have no direction to speak of.
pub(super) const DRAWN_OUT: f64 = 1.8;
/// Directions within this of each other are the same, radians.
const SAME_RAD: f64 = 0.17;
/// Of all images, drifted stars are at least this share ...
const SHARE: f64 = 0.5;
/// ... and this many.
const LEAST: usize = 8;
/// Images on one line, this many pixels across, are pieces of a trail or a column.
const LINE_PX: f64 = 8.0;
/// Of the lines that images strewn at random would lie on, this share is taken: less than all,
/// since a long image may be found twice.
const LINES: f64 = 0.5;

/// The images drawn out in one direction, where they are most of those found and lie on many
/// lines in that direction, across a frame of `width` x `height` pixels: stars that drifted. `None`
/// where stars stayed points, or a trail, columns or the optics drew out some of the images.
pub(super) fn drifted(found: &[Outline], (width, height): (usize, usize)) -> Option<Vec<Outline>> {
    let long: Vec<&Outline> = found.iter().filter(|f| f.elongation > DRAWN_OUT).collect();
    let along = |f: &Outline| -> Vec<Outline> {
        let same = |g: &&&Outline| between(f.angle_rad, g.angle_rad) < SAME_RAD;
        long.iter().filter(same).map(|g| **g).collect()
    };
    let all = long.iter().map(|f| (*f, along(f)));
    let (leader, alike) = all.max_by_key(|(_, alike)| alike.len())?;
    if alike.len() < LEAST || (alike.len() as f64) < SHARE * found.len() as f64 {
        return None;
    }
    let (sin, cos) = leader.angle_rad.sin_cos();
    let mut lines: Vec<i64> = alike
        .iter()
        .map(|f| ((f.y_px * cos - f.x_px * sin) / LINE_PX).round() as i64)
        .collect();
    lines.sort_unstable();
    lines.dedup();
    let across = (width as f64 * sin.abs() + height as f64 * cos.abs()) / LINE_PX;
    // Strewn at random, images leave some of the lines empty and share others.
    let expected = across * (1.0 - (-(alike.len() as f64) / across).exp());
    (lines.len() as f64 >= LINES * expected).then_some(alike)
}

/// Angle between two directions without a sense, 0 to pi / 2.
fn between(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(PI);
    d.min(PI - d)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (1000, 800);

    fn outline(k: usize, elongation: f64, angle_rad: f64) -> Outline {
        // Places that follow no line: steps of the golden ratio.
        let (x, y) = (
            (k as f64 * 0.618_034).fract(),
            (k as f64 * 0.414_214).fract(),
        );
        Outline {
            x_px: 1000.0 * x,
            y_px: 800.0 * y,
            sigma_px: 3.0,
            elongation,
            angle_rad,
        }
    }

    #[test]
    fn stars_that_drifted_outvote_round_beads_of_an_aircraft() {
        let mut found: Vec<Outline> = (0..12).map(|k| outline(k, 1.02, 0.3)).collect();
        found.extend((12..60).map(|k| outline(k, 6.0, PI - 0.05 + 0.001 * k as f64)));
        let alike = drifted(&found, SIZE).expect("most images are drawn out one way");
        assert_eq!(alike.len(), 48);
        // Many stars, each found at both ends.
        let twice: Vec<Outline> = (0..75)
            .flat_map(|k| [-4.0, 4.0].map(|d| (k, d)))
            .map(|(k, d)| Outline {
                x_px: outline(k, 5.0, 0.0).x_px + d,
                ..outline(k, 5.0, 0.0)
            })
            .collect();
        assert_eq!(drifted(&twice, SIZE).map(|alike| alike.len()), Some(150));
    }

    #[test]
    fn bad_columns_are_no_drift() {
        let columns: Vec<Outline> = (0..100)
            .map(|k| Outline {
                x_px: f64::from(k % 10) * 97.0 + 31.0,
                ..outline(k as usize, 6.0, PI / 2.0)
            })
            .collect();
        assert!(drifted(&columns, SIZE).is_none());
    }

    #[test]
    fn pieces_of_one_trail_are_no_drift() {
        let mut found: Vec<Outline> = (0..10).map(|k| outline(k, 1.1, 0.0)).collect();
        found.extend((0..40).map(|k| Outline {
            x_px: 20.0 * k as f64,
            y_px: 400.0 + 6.0 * k as f64,
            ..outline(k, 6.0, 0.3_f64.atan())
        }));
        assert!(drifted(&found, SIZE).is_none());
    }

    #[test]
    fn coma_and_round_stars_are_no_drift() {
        let coma: Vec<Outline> = (0..60)
            .map(|k| {
                let f = outline(k, 2.5, 0.0);
                Outline {
                    angle_rad: (f.y_px - 400.0).atan2(f.x_px - 500.0),
                    ..f
                }
            })
            .collect();
        assert!(drifted(&coma, SIZE).is_none());
        let round: Vec<Outline> = (0..60).map(|k| outline(k, 1.1, 0.4)).collect();
        assert!(drifted(&round, SIZE).is_none());
    }
}
