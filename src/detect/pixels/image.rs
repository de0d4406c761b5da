//! Pixels as numbers: the frame as stored.

/// A stored pixel type.
pub(crate) trait Pixel: Copy + Send + Sync {
    /// The value as a number; blank pixels are NaN.
    fn value(self) -> f32;
    /// Smallest step between two values, 0 for floating point.
    const STEP: f32;
    /// The largest value the type holds, infinite for floating point.
    const CEILING: f32;
    /// The least value of the type.
    const LOWEST: Self;
    /// The nearest value of the type.
    fn of(value: f32) -> Self;
    /// The highest of `row` and `top`; what is not finite does not count.
    fn highest(row: &[Self], top: Self) -> Self;
}

macro_rules! whole_numbers {
    ($($kind:ty),*) => {$(
        impl Pixel for $kind {
            #[inline(always)]
            fn value(self) -> f32 {
                f32::from(self)
            }
            const STEP: f32 = 1.0;
            const CEILING: f32 = <$kind>::MAX as f32;
            const LOWEST: $kind = 0;
            #[inline(always)]
            fn of(value: f32) -> $kind {
                value.round() as $kind
            }
            #[inline(always)]
            fn highest(row: &[$kind], top: $kind) -> $kind {
                row.iter().fold(top, |m, v| m.max(*v))
            }
        }
    )*};
}

whole_numbers!(u8, u16);

impl Pixel for f32 {
    #[inline(always)]
    fn value(self) -> f32 {
        self
    }
    const STEP: f32 = 0.0;
    const CEILING: f32 = f32::INFINITY;
    const LOWEST: f32 = f32::NEG_INFINITY;
    #[inline(always)]
    fn of(value: f32) -> f32 {
        value
    }
    #[inline(always)]
    fn highest(row: &[f32], top: f32) -> f32 {
        let larger = |m: f32, v: f32| if v > m && v < f32::INFINITY { v } else { m };
        let (eights, rest) = row.as_chunks::<8>();
        let mut lanes = [top; 8];
        for eight in eights {
            for (m, v) in lanes.iter_mut().zip(eight) {
                *m = larger(*m, *v);
            }
        }
        lanes
            .into_iter()
            .chain(rest.iter().copied())
            .fold(top, larger)
    }
}

/// The frame's pixels in stored order.
#[derive(Clone, Copy)]
pub(crate) struct Image<'a, P> {
    /// `width * height` values.
    pub data: &'a [P],
    /// Pixels along x.
    pub width: usize,
    /// Pixels along y.
    pub height: usize,
}

impl<'a, P: Pixel> Image<'a, P> {
    /// Of `width * height` values.
    pub fn new(data: &'a [P], width: usize, height: usize) -> Image<'a, P> {
        Image {
            data,
            width,
            height,
        }
    }

    /// The pixel at (x, y), NaN outside the frame and where the value is not finite.
    #[inline]
    pub fn at(&self, x: isize, y: isize) -> f32 {
        if x < 0 || y < 0 || x as usize >= self.width || y as usize >= self.height {
            return f32::NAN;
        }
        match self.data.get(y as usize * self.width + x as usize) {
            Some(v) if v.value().is_finite() => v.value(),
            _ => f32::NAN,
        }
    }

    /// The value from which a pixel counts as saturated; infinite when nothing looks saturated.
    /// `tops` are the highest values of strips of `rows` rows.
    ///
    /// A sensor or converter that clips leaves several pixels at the very same highest value
    /// (4095 and 16383 as often as 65535); a frame without saturated stars has one.
    pub fn saturation(&self, tops: &[f32], rows: usize) -> f32 {
        let top = tops.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        if !top.is_finite() {
            return f32::INFINITY;
        }
        // Bright pixels scatter by a few thousandths where the well, not the converter, clips.
        let near = top - 0.004 * top.abs();
        // Every strip looked at holds at least one, so that four strips are enough.
        let several = || {
            self.data
                .chunks(self.width.max(1) * rows)
                .zip(tops)
                .filter(|(_, top)| **top >= near)
                .flat_map(|(strip, _)| strip.iter().filter(|p| p.value() >= near))
                .take(4)
                .count()
                == 4
        };
        // Whatever was taken off before it was stored, a value that near the type's end is clipped.
        if top >= 0.99 * P::CEILING || several() {
            near
        } else {
            f32::INFINITY
        }
    }
}
