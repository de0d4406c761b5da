//! Frames that other software writes into a folder.

use super::{Fault, Frames, Stop};
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
    /// The first frame whose file did not exist, or was not what it is, at the call. An exposure
    /// that had begun before cannot be told from one that began after: the caller waits for one
    /// frame more where the mount has moved.
    fn next(&mut self) -> Result<Frame, Fault> {
        let begin = Instant::now();
        let mut settling = Settling::default();
        let mut old = None;
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
                let is_new = settling.arrival(&file) > old;
                if is_new && settling.is_ready(&file, Instant::now(), || is_whole(&path)) {
                    let read = FrameFile::open(&path).and_then(|file| file.read_by(Deadline::NONE));
                    return read.map_err(|refusal| Fault::Device(refusal.to_string()));
                }
            }
            self.events.wait(LOOK);
        }
        Err(Fault::Device(format!(
            "no frame came into {} for {:.0} s: start the exposures, or give them longer by --patience",
            self.folder.display(),
            self.patience.as_secs_f64()
        )))
    }
}
