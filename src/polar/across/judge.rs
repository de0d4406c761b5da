//! What the fields of a night say of the mount, and what they leave open.

use super::Term;
use super::fit::{Fit, settle};
use super::groups::{self, Alternative};
use super::layout::{Layout, OF_GRIP, SHARED};
use super::linear::Look;
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
/// Explanations that are less likely than this beside the best do not count.
const UNLIKELY: f64 = 0.01;
/// A term that is known no better than to a third of what is usual for it is not told by the night,
/// nor one whose standard error is larger than this, radians: it helps nobody.
const THIRD: f64 = 1.0 / 3.0;
const VAGUE: [f64; TOLD] = {
    let arcmin = std::f64::consts::PI / 10_800.0;
    [
        12.0 * arcmin,
        12.0 * arcmin,
        5.0 * arcmin,
        5.0 * arcmin,
        5.0 * arcmin,
    ]
};
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
    /// Those that are told.
    pub told: [bool; TOLD],
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

/// A fit, what it looked at, and what one break more would make of it.
type Judged = (Look, Fit, Vec<Alternative>);

/// Judges the fields. `None` where nothing can be fitted.
pub fn judge(stops: &[Stop], zenith: Vector3<f64>) -> Option<Verdict> {
    let turned = stops.iter().filter(|s| s.turn_counts).count();
    let grips = 1 + stops.iter().map(|s| s.grip).max()?;
    // A camera that is turned for every other field says nothing by how it lies.
    let turn = turned >= 3 && 2 * grips <= turned;
    let fitted = |reading: Option<usize>, turn| -> Option<Judged> {
        let look = Look {
            reading,
            turn,
            terms: true,
        };
        let (fit, others) = groups::find(stops, zenith, look)?;
        Some((look, fit, others))
    };
    let by_turn = turn.then(|| fitted(None, true)).flatten();
    let readings =
        (0..Reading::ALL.len()).filter(|reading| stops.iter().any(|s| s.sent[*reading].is_some()));
    let fits: Vec<Judged> = readings
        .filter_map(|reading| fitted(Some(reading), turn))
        .collect();
    let fits = showing_terms(stops, zenith, fits);
    if fits.is_empty() {
        return Some(mixed(vec![by_turn?], None));
    }
    let contradiction = by_turn
        .as_ref()
        .and_then(|(_, by_turn, _)| contradiction(stops, zenith, &fits, by_turn));
    Some(mixed(fits, contradiction))
}

/// Those where the places that the mount was sent to and missed follow from its terms. A mount that
/// was centred on each field misses none, whatever its terms; read otherwise, it misses by what the
/// readings differ in.
fn showing_terms(stops: &[Stop], zenith: Vector3<f64>, fits: Vec<Judged>) -> Vec<Judged> {
    let places = |look: Look, terms| Look {
        turn: false,
        terms,
        ..look
    };
    let settled = |terms: bool| -> Vec<Option<Fit>> {
        let one =
            |(look, fit, _): &Judged| settle(stops, zenith, &fit.layout, places(*look, terms));
        fits.iter().map(one).collect()
    };
    let [with, without] = [true, false].map(settled);
    let centred = without.into_iter().flatten().min_by(|a, b| {
        let mean = |fit: &Fit| fit.squares[0] / fit.freedom[0];
        mean(a).total_cmp(&mean(b))
    });
    let Some(centred) = centred else {
        return Vec::new();
    };
    let shows = |fit: &Option<Fit>| {
        fit.as_ref().is_some_and(|fit| {
            let more = centred.freedom[0] - fit.freedom[0];
            let share = fit.squares[0] / centred.squares[0];
            more > 0.0 && share < 1.0 && chance_of_share(share, more, fit.freedom[0]) < CENTRED
        })
    };
    let shown = fits.into_iter().zip(&with).filter(|(_, fit)| shows(fit));
    shown.map(|(judged, _)| judged).collect()
}

