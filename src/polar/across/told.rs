//! What of a verdict is told, and in which words what is not.

use super::judge::{self, Verdict};
use super::stops::Stop;
use super::tails::student95;
use super::{APART_DEG, Across, Amount, Axis, LEAST_FIELDS, Term, model};
use crate::frame::Site;
use crate::mount::separation_deg;
use crate::polar::judge::{altitude_azimuth, axis_error};
use crate::polar::sideways;
use crate::track::Row;
use nalgebra::{Matrix2, Vector3};

/// Degrees of freedom that an error needs at least to be told.
const LEAST_FREEDOM: f64 = 2.0;
/// Errors (95 %) beyond this help nobody, arcmin: of the axis, of the other terms.
const VAGUE_AXIS: f64 = 30.0;
const VAGUE_TERM: f64 = 15.0;
const ARCMIN: f64 = 10_800.0 / std::f64::consts::PI;

impl Across {
    /// What the fields cover.
    pub(super) fn cover(&mut self, rows: &[Row], stops: &[Stop]) {
        let span = |values: &mut dyn Iterator<Item = f64>| {
            values.fold(None, |span: Option<[f64; 2]>, v| {
                let [low, high] = span.unwrap_or([v, v]);
                Some([low.min(v), high.max(v)])
            })
        };
        let mut places: Vec<[f64; 2]> = Vec::new();
        for centre in stops.iter().filter_map(|s| rows[s.row].centre_deg()) {
            if places
                .iter()
                .all(|p| separation_deg(*p, centre) > APART_DEG)
            {
                places.push(centre);
            }
        }
        self.fields = places.len();
        self.frames = stops.iter().map(|s| s.frames).sum();
        let hours = stops.iter().map(|s| s.place()[0].to_degrees() / 15.0);
        self.hour_angles_h = span(&mut { hours });
        let decs = stops.iter().map(|s| s.place()[1].to_degrees());
        self.declinations_deg = span(&mut { decs });
        self.both_sides = stops.iter().any(|s| s.flipped != stops[0].flipped);
        self.first_side = stops.first().and_then(|s| s.pier_side);
    }

    /// Why too few of them say nothing.
    pub(super) fn too_few(&self) -> String {
        format!(
            "{} on the sky {} not enough: frames of {LEAST_FIELDS} fields or more, hours and tens \
             of degrees apart, tell the polar error, the cone error and the flexure",
            match self.fields {
                1 => "1 field".to_owned(),
                n => format!("{n} fields"),
            },
            if self.fields == 1 { "is" } else { "are" },
        )
    }

    /// Why they say nothing.
    pub(super) fn says_nothing(&self) -> String {
        "no header says where the mount was sent, or every field was centred first, and the camera \
         was turned from field to field: neither tells where the axis points"
            .into()
    }

    /// Tells what is sure of the verdict.
    pub(super) fn tell(&mut self, verdict: &Verdict, stops: &[Stop], site: Site) {
        let fit = &verdict.fit;
        self.by_places = verdict.look.reading.is_some();
        self.by_turn = verdict.look.turn;
        self.scatter_arcsec = self.by_places.then(|| fit.scatter(0) * ARCMIN * 60.0);
        self.turn_scatter_arcmin = self.by_turn.then(|| fit.scatter(1) * ARCMIN);
        let breaks = |of: &[usize]| -> Vec<usize> {
            (1..stops.len())
                .filter(|i| of[*i] != of[i - 1])
                .map(|i| stops[i].row)
                .collect()
        };
        if self.by_places {
            self.set_anew = breaks(&fit.layout.group);
        }
        self.camera_turned = breaks(&fit.layout.grip);
        self.apart = verdict.apart.clone();
        if let Some(off) = verdict.contradiction {
            self.reason = Some(format!(
                "where the mount was sent and how the camera lay put the axis {:.0} arcmin apart: \
                 the camera was turned a little, or the mount's position set anew, and it cannot \
                 be told when",
                off * ARCMIN
            ));
            self.apart.clear();
            return;
        }
        self.tell_axis(verdict, site);
        self.tell_terms(verdict);
    }

    fn tell_axis(&mut self, verdict: &Verdict, site: Site) {
        let terms = verdict.fit.terms();
        let axis_of = |x: f64, y: f64| {
            let tilted = model::Terms {
                tilt: [x, y],
                ..terms
            };
            tilted.axis() * if self.north { 1.0 } else { -1.0 }
        };
        let [x, y] = [verdict.values[0], verdict.values[1]];
        let axis = axis_of(x, y);
        let [u, v] = sideways(axis);
        let slope = |along: Vector3<f64>, k: usize| {
            let step = [
                model::NUDGE * f64::from(k == 0),
                model::NUDGE * f64::from(k == 1),
            ];
            along.dot(&(axis_of(x + step[0], y + step[1]) - axis)) / model::NUDGE
        };
        let across = Matrix2::new(slope(u, 0), slope(u, 1), slope(v, 0), slope(v, 1));
        let tilt = verdict.covariance.fixed_view::<2, 2>(0, 0).into_owned();
        let covariance = across * tilt * across.transpose();
        let freedom = verdict.freedom[0].min(verdict.freedom[1]);
        let pole = Vector3::z() * if self.north { 1.0 } else { -1.0 };
        let error = axis_error(axis, covariance, freedom, pole, Some(site), self.north);
        let sure = freedom >= LEAST_FREEDOM && verdict.told[0] && verdict.told[1];
        if sure && error.radius95_arcmin < VAGUE_AXIS {
            self.axis = Some(Axis {
                altitude_azimuth_deg: altitude_azimuth(axis, &site),
                error,
            });
        } else {
            self.reason = Some(self.not_enough_of_the_sky());
        }
    }

    fn not_enough_of_the_sky(&self) -> String {
        let [from, to] = self.hour_angles_h.unwrap_or_default();
        let [low, high] = self.declinations_deg.unwrap_or_default();
        format!(
            "{} fields between hour angles {from:+.1} h and {to:+.1} h and declinations {low:+.0} \
             and {high:+.0} deg do not tell where the axis points to within {VAGUE_AXIS:.0} \
             arcmin: more of them, farther apart, would",
            self.fields
        )
    }

    fn tell_terms(&mut self, verdict: &Verdict) {
        for k in 2..judge::TOLD {
            let error = verdict.covariance[(k, k)].sqrt() * ARCMIN;
            if verdict.freedom[k] < LEAST_FREEDOM || !verdict.told[k] {
                continue;
            }
            let amount = Amount {
                arcmin: verdict.values[k] * ARCMIN,
                error95_arcmin: error * student95(verdict.freedom[k]),
            };
            if amount.error95_arcmin < VAGUE_TERM {
                self.terms.push((Term::ALL[k], amount));
            } else if !self
                .apart
                .iter()
                .flatten()
                .any(|term| *term == Term::ALL[k])
            {
                self.apart.push(vec![Term::ALL[k]]);
            }
        }
    }
}
