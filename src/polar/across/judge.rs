//! What the fields of a night say of the mount, and what they leave open.

use super::Term;
use super::fit::{Fit, Look, SHARED, settle};
use super::groups;
use super::stops::{Reading, Stop};
use super::tails::chance_of_share;
use nalgebra::{DMatrix, DVector, Vector3};

/// Terms that are told: two of the axis, droop, cone, square.
pub const TOLD: usize = 5;
/// Chance below which where the mount was sent is taken to show its terms: otherwise each field may
/// have been centred by hand, and a mount with any error misses by nothing.
const CENTRED: f64 = 1e-3;
/// Chance below which turn and places contradict each other.
const CONTRADICTS: f64 = 1e-3;
/// Readings of a position that are less likely than this beside the best do not count.
const UNLIKELY: f64 = 0.01;
/// A combination of terms that is known no better than to a third of what is usual for it is not
/// told by the night.
const TELLING: f64 = 9.0;
/// A term has a part in a combination from this share on.
const PART: f64 = 0.3;

/// The terms of a mount, with what stands behind them.
#[derive(Debug, Clone)]
pub struct Verdict {
    /// The axis (a rotation vector's first two components), droop, cone and square, radians.
    pub values: [f64; TOLD],
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    /// Degrees of freedom behind each error.
    pub freedom: [f64; TOLD],
    /// What each is usually, standard deviation, radians.
    pub usual: [f64; TOLD],
    /// Terms that cannot be told apart, or a single one that cannot be told.
    pub apart: Vec<Vec<Term>>,
    /// The fit of the likeliest reading.
    pub fit: Fit,
    /// What it looked at.
    pub look: Look,
    /// Distance between the axis by places and by the camera's turn where they contradict each
    /// other, radians.
    pub contradiction: Option<f64>,
}

/// Judges the fields. `None` where nothing can be fitted.
pub fn judge(stops: &[Stop], zenith: Vector3<f64>) -> Option<Verdict> {
    let turned = stops.iter().filter(|s| s.turn_counts).count();
    let grips = 1 + stops.iter().map(|s| s.grip).max()?;
    // A camera that is turned for every other field says nothing by how it lies.
    let turn = turned >= 3 && 2 * grips <= turned;
    let readings: Vec<usize> = (0..Reading::ALL.len())
        .filter(|reading| stops.iter().any(|s| s.sent[*reading].is_some()))
        .collect();
    let look = |reading, turn| Look {
        reading,
        turn,
        terms: true,
    };
    let by_turn = turn
        .then(|| groups::find(stops, zenith, look(None, true)))
        .flatten();
    let mut fits: Vec<(Look, Fit)> = Vec::new();
    for reading in readings {
        let here = look(Some(reading), turn);
        if let Some(fit) = groups::find(stops, zenith, here)
            && shows_terms(stops, zenith, &fit, reading)
        {
            fits.push((here, fit));
        }
    }
    if fits.is_empty() {
        let fit = by_turn?;
        return Some(mixed(vec![(look(None, true), fit)], None));
    }
    let contradiction = by_turn
        .as_ref()
        .and_then(|by_turn| contradiction(stops, zenith, &fits, by_turn));
    Some(mixed(fits, contradiction))
}

/// Whether the places that a mount was sent to and missed follow from its terms.
fn shows_terms(stops: &[Stop], zenith: Vector3<f64>, fit: &Fit, reading: usize) -> bool {
    let places = Look {
        reading: Some(reading),
        turn: false,
        terms: true,
    };
    let zeros_alone = Look {
        terms: false,
        ..places
    };
    let with = settle(stops, zenith, &fit.layout, places);
    let without = settle(stops, zenith, &fit.layout, zeros_alone);
    let (Some(with), Some(without)) = (with, without) else {
        return false;
    };
    let more = without.freedom[0] - with.freedom[0];
    let share = with.squares[0] / without.squares[0];
    more > 0.0 && share < 1.0 && chance_of_share(share, more, with.freedom[0]) < CENTRED
}

/// How far apart the axis lies by where the mount was sent and by how the camera lay.
fn contradiction(
    stops: &[Stop],
    zenith: Vector3<f64>,
    fits: &[(Look, Fit)],
    by_turn: &Fit,
) -> Option<f64> {
    let apart = fits.iter().map(|(look, fit)| {
        let places = settle(
            stops,
            zenith,
            &fit.layout,
            Look {
                turn: false,
                ..*look
            },
        )?;
        let off = [0, 1].map(|k| places.numbers[k] - by_turn.numbers[k]);
        let covariance = |f: &Fit| f.covariance.view((0, 0), (2, 2)).into_owned();
        let both = covariance(&places) + covariance(by_turn);
        let off = DVector::from_row_slice(&off);
        let squares = off.dot(&(both.try_inverse()? * &off));
        let freedom = [&places, by_turn].map(|f| f.freedom_of(0).min(f.freedom_of(1)));
        let freedom = freedom[0].min(freedom[1]);
        // Hotelling's statistic, as a share.
        let chance = chance_of_share(freedom / (freedom + squares), 2.0, freedom);
        (chance < CONTRADICTS).then_some(off.norm())
    });
    // As long as one reading agrees, nothing contradicts.
    apart
        .collect::<Option<Vec<f64>>>()?
        .into_iter()
        .reduce(f64::min)
}

