//! Which files of a folder are frames.

use super::journal::JOURNAL_NAME;
use super::order::by_name;
use crate::frame::text_of_path;
use glob::{MatchOptions, Pattern};
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use walkdir::{DirEntry, WalkDir};

/// Deepest sub-folder that is looked into.
const DEEPEST: usize = 32;

/// Endings of FITS files and of rasters, lower case.
const IMAGES: [&str; 10] = [
    "fits", "fit", "fts", "fz", "tif", "tiff", "png", "jpg", "jpeg", "webp",
];
/// Endings of camera raw files.
const RAWS: [&str; 12] = [
    "cr2", "cr3", "nef", "nrw", "arw", "raf", "orf", "rw2", "pef", "dng", "srw", "3fr",
];
/// Endings of FITS files that may be packed, in front of `.gz` or `.bz2`.
const PACKED: [&str; 3] = ["fits", "fit", "fts"];
/// What the solver writes beside frames that hold no header.
const POINTING: &str = ".pointing.fits";

/// Which frames of a folder are wanted.
#[derive(Debug, Clone)]
pub struct Selection {
    only: Option<Vec<Pattern>>,
    except: Vec<Pattern>,
    subfolders: bool,
}

/// A pattern that makes no sense.
#[derive(Debug, thiserror::Error)]
#[error(
    "the pattern '{pattern}' is not understood ({what}): * stands for any part of a name, ? for one character"
)]
pub struct SelectionError {
    /// The pattern.
    pub pattern: String,
    /// What is wrong with it.
    pub what: String,
}

impl Selection {
    /// Frames whose name matches a pattern of `only` (empty: any frame), and none of `except`.
    ///
    /// A pattern with a `/` is compared with the whole name relative to the folder, one without
    /// with the name of the file and of every sub-folder it lies in. Case does not matter.
    ///
    /// # Errors
    ///
    /// A pattern is not understood.
    pub fn new(
        only: &[String],
        except: &[String],
        subfolders: bool,
    ) -> Result<Selection, SelectionError> {
        Ok(Selection {
            only: (!only.is_empty()).then(|| compiled(only)).transpose()?,
            except: compiled(except)?,
            subfolders,
        })
    }

    fn wants(&self, file: &str) -> bool {
        let lower = file.to_lowercase();
        let named = match &self.only {
            Some(only) => matches_any(only, &lower),
            None => is_image_name(file),
        };
        named && !matches_any(&self.except, &lower)
    }
}

/// `lower` is the name in lower case, as the patterns are.
fn matches_any(patterns: &[Pattern], lower: &str) -> bool {
    let options = MatchOptions {
        require_literal_separator: true,
        ..MatchOptions::default()
    };
    patterns.iter().any(|p| p.matches_with(lower, options))
}

fn compiled(patterns: &[String]) -> Result<Vec<Pattern>, SelectionError> {
    let mut compiled = Vec::new();
    for pattern in patterns {
        let trimmed = pattern.replace(std::path::MAIN_SEPARATOR, "/");
        let trimmed = trimmed.trim_end_matches('/').to_lowercase();
        let anywhere = if trimmed.contains('/') { "" } else { "**/" };
        for within in ["", "/**"] {
            let form = format!("{anywhere}{trimmed}{within}");
            compiled.push(Pattern::new(&form).map_err(|error| SelectionError {
                pattern: pattern.clone(),
                what: error.msg.to_owned(),
            })?);
        }
    }
    Ok(compiled)
}

/// A frame of the folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// To open it.
    pub path: PathBuf,
    /// Name relative to the folder, parts joined by `/`: unique.
    pub file: String,
}

/// The frames of a folder.
#[derive(Debug, Clone, Default)]
pub struct Listing {
    /// In the order of their names, numbers by value.
    pub frames: Vec<Found>,
    /// Pictures beside camera raw files of the same name: previews, left out.
    pub previews: usize,
    /// Folders and files that could not be looked at, one sentence each.
    pub remarks: Vec<String>,
}

/// Lists the frames in `folder`. What a frame is, is judged by the name here (a folder holds
/// notes, logs and tables as well) and by the content when it is opened. Links are followed, and
/// a link to a folder that it lies in is not.
pub fn list(folder: &Path, selection: &Selection) -> Listing {
    let mut listing = Listing::default();
    let depth = if selection.subfolders { DEEPEST } else { 1 };
    let walk = WalkDir::new(folder)
        .follow_links(true)
        .min_depth(1)
        .max_depth(depth)
        .into_iter()
        .filter_entry(|entry| !is_hidden(entry));
    for entry in walk {
        let entry = match entry {
            Ok(entry) => entry,
            Err(error) => {
                // A link back to a folder above: everything behind it is met elsewhere.
                if error.loop_ancestor().is_none() {
                    listing.remarks.push(remark(&error));
                }
                continue;
            }
        };
        if entry.file_type().is_dir() {
            continue;
        }
        let Some(file) = name_in(folder, entry.path()) else {
            continue;
        };
        let shown = file.strip_prefix("file:").unwrap_or(&file);
        if !is_own(shown) && selection.wants(shown) {
            listing.frames.push(Found {
                path: entry.into_path(),
                file,
            });
        }
    }
    leave_out_previews(&mut listing);
    listing.frames.sort_by(|a, b| by_name(&a.file, &b.file));
    listing
}

fn remark(error: &walkdir::Error) -> String {
    let what = error
        .io_error()
        .map_or_else(|| error.to_string(), ToString::to_string);
    match error.path() {
        Some(path) => format!("{}: cannot be looked at ({what})", path.display()),
        None => what,
    }
}

