//! How the stars' size changes over the frame: tilt of the sensor or the focuser, curvature of
//! the field.

use super::StarShape;
use crate::robust::{SIGMA_PER_MAD, median};
use nalgebra::{Matrix4, Vector4};

/// Stars that a region needs to have a say.
const LEAST_IN_REGION: usize = 3;
/// Stars that a fit over the frame needs.
const LEAST_IN_FIT: usize = 20;
/// Rounds of leaving out what lies too far off.
const ROUNDS: usize = 4;
/// Scatters off the fit from where a star (blended, on a nebula) is left out.
const CLIP: f64 = 3.0;

/// Half-flux diameter over the frame, pixels.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct FieldShape {
    /// Median in the middle ninth of the frame.
    pub centre_hfd_px: Option<f64>,
    /// Median in the corner ninths, in stored-pixel order: (1,1), (nx,1), (nx,ny), (1,ny).
    pub corner_hfd_px: [Option<f64>; 4],
    /// The trend over the whole frame, where there are stars enough on all sides.
    pub trend: Option<Trend>,
}

/// HFD = a + tilt along a direction + curvature with the squared distance from the centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Difference between two opposite corners' distances along the direction of steepest change:
    /// from half a diagonal before the centre to half a diagonal behind it, pixels.
    pub tilt_px: f64,
    /// Standard error of it.
    pub tilt_error_px: f64,
    /// Where stars grow: from the first pixel axis towards the second, degrees, 0 to 360.
    pub tilt_angle_deg: f64,
    /// Corners minus centre, the tilt left out, pixels.
    pub curvature_px: f64,
}

impl FieldShape {
    /// From the shapes of a frame of `width` x `height` pixels.
    pub fn of(shapes: &[StarShape], width: usize, height: usize) -> FieldShape {
        let third = |v: f64, size: usize| ((3.0 * v / size as f64).max(0.0) as usize).min(2);
        let region = |i: usize, j: usize| {
            let inside = shapes
                .iter()
                .filter(|s| (third(s.x_px, width), third(s.y_px, height)) == (i, j))
                .map(|s| s.hfd_px);
            median(inside.clone()).filter(|_| inside.count() >= LEAST_IN_REGION)
        };
        FieldShape {
            centre_hfd_px: region(1, 1),
            corner_hfd_px: [region(0, 0), region(2, 0), region(2, 2), region(0, 2)],
            trend: trend(shapes, width, height),
        }
    }
}

/// Least squares with what lies far off left out.
fn trend(shapes: &[StarShape], width: usize, height: usize) -> Option<Trend> {
    let centre = [width, height].map(|n| (n as f64 - 1.0) / 2.0);
    let half_diagonal = (width as f64).hypot(height as f64) / 2.0;
    let mut points: Vec<([f64; 4], f64)> = shapes
        .iter()
        .map(|s| {
            let u = (s.x_px - centre[0]) / half_diagonal;
            let v = (s.y_px - centre[1]) / half_diagonal;
            ([1.0, u, v, u * u + v * v], s.hfd_px)
        })
        .collect();
    let mut fit = None;
    for _ in 0..ROUNDS {
        if !covers_the_frame(&points) {
            return None;
        }
        let (terms, covariance) = least_squares(&points)?;
        let off = |(row, hfd): &([f64; 4], f64)| (hfd - Vector4::from(*row).dot(&terms)).abs();
        let scatter = SIGMA_PER_MAD * median(points.iter().map(off))?;
        fit = Some((terms, covariance * (scatter * scatter)));
        let before = points.len();
        points.retain(|point| off(point) <= CLIP * scatter);
        if points.len() == before {
            break;
        }
    }
    let (terms, covariance) = fit?;
    let slope = terms[1].hypot(terms[2]);
    let direction = Vector4::new(0.0, terms[1], terms[2], 0.0) / slope.max(f64::MIN_POSITIVE);
    let trend = Trend {
        tilt_px: 2.0 * slope,
        tilt_error_px: 2.0 * direction.dot(&(covariance * direction)).max(0.0).sqrt(),
        tilt_angle_deg: terms[2].atan2(terms[1]).to_degrees().rem_euclid(360.0),
        curvature_px: terms[3],
    };
    [trend.tilt_px, trend.tilt_error_px, trend.curvature_px]
        .iter()
        .all(|v| v.is_finite())
        .then_some(trend)
}

/// Stars enough, and some in each quarter: without, the terms cannot be told apart.
fn covers_the_frame(points: &[([f64; 4], f64)]) -> bool {
    let mut quarters = [0; 4];
    for ([_, u, v, _], _) in points {
        quarters[usize::from(*u > 0.0) + 2 * usize::from(*v > 0.0)] += 1;
    }
    points.len() >= LEAST_IN_FIT && quarters.iter().all(|n| *n >= LEAST_IN_REGION)
}

/// Terms and their covariance for unit scatter.
fn least_squares(points: &[([f64; 4], f64)]) -> Option<(Vector4<f64>, Matrix4<f64>)> {
    let (mut normal, mut right) = (Matrix4::zeros(), Vector4::zeros());
    for (row, hfd) in points {
        let row = Vector4::from(*row);
        normal += row * row.transpose();
        right += row * *hfd;
    }
    let covariance = normal.try_inverse()?;
    Some((covariance * right, covariance))
}
