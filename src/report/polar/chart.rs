//! A round chart about the pole, as somebody sees it who faces the pole: up is up, and distances from
//! the pole are true.

use crate::mount::pointing_error;
use crate::report::overlay::canvas::{Canvas, Pen};
use crate::report::overlay::marks;

/// Side of a chart, picture pixels.
pub const SIDE: f32 = 700.0;
/// Height of its text.
pub const TEXT: f32 = 18.0;

/// A round chart about the pole.
pub struct Chart {
    /// Where the pole is.
    pub middle: [f32; 2],
    radius_px: f32,
    radius_deg: f64,
    /// Altitude and azimuth of the pole.
    pole_deg: [f64; 2],
}

impl Chart {
    /// A chart that begins so far from the left of the picture and reaches so far from the pole.
    pub fn new(left: f32, radius_deg: f64, pole_deg: [f64; 2]) -> Chart {
        Chart {
            middle: [left + SIDE / 2.0, SIDE / 2.0],
            radius_px: SIDE / 2.0 - 24.0,
            radius_deg,
            pole_deg,
        }
    }

    /// Place of an altitude and azimuth; `None` outside of the chart.
    pub fn place(&self, [altitude_deg, azimuth_deg]: [f64; 2]) -> Option<[f32; 2]> {
        let [altitude_0, azimuth_0] = self.pole_deg;
        let way = pointing_error([azimuth_0, altitude_0], [azimuth_deg, altitude_deg]);
        // Azimuth grows to the right of whoever faces it.
        let place = self.offset([way.east_deg(), way.north_deg()]);
        (way.separation_deg <= self.radius_deg).then_some(place)
    }

    /// Place of what lies these degrees to the right of the pole and above it.
    pub fn offset(&self, [right_deg, up_deg]: [f64; 2]) -> [f32; 2] {
        let px = f64::from(self.radius_px) / self.radius_deg;
        [
            self.middle[0] + (right_deg * px) as f32,
            self.middle[1] - (up_deg * px) as f32,
        ]
    }

    /// Length of this angle in the picture, pixels.
    pub fn px(&self, deg: f64) -> f32 {
        (deg * f64::from(self.radius_px) / self.radius_deg) as f32
    }

    /// Two rings about the pole with their radii, and the rim.
    pub fn rings(&self, canvas: &mut Canvas) {
        let pen = Pen {
            opacity: 0.55,
            rim: false,
            ..marks::pen(marks::GRID, 1.2)
        };
        canvas.circle(self.middle, self.radius_px, pen);
        let outer_deg = round(self.radius_deg * 0.9);
        for radius_deg in [outer_deg, outer_deg / 2.0] {
            canvas.circle(self.middle, self.px(radius_deg), pen);
            let [x, y] = self.middle;
            // At the lower left, where no arrow of the screws ends.
            let at = self.px(radius_deg) * std::f32::consts::FRAC_1_SQRT_2;
            let words = angle(radius_deg);
            canvas.text(&words, [x - at, y + at], TEXT * 0.9, marks::GRID, true);
        }
    }

    /// The parts of a line that the chart shows.
    pub fn pieces(&self, points: impl Iterator<Item = [f64; 2]>) -> Vec<Vec<[f32; 2]>> {
        let places: Vec<Option<[f32; 2]>> = points.map(|point| self.place(point)).collect();
        places
            .split(Option::is_none)
            .map(|piece| piece.iter().copied().flatten().collect())
            .collect()
    }
}

/// The largest of 1, 2, 5 and their tens that is not above `most`, in the unit that `angle` takes.
fn round(most_deg: f64) -> f64 {
    let units = [(1.0, 2.0), (60.0, 1.0 / 30.0), (3600.0, 0.0)];
    let (per_deg, _) = units
        .into_iter()
        .find(|(_, least)| most_deg >= *least)
        .unwrap_or((3600.0, 0.0));
    let most = most_deg * per_deg;
    let ten = 10f64.powf(most.log10().floor());
    let step = [5.0, 2.0, 1.0].into_iter().find(|s| s * ten <= most);
    step.unwrap_or(1.0) * ten / per_deg
}

fn angle(deg: f64) -> String {
    match deg {
        d if d >= 1.0 => format!("{}\u{b0}", (d * 100.0).round() / 100.0),
        d if d >= 0.999 / 60.0 => format!("{}\u{2032}", (d * 6000.0).round() / 100.0),
        d => format!("{}\u{2033}", (d * 360_000.0).round() / 100.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rings_have_round_radii() {
        for (most, expected) in [
            (31.0, "20\u{b0}"),
            (0.9, "50\u{2032}"),
            (0.19, "10\u{2032}"),
            (0.034, "2\u{2032}"),
            (0.01, "20\u{2033}"),
        ] {
            assert_eq!(angle(round(most)), expected, "{most}");
        }
    }

    /// Facing north, east is on the right; facing south, west is. Up is up.
    #[test]
    fn the_chart_is_what_the_observer_sees() {
        for (pole, right) in [([50.0, 0.0], 90.0), ([35.0, 180.0], 270.0)] {
            let chart = Chart::new(0.0, 90.0, pole);
            let [x, y] = chart.place([pole[0] + 10.0, pole[1]]).unwrap();
            assert!((x - chart.middle[0]).abs() < 0.01 && y < chart.middle[1]);
            let [x, _] = chart.place([pole[0], pole[1] + 5.0]).unwrap();
            assert!(x > chart.middle[0]);
            assert!(
                chart
                    .place([0.0, right])
                    .is_some_and(|p| p[0] > chart.middle[0])
            );
        }
    }
}
