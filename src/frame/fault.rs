//! What goes wrong while a frame is read, before the file's name is put in front of it.

use super::FrameError;
use std::path::Path;

/// A [`FrameError`] without its file name.
#[derive(Debug)]
pub(crate) enum Fault {
    /// See [`FrameError::NotReadable`].
    NotReadable(String),
    /// See [`FrameError::Damaged`].
    Damaged(String),
    /// See [`FrameError::TimeLimit`].
    TimeLimit,
}

impl Fault {
    /// A [`Fault::Damaged`] from anything that reads like text.
    pub(crate) fn damaged(what: impl Into<String>) -> Fault {
        Fault::Damaged(what.into())
    }

    /// Puts the file's name to the fault.
    pub(crate) fn at(self, path: &Path) -> FrameError {
        let path = path.to_owned();
        match self {
            Fault::NotReadable(what) => FrameError::NotReadable { path, what },
            Fault::Damaged(what) => FrameError::Damaged { path, what },
            Fault::TimeLimit => FrameError::TimeLimit { path },
        }
    }
}
