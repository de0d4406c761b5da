//! From fitted polynomials to CD matrix and SIP coefficients, and the inverse polynomials.

use super::model::Model;
use super::polynomial::{Fitted, Point, fit};
use crate::projection::Projection;
use crate::wcs::{Sip, Wcs, polynomial};

/// The plane in which stars were fitted.
pub struct Reference {
    /// Its origin, FITS pixel.
    pub crpix: [f64; 2],
    /// Its origin, RA and Dec, degrees.
    pub crval: [f64; 2],
    /// Its unit.
    pub scale_deg: f64,
    /// How directions lie in it.
    pub projection: Projection,
}

/// The WCS of `fitted`, whose targets were pixels in the plane of `reference` and whose u, v were
/// divided by `length_px`. The constants must have been moved into the origin.
pub fn wcs_of(
    fitted: &Fitted,
    reference: &Reference,
    length_px: f64,
    half_px: [f64; 2],
) -> Option<Wcs> {
    let of = |axis: usize, term: (usize, usize)| {
        let at = fitted.terms.iter().position(|&t| t == term)?;
        Some(fitted.coefficients[axis][at] / length_px.powi((term.0 + term.1) as i32))
    };
    let linear = [0, 1].map(|axis| [of(axis, (1, 0)), of(axis, (0, 1))]);
    let [[Some(a), Some(b)], [Some(c), Some(d)]] = linear else {
        return None;
    };
    let det = a * d - b * c;
    if det == 0.0 || !det.is_finite() {
        return None;
    }
    let cd = [[a, b], [c, d]].map(|row| row.map(|m| m * reference.scale_deg));
    let higher: Vec<(usize, usize)> = fitted
        .terms
        .iter()
        .copied()
        .filter(|t| t.0 + t.1 >= 2)
        .collect();
    let mut wcs = Wcs {
        crpix: reference.crpix,
        crval: reference.crval,
        cd,
        projection: reference.projection,
        sip: None,
    };
    if higher.is_empty() {
        return Some(wcs);
    }
    let mut forward = [Vec::new(), Vec::new()];
    for &(p, q) in &higher {
        let (x, y) = (of(0, (p, q))?, of(1, (p, q))?);
        forward[0].push((p, q, (d * x - b * y) / det));
        forward[1].push((p, q, (a * y - c * x) / det));
    }
    let order = higher.iter().map(|t| t.0 + t.1).max()?;
    let [a, b] = forward;
    let sip = Sip {
        order,
        a,
        b,
        inverse_order: 0,
        ap: Vec::new(),
        bp: Vec::new(),
    };
    wcs.sip = Some(with_inverse(sip, half_px)?);
    Some(wcs)
}

/// Fits the inverse polynomials on a grid over the frame, one order above the forward ones.
fn with_inverse(mut sip: Sip, half_px: [f64; 2]) -> Option<Sip> {
    const STEPS: i32 = 12;
    let length = half_px[0].max(half_px[1]);
    let order = (sip.order + 1).min(5);
    let mut points = Vec::new();
    for i in -STEPS..=STEPS {
        for j in -STEPS..=STEPS {
            let u = half_px[0] * f64::from(i) / f64::from(STEPS);
            let v = half_px[1] * f64::from(j) / f64::from(STEPS);
            let value = |terms: &[(usize, usize, f64)]| polynomial(terms, u, v);
            let (f, g) = (value(&sip.a), value(&sip.b));
            points.push(Point {
                uv: [(u + f) / length, (v + g) / length],
                target: [-f, -g],
                sigma_px: 1.0,
                motion: [0.0; 2],
            });
        }
    }
    let inverse = fit(&points, Model::Polynomial(order))?;
    let coefficients = |axis: usize| {
        inverse
            .terms
            .iter()
            .zip(&inverse.coefficients[axis])
            .map(|(&(p, q), c)| (p, q, c / length.powi((p + q) as i32)))
            .collect()
    };
    sip.inverse_order = order;
    sip.ap = coefficients(0);
    sip.bp = coefficients(1);
    Some(sip)
}
