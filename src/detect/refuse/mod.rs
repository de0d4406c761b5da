//! Why a maximum of the frame is not a star: one reason each, from the first maximum to the list
//! that is handed on.

mod core;
mod peak;
mod same_star;
mod unlike;

pub(super) use core::{is_star, judge_edge};
pub(super) use peak::is_spike;
pub(super) use same_star::merge;
pub(super) use unlike::without_unlike;

use super::switches;

/// Why a maximum was refused, in the order in which it is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Refusal {
    /// It falls off more steeply than a star: a hot pixel or a cosmic ray.
    SharpPeak,
    /// It goes on in one direction: a trail, a bad row or column.
    Streak,
    /// Enough brighter maxima were measured.
    Unmeasured,
    /// The edge of its saturated core is steeper than a star's: a letter, a hot pixel.
    SteepCore,
    /// Next to its highest pixel there is next to nothing: a hot pixel or the track of a particle.
    Spike,
    /// No centre or no width can be measured.
    Shapeless,
    /// Its light is too little of the noise around it.
    Faint,
    /// It belongs to a brighter star.
    PartOfStar,
    /// It is far broader than a star: glow, galaxy, edge.
    Broad,
    /// It is far longer than the stars around it: trail, column, spike.
    Long,
}

impl Refusal {
    /// All of them, in the order in which a maximum is judged.
    pub const ALL: [Refusal; 10] = [
        Refusal::SharpPeak,
        Refusal::Streak,
        Refusal::Unmeasured,
        Refusal::SteepCore,
        Refusal::Spike,
        Refusal::Shapeless,
        Refusal::Faint,
        Refusal::PartOfStar,
        Refusal::Broad,
        Refusal::Long,
    ];

    /// Short name, the same in every version.
    pub fn code(self) -> &'static str {
        match self {
            Refusal::SharpPeak => "sharp-peak",
            Refusal::Streak => "streak",
            Refusal::Unmeasured => "unmeasured",
            Refusal::SteepCore => "steep-core",
            Refusal::Spike => "spike",
            Refusal::Shapeless => "shapeless",
            Refusal::Faint => "faint",
            Refusal::PartOfStar => "part-of-star",
            Refusal::Broad => "broad",
            Refusal::Long => "long",
        }
    }

    /// Refuses for this reason where `holds`.
    pub(super) fn when(self, holds: bool) -> Result<(), Refusal> {
        if holds && switches::is_on(self.code()) {
            Err(self)
        } else {
            Ok(())
        }
    }
}

/// A maximum that was refused.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Refused {
    /// Place along the fast axis, 0-based full-resolution pixels, integer = pixel centre.
    pub x_px: f64,
    /// Place along the slow axis.
    pub y_px: f64,
    /// Why.
    pub why: Refusal,
}

impl Refused {
    /// What a judgement lets pass; what it refuses goes to `list`.
    pub(super) fn note<T>(
        list: &mut Vec<Refused>,
        [x_px, y_px]: [f64; 2],
        verdict: Result<T, Refusal>,
    ) -> Option<T> {
        verdict
            .map_err(|why| list.push(Refused { x_px, y_px, why }))
            .ok()
    }
}
