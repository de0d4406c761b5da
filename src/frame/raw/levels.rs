//! From a sensor's counts to those of a frame: active area, black level, evened-out patterns.

/// A part of the sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Area {
    /// Pixels left of it.
    pub left: usize,
    /// Rows above it.
    pub top: usize,
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Area {
    /// The part of it that lies in `whole`; `None` where that is nothing.
    pub fn within(&self, whole: &Area) -> Option<Area> {
        let right = self.left.checked_add(self.width)?.min(whole.width);
        let bottom = self.top.checked_add(self.height)?.min(whole.height);
        let area = Area {
            width: right.checked_sub(self.left)?,
            height: bottom.checked_sub(self.top)?,
            ..*self
        };
        (area.width > 0 && area.height > 0).then_some(area)
    }
}

/// Black levels, repeated over the sensor.
#[derive(Debug, Clone)]
pub(super) struct Black {
    /// Pixels along x after which they repeat.
    pub width: usize,
    /// Rows after which they repeat.
    pub height: usize,
    /// Row by row, the colours of a pixel side by side.
    pub levels: Vec<f32>,
    /// Counted from the first pixel of the area instead of the first stored one.
    pub from_area: bool,
}

/// A mosaic of colour filters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Pattern {
    /// Pixels along x after which it repeats.
    pub width: usize,
    /// Rows after which it repeats.
    pub height: usize,
}

/// What is known of stored pixels.
#[derive(Debug, Clone)]
pub(super) struct Sensor {
    /// Stored pixels in a row.
    pub row: usize,
    /// Values per pixel, side by side.
    pub planes: usize,
    /// The part that becomes the frame.
    pub area: Area,
    /// Level of no light.
    pub black: Black,
    /// Level from which a pixel is saturated.
    pub white: u32,
    /// Colour filters.
    pub pattern: Option<Pattern>,
}

/// Pixels of each place of a pattern that are looked at to learn the level of the sky there.
const SAMPLES: usize = 4000;

/// Counts above black below which a sky is too dark to tell how colour filters weaken it; then
/// their difference is too small to matter.
const DARK: f32 = 16.0;

/// Strongest evening-out: no filter takes more from the sky.
const MAX_GAIN: f32 = 8.0;

impl Sensor {
    /// The frame's counts: stored ones less black plus the mean black; planes averaged. `None`
    /// where there are fewer than stated.
    pub fn counts(&self, stored: &[u16]) -> Option<Vec<u16>> {
        let pedestal = self.black.mean().round();
        let mut frame = self.above_black(stored, f32::from)?;
        self.even_out(&mut frame);
        let record = |v: f32| (v + pedestal).round().clamp(0.0, 65535.0) as u16;
        Some(frame.into_iter().map(record).collect())
    }

    /// The same of floating-point pixels, black becoming zero.
    pub fn values(&self, stored: &[f32]) -> Option<Vec<f32>> {
        let mut frame = self.above_black(stored, |v| v)?;
        self.even_out(&mut frame);
        for value in frame.iter_mut().filter(|v| !v.is_finite()) {
            *value = f32::NAN;
        }
        Some(frame)
    }

    /// Values above black in the area, planes averaged.
    fn above_black<T: Copy>(&self, stored: &[T], number: impl Fn(T) -> f32) -> Option<Vec<f32>> {
        let (area, planes, black) = (&self.area, self.planes, &self.black);
        let places = black.width.checked_mul(black.height)?.checked_mul(planes)?;
        if planes == 0 || places == 0 || black.levels.len() != places {
            return None;
        }
        let (left, top) = if black.from_area {
            (0, 0)
        } else {
            (area.left, area.top)
        };
        let share = 1.0 / planes as f32;
        let mut frame = Vec::with_capacity(area.width.checked_mul(area.height)?);
        for y in 0..area.height {
            let start = ((y + area.top) * self.row + area.left) * planes;
            let row = stored.get(start..start + area.width * planes)?;
            let levels = {
                let length = black.width * planes;
                let first = (y + top) % black.height * length;
                black.levels.get(first..first + length)?
            };
            frame.extend(row.chunks_exact(planes).enumerate().map(|(x, pixel)| {
                let first = (x + left) % black.width * planes;
                let above = |(v, black): (&T, &f32)| number(*v) - black;
                let sum: f32 = pixel.iter().zip(&levels[first..]).map(above).sum();
                sum * share
            }));
        }
        Some(frame)
    }

    /// Brings the sky of every place of a pattern to the level of the typical place.
    ///
    /// The detector takes 2 x 2 pixels together, which evens out the 2 x 2 mosaic of most cameras.
    /// A 6 x 6 one has one such block in nine that is all green and thus brighter: a grid over the
    /// whole sky that is stronger than its noise. Stars keep the difference, as stars have their
    /// own colours; it is a few per cent of their light. The levels are taken from the sky itself,
    /// whatever the colours are and wherever the pattern begins.
    fn even_out(&self, frame: &mut [f32]) {
        let Some(pattern) = self.pattern else { return };
        let places = pattern.width * pattern.height;
        let even = pattern.width <= 2 && pattern.height <= 2;
        if even || self.area.width < pattern.width || self.area.height < pattern.height {
            return;
        }
        let mut levels: Vec<f32> = (0..places)
            .map(|p| self.sky_of(frame, pattern, p))
            .collect();
        let ordered = {
            let mut ordered = levels.clone();
            ordered.sort_unstable_by(f32::total_cmp);
            ordered
        };
        let (Some(lowest), Some(typical)) = (ordered.first(), ordered.get(places / 2)) else {
            return;
        };
        if !(*lowest > DARK) {
            return;
        }
        for level in &mut levels {
            *level = (typical / *level).min(MAX_GAIN);
        }
        // Saturated pixels must stay the brightest, and equal.
        let white = self.white as f32 - self.black.mean();
        let rows = frame.chunks_exact_mut(self.area.width);
        for (row, gains) in rows.zip(levels.chunks_exact(pattern.width).cycle()) {
            for (value, gain) in row.iter_mut().zip(gains.iter().cycle()) {
                *value = (*value * gain).min(white);
            }
        }
    }

