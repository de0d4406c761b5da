//! What is written beside the printed result: the overlay picture and the WCS keywords.

use super::SolveArgs;
use crate::answer::Answer;
use crate::frame::{Frame, Identity};
use crate::report::header::write_wcs_of;
use crate::report::overlay::{self, Picture, Scene, refusals};
use std::path::Path;

/// Writes what the options ask for; returns one line for each thing that could not be written.
/// A result is a result: what fails here does not take it back.
pub fn write(args: &SolveArgs, frame: &Frame, identity: &Identity, answer: &Answer) -> Vec<String> {
    let mut failures = Vec::new();
    let mut draw = |path: &Path, picture: Option<Picture>| {
        if let Err(failure) = overlay::write(path, picture) {
            failures.push(format!(
                "{}: the picture was not written: {failure}; name a place where files may be \
                 written",
                path.display()
            ));
        }
    };
    if let Some(path) = &args.overlay {
        let scene = Scene {
            frame,
            outcome: &answer.outcome,
            commanded: answer.commanded.as_ref(),
            record: &answer.record,
        };
        draw(path, overlay::draw(&scene));
    }
    if let Some(path) = &args.refusals {
        draw(path, refusals::draw(frame, &answer.outcome.detections));
    }
    if let (true, Some(solution)) = (args.write_wcs, &answer.outcome.solution)
        && let Err(failure) = write_wcs_of(frame, identity, &solution.wcs, &[])
    {
        failures.push(failure.to_string());
    }
    failures
}
