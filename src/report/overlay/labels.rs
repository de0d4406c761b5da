//! Where labels go: none over another, those of the grid at the border.

use super::grid::GridLine;

/// Side of the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Left,
    Right,
    Top,
    Bottom,
}

/// A label with its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// The words.
    pub text: String,
    /// Top left corner.
    pub at: [f32; 2],
}

/// The room that is left for labels.
pub struct Room {
    /// Size of the picture.
    size: [f32; 2],
    /// Left, top, right, bottom of what is taken.
    taken: Vec<[f32; 4]>,
}

impl Room {
    /// All of a picture of `size`.
    pub fn new(size: [u32; 2]) -> Room {
        Room {
            size: size.map(|side| side as f32),
            taken: Vec::new(),
        }
    }

    /// Keeps labels off a square around `middle`.
    pub fn keep_free(&mut self, [x, y]: [f32; 2], half: f32) {
        self.taken.push([x - half, y - half, x + half, y + half]);
    }

    /// Takes the first of `middles` where a label of `width` by `height` covers nothing, moved as
    /// far as it takes to lie in the picture: its top left corner.
    pub fn take(
        &mut self,
        middles: impl IntoIterator<Item = [f32; 2]>,
        [width, height]: [f32; 2],
    ) -> Option<[f32; 2]> {
        // Inset that keeps a label's plate inside the picture.
        const INSET: f32 = 6.0;
        let room = [self.size[0] - width - INSET, self.size[1] - height - INSET];
        let [x, y] = middles
            .into_iter()
            .map(|[x, y]| {
                [
                    (x - width / 2.0).min(room[0]).max(INSET),
                    (y - height / 2.0).min(room[1]).max(INSET),
                ]
            })
            .find(|[x, y]| {
                let wanted = [x - 4.0, y - 3.0, x + width + 4.0, y + height + 3.0];
                !self.taken.iter().any(|other| overlap(wanted, *other))
            })?;
        self.taken.push([x, y, x + width, y + height]);
        Some([x, y])
    }
}

/// Chooses places for the labels of `lines`; `width_of` measures text of `height`. A line whose
/// label finds no room goes without.
pub fn place_labels(
    lines: &[GridLine],
    room: &mut Room,
    height: f32,
    width_of: impl Fn(&str) -> f32,
) -> Vec<Label> {
    let size = room.size.map(|side| side as u32);
    lines
        .iter()
        .filter_map(|line| {
            let label_size = [width_of(&line.label), height];
            let at = room.take(candidates(line, size), label_size)?;
            Some(Label {
                text: line.label.clone(),
                at,
            })
        })
        .collect()
}

/// Places on a line where its label may sit, best first: border crossings by side, then, for a
/// circle that never leaves the picture, its highest point.
fn candidates(line: &GridLine, size: [u32; 2]) -> Vec<[f32; 2]> {
    let order = if line.meridian {
        [Side::Bottom, Side::Top, Side::Left, Side::Right]
    } else {
        [Side::Left, Side::Right, Side::Bottom, Side::Top]
    };
    let mut crossings: Vec<(usize, [f32; 2])> = line
        .pieces
        .iter()
        .flat_map(|piece| {
            let from_start = crossing(piece.first(), piece.get(1), size);
            let from_end = crossing(piece.last(), piece.iter().rev().nth(1), size);
            from_start.into_iter().chain(from_end)
        })
        .map(|(side, place)| {
            let rank = order.iter().position(|s| *s == side).unwrap_or(order.len());
            (rank, place)
        })
        .collect();
    crossings.sort_by_key(|(rank, _)| *rank);
    let mut places: Vec<[f32; 2]> = crossings.into_iter().map(|(_, place)| place).collect();
    let points = line.pieces.iter().flatten();
    places.extend(points.copied().min_by(|a, b| a[1].total_cmp(&b[1])));
    places
}

/// Where the step from the point `outside` to `inside` crosses the border, if it does.
fn crossing(
    outside: Option<&[f32; 2]>,
    inside: Option<&[f32; 2]>,
    size: [u32; 2],
) -> Option<(Side, [f32; 2])> {
    let (&[ox, oy], &[ix, iy]) = (outside?, inside?);
    let [width, height] = size.map(|side| side as f32);
    // Share of the way from outside to inside at which each border is met.
    let met = |from: f32, to: f32, border: f32| (border - from) / (to - from);
    let (share, side) = [
        (ox < 0.0, met(ox, ix, 0.0), Side::Left),
        (ox > width, met(ox, ix, width), Side::Right),
        (oy < 0.0, met(oy, iy, 0.0), Side::Top),
        (oy > height, met(oy, iy, height), Side::Bottom),
    ]
    .into_iter()
    .filter(|(beyond, share, _)| *beyond && share.is_finite())
    .map(|(_, share, side)| (share, side))
    .max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some((side, [ox + share * (ix - ox), oy + share * (iy - oy)]))
}

fn overlap(a: [f32; 4], b: [f32; 4]) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(label: &str, from: [f32; 2], to: [f32; 2]) -> GridLine {
        GridLine {
            meridian: true,
            label: label.into(),
            pieces: vec![vec![
                from,
                [(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0],
                to,
            ]],
        }
    }

    #[test]
    fn labels_sit_inside_at_the_border_and_apart() {
        let lines = [
            line("5h", [300.0, -10.0], [300.0, 610.0]),
            line("6h", [310.0, -10.0], [310.0, 610.0]),
        ];
        let mut room = Room::new([800, 600]);
        let labels = place_labels(&lines, &mut room, 20.0, |text| 12.0 * text.len() as f32);
        assert_eq!(labels.len(), 2);
        // The first takes the bottom; the second would cover it there and goes to the top.
        assert!(labels[0].at[1] > 560.0 && labels[0].at[1] + 20.0 <= 600.0);
        assert!(labels[1].at[1] < 20.0);
    }
}