    /// Median of the pixels at a place of the pattern, which here begins with the area.
    fn sky_of(&self, frame: &[f32], pattern: Pattern, place: usize) -> f32 {
        let (width, height) = (self.area.width, self.area.height);
        let (across, down) = (width / pattern.width, height / pattern.height);
        let step = (across * down / SAMPLES).max(1);
        // An odd stride through the pattern's repetitions does not keep to columns.
        let mut values: Vec<f32> = (0..across * down)
            .step_by(step | 1)
            .filter_map(|n| {
                let x = n % across * pattern.width + place % pattern.width;
                let y = n / across * pattern.height + place / pattern.width;
                frame.get(y * width + x).copied().filter(|v| v.is_finite())
            })
            .collect();
        if values.is_empty() {
            return 0.0;
        }
        let middle = values.len() / 2;
        *values.select_nth_unstable_by(middle, f32::total_cmp).1
    }
}

impl Black {
    fn mean(&self) -> f32 {
        self.levels.iter().sum::<f32>() / self.levels.len().max(1) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sensor(
        area: Area,
        planes: usize,
        levels: &[f32],
        (width, height): (usize, usize),
    ) -> Sensor {
        Sensor {
            row: 6,
            planes,
            area,
            black: Black {
                width,
                height,
                levels: levels.into(),
                from_area: false,
            },
            white: 4095,
            pattern: None,
        }
    }

    const INNER: Area = Area {
        left: 1,
        top: 1,
        width: 4,
        height: 2,
    };

    #[test]
    fn black_of_each_place_leaves_and_its_mean_stays() {
        let levels = [100.0, 110.0, 120.0, 130.0];
        // Every stored pixel is 7 above the black level of its place.
        let stored: Vec<u16> = (0..24)
            .map(|i| 107 + 10 * (i % 6 % 2) + 20 * (i / 6 % 2))
            .collect();
        let mut sensor = sensor(INNER, 1, &levels, (2, 2));
        assert_eq!(sensor.counts(&stored), Some(vec![122; 8]));
        // Counted from the area instead, the places are others.
        sensor.black.from_area = true;
        let shifted = sensor.counts(&stored).unwrap();
        assert_eq!(shifted[..2], [152, 132]);
        assert_eq!(sensor.counts(&stored[..16]), None);
    }

    #[test]
    fn noise_below_black_is_kept() {
        let sensor = sensor(INNER, 1, &[64.0], (1, 1));
        assert_eq!(sensor.counts(&[60; 24]), Some(vec![60; 8]));
        assert_eq!(sensor.values(&[60.0; 24]), Some(vec![-4.0; 8]));
    }

    #[test]
    fn planes_are_averaged_each_above_its_black() {
        let area = Area {
            left: 0,
            top: 0,
            width: 6,
            height: 1,
        };
        let sensor = sensor(area, 3, &[10.0, 20.0, 30.0], (1, 1));
        let stored: Vec<u16> = [13, 23, 36].repeat(6);
        assert_eq!(sensor.counts(&stored), Some(vec![24; 6]));
    }

    #[test]
    fn areas_are_cut_to_what_is_stored() {
        let whole = Area {
            left: 0,
            top: 0,
            width: 10,
            height: 5,
        };
        let area = |left, top, width, height| Area {
            left,
            top,
            width,
            height,
        };
        assert_eq!(area(2, 1, 20, 2).within(&whole), Some(area(2, 1, 8, 2)));
        assert_eq!(area(10, 0, 5, 5).within(&whole), None);
        assert_eq!(area(3, 0, usize::MAX, 5).within(&whole), None);
    }

    /// A 6 x 6 pattern of green (200), red (120) and blue (80) sky: flat afterwards, saturated
    /// pixels at one level.
    #[test]
    fn a_pattern_of_six_is_evened_out() {
        let colours = ["GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG"];
        let area = Area {
            left: 0,
            top: 0,
            width: 60,
            height: 60,
        };
        let sky = |x: usize, y: usize| match colours[y % 6].as_bytes()[x % 6] {
            b'G' => 264,
            b'R' => 184,
            _ => 144,
        };
        let mut stored: Vec<u16> = (0..3600).map(|i| sky(i % 60, i / 60)).collect();
        for saturated in [0, 1, 2, 60] {
            stored[saturated] = 1000;
        }
        let mut sensor = sensor(area, 1, &[64.0], (1, 1));
        sensor.row = 60;
        sensor.white = 1000;
        sensor.pattern = Some(Pattern {
            width: 6,
            height: 6,
        });
        let counts = sensor.counts(&stored).unwrap();
        for (i, count) in counts.iter().enumerate() {
            let expected = if [0, 1, 2, 60].contains(&i) {
                1000
            } else {
                264
            };
            assert_eq!(*count, expected, "{i}");
        }
    }
}
