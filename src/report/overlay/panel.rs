//! The panel below the frame: verdict, legend, scale bar, directions.

use super::canvas::Canvas;
use super::pointing::along;
use super::project::Projector;
use super::{Scene, guide, marks, objects};
use crate::fit::Solution;
use crate::report::text::small_angle;
use crate::sphere::sky_to_vector;

/// Draws the sample of a mark at a place, in a size.
type Mark = fn(&mut Canvas, [f32; 2], f32);

/// Height of a line of text, in units.
const TEXT: f32 = 18.0;
const LINE: f32 = 26.0;
/// Lines of the panel.
const LINES: usize = 5;
const LEFT: f32 = 16.0;
/// Where the legend begins, in units from the right.
const LEGEND: f32 = 560.0;

/// Size and place of the panel.
pub struct Panel {
    /// Width of the whole picture: that of the frame, or more where the panel needs it.
    pub width: u32,
    /// Height of the panel.
    pub height: u32,
    frame: [f32; 2],
    unit: f32,
}

impl Panel {
    /// A panel below a frame that takes `width` by `height` pixels of the picture.
    pub fn new([width, height]: [u32; 2], unit: f32, scene: &Scene) -> Panel {
        /// Units of width that the words and marks take.
        const NEEDED: f32 = 1_150.0;
        Panel {
            width: width.max((NEEDED * unit) as u32),
            height: (legend(scene).len().max(LINES) as f32 * LINE * unit + 20.0 * unit) as u32,
            frame: [width as f32, height as f32],
            unit,
        }
    }

    /// Draws the panel.
    pub fn draw(&self, canvas: &mut Canvas, scene: &Scene, projector: Option<&Projector>) {
        self.clear(canvas);
        let top = self.frame[1] + 10.0 * self.unit;
        self.words(canvas, top, scene);
        let legend_x = self.width as f32 - LEGEND * self.unit;
        self.legend(canvas, [legend_x, top], scene);
        if let (Some(projector), Some(solution)) = (projector, &scene.outcome.solution) {
            let middle = [
                self.width as f32 - 90.0 * self.unit,
                top + 2.4 * LINE * self.unit,
            ];
            self.directions(canvas, middle, projector, solution);
            let below_words = [LEFT * self.unit, top + 4.0 * LINE * self.unit];
            self.scale_bar(canvas, below_words, projector, solution);
        }
    }

    /// Lines of the frame that ran over its edge end there.
    fn clear(&self, canvas: &mut Canvas) {
        let [right, bottom] = canvas.size().map(|side| side as f32);
        let [width, height] = self.frame;
        for [x, y] in [[0.0, height], [width, 0.0]] {
            if x < right {
                canvas.fill(
                    &[[x, y], [right, y], [right, bottom], [x, bottom]],
                    [0, 0, 0],
                );
            }
        }
    }

    fn words(&self, canvas: &mut Canvas, top: f32, scene: &Scene) {
        let record = scene.record;
        let mut lines = Vec::new();
        match (&record.centre, record.scale_arcsec_per_px, record.field_deg) {
            (Some(centre), Some(scale), Some([width, height])) => {
                lines.push(format!("Centre  {}  {}", centre.ra, centre.dec));
                let scale = format!("{scale:.3} arcsec per pixel");
                let sides = [width, height].map(small_angle).join(" x ");
                lines.push(format!("Field  {sides}, {scale}"));
            }
            _ => lines.push("Not solved".into()),
        }
        if let (Some(rotation), Some(mirrored)) = (record.rotation_deg, record.mirrored) {
            let mirror = if mirrored { ", mirrored" } else { "" };
            lines.push(format!(
                "Up is {rotation:.1}\u{b0} from north through east{mirror}"
            ));
        }
        if let Some(error) = &record.pointing_error {
            let off = small_angle(error.separation_arcmin / 60.0);
            let word = crate::mount::compass_word(error.position_angle_deg);
            lines.push(format!("{off} {word} of the commanded position"));
        }
        let size = TEXT * self.unit;
        let room = self.width as f32 - (LEGEND + 2.0 * LEFT) * self.unit;
        for (index, line) in lines.iter().enumerate() {
            // A long line is set smaller rather than cut.
            let fit = (room / canvas.text_width(line, size).max(1.0)).min(1.0);
            let y = top + index as f32 * LINE * self.unit;
            canvas.text(line, [LEFT * self.unit, y], size * fit, marks::WHITE, false);
        }
    }

    fn legend(&self, canvas: &mut Canvas, [x, top]: [f32; 2], scene: &Scene) {
        let unit = self.unit;
        for (index, (mark, words)) in legend(scene).into_iter().enumerate() {
            let y = top + index as f32 * LINE * unit;
            mark(canvas, [x + 18.0 * unit, y + TEXT * unit / 2.0], unit);
            canvas.text(
                &words,
                [x + 44.0 * unit, y],
                TEXT * unit,
                marks::WHITE,
                false,
            );
        }
    }

