//! Writes a file so that readers see the old content or the new one, never a piece of either.
//!
//! Also the one place of the reporting code that makes calls of one operating system only.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{PoisonError, RwLock, RwLockReadGuard};

/// Held, shared, by everything that has a temporary file.
static WRITING: RwLock<()> = RwLock::new(());

fn writing() -> RwLockReadGuard<'static, ()> {
    WRITING.read().unwrap_or_else(PoisonError::into_inner)
}

/// Ends the process with this exit status once no file is being written, so that no temporary one
/// is left behind.
pub(crate) fn exit_between_writes(status: i32) -> ! {
    let _nobody_writes = WRITING.write().unwrap_or_else(PoisonError::into_inner);
    std::process::exit(status)
}

/// Replaces (or creates) the file at `path` with what `write` puts into the handle it is given.
///
/// The new content goes to a temporary file in the same folder, is flushed to the disk and then
/// renamed over `path`. If anything fails, `path` is as it was and the temporary file is gone.
/// A symbolic link is followed, so that the link stays and its target is replaced. Permissions
/// of a file that existed are kept; a new file gets the usual ones of the user.
///
/// # Errors
///
/// Whatever creating, writing or renaming said, and whatever `write` returned.
///
/// # Example
///
/// ```
/// use std::io::Write;
/// let folder = tempfile::tempdir()?;
/// let path = folder.path().join("note.txt");
/// nightfix::report::atomic::write_atomically(&path, |file| file.write_all(b"clear sky"))?;
/// assert_eq!(std::fs::read(&path)?, b"clear sky");
/// # Ok::<(), std::io::Error>(())
/// ```
pub fn write_atomically(
    path: &Path,
    write: impl FnOnce(&mut File) -> io::Result<()>,
) -> io::Result<()> {
    let target = link_target(path);
    let folder = folder_of(&target);
    let old = fs::metadata(&target).ok();
    if let Some(old) = &old {
        if old.is_dir() {
            return Err(io::Error::new(
                io::ErrorKind::IsADirectory,
                "this is a folder: name a file in it",
            ));
        }
        // A rename would go through where a plain write is refused.
        if old.permissions().readonly() {
            return Err(io::Error::new(
                io::ErrorKind::PermissionDenied,
                "the file is write-protected",
            ));
        }
    }
    let _writing = writing();
    let mut temporary = temporary_in(folder)?;
    write(temporary.as_file_mut())?;
    if let Some(old) = old {
        temporary.as_file().set_permissions(old.permissions())?;
    }
    temporary.as_file().sync_all()?;
    temporary
        .persist(&target)
        .map_err(|refused| refused.error)?;
    sync_folder(folder);
    Ok(())
}

/// Replaces the file at `target` by what `write` fills, unless `is_expected` says that another
/// file has taken its name; gives the new file, or `None` where nothing was replaced.
///
/// `write` may find that itself and return false. No handle of the old file may be open after it:
/// Windows replaces none that is. Where the system can exchange two names, the
/// file that was replaced is asked about once more, under the name that it has then, and put back
/// where it is not the expected one: between a look and a rename there is always a moment.
///
/// # Errors
///
/// Whatever creating, writing or renaming said, and whatever `write` returned.
pub(super) fn replace_if(
    target: &Path,
    is_expected: impl Fn(&Path) -> bool,
    write: impl FnOnce(&mut File) -> io::Result<bool>,
) -> io::Result<Option<File>> {
    let folder = folder_of(target);
    let _writing = writing();
    let mut temporary = temporary_in(folder)?;
    if !write(temporary.as_file_mut())? {
        return Ok(None);
    }
    temporary.as_file().sync_all()?;
    if !is_expected(target) {
        return Ok(None);
    }
    if exchange(temporary.path(), target) {
        if !is_expected(temporary.path()) {
            // Where even this fails, what was there must not be deleted with the temporary name.
            if !exchange(temporary.path(), target) {
                let (_, kept) = temporary.keep().map_err(|refused| refused.error)?;
                return Err(io::Error::other(format!(
                    "the frame that came meanwhile is now called {}",
                    kept.display()
                )));
            }
            return Ok(None);
        }
        sync_folder(folder);
        // The handle outlives its name, which is the old file's now and goes with it.
        return temporary.as_file().try_clone().map(Some);
    }
    let new = temporary.persist(target).map_err(|refused| refused.error)?;
    sync_folder(folder);
    Ok(Some(new))
}

/// Exchanges two names in one step; false where the system or the drive cannot do that.
#[cfg(any(target_os = "linux", target_vendor = "apple"))]
fn exchange(one: &Path, other: &Path) -> bool {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE).is_ok()
}

/// No such call here.
#[cfg(not(any(target_os = "linux", target_vendor = "apple")))]
fn exchange(_one: &Path, _other: &Path) -> bool {
    false
}

fn folder_of(file: &Path) -> &Path {
    match file.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Where `path` leads if it is a symbolic link, else `path` itself.
pub(super) fn link_target(path: &Path) -> PathBuf {
    match fs::symlink_metadata(path) {
        Ok(meta) if meta.is_symlink() => fs::canonicalize(path).unwrap_or_else(|_| path.to_owned()),
        _ => path.to_owned(),
    }
}

/// A temporary file that other users may read as far as the user's mask lets them: `tempfile`
/// on its own keeps it private, which is wrong for a result that is about to get its real name.
fn temporary_in(folder: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".nightfix-").suffix(".tmp");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

/// Makes the rename itself survive a power cut where the system can do so. The content is safe
/// on disk by then, so a refusal (some network drives) is no failure.
fn sync_folder(folder: &Path) {
    #[cfg(unix)]
    if let Ok(handle) = File::open(folder) {
        let _ = handle.sync_all();
    }
    #[cfg(not(unix))]
    let _ = folder;
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn a_failed_write_leaves_the_old_content_and_no_litter() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("frame (1)[2].fits");
        fs::write(&path, b"old").unwrap();
        let failed = write_atomically(&path, |file| {
            file.write_all(b"half")?;
            Err(io::Error::other("disk full"))
        });
        assert_eq!(failed.unwrap_err().to_string(), "disk full");
        assert_eq!(fs::read(&path).unwrap(), b"old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_folder_or_a_protected_file_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        assert!(write_atomically(folder.path(), |_| Ok(())).is_err());
        let path = folder.path().join("locked");
        fs::write(&path, b"old").unwrap();
        let mut locked = fs::metadata(&path).unwrap().permissions();
        locked.set_readonly(true);
        fs::set_permissions(&path, locked).unwrap();
        let refused = write_atomically(&path, |file| file.write_all(b"new")).unwrap_err();
        assert_eq!(refused.kind(), io::ErrorKind::PermissionDenied);
        assert_eq!(fs::read(&path).unwrap(), b"old");
    }

    #[cfg(unix)]
    #[test]
    fn links_stay_and_permissions_are_kept() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let (target, link) = (folder.path().join("target"), folder.path().join("link"));
        fs::write(&target, b"old").unwrap();
        fs::set_permissions(&target, fs::Permissions::from_mode(0o640)).unwrap();
        std::os::unix::fs::symlink(&target, &link).unwrap();
        write_atomically(&link, |file| file.write_all(b"new")).unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read(&target).unwrap(), b"new");
        let mode = fs::metadata(&target).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o640);
    }
}
