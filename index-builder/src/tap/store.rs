//! What was fetched, on disk: a table per piece of the sky, each with its name only once it is
//! complete, and beside it a note of how many rows it has.

use super::TapError;
use super::cells::Cell;
use crate::whole;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

pub(super) struct Store {
    folder: PathBuf,
    _lock: File,
}

/// What is known of a piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum State {
    /// Nothing.
    Open,
    /// It was halved.
    Halved,
    /// So many rows of it are there.
    Done(u64),
}

const SETTINGS: &str = "settings";
const UNFINISHED_SETTINGS: &str = "settings.unfinished";
const LOCK: &str = "lock";

impl Store {
    /// Opens or makes the folder.
    pub(super) fn open(folder: &Path, settings: &str) -> Result<Store, TapError> {
        let failed = |source| TapError::Write {
            path: folder.to_owned(),
            source,
        };
        fs::create_dir_all(folder).map_err(failed)?;
        let before = fs::read_to_string(folder.join(SETTINGS)).ok();
        let is_empty = || -> io::Result<bool> {
            let mut names = fs::read_dir(folder)?.filter_map(|entry| Some(entry.ok()?.file_name()));
            Ok(!names.any(|name| name != LOCK && name != UNFINISHED_SETTINGS))
        };
        let ours = match &before {
            Some(before) => before == settings,
            None => is_empty().map_err(failed)?,
        };
        if !ours {
            return Err(TapError::OtherContent {
                path: folder.to_owned(),
            });
        }
        let lock = File::create(folder.join(LOCK)).map_err(failed)?;
        lock.try_lock().map_err(|error| match error {
            fs::TryLockError::WouldBlock => failed(io::Error::other(
                "another command is fetching into it: wait for it or stop it",
            )),
            fs::TryLockError::Error(error) => failed(error),
        })?;
        if before.is_none() {
            let unfinished = folder.join(UNFINISHED_SETTINGS);
            whole::write_text(&unfinished, &folder.join(SETTINGS), settings).map_err(failed)?;
        }
        Ok(Store {
            folder: folder.to_owned(),
            _lock: lock,
        })
    }

    fn file(&self, cell: &Cell, end: &str) -> PathBuf {
        self.folder.join(format!("{}.{end}", cell.name()))
    }

    /// Where the rows of a piece are to be.
    pub(super) fn table(&self, cell: &Cell) -> PathBuf {
        self.file(cell, "vot.gz")
    }

    /// Where they are as long as they are not complete.
    pub(super) fn unfinished(&self, cell: &Cell) -> PathBuf {
        self.file(cell, "unfinished")
    }

    pub(super) fn state(&self, cell: &Cell) -> State {
        match fs::read_to_string(self.file(cell, "done")) {
            Ok(note) if note == "halved" => State::Halved,
            Ok(note) => match note.parse() {
                Ok(0) => State::Done(0),
                Ok(rows) if self.table(cell).is_file() => State::Done(rows),
                _ => State::Open,
            },
            Err(_) => State::Open,
        }
    }

    pub(super) fn note(&self, cell: &Cell, state: State) -> Result<(), TapError> {
        let path = self.file(cell, "done");
        let note = match state {
            State::Open => return Ok(()),
            State::Halved => "halved".to_owned(),
            State::Done(rows) => rows.to_string(),
        };
        let unfinished = self.unfinished(cell);
        whole::write_text(&unfinished, &path, &note)
            .map_err(|source| TapError::Write { path, source })
    }

    /// Gives complete rows their name.
    pub(super) fn keep(&self, cell: &Cell, rows: u64) -> Result<(), TapError> {
        let path = self.table(cell);
        fs::rename(self.unfinished(cell), &path)
            .map_err(|source| TapError::Write { path, source })?;
        self.note(cell, State::Done(rows))
    }
}