/// How far apart the axis lies by where the mount was sent and by how the camera lay.
fn contradiction(
    stops: &[Stop],
    zenith: Vector3<f64>,
    fits: &[Judged],
    by_turn: &Fit,
) -> Option<f64> {
    let apart = fits.iter().map(|(look, fit, _)| {
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

/// What one explanation makes of the told terms.
struct Explanation {
    ln_weight: f64,
    values: [f64; TOLD],
    covariance: DMatrix<f64>,
}

impl Explanation {
    fn new(
        ln_weight: f64,
        layout: &Layout,
        numbers: &DVector<f64>,
        covariance: &DMatrix<f64>,
    ) -> Explanation {
        let columns = told_columns(layout);
        Explanation {
            ln_weight,
            values: columns.map(|column| numbers[column]),
            covariance: DMatrix::from_fn(TOLD, TOLD, |i, j| covariance[(columns[i], columns[j])]),
        }
    }

    /// The readings, each as likely as its residuals make it, with one break more or without.
    fn all(fits: &[Judged]) -> Vec<Explanation> {
        let of_fit = |(_, fit, others): &Judged| {
            let zeros = fit.layout.group.iter().max().map_or(0, |g| g + 1) as f64;
            // A reading that is wrong may turn the mount's terms until the places fit: then the
            // camera does not lie as they would have it.
            let of_kind = |k: usize| {
                let count = fit.count[k].max(1.0);
                -0.5 * count * (fit.squares[k] / count).ln()
            };
            let ln_weight = of_kind(0) + of_kind(1) - zeros * fit.count[0].max(1.0).ln();
            let plain = Explanation::new(ln_weight, &fit.layout, &fit.numbers, &fit.covariance);
            let others = others.iter().map(move |other| {
                let ln_weight = ln_weight + other.ln_odds;
                Explanation::new(ln_weight, &other.layout, &other.numbers, &other.covariance)
            });
            std::iter::once(plain).chain(others).collect::<Vec<_>>()
        };
        let mut all: Vec<Explanation> = fits.iter().flat_map(of_fit).collect();
        let best = all
            .iter()
            .map(|e| e.ln_weight)
            .fold(f64::NEG_INFINITY, f64::max);
        all.retain(|e| e.ln_weight - best > UNLIKELY.ln());
        all.iter_mut().for_each(|e| e.ln_weight -= best);
        all
    }
}

/// All explanations together: their mean, and their covariance about it.
fn mixed(mut fits: Vec<Judged>, contradiction: Option<f64>) -> Verdict {
    let all = Explanation::all(&fits);
    let sum: f64 = all.iter().map(|e| e.ln_weight.exp()).sum();
    let mut values = [0.0; TOLD];
    for one in &all {
        let share = one.ln_weight.exp() / sum;
        (0..TOLD).for_each(|k| values[k] += share * one.values[k]);
    }
    let mut covariance = DMatrix::zeros(TOLD, TOLD);
    for one in &all {
        let off = DVector::from_fn(TOLD, |k, _| one.values[k] - values[k]);
        covariance += (&one.covariance + &off * off.transpose()) * (one.ln_weight.exp() / sum);
    }
    // The fit with the least scatter stands for the others.
    fits.sort_by(|a, b| a.1.scale[0].total_cmp(&b.1.scale[0]));
    let (look, fit, _) = fits.swap_remove(0);
    let places = told_columns(&fit.layout);
    let limits: [f64; TOLD] = std::array::from_fn(|k| VAGUE[k].min(THIRD * fit.usual(places[k])));
    let told = std::array::from_fn(|k| covariance[(k, k)] < limits[k] * limits[k]);
    Verdict {
        values,
        freedom: places.map(|column| fit.freedom_of(column)),
        apart: apart(&fit, places, limits, told),
        covariance,
        told,
        look,
        fit,
        contradiction,
    }
}

/// Columns of what is told: cone and square are those of the grip that most fields share.
fn told_columns(layout: &Layout) -> [usize; TOLD] {
    let grips = 1 + layout.grip.iter().max().copied().unwrap_or(0);
    let count = |grip: &usize| layout.grip.iter().filter(|g| *g == grip).count();
    let most = (0..grips).rev().max_by_key(count).unwrap_or(0);
    let own = SHARED + OF_GRIP * most;
    [0, 1, 2, own, own + 1]
}

/// Combinations of terms that the data do not determine: the singular vectors of what they say once
/// everything else is eliminated (the Schur complement), in units of what would be worth telling.
fn apart(
    fit: &Fit,
    told: [usize; TOLD],
    limits: [f64; TOLD],
    is_told: [bool; TOLD],
) -> Vec<Vec<Term>> {
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
    let scaled = DMatrix::from_fn(TOLD, TOLD, |i, j| kept[(i, j)] * limits[i] * limits[j]);
    let eigen = scaled.symmetric_eigen();
    let mut all: Vec<Vec<Term>> = Vec::new();
    let mut add = |mut terms: Vec<Term>| {
        terms.dedup();
        if !terms.is_empty() && !all.contains(&terms) {
            all.push(terms);
        }
    };
    for (k, value) in eigen.eigenvalues.iter().enumerate() {
        if *value < 1.0 {
            let vector = eigen.eigenvectors.column(k);
            let has = |i: &usize| !is_told[*i] && vector[*i].abs() > PART;
            add((0..TOLD).filter(has).map(|i| Term::ALL[i]).collect());
        }
    }
    for i in (0..TOLD).filter(|i| !is_told[*i]) {
        if !all.iter().flatten().any(|term| *term == Term::ALL[i]) {
            all.push(vec![Term::ALL[i]]);
        }
    }
    all.sort();
    all
}
