//! Which star-indexes are searched: the one in the program, and those that the user has.

use crate::sky::{Sky, SkyError};
use std::env;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// Opens the star-index of the program and adds the deeper ones: those of the option; without
/// any, those of NIGHTFIX_INDEX; without that, those in the data folder.
///
/// # Errors
///
/// One of them cannot be used.
pub fn open(by_option: &[PathBuf]) -> Result<Sky, SkyError> {
    let mut sky = Sky::embedded()?;
    for path in files(by_option) {
        sky.add(&path)?;
    }
    Ok(sky)
}

/// The files of the star-indexes besides the one in the program.
pub fn files(by_option: &[PathBuf]) -> Vec<PathBuf> {
    chosen(
        by_option,
        env::var_os("NIGHTFIX_INDEX"),
        data_folder().as_deref(),
    )
}

fn chosen(
    by_option: &[PathBuf],
    by_environment: Option<OsString>,
    data_folder: Option<&Path>,
) -> Vec<PathBuf> {
    if !by_option.is_empty() {
        return by_option.to_vec();
    }
    match by_environment.filter(|list| !list.is_empty()) {
        Some(list) => env::split_paths(&list)
            .filter(|path| !path.as_os_str().is_empty())
            .collect(),
        None => data_folder.map(star_indexes_in).unwrap_or_default(),
    }
}

/// The `.nfsky` files of a folder by name, so that every run searches them in one order.
fn star_indexes_in(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut found: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|e| e == "nfsky") && path.is_file())
        .collect();
    found.sort();
    found
}

/// The user's data folder for this program, by the custom of the system.
pub fn data_folder() -> Option<PathBuf> {
    let from = |name: &str| {
        env::var_os(name)
            .map(PathBuf::from)
            .filter(|path| path.is_absolute())
    };
    let base = if cfg!(windows) {
        from("LOCALAPPDATA")
    } else if cfg!(target_os = "macos") {
        from("HOME").map(|home| home.join("Library").join("Application Support"))
    } else {
        from("XDG_DATA_HOME").or_else(|| Some(from("HOME")?.join(".local").join("share")))
    };
    Some(base?.join("nightfix"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_counts() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["b.nfsky", "a.nfsky", "notes.txt"] {
            std::fs::write(folder.path().join(name), b"").unwrap();
        }
        let option = [PathBuf::from("o.nfsky")];
        let list = env::join_paths(["e1.nfsky", "e2.nfsky"]).unwrap();
        let data = Some(folder.path());
        assert_eq!(chosen(&option, Some(list.clone()), data), option);
        assert_eq!(
            chosen(&[], Some(list), data),
            ["e1.nfsky", "e2.nfsky"].map(PathBuf::from)
        );
        let in_folder = ["a.nfsky", "b.nfsky"].map(|name| folder.path().join(name));
        assert_eq!(chosen(&[], None, data), in_folder);
        assert_eq!(chosen(&[], Some(OsString::new()), data), in_folder);
        assert!(chosen(&[], None, None).is_empty());
    }
}