    /// Arrows to north and east at the frame's centre, as displayed.
    fn directions(
        &self,
        canvas: &mut Canvas,
        middle: [f32; 2],
        projector: &Projector,
        solution: &Solution,
    ) {
        let unit = self.unit;
        let (ra, dec) = (solution.centre_ra_deg, solution.centre_dec_deg);
        let centre = sky_to_vector(ra, dec);
        // The unit vectors of the tangent plane: north is a quarter turn up the meridian.
        let north = sky_to_vector(ra, dec + 90.0);
        let east = sky_to_vector(ra + 90.0, 0.0);
        let reach = 0.1
            * solution.field_deg[0]
                .min(solution.field_deg[1])
                .to_radians();
        let Some(origin) = projector.place(centre) else {
            return;
        };
        for (name, direction) in [("N", north), ("E", east)] {
            let near: [f64; 3] =
                std::array::from_fn(|i| reach.cos() * centre[i] + reach.sin() * direction[i]);
            let Some(place) = projector.place(near) else {
                continue;
            };
            let step = along(
                [0.0, 0.0],
                [place[0] - origin[0], place[1] - origin[1]],
                1.0,
            );
            let at = |length: f32| {
                [
                    middle[0] + step[0] * length * unit,
                    middle[1] + step[1] * length * unit,
                ]
            };
            marks::arrow(canvas, middle, at(36.0), marks::WHITE, unit * 0.8, false);
            let words = at(48.0);
            let size = TEXT * unit;
            let corner = [
                words[0] - canvas.text_width(name, size) / 2.0,
                words[1] - size / 2.0,
            ];
            canvas.text(name, corner, size, marks::WHITE, false);
        }
    }

    /// A bar of a round angle, true at the frame's centre.
    fn scale_bar(
        &self,
        canvas: &mut Canvas,
        [x, y]: [f32; 2],
        projector: &Projector,
        solution: &Solution,
    ) {
        let unit = self.unit;
        let deg_per_px = solution.scale_arcsec_per_px / 3600.0 / projector.view().scale();
        let Some((angle_deg, words)) = round_angle(deg_per_px * f64::from(200.0 * unit)) else {
            return;
        };
        let length = (angle_deg / deg_per_px) as f32;
        let size = TEXT * unit;
        let base = y + 0.8 * size;
        let tick = 6.0 * unit;
        let bar = [
            [x, base - tick],
            [x, base],
            [x + length, base],
            [x + length, base - tick],
        ];
        canvas.line(&bar, marks::pen(marks::WHITE, 2.0 * unit));
        let beside = [x + length + 12.0 * unit, y];
        canvas.text(&words, beside, size, marks::WHITE, false);
    }
}

fn drawn(count: usize) -> String {
    match count > super::MARKS_AT_MOST {
        true => format!(" ({} drawn)", super::MARKS_AT_MOST),
        false => String::new(),
    }
}

/// The largest round angle of at most `most_deg`, with its name.
fn round_angle(most_deg: f64) -> Option<(f64, String)> {
    const STEPS: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 20.0, 30.0];
    let units = [(1.0, "\u{b0}"), (60.0, "\u{2032}"), (3600.0, "\u{2033}")];
    units.into_iter().find_map(|(per_deg, sign)| {
        let step = STEPS
            .into_iter()
            .rev()
            .find(|step| step / per_deg <= most_deg)?;
        Some((step / per_deg, format!("{step}{sign}")))
    })
}

/// The marks of the picture, and what they mean.
fn legend(scene: &Scene) -> Vec<(Mark, String)> {
    let detected = scene.outcome.detections.stars.len();
    let mut rows: Vec<(Mark, String)> = vec![(
        |canvas, at, unit| marks::detection(canvas, at, 8.0 * unit, unit),
        format!("{detected} stars found{}", drawn(detected)),
    )];
    let Some(solution) = &scene.outcome.solution else {
        return rows;
    };
    let matched = solution.matched.len();
    rows.push((
        |canvas, at, unit| marks::matched_star(canvas, at, 10.0 * unit, unit),
        format!("{matched} catalogue stars matched{}", drawn(matched)),
    ));
    if scene.record.matched_part_px.is_some() {
        rows.push((marks::sample_of_part, "the part that they prove".into()));
    }
    if scene.record.objects.as_ref().is_some_and(|o| !o.is_empty()) {
        rows.push((
            |canvas, at, unit| objects::sample(canvas, at, unit),
            "deep-sky objects".into(),
        ));
    }
    rows.push((
        |canvas, at, unit| marks::centre(canvas, at, unit * 0.55),
        "centre of the frame".into(),
    ));
    if scene.commanded.is_some_and(|c| c.icrs_deg.is_some()) {
        rows.push((
            |canvas, at, unit| marks::commanded(canvas, at, unit * 0.5),
            "commanded position".into(),
        ));
        rows.push((
            |canvas, [x, y], unit| {
                let (from, to) = ([x - 16.0 * unit, y], [x + 14.0 * unit, y]);
                marks::arrow(canvas, from, to, marks::ORANGE, unit * 0.7, true);
            },
            "the move that mends it".into(),
        ));
    }
    if scene.record.target.as_ref().is_some_and(|t| t.in_frame) {
        rows.push((
            |canvas, at, unit| marks::target(canvas, at, unit * 0.6),
            "target".into(),
        ));
    }
    if scene.record.earlier.is_some() {
        rows.push((
            guide::sample_of_earlier,
            "border of the earlier frame".into(),
        ));
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_angles() {
        assert_eq!(round_angle(0.7), Some((0.5, "30\u{2032}".into())));
        assert_eq!(round_angle(3.0), Some((2.0, "2\u{b0}".into())));
        assert_eq!(round_angle(0.004).map(|r| r.1), Some("10\u{2033}".into()));
        assert_eq!(round_angle(1e-9), None);
    }
}
