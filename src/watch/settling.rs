//! Which files have stopped growing.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};
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
    /// Looks at the file at `path`; `None` where it is gone.
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

/// A file that could not be read, locked by its writer as a rule, is tried again after this long,
/// then after twice as long, and so on.
const FIRST_RETRY: Duration = Duration::from_secs(1);
/// A file that could not be read this many times is left alone until it changes.
const MOST_TRIES: u32 = 7;

#[derive(Debug, Clone, Copy)]
struct State {
    glimpse: Glimpse,
    /// When it first looked so, or could not be read.
    since: Instant,
    /// Its place in the order in which files came or changed. Times of files do not tell: clocks
    /// of cameras and servers jump.
    arrival: u64,
    /// How often it could not be read.
    failures: u32,
    /// Handed on already.
    done: bool,
    /// The last walk through the folder that met it.
    walk: u64,
}

/// What is done about a file that could not be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Retry {
    /// It is tried again, after the first failure.
    First,
    /// It is tried again.
    Further,
    /// It is left alone until it changes.
    GivenUp,
}

/// The files of a folder and how long each has looked the same. What a look costs depends on the
/// number of files that are on their way, not on those that are done.
#[derive(Debug, Clone, Default)]
pub struct Settling {
    files: HashMap<String, State>,
    /// Those that are not done.
    open: BTreeMap<String, PathBuf>,
    arrivals: u64,
    walk: u64,
}

impl Settling {
    /// A walk through the folder begins: [`Settling::meet`] is told every file.
    pub fn begin_walk(&mut self) {
        self.walk += 1;
    }

    /// The walk is over: files that it did not meet are gone.
    pub fn end_walk(&mut self) {
        let walk = self.walk;
        self.files.retain(|_, state| state.walk == walk);
        let files = &self.files;
        self.open.retain(|file, _| files.contains_key(file));
    }

    /// Notes how the file called `file` looks now.
    pub fn meet(&mut self, file: &str, path: &Path, glimpse: Glimpse, now: Instant) {
        let walk = self.walk;
        if let Some(state) = self.files.get_mut(file)
            && state.glimpse == glimpse
        {
            state.walk = walk;
            return;
        }
        self.arrivals += 1;
        let state = State {
            glimpse,
            since: now,
            arrival: self.arrivals,
            failures: 0,
            done: false,
            walk,
        };
        self.files.insert(file.to_owned(), state);
        self.open.insert(file.to_owned(), path.to_owned());
    }

    /// Looks at the files that are on their way.
    pub fn look_again(&mut self, now: Instant) {
        for (file, path) in self.open.clone() {
            match Glimpse::of(&path) {
                Some(glimpse) => self.meet(&file, &path, glimpse, now),
                None => {
                    self.files.remove(&file);
                    self.open.remove(&file);
                }
            }
        }
    }

    /// Number of files that have come or changed.
    pub fn arrivals(&self) -> u64 {
        self.arrivals
    }

    /// The place of `file` among these, counted from 1; 0 for one that nobody met.
    pub fn arrival(&self, file: &str) -> u64 {
        self.files.get(file).map_or(0, |state| state.arrival)
    }

    /// True for a file that came after the first `old` and has not been tried yet.
    pub fn is_settling(&self, file: &str, old: u64) -> bool {
        let state = self.files.get(file);
        state.is_some_and(|state| state.arrival > old && state.failures == 0 && !state.done)
    }

    /// The files that are on their way and may be worth a try: those that came after the first
    /// `old`, the latest first, then the others in the order in which they were met.
    pub fn queue(&self, old: u64) -> Vec<(String, PathBuf)> {
        let mut queue: Vec<_> = self.open.iter().collect();
        queue.sort_by_key(|(file, _)| match self.arrival(file) {
            arrival if arrival > old => (0, u64::MAX - arrival),
            arrival => (1, arrival),
        });
        let queue = queue.into_iter();
        queue.map(|(f, p)| (f.clone(), p.clone())).collect()
    }

    /// True once for a file that can be read now, and again after it has changed. `whole` is asked
    /// only where it matters, and says whether the content is all there, if it can tell.
    pub fn is_ready(
        &mut self,
        file: &str,
        now: Instant,
        whole: impl FnOnce() -> Option<bool>,
    ) -> bool {
        let Some(state) = self.files.get_mut(file) else {
            return false;
        };
        let calm = now.saturating_duration_since(state.since);
        if state.done || calm < state.least() {
            return false;
        }
        let wanted = if calm >= CUT_AFTER || state.failures > 0 {
            Duration::ZERO
        } else {
            match whole() {
                Some(true) => WHOLE_AFTER,
                Some(false) => CUT_AFTER,
                None => UNTOLD_AFTER,
            }
        };
        state.done = calm >= wanted;
        if state.done {
            self.open.remove(file);
            return true;
        }
        false
    }

    /// The file was worked on and looks like this now: it is not handed on again until it looks
    /// different.
    pub fn settle(&mut self, file: &str, glimpse: Glimpse) {
        if let Some(state) = self.files.get_mut(file) {
            state.glimpse = glimpse;
            state.done = true;
        }
    }

    /// The file could not be read: it is handed on again after a while, and after ever longer ones,
    /// until it is given up.
    pub fn failed(&mut self, file: &str, path: &Path, now: Instant) -> Retry {
        let Some(state) = self.files.get_mut(file) else {
            return Retry::GivenUp;
        };
        state.failures += 1;
        if state.failures >= MOST_TRIES {
            return Retry::GivenUp;
        }
        state.since = now;
        state.done = false;
        self.open.insert(file.to_owned(), path.to_owned());
        match state.failures {
            1 => Retry::First,
            _ => Retry::Further,
        }
    }

