//! Where the search for a frame's position ended.

use std::fmt;

/// What kept a readable frame from being solved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unsolved {
    /// Too few stars for any pattern.
    TooFewStars {
        /// Stars found, fewer than four.
        found: usize,
    },
    /// The time limit came first.
    TimeLimit {
        /// The limit, seconds.
        limit_s: f64,
    },
    /// Nothing fits near the commanded position, and nowhere else was searched.
    NotNear {
        /// Stars found.
        found: usize,
        /// Where the search had to end, degrees from the commanded position.
        within_deg: f64,
    },
    /// Nothing in the whole sky fits well enough.
    Nowhere {
        /// Stars found.
        found: usize,
    },
}

impl fmt::Display for Unsolved {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        match self {
            Unsolved::TooFewStars { found: 0 } => write!(f, "no stars were found in the frame"),
            Unsolved::TooFewStars { found } => {
                let (number, verb) = match found {
                    1 => ("one star".to_owned(), "was"),
                    n => (format!("{n} stars"), "were"),
                };
                write!(
                    f,
                    "only {number} {verb} found: four make a pattern, six a proof"
                )
            }
            Unsolved::TimeLimit { limit_s } => {
                write!(
                    f,
                    "the time limit of {limit_s} s (--time-limit) ended the search"
                )
            }
            Unsolved::NotNear { found, within_deg } => write!(
                f,
                "no place within {within_deg} deg of the commanded position fits the {found} \
                 stars found"
            ),
            Unsolved::Nowhere { found } => write!(
                f,
                "no place in the sky fits the {found} stars found well enough to be sure"
            ),
        }
    }
}

impl Unsolved {
    /// How to lift the limit that ended the search, where one did.
    pub fn limit_step(&self) -> Option<&'static str> {
        match self {
            Unsolved::TimeLimit { .. } => {
                Some("Give more time with --time-limit, or leave it out.")
            }
            Unsolved::NotNear { .. } => Some("Leave out --within: then the whole sky is searched."),
            Unsolved::TooFewStars { .. } | Unsolved::Nowhere { .. } => None,
        }
    }
}
