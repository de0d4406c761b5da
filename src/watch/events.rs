//! Events of the file system, as a reason to look sooner.

use notify::{RecommendedWatcher, RecursiveMode, Watcher};
use std::path::Path;
use std::sync::mpsc::{self, Receiver};
use std::time::Duration;

/// Waits between two looks.
pub struct Events {
    /// Stops when it is dropped; `None` where the system has no events for the folder.
    _watcher: Option<RecommendedWatcher>,
    happened: Receiver<()>,
}

impl Events {
    /// Of `folder` and everything in it. Where the system refuses there are none, and every wait
    /// takes its full time.
    pub fn of(folder: &Path) -> Events {
        let (sender, happened) = mpsc::sync_channel(1);
        let watcher = notify::recommended_watcher(move |_| {
            // Full: somebody will look anyway.
            let _ = sender.try_send(());
        });
        let watcher = watcher.ok().and_then(|mut watcher| {
            watcher.watch(folder, RecursiveMode::Recursive).ok()?;
            Some(watcher)
        });
        Events {
            _watcher: watcher,
            happened,
        }
    }

    /// Waits until something happens, and no longer than `most`; true where something did.
    pub fn wait(&self, most: Duration) -> bool {
        match self.happened.recv_timeout(most) {
            Ok(()) => true,
            Err(mpsc::RecvTimeoutError::Timeout) => false,
            Err(mpsc::RecvTimeoutError::Disconnected) => {
                std::thread::sleep(most);
                false
            }
        }
    }
}