/// The readings together, each as likely as its residuals make it.
fn mixed(fits: Vec<(Look, Fit)>, contradiction: Option<f64>) -> Verdict {
    let ln_likelihood = |fit: &Fit| {
        let count = fit.count[0];
        let zeros = fit.layout.group.iter().max().map_or(0, |g| g + 1) as f64;
        -0.5 * count * (fit.squares[0] / count.max(1.0)).ln() - zeros * count.max(1.0).ln()
    };
    let best = fits
        .iter()
        .map(|(_, fit)| ln_likelihood(fit))
        .fold(f64::NEG_INFINITY, f64::max);
    let weighted = fits.into_iter().map(|(look, fit)| {
        let weight = (ln_likelihood(&fit) - best).exp();
        (weight, look, fit)
    });
    let mut weighted: Vec<(f64, Look, Fit)> = weighted.filter(|w| w.0 > UNLIKELY).collect();
    weighted.sort_by(|a, b| b.0.total_cmp(&a.0));
    let sum: f64 = weighted.iter().map(|w| w.0).sum();
    let places = told_columns(&weighted[0].2);
    let mut values = [0.0; TOLD];
    let mut freedom = [f64::INFINITY; TOLD];
    for (weight, _, fit) in &weighted {
        let columns = told_columns(fit);
        for k in 0..TOLD {
            values[k] += weight / sum * fit.numbers[columns[k]];
            freedom[k] = freedom[k].min(fit.freedom_of(columns[k]));
        }
    }
    let mut covariance = DMatrix::zeros(TOLD, TOLD);
    for (weight, _, fit) in &weighted {
        let columns = told_columns(fit);
        let off: [f64; TOLD] = std::array::from_fn(|k| fit.numbers[columns[k]] - values[k]);
        for (i, j) in (0..TOLD).flat_map(|i| (0..TOLD).map(move |j| (i, j))) {
            let own = fit.covariance[(columns[i], columns[j])];
            covariance[(i, j)] += weight / sum * (own + off[i] * off[j]);
        }
    }
    let (_, look, fit) = weighted.swap_remove(0);
    Verdict {
        values,
        covariance,
        freedom,
        usual: places.map(|column| fit.usual(column)),
        apart: apart(&fit, places),
        look,
        fit,
        contradiction,
    }
}

/// Columns of what is told: cone and square are those of the grip that most fields share.
fn told_columns(fit: &Fit) -> [usize; TOLD] {
    let grips = 1 + fit.layout.grip.iter().max().copied().unwrap_or(0);
    let count = |grip: &usize| fit.layout.grip.iter().filter(|g| *g == grip).count();
    let most = (0..grips).rev().max_by_key(count).unwrap_or(0);
    let own = SHARED + super::fit::OF_GRIP * most;
    [0, 1, 2, own, own + 1]
}

/// Combinations of the told terms that the data do not determine: the singular vectors of what they
/// say once everything else is eliminated (the Schur complement), in units of what is usual.
fn apart(fit: &Fit, told: [usize; TOLD]) -> Vec<Vec<Term>> {
    let rest: Vec<usize> = (0..fit.numbers.len())
        .filter(|c| !told.contains(c))
        .collect();
    let pick = |rows: &[usize], columns: &[usize]| {
        DMatrix::from_fn(rows.len(), columns.len(), |i, j| {
            let own = if rows[i] == columns[j] {
                fit.usual(rows[i]).powi(-2)
            } else {
                0.0
            };
            // Told terms stand by the data alone.
            let own = if told.contains(&rows[i]) { 0.0 } else { own };
            fit.information[(rows[i], columns[j])] + own
        })
    };
    let mut kept = pick(&told, &told);
    if let Some(inverse) = pick(&rest, &rest).try_inverse() {
        let across = pick(&told, &rest);
        kept -= &across * inverse * across.transpose();
    }
    let scaled = DMatrix::from_fn(TOLD, TOLD, |i, j| {
        kept[(i, j)] * fit.usual(told[i]) * fit.usual(told[j])
    });
    let eigen = scaled.symmetric_eigen();
    let mut all: Vec<Vec<Term>> = Vec::new();
    for (k, value) in eigen.eigenvalues.iter().enumerate() {
        if *value < TELLING {
            let vector = eigen.eigenvectors.column(k);
            let has = |i: &usize| vector[*i].abs() > PART;
            let mut terms: Vec<Term> = (0..TOLD).filter(has).map(|i| Term::ALL[i]).collect();
            terms.dedup();
            if !all.contains(&terms) {
                all.push(terms);
            }
        }
    }
    all.sort();
    all
}
