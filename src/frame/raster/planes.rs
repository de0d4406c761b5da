//! Mean of the colour channels, rounded to the type they came in.

use rayon::prelude::*;

/// Pixels that one task averages.
const PIECE_PX: usize = 1 << 16;

/// How the channels of a pixel are stored.
#[derive(Debug, Clone, Copy)]
pub(super) struct Channels {
    /// Channels per pixel.
    pub stored: usize,
    /// Those that are averaged, the first ones: transparency is not light.
    pub used: usize,
    /// One channel after the other instead of interleaved.
    pub planar: bool,
}

/// Mean of 8-bit channels; a single channel is passed through.
pub(super) fn mean_u8(samples: Vec<u8>, channels: Channels) -> Vec<u8> {
    if channels.stored == 1 {
        return samples;
    }
    mean(&samples, channels, |pixel| {
        let sum: u32 = pixel.map(u32::from).sum();
        let n = channels.used as u32;
        ((sum + n / 2) / n) as u8
    })
}

/// Mean of 16-bit channels; a single channel is passed through.
pub(super) fn mean_u16(samples: Vec<u16>, channels: Channels) -> Vec<u16> {
    if channels.stored == 1 {
        return samples;
    }
    mean(&samples, channels, |pixel| {
        let sum: u32 = pixel.map(u32::from).sum();
        let n = channels.used as u32;
        ((sum + n / 2) / n) as u16
    })
}

/// Mean of floating-point channels; what is not finite becomes NaN. A single channel stays where it
/// is.
pub(super) fn mean_f32(mut samples: Vec<f32>, channels: Channels) -> Vec<f32> {
    if channels.stored > 1 {
        return mean_real(&samples, channels, f64::from);
    }
    for value in samples.iter_mut().filter(|v| !v.is_finite()) {
        *value = f32::NAN;
    }
    samples
}

/// Mean of channels of any type; what is not finite becomes NaN.
pub(super) fn mean_real<T: Copy + Sync>(
    samples: &[T],
    channels: Channels,
    real: impl Fn(T) -> f64 + Sync,
) -> Vec<f32> {
    mean(samples, channels, |pixel| {
        let sum: f64 = pixel.map(&real).sum();
        crate::frame::fits::finite_or_nan(sum / channels.used as f64)
    })
}

/// An iterator over the used samples of one pixel.
type Pixel<'a, T> = std::iter::Copied<std::iter::Take<std::iter::StepBy<std::slice::Iter<'a, T>>>>;

fn mean<T: Copy + Sync, U: Copy + Default + Send>(
    samples: &[T],
    channels: Channels,
    of_pixel: impl Fn(Pixel<'_, T>) -> U + Sync,
) -> Vec<U> {
    let pixels = samples.len() / channels.stored.max(1);
    let (pixel_step, channel_step) = if channels.planar {
        (1, pixels.max(1))
    } else {
        (channels.stored, 1)
    };
    let mut plane = vec![U::default(); pixels];
    plane
        .par_chunks_mut(PIECE_PX)
        .enumerate()
        .for_each(|(piece, out)| {
            for (i, value) in out.iter_mut().enumerate() {
                let first = (piece * PIECE_PX + i) * pixel_step;
                let rest = samples.get(first..).unwrap_or_default();
                *value = of_pixel(
                    rest.iter()
                        .step_by(channel_step)
                        .take(channels.used)
                        .copied(),
                );
            }
        });
    plane
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn interleaved_and_planar_agree() {
        let interleaved = vec![1_u16, 2, 6, 65535, 65535, 65535];
        let planar = vec![1_u16, 65535, 2, 65535, 6, 65535];
        let channels = |planar| Channels {
            stored: 3,
            used: 3,
            planar,
        };
        assert_eq!(mean_u16(interleaved, channels(false)), [3, 65535]);
        assert_eq!(mean_u16(planar, channels(true)), [3, 65535]);
    }

    #[test]
    fn transparency_is_no_light() {
        let channels = Channels {
            stored: 4,
            used: 3,
            planar: false,
        };
        assert_eq!(mean_u8(vec![10, 20, 30, 255], channels), [20]);
    }
}
