//! The time limit of a frame, as a value that is handed on to everything that may take long.

use std::time::{Duration, Instant};

/// When to give up; by default never.
#[derive(Debug, Clone, Copy, Default)]
pub struct Deadline(Option<Instant>);

impl Deadline {
    /// Never.
    pub const NONE: Deadline = Deadline(None);

    /// `limit` after `begin`; `None`, or longer than clocks count: never.
    pub fn after(begin: Instant, limit: Option<Duration>) -> Deadline {
        Deadline(limit.and_then(|limit| begin.checked_add(limit)))
    }

    /// True once it has passed.
    pub fn passed(self) -> bool {
        self.0.is_some_and(|at| Instant::now() >= at)
    }

    /// What is left, zero once it has passed; `None`: there is no limit.
    pub fn left(self) -> Option<Duration> {
        self.0
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
}
