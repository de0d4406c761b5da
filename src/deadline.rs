//! The time limit of a frame, as a value that is handed on to everything that may take long.

use std::cell::Cell;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

thread_local! {
    /// What calls off the work that this thread has in hand.
    static CALLED_OFF: Cell<Option<&'static AtomicBool>> = const { Cell::new(None) };
}

/// Does `work` so that all deadlines that it sets have passed once `stop` is true.
pub(crate) fn until_called_off<T>(stop: &'static AtomicBool, work: impl FnOnce() -> T) -> T {
    struct Restore(Option<&'static AtomicBool>);
    impl Drop for Restore {
        fn drop(&mut self) {
            CALLED_OFF.set(self.0);
        }
    }
    let _restore = Restore(CALLED_OFF.replace(Some(stop)));
    work()
}

/// When to give up; by default never.
#[derive(Debug, Clone, Copy, Default)]
pub struct Deadline {
    at: Option<Instant>,
    called_off: Option<&'static AtomicBool>,
}

impl Deadline {
    /// Never.
    pub const NONE: Deadline = Deadline {
        at: None,
        called_off: None,
    };

    /// `limit` after `begin`; `None`, or longer than clocks count: never, unless the work is called
    /// off.
    pub fn after(begin: Instant, limit: Option<Duration>) -> Deadline {
        Deadline {
            at: limit.and_then(|limit| begin.checked_add(limit)),
            called_off: CALLED_OFF.get(),
        }
    }

    /// True once it has passed.
    pub fn passed(self) -> bool {
        let called_off = |flag: &AtomicBool| flag.load(Ordering::Relaxed);
        self.called_off.is_some_and(called_off) || self.at.is_some_and(|at| Instant::now() >= at)
    }

    /// What is left, zero once it has passed; `None`: there is no limit.
    pub fn left(self) -> Option<Duration> {
        self.at
            .map(|at| at.saturating_duration_since(Instant::now()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_passes_once_and_for_all() {
        let now = Instant::now();
        let ever = Deadline::after(now, Some(Duration::MAX));
        assert!(!ever.passed() && ever.left().is_none());
        assert!(!Deadline::NONE.passed());
        let at_once = Deadline::after(now, Some(Duration::ZERO));
        assert!(at_once.passed());
        assert_eq!(at_once.left(), Some(Duration::ZERO));
        assert!(!Deadline::after(now, Some(Duration::from_secs(3600))).passed());
    }

    #[test]
    fn work_that_is_called_off_has_no_time_left() {
        static STOP: AtomicBool = AtomicBool::new(false);
        let now = Instant::now();
        let deadline = until_called_off(&STOP, || Deadline::after(now, None));
        let other = Deadline::after(now, None);
        assert!(!deadline.passed() && !other.passed());
        STOP.store(true, Ordering::Relaxed);
        // On every thread that it was handed to.
        assert!(
            std::thread::spawn(move || deadline.passed())
                .join()
                .unwrap()
        );
        assert!(!other.passed());
    }
}
