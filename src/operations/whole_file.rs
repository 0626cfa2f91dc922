//! A file that takes its name only when all of it is on the disk: a kill or a full disk leaves the old
//! one, or none.
//!
//! The unfinished file lies beside it, locked for as long as its maker lives. So whoever writes into the
//! folder next knows the leftovers of a kill by their missing lock, and removes them.
//!
//! Weakness: where the file system has no locks, leftovers stay.

use super::error::OperationError;
use std::fs::{self, OpenOptions, TryLockError};
use std::io::{self, ErrorKind, Write as _};
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// Git passes these over in a bike folder, and so does the search for rides.
const PREFIX: &str = ".rideloop-tmp-file-";

/// How often a file is made anew that another command took for a leftover before it was locked.
const TRIES: u32 = 10;

/// A file that is being made.
#[derive(Debug)]
pub struct WholeFile {
    unfinished: NamedTempFile,
    path: PathBuf,
}

impl WholeFile {
    /// The same as [`WholeFile::begin`], in a folder that is made where it is not there.
    ///
    /// # Errors
    /// When the folder cannot be made or written to.
    pub fn begin_in_new_folder(path: &Path) -> Result<Self, OperationError> {
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(|error| OperationError::io("make", folder, &error))?;
        }
        Self::begin(path)
    }

    /// Begins a file in a folder that is there. Nothing shows under its name yet. Where the
    /// name is a link, the file that it leads to is meant.
    ///
    /// # Errors
    /// When the folder cannot be written to.
    pub fn begin(path: &Path) -> Result<Self, OperationError> {
        let path = &fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        remove_leftovers(folder);
        let unfinished = locked(folder).map_err(|error| OperationError::io("write", path, &error))?;
        Ok(Self { unfinished, path: path.to_owned() })
    }

    /// Fills the file and gives it its name, in the place of what had it.
    ///
    /// # Errors
    /// When it cannot be written; then what was there is as it was.
    pub fn put(self, bytes: &[u8]) -> Result<(), OperationError> {
        let (filled, path) = self.fill(bytes)?;
        filled.persist(&path).map_err(|error| OperationError::io("write", &path, &error.error))?;
        Ok(())
    }

    /// The same where nothing may have the name yet; `None` when something has.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn put_new(self, bytes: &[u8]) -> Result<Option<()>, OperationError> {
        let (filled, path) = self.fill(bytes)?;
        match filled.persist_noclobber(&path) {
            Ok(_) => Ok(Some(())),
            Err(error) if error.error.kind() == ErrorKind::AlreadyExists => Ok(None),
            Err(error) => Err(OperationError::io("write", &path, &error.error)),
        }
    }

    fn fill(mut self, bytes: &[u8]) -> Result<(NamedTempFile, PathBuf), OperationError> {
        // Synced: a power cut must not leave the name without the bytes.
        let written = self.unfinished.write_all(bytes).and_then(|()| self.unfinished.as_file().sync_all());
        written.map_err(|error| OperationError::io("write", &self.path, &error))?;
        Ok((self.unfinished, self.path))
    }
}

/// A new unfinished file that nobody takes for a leftover.
fn locked(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX);
    // As any program makes a file: the user's own mask decides who may read it.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    for _ in 1..TRIES {
        let file = builder.tempfile_in(folder)?;
        let lost = matches!(file.as_file().try_lock(), Err(TryLockError::WouldBlock));
        if !lost && file.path().exists() {
            return Ok(file);
        }
    }
    builder.tempfile_in(folder)
}

/// Removes what killed commands left. Nothing depends on it, so trouble is ignored.
fn remove_leftovers(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let is_ours = entry.file_name().as_encoded_bytes().starts_with(PREFIX.as_bytes());
        if is_ours
            && let Ok(file) = OpenOptions::new().write(true).open(entry.path())
            && file.try_lock().is_ok()
        {
            let _ = fs::remove_file(entry.path());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).expect("listed").flatten();
        let mut names: Vec<String> =
            entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    #[test]
    fn the_old_file_stands_until_the_new_one_is_whole() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("pages/page.html");
        WholeFile::begin_in_new_folder(&path).expect("begun").put(b"old").expect("put");
        let begun = WholeFile::begin(&path).expect("begun");
        assert_eq!(fs::read(&path).expect("read"), b"old");
        assert_eq!(WholeFile::begin(&path).expect("begun").put_new(b"other").expect("tried"), None);
        begun.put(b"new").expect("put");
        assert_eq!(fs::read(&path).expect("read"), b"new");
        assert_eq!(names(&dir.path().join("pages")), ["page.html"]);
    }

    #[test]
    fn a_leftover_goes_and_the_file_of_a_living_command_stays() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("page.html");
        let living = WholeFile::begin(&path).expect("begun");
        fs::write(dir.path().join(format!("{PREFIX}killed")), "half").expect("written");
        fs::write(dir.path().join("own.txt"), "the user's").expect("written");
        drop(WholeFile::begin(&path).expect("begun"));
        assert_eq!(names(dir.path()).len(), 2, "{:?}", names(dir.path()));
        living.put(b"whole").expect("put");
        assert_eq!(names(dir.path()), ["own.txt", "page.html"]);
    }
}
