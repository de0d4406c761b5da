//! Why there is no position, in one sentence.

use super::SolveArgs;
use crate::solve::Outcome;

/// The reason for an unsolved frame.
pub fn reason(args: &SolveArgs, outcome: &Outcome, has_start: bool) -> String {
    let count = outcome.detections.stars.len();
    if count == 0 {
        return "no stars were found in the frame".into();
    }
    if count < 4 {
        return format!(
            "only {count} stars were found in the frame: four make a pattern, six a proof"
        );
    }
    match (
        args.time_limit.filter(|_| outcome.search.timed_out),
        args.within,
    ) {
        (Some(limit), _) => format!(
            "the time limit of {} s ended the search",
            limit.as_secs_f64()
        ),
        (None, Some(within)) if has_start => format!(
            "no place within {within} deg of the commanded position fits the {count} stars found"
        ),
        _ => format!("no place in the sky fits the {count} stars found well enough to be sure"),
    }
}
