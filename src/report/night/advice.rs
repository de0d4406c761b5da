//! What to do about what a night says of a mount.

use super::text::{estimate, number, size};
use crate::track::{Cause, Motion, Verdict};

/// What to do about what was found, the largest gain first.
pub fn advice(motion: &Motion) -> Vec<String> {
    let mut all = Vec::new();
    let found = |cause: Cause| {
        motion
            .causes
            .iter()
            .find(|j| j.cause == cause && j.verdict == Verdict::Found)
    };
    if found(Cause::Axis).is_some()
        && let Some(axis) = motion.axis
    {
        let mut steps = Vec::new();
        if let Some(altitude) = axis.altitude.filter(|a| a.value.abs() > 2.0 * a.error) {
            steps.push(format!(
                "{} the axis by {}′",
                if altitude.value > 0.0 {
                    "lower"
                } else {
                    "raise"
                },
                size(altitude)
            ));
        }
        if let Some(azimuth) = axis.azimuth.filter(|a| a.value.abs() > 2.0 * a.error) {
            steps.push(format!(
                "turn it {}′ in azimuth towards {}",
                size(azimuth),
                if azimuth.value > 0.0 { "west" } else { "east" }
            ));
        }
        if !steps.is_empty() {
            all.push(format!(
                "Polar axis: {}. Do it with the mount stopped, then solve a few frames an hour \
                 apart and look again.",
                steps.join(", and ")
            ));
        }
    }
    if let Some([low, high]) = motion.causes.iter().find_map(|j| {
        let vague = j.cause == Cause::Axis && j.verdict == Verdict::Vague;
        j.range.filter(|_| vague)
    }) {
        all.push(format!(
            "Polar axis: it is off by {} to {}′. Align it anew with the mount stopped, and look \
             again.",
            number(low, 0),
            number(high, 0)
        ));
    }
    if let Some(size) = found(Cause::Rate).and_then(|j| j.size) {
        all.push(format!(
            "Tracking rate: {}″ per minute off. See that the mount tracks at the sidereal rate.",
            estimate(size)
        ));
    }
    if found(Cause::Sag).is_some() {
        all.push("Flexure: look for what gives way (focuser, rings, cables that pull).".into());
    }
    all
}