    /// Time until a file that is on its way may be ready; `None`: no file is.
    pub fn next_due(&self, now: Instant) -> Option<Duration> {
        let states = self.open.keys().filter_map(|file| self.files.get(file));
        let due = states.map(|state| {
            let calm = now.saturating_duration_since(state.since);
            state.least().saturating_sub(calm)
        });
        due.min()
    }
}

impl State {
    /// It is left alone for this long at least.
    fn least(&self) -> Duration {
        match self.failures {
            0 => WHOLE_AFTER,
            failures => FIRST_RETRY * (1 << (failures - 1).min(16)),
        }
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

    /// Looks at one file.
    fn look(
        files: &mut Settling,
        glimpse: Glimpse,
        now: Instant,
        whole: impl FnOnce() -> Option<bool>,
    ) -> bool {
        files.meet("a", Path::new("a"), glimpse, now);
        files.is_ready("a", now, whole)
    }

    #[test]
    fn a_growing_file_is_left_until_it_is_whole() {
        let mut files = Settling::default();
        let mut clock = Clock(Instant::now());
        let never = || -> Option<bool> { panic!("not asked while it grows") };
        for bytes in [0, 1000, 2000] {
            assert!(!look(&mut files, of_length(bytes), clock.after(1.0), never));
        }
        // A writer that stalls.
        assert!(!look(
            &mut files,
            of_length(2000),
            clock.after(10.0),
            || Some(false)
        ));
        assert!(files.next_due(clock.0).is_some());
        assert!(!look(&mut files, of_length(3000), clock.after(1.0), never));
        assert!(!look(&mut files, of_length(3000), clock.after(0.1), never));
        assert!(look(
            &mut files,
            of_length(3000),
            clock.after(0.3),
            || Some(true)
        ));
        assert_eq!(files.next_due(clock.0), None);
        assert!(!look(&mut files, of_length(3000), clock.after(9.0), never));
        // Written anew.
        assert!(!look(&mut files, of_length(10), clock.after(1.0), never));
        assert!(look(&mut files, of_length(10), clock.after(1.0), || Some(
            true
        )));
    }

    #[test]
    fn what_the_content_does_not_tell_takes_longer() {
        let mut clock = Clock(Instant::now());
        let mut raw = Settling::default();
        let mut ready = |seconds| look(&mut raw, of_length(5), clock.after(seconds), || None);
        assert!(!ready(0.0) && !ready(1.0) && ready(1.1));
        let mut cut = Settling::default();
        let mut ready =
            |seconds| look(&mut cut, of_length(5), clock.after(seconds), || Some(false));
        assert!(!ready(0.0) && !ready(29.0) && ready(1.1));
    }

    #[test]
    fn a_file_that_stays_unreadable_is_tried_ever_less_often_and_given_up() {
        let mut files = Settling::default();
        let mut clock = Clock(Instant::now());
        let mut tries = Vec::new();
        let mut seconds = 0.0;
        while seconds < 300.0 {
            let now = clock.after(0.15);
            if look(&mut files, of_length(7), now, || None) {
                tries.push((seconds, files.failed("a", Path::new("a"), now)));
            }
            seconds += 0.15;
        }
        assert_eq!(tries.len(), MOST_TRIES as usize, "{tries:?}");
        assert_eq!(tries[0].1, Retry::First);
        assert!(
            tries[1..6]
                .iter()
                .all(|(_, retry)| *retry == Retry::Further)
        );
        assert_eq!(tries[6].1, Retry::GivenUp);
        let pauses: Vec<f64> = tries.windows(2).map(|w| w[1].0 - w[0].0).collect();
        assert!(pauses.windows(2).all(|w| w[1] > 1.8 * w[0]), "{pauses:?}");
        assert_eq!(files.next_due(clock.0), None);
        // Until it changes.
        assert!(!look(&mut files, of_length(8), clock.after(0.1), || Some(
            true
        )));
        assert!(look(&mut files, of_length(8), clock.after(0.4), || Some(
            true
        )));
    }

    #[test]
    fn new_frames_go_first_whatever_the_clocks_say() {
        let mut files = Settling::default();
        let now = Instant::now();
        // The times of the files run backwards, and one lies in the future.
        let met = |files: &mut Settling, name: &str, seconds: u64| {
            let changed = SystemTime::UNIX_EPOCH + Duration::from_secs(seconds);
            let glimpse = Glimpse {
                bytes: 5,
                changed: Some(changed),
            };
            files.meet(name, Path::new(name), glimpse, now);
        };
        files.begin_walk();
        for (name, seconds) in [("old-1", 9_000_000_000), ("old-2", 50), ("gone", 40)] {
            met(&mut files, name, seconds);
        }
        files.end_walk();
        let old = files.arrivals();
        files.begin_walk();
        for (name, seconds) in [
            ("old-1", 9_000_000_000),
            ("old-2", 50),
            ("new-1", 30),
            ("new-2", 20),
        ] {
            met(&mut files, name, seconds);
        }
        files.end_walk();
        let names: Vec<String> = files.queue(old).into_iter().map(|(file, _)| file).collect();
        assert_eq!(names, ["new-2", "new-1", "old-1", "old-2"]);
        assert_eq!(files.arrival("gone"), 0);
    }
}