/// Hidden files and folders: caches, and what some systems put beside every file (`._light.fits`).
fn is_hidden(entry: &DirEntry) -> bool {
    entry.depth() > 0 && entry.file_name().as_encoded_bytes().starts_with(b".")
}

/// Files that this program writes.
fn is_own(file: &str) -> bool {
    let lower = file.to_lowercase();
    lower.ends_with(POINTING) || lower.rsplit('/').next() == Some(JOURNAL_NAME)
}

/// Name of `path` relative to `folder`, parts joined by `/`, as [`text_of_path`] gives it.
fn name_in(folder: &Path, path: &Path) -> Option<String> {
    let relative = path.strip_prefix(folder).ok()?;
    let text = text_of_path(relative);
    Some(match std::path::MAIN_SEPARATOR {
        '/' => text,
        separator => text.replace(separator, "/"),
    })
}

/// The parts of a file's name: what stands before the last point, and the ending in lower case.
fn stem_and_ending(file: &str) -> Option<(&str, String)> {
    let (stem, ending) = file.rsplit_once('.')?;
    Some((stem, ending.to_ascii_lowercase()))
}

/// True for names of files that hold pictures.
fn is_image_name(file: &str) -> bool {
    let Some((stem, ending)) = stem_and_ending(file) else {
        return false;
    };
    let ending = ending.as_str();
    let packed = ["gz", "bz2"].contains(&ending)
        && stem_and_ending(stem).is_some_and(|(_, inner)| PACKED.contains(&inner.as_str()));
    packed || IMAGES.contains(&ending) || RAWS.contains(&ending)
}

/// Cameras write a small JPEG beside each raw file: one exposure, not two.
fn leave_out_previews(listing: &mut Listing) {
    let parts = |found: &Found| {
        stem_and_ending(&found.file).map(|(stem, ending)| (stem.to_lowercase(), ending))
    };
    let raw: HashSet<String> = listing
        .frames
        .iter()
        .filter_map(parts)
        .filter(|(_, ending)| RAWS.contains(&ending.as_str()))
        .map(|(stem, _)| stem)
        .collect();
    let before = listing.frames.len();
    listing.frames.retain(|found| {
        parts(found).is_none_or(|(stem, ending)| {
            !(["jpg", "jpeg"].contains(&ending.as_str()) && raw.contains(&stem))
        })
    });
    listing.previews = before - listing.frames.len();
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn folder(names: &[&str]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for name in names {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, b"x").unwrap();
        }
        folder
    }

    fn files(folder: &Path, only: &[&str], except: &[&str], subfolders: bool) -> Vec<String> {
        let text = |list: &[&str]| list.iter().map(ToString::to_string).collect::<Vec<_>>();
        let selection = Selection::new(&text(only), &text(except), subfolders).unwrap();
        let listing = list(folder, &selection);
        assert!(listing.remarks.is_empty(), "{:?}", listing.remarks);
        listing.frames.into_iter().map(|f| f.file).collect()
    }

    #[test]
    fn frames_and_nothing_else() {
        let folder = folder(&[
            "light-10.fits",
            "light-9.FITS",
            "light-9.pointing.fits",
            ".hidden.fits",
            "._light-9.fits",
            "notes.txt",
            "log.gz",
            "packed.fits.gz",
            "IMG_1.CR2",
            "IMG_1.JPG",
            "IMG_2.JPG",
            "flats/f1.fit",
            "nightfix.journal",
        ]);
        assert_eq!(
            files(folder.path(), &[], &[], true),
            [
                "flats/f1.fit",
                "IMG_1.CR2",
                "IMG_2.JPG",
                "light-9.FITS",
                "light-10.fits",
                "packed.fits.gz"
            ]
        );
        assert_eq!(
            files(folder.path(), &["light*"], &[], true),
            ["light-9.FITS", "light-10.fits"]
        );
        let rest = files(
            folder.path(),
            &[],
            &["FLATS", "*.jpg", "light-1?.fits"],
            true,
        );
        assert_eq!(rest, ["IMG_1.CR2", "light-9.FITS", "packed.fits.gz"]);
        assert_eq!(
            files(folder.path(), &["flats/*.fit"], &[], true),
            ["flats/f1.fit"]
        );
        assert_eq!(files(folder.path(), &["f1.fit"], &[], false).len(), 0);
        assert_eq!(
            files(folder.path(), &["img_[12].C*"], &["*/*"], true),
            ["IMG_1.CR2"]
        );
        let refused = Selection::new(&["a[".into()], &[], true).unwrap_err();
        assert!(refused.to_string().contains("a["), "{refused}");
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_and_loops_end() {
        let elsewhere = folder(&["far.fits"]);
        let folder = folder(&["a/near.fits"]);
        std::os::unix::fs::symlink(folder.path(), folder.path().join("a/up")).unwrap();
        std::os::unix::fs::symlink(elsewhere.path(), folder.path().join("other")).unwrap();
        let files = files(folder.path(), &[], &[], true);
        assert_eq!(files, ["a/near.fits", "other/far.fits"]);
    }

    #[cfg(unix)]
    #[test]
    fn names_that_are_not_unicode_can_be_told_apart() {
        use std::os::unix::ffi::OsStrExt;
        let folder = tempfile::tempdir().unwrap();
        for byte in [0xfe, 0xff] {
            let name = [b"f-", &[byte][..], b".fits"].concat();
            let path = folder.path().join(std::ffi::OsStr::from_bytes(&name));
            if fs::write(path, b"x").is_err() {
                eprintln!("skipped: this file system has no such names");
                return;
            }
        }
        let files = files(folder.path(), &["f-*"], &[], true);
        assert_eq!(files, ["file:f-%FE.fits", "file:f-%FF.fits"]);
    }
}
