//! Frames that other software writes into a folder.

use super::{Fault, Frames, Stop, now};
use crate::Deadline;
use crate::frame::{Frame, FrameFile};
use crate::night::{Selection, list};
use crate::watch::{Events, Glimpse, Settling, is_whole};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// The folder is looked at this often.
const LOOK: Duration = Duration::from_millis(200);

/// The next frame that comes into a folder.
pub struct FolderFrames {
    folder: PathBuf,
    selection: Selection,
    events: Events,
    patience: Duration,
    stop: Stop,
}

impl FolderFrames {
    /// Of this folder; a frame must come within `patience`.
    ///
    /// # Errors
    /// There is no such folder.
    pub fn new(folder: PathBuf, patience: Duration, stop: Stop) -> Result<FolderFrames, Fault> {
        let refused = |what: String| Fault::Device(format!("{}: {what}", folder.display()));
        std::fs::read_dir(&folder).map_err(|refusal| {
            refused(format!(
                "cannot be looked into ({refusal}): name the folder that the frames go to"
            ))
        })?;
        let selection = Selection::new(&[], &[], true).map_err(|what| refused(what.to_string()))?;
        Ok(FolderFrames {
            events: Events::of(&folder),
            folder,
            selection,
            patience,
            stop,
        })
    }
}

impl Frames for FolderFrames {
    fn next(&mut self) -> Result<Frame, Fault> {
        let (begin, begin_jd) = (Instant::now(), now()?.jd_utc());
        let mut settling = Settling::default();
        // Files that were there at the call; those that came since, which were looked at.
        let (mut old, mut seen) = (None, Vec::new());
        let mut earlier = 0;
        while begin.elapsed() < self.patience {
            self.stop.check()?;
            let found = list(&self.folder, &self.selection).frames;
            settling.begin_walk();
            for frame in &found {
                if let Some(glimpse) = Glimpse::of(&frame.path) {
                    settling.meet(&frame.file, &frame.path, glimpse, Instant::now());
                }
            }
            settling.end_walk();
            let old = *old.get_or_insert(settling.arrivals());
            for (file, path) in settling.queue(old) {
                let is_new = settling.arrival(&file) > old && !seen.contains(&file);
                if !is_new || !settling.is_ready(&file, Instant::now(), || is_whole(&path)) {
                    continue;
                }
                let read = FrameFile::open(&path).and_then(|file| file.read_by(Deadline::NONE));
                let frame = read.map_err(|refusal| Fault::Device(refusal.to_string()))?;
                if began_after(&frame, begin_jd, seen.len()) {
                    return Ok(frame);
                }
                earlier += 1;
                seen.push(file);
            }
            self.events.wait(LOOK);
        }
        let (folder, patience_s) = (self.folder.display(), self.patience.as_secs_f64());
        Err(Fault::Device(match earlier {
            0 => format!(
                "no frame came into {folder} for {patience_s:.0} s: start the exposures, or give \
                 them longer by --patience"
            ),
            _ => format!(
                "of the frames that came into {folder} in {patience_s:.0} s none began after the \
                 mount stood still ({earlier} too early): set the clock of the computer that takes \
                 them, and make the exposures short"
            ),
        }))
    }
}

/// Whether the exposure of a frame that came into the folder began at `jd_utc` or later. By its
/// header; where that does not say, the first frame that comes may have begun before, and the one
/// after it has not.
fn began_after(frame: &Frame, jd_utc: f64, frames_before: usize) -> bool {
    /// Headers give whole seconds, as a rule.
    const ROUNDING_S: f64 = 1.0;
    match frame.clues.mid_jd_utc.zip(frame.clues.exposure_s) {
        Some((mid_jd, exposure_s)) => {
            mid_jd - exposure_s / 2.0 / 86_400.0 >= jd_utc - ROUNDING_S / 86_400.0
        }
        None => frames_before > 0,
    }
}
