//! The earlier frame whose framing is to be repeated.

use super::{Failure, explain};
use crate::Deadline;
use crate::answer::{Answer, Asked, Known, answer};
use crate::cli::Status;
use crate::fit::Solution;
use crate::frame::{FrameFile, text_of_path};
use crate::guide::{framing, outline};
use crate::report::guide::EarlierRecord;
use crate::sky::Sky;
use std::path::Path;
use std::time::Instant;

/// A solved earlier frame.
pub struct Earlier {
    file: String,
    solution: Solution,
    size: [usize; 2],
}

impl Earlier {
    /// Solves it. Where the mount was told to point now says nothing of it.
    pub fn solve(path: &Path, known: &Known, sky: &Sky) -> Result<Earlier, Failure> {
        let file = text_of_path(path);
        let known = Known {
            at: None,
            within_deg: None,
            ..known.clone()
        };
        let asked = Asked {
            file: &file,
            known: &known,
            begin: Instant::now(),
        };
        let read = |deadline: Deadline| FrameFile::open(path)?.read_by(deadline);
        let frame = read(asked.deadline()).map_err(explain)?;
        let answer = answer(&frame, sky, &asked)
            .map_err(|refusal| (refusal.to_string(), Status::IndexNotUsable))?;
        let why = answer.record.reason.unwrap_or_default();
        let solution = answer.outcome.solution.ok_or_else(|| {
            let reason = format!("--repeat {file}: it is not solved: {why}");
            (reason, Status::Unsolved)
        })?;
        Ok(Earlier {
            file,
            solution,
            size: [frame.width, frame.height],
        })
    }

    /// Adds to the record what is between the frame and this one.
    pub fn compare(&self, answer: &mut Answer) {
        let Some(solution) = &answer.outcome.solution else {
            return;
        };
        let size = [
            answer.outcome.detections.width,
            answer.outcome.detections.height,
        ];
        let found = framing((solution, size), (&self.solution, self.size));
        let border = outline(&self.solution, self.size);
        answer.record.earlier = Some(EarlierRecord::new(&self.file, &found, border));
    }
}
