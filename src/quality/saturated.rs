//! How much of a frame is burnt out.

use crate::frame::{Frame, Pixels};
use rayon::prelude::*;

/// Pixels counted by one thread at a time.
const PIECE: usize = 1 << 18;

/// Share of the pixels at or above `level`, 0 to 1.
pub(super) fn share(frame: &Frame, level: f64) -> f64 {
    match &frame.pixels {
        Pixels::U8(data) => count(data, |v| f64::from(v) >= level),
        Pixels::U16(data) => count(data, |v| f64::from(v) >= level),
        Pixels::F32(data) => count(data, |v| f64::from(v) >= level),
    }
}

fn count<T: Copy + Sync>(data: &[T], is_burnt: impl Fn(T) -> bool + Sync) -> f64 {
    let burnt: usize = data
        .par_chunks(PIECE)
        .map(|piece| piece.iter().filter(|v| is_burnt(**v)).count())
        .sum();
    burnt as f64 / data.len().max(1) as f64
}
