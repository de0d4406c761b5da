//! Which files have stopped growing.

use std::collections::HashMap;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

/// What a look at a file without opening it shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Glimpse {
    /// Its length.
    pub bytes: u64,
    /// When it was changed last, where the system says so.
    pub changed: Option<SystemTime>,
}

impl Glimpse {
    /// Looks at the file at `path`; `None` where there is none any more.
    pub fn of(path: &Path) -> Option<Glimpse> {
        let metadata = std::fs::metadata(path).ok()?;
        Some(Glimpse {
            bytes: metadata.len(),
            changed: metadata.modified().ok(),
        })
    }
}

/// A file must look the same for this long where its content says that it is whole. Some programs
/// make a file of the full length first and fill it then.
const WHOLE_AFTER: Duration = Duration::from_millis(300);
/// The same where the content does not tell. A camera or a network that stalls for longer is met
/// by looking again once the file has changed.
const UNTOLD_AFTER: Duration = Duration::from_secs(2);
/// The same where the content says that the file is cut short: then it is damaged, not late.
const CUT_AFTER: Duration = Duration::from_secs(30);

#[derive(Debug, Clone, Copy)]
struct State {
    glimpse: Glimpse,
    /// When it first looked so.
    since: Instant,
    /// Handed on already.
    done: bool,
}

/// The files of a folder and how long each has looked the same.
#[derive(Debug, Clone, Default)]
pub struct Settling {
    files: HashMap<String, State>,
}

impl Settling {
    /// True once for a file that can be read now, and again after it has changed. `whole` is asked
    /// only where it matters, and says whether the content is all there, if it can tell.
    pub fn is_ready(
        &mut self,
        file: &str,
        glimpse: Glimpse,
        now: Instant,
        whole: impl FnOnce() -> Option<bool>,
    ) -> bool {
        let fresh = State {
            glimpse,
            since: now,
            done: false,
        };
        let state = self.files.entry(file.to_owned()).or_insert(fresh);
        if state.glimpse != glimpse {
            *state = fresh;
        }
        let calm = now.saturating_duration_since(state.since);
        if state.done || calm < WHOLE_AFTER {
            return false;
        }
        let wanted = if calm >= CUT_AFTER {
            Duration::ZERO
        } else {
            match whole() {
                Some(true) => WHOLE_AFTER,
                Some(false) => CUT_AFTER,
                None => UNTOLD_AFTER,
            }
        };
        state.done = calm >= wanted;
        state.done
    }

    /// The file was worked on and looks like this now: it is not handed on again until it looks
    /// different.
    pub fn settle(&mut self, file: &str, glimpse: Glimpse, now: Instant) {
        let state = State {
            glimpse,
            since: now,
            done: true,
        };
        self.files.insert(file.to_owned(), state);
    }

    /// The file could not be worked on: it is handed on again after a while.
    pub fn again(&mut self, file: &str, now: Instant) {
        if let Some(state) = self.files.get_mut(file) {
            state.since = now;
            state.done = false;
        }
    }

    /// True for a file that is still on its way.
    pub fn is_waiting(&self, file: &str) -> bool {
        self.files.get(file).is_some_and(|state| !state.done)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Clock(Instant);

    impl Clock {
        fn after(&mut self, seconds: f64) -> Instant {
            self.0 += Duration::from_secs_f64(seconds);
            self.0
        }
    }

    fn of_length(bytes: u64) -> Glimpse {
        Glimpse {
            bytes,
            changed: None,
        }
    }

    #[test]
    fn a_growing_file_is_left_until_it_is_whole() {
        let mut files = Settling::default();
        let mut clock = Clock(Instant::now());
        let never = || -> Option<bool> { panic!("not asked while it grows") };
        for bytes in [0, 1000, 2000] {
            assert!(!files.is_ready("a", of_length(bytes), clock.after(1.0), never));
        }
        // A writer that stalls.
        assert!(!files.is_ready("a", of_length(2000), clock.after(10.0), || Some(false)));
        assert!(files.is_waiting("a"));
        assert!(!files.is_ready("a", of_length(3000), clock.after(1.0), never));
        assert!(!files.is_ready("a", of_length(3000), clock.after(0.1), never));
        assert!(files.is_ready("a", of_length(3000), clock.after(0.3), || Some(true)));
        assert!(!files.is_waiting("a"));
        assert!(!files.is_ready("a", of_length(3000), clock.after(9.0), never));
        // Written anew.
        assert!(!files.is_ready("a", of_length(10), clock.after(1.0), never));
        assert!(files.is_ready("a", of_length(10), clock.after(1.0), || Some(true)));
    }

    #[test]
    fn what_the_content_does_not_tell_takes_longer() {
        let mut files = Settling::default();
        let mut clock = Clock(Instant::now());
        let mut ready = |file: &str, seconds, whole: Option<bool>| {
            files.is_ready(file, of_length(5), clock.after(seconds), || whole)
        };
        assert!(!ready("raw", 0.0, None) && !ready("raw", 1.0, None) && ready("raw", 1.1, None));
        assert!(!ready("cut", 0.0, Some(false)) && !ready("cut", 29.0, Some(false)));
        assert!(ready("cut", 1.1, Some(false)));
    }
}
