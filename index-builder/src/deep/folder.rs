//! The folder of a build's work files, beside the index that is being built.
//!
//! It is what makes a build resumable: inputs that were read completely are not read again.
//! Nothing in it is ever taken for an index; it is removed once the index has its name.

use crate::whole;
use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use xxhash_rust::xxh3::xxh3_64;

/// A work folder, locked against a second build of the same index.
#[derive(Debug)]
pub(super) struct WorkFolder {
    path: PathBuf,
    _lock: File,
}

const SETTINGS: &str = "settings";

impl WorkFolder {
    /// Opens or makes the folder of the index `out`. What a build with other `settings` left
    /// there is removed.
    pub(super) fn open(out: &Path, settings: &str) -> io::Result<WorkFolder> {
        let mut name = out.as_os_str().to_owned();
        name.push(".work");
        let path = PathBuf::from(name);
        fs::create_dir_all(&path)?;
        let lock = File::create(path.join("lock"))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let other = "another build of it is running: wait for it or stop it";
                return Err(io::Error::other(other));
            }
            Err(TryLockError::Error(error)) => return Err(error),
        }
        let folder = WorkFolder { path, _lock: lock };
        let before = fs::read_to_string(folder.file(SETTINGS));
        if before.is_ok_and(|before| before == settings) {
            folder.remove(|name| name.ends_with(".unfinished"))?;
        } else {
            folder.remove(|name| name != "lock")?;
            let unfinished = folder.file("settings.unfinished");
            whole::write_text(&unfinished, &folder.file(SETTINGS), settings)?;
        }
        Ok(folder)
    }

    /// A file in the folder.
    pub(super) fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    fn names(&self) -> io::Result<Vec<String>> {
        let mut names: Vec<String> = fs::read_dir(&self.path)?
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .collect();
        names.sort();
        Ok(names)
    }

    fn remove(&self, wanted: impl Fn(&str) -> bool) -> io::Result<()> {
        for name in self.names()?.iter().filter(|name| wanted(name)) {
            fs::remove_file(self.file(name))?;
        }
        Ok(())
    }

    /// Removes what inputs left that are none of these.
    pub(super) fn keep_inputs(&self, keys: &[String]) -> io::Result<()> {
        self.remove(|name| {
            name.starts_with("input-") && !keys.iter().any(|key| name.starts_with(key.as_str()))
        })
    }

    /// What an input that was read completely left behind: its counts as text. `None` for one
    /// that was not; what it left is removed.
    pub(super) fn done(&self, key: &str) -> io::Result<Option<String>> {
        if let Ok(text) = fs::read_to_string(self.file(&format!("{key}.done"))) {
            return Ok(Some(text));
        }
        self.remove(|name| name.starts_with(key))?;
        Ok(None)
    }

    /// Notes that an input was read completely.
    pub(super) fn finish(&self, key: &str, counts: &str) -> io::Result<()> {
        let unfinished = self.file(&format!("{key}.unfinished"));
        whole::write_text(&unfinished, &self.file(&format!("{key}.done")), counts)
    }

    /// All runs of stars, in an order that depends on the inputs only.
    pub(super) fn runs(&self) -> io::Result<Vec<PathBuf>> {
        let names = self.names()?.into_iter();
        let runs = names.filter(|name| name.ends_with(".run"));
        Ok(runs.map(|name| self.file(&name)).collect())
    }

    /// Removes the folder.
    pub(super) fn discard(self) -> io::Result<()> {
        fs::remove_dir_all(&self.path)
    }
}

/// A short name for an input: the same as long as its place, length and time of change are.
pub(super) fn key_of(path: &Path, how: &str) -> io::Result<String> {
    let metadata = fs::metadata(path)?;
    let whole = fs::canonicalize(path)?;
    let text = format!(
        "{} {} {:?} {how}",
        whole.display(),
        metadata.len(),
        metadata.modified().ok()
    );
    Ok(format!("input-{:016x}", xxh3_64(text.as_bytes())))
}
