//! Which model the stars of a frame support.

use super::geometry::Geometry;
use super::model::Model;
use super::polynomial::{Fitted, Point, fit};

/// A higher order must lower the criterion by this much: "very strong" on the scale of
/// Kass & Raftery (1995).
const CLEARLY_BETTER: f64 = 10.0;

/// The model that the stars support: a freer one only where the criterion falls clearly.
pub fn best_model(
    points: &[Point],
    flipped: bool,
    geometry: &Geometry,
    curved: bool,
) -> Option<Fitted> {
    let outer = geometry.outer;
    let mut best = fit(points, Model::Similarity { flipped })?;
    // The first matches lie where the pose is best: no curvature from them alone, except that
    // the pose's own radial term brought them in.
    let highest = if curved { geometry.highest } else { 1 };
    // A polynomial also frees the centre of the distortion, which a lens need not share with the
    // frame: the radial model is for stars that cannot carry one.
    let polynomials = [2, 3, 4, 5].map(Model::Polynomial);
    let [radial, decentred] = [Model::Radial { flipped }, Model::Decentred { flipped }];
    let few: &[Model] = match reach_out(points, Model::Polynomial(2), outer) {
        _ if geometry.is_wide() => &[radial, decentred],
        true => &[],
        false => &[radial],
    };
    let curved = few.iter().chain(&polynomials);
    for model in [Model::Polynomial(1)].iter().chain(curved).copied() {
        let enough = 2 * points.len() >= 3 * model.parameters();
        if model.order() > highest || !enough || !reach_out(points, model, outer) {
            break;
        }
        if let Some(freer) = fit(points, model)
            && freer.criterion < best.criterion - CLEARLY_BETTER
        {
            best = freer;
        }
    }
    Some(best)
}

/// Curvature needs stars well out. A model that may differ from side to side needs them in every quadrant,
/// since it runs away in one without stars; a model of the distance alone needs them in two quadrants.
pub fn reach_out(points: &[Point], model: Model, outer: f64) -> bool {
    let quadrants = match model {
        Model::Similarity { .. } | Model::Polynomial(..=1) => return true,
        Model::Radial { .. } | Model::Decentred { .. } => 2,
        Model::Polynomial(_) => 4,
    };
    let mut reach = [0.0_f64; 4];
    for p in points {
        let quadrant = usize::from(p.uv[0] > 0.0) + 2 * usize::from(p.uv[1] > 0.0);
        reach[quadrant] = reach[quadrant].max(p.uv[0].hypot(p.uv[1]));
    }
    reach.iter().filter(|&&r| r > outer).count() >= quadrants
}
