//! Which number of a fit is which term of which field.

use super::model::{LOCAL, Terms};
use super::stops::Stop;
use nalgebra::DVector;

/// How large terms usually are, standard deviation in radians (common practice): an axis within
/// some degrees of the pole, a line of sight within a degree of square, axes within a quarter of a
/// degree of square, a tube that hangs by some arcminutes; anything for turn and zeros.
const AXIS: f64 = 0.05;
const DROOP: f64 = 4.0 / 3437.75;
const CONE: f64 = 60.0 / 3437.75;
const SQUARE: f64 = 15.0 / 3437.75;
pub const ANYTHING: f64 = 10.0;

/// Numbers that all fields share; those of a grip come behind.
pub const SHARED: usize = 3;
/// Numbers of one grip: cone, square, turn.
pub const OF_GRIP: usize = 3;

/// Which number of the fit is which term of which field.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Since when the mount's zeros are the same, by field.
    pub group: Vec<usize>,
    /// The grip of the camera, by field.
    pub grip: Vec<usize>,
    /// The numbers of each field.
    pub columns: Vec<[usize; LOCAL]>,
    /// How large each usually is.
    pub usual: Vec<f64>,
}

impl Layout {
    /// Zeros by `group`, cone and turn by `grip`; both counted from 0. In declination each side of
    /// the pier has zeros of its own: some mounts count them on the circle, others on the sky.
    pub fn new(stops: &[Stop], group: Vec<usize>, grip: Vec<usize>) -> Layout {
        let grips = grip.iter().max().map_or(0, |last| last + 1);
        let mut usual = vec![AXIS, AXIS, DROOP];
        for _ in 0..grips {
            usual.extend([CONE, SQUARE, ANYTHING]);
        }
        let mut zeros: Vec<(usize, Option<(usize, bool)>)> = Vec::new();
        let mut column = |key| {
            let at = zeros.iter().position(|k| *k == key).unwrap_or_else(|| {
                zeros.push(key);
                usual.push(ANYTHING);
                zeros.len() - 1
            });
            SHARED + OF_GRIP * grips + at
        };
        let columns = (0..stops.len()).map(|i| {
            let own = SHARED + OF_GRIP * grip[i];
            let hour = column((group[i], None));
            let dec = column((group[i], Some((grip[i], stops[i].flipped))));
            [0, 1, 2, own, own + 1, own + 2, hour, dec]
        });
        let columns = columns.collect();
        Layout {
            columns,
            group,
            grip,
            usual,
        }
    }

    /// Numbers that may be anything.
    pub fn free_numbers(&self) -> f64 {
        self.usual
            .iter()
            .filter(|usual| **usual == ANYTHING)
            .count() as f64
    }

    /// The numbers of another layout, for this one.
    pub fn carry(&self, other: &Layout, numbers: &DVector<f64>) -> DVector<f64> {
        let mut carried = DVector::zeros(self.usual.len());
        for (mine, theirs) in self.columns.iter().zip(&other.columns) {
            for (to, from) in mine.iter().zip(theirs) {
                carried[*to] = numbers[*from];
            }
        }
        carried
    }

    /// The terms of a field.
    pub fn terms(&self, stop: usize, numbers: &DVector<f64>) -> Terms {
        Terms::of_numbers(self.columns[stop].map(|column| numbers[column]))
    }
}
