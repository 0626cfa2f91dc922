//! A file that takes its name only when all of it is on the disk: a kill or a full disk leaves the old
//! one, or none.
//!
//! The unfinished file lies beside it, locked for as long as its maker lives. So whoever writes into the
//! folder next knows the leftovers of a kill by their missing lock, and removes them.
//!
//! A device or a pipe takes the bytes itself: it has no old state to keep.
//!
//! Weakness: where the file system has no locks, leftovers stay.

use super::error::OperationError;
use std::fs::{self, File, OpenOptions, TryLockError};
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
    unfinished: Unfinished,
    path: PathBuf,
}

#[derive(Debug)]
enum Unfinished {
    /// The file as far as it is, beside the name it shall have.
    Beside(NamedTempFile),
    /// A device or a pipe of that name.
    Device(File),
}

impl WholeFile {
    /// Begins a file in a folder that is there. Nothing shows under its name yet. Where the
    /// name is a link, the file that it leads to is meant.
    ///
    /// # Errors
    /// When the folder cannot be written to.
    pub fn begin(path: &Path) -> Result<Self, OperationError> {
        let failed = |error: io::Error| OperationError::io("write", path, &error);
        let there = fs::metadata(path).ok();
        if there.as_ref().is_some_and(|there| !there.is_file() && !there.is_dir()) {
            let device = OpenOptions::new().write(true).open(path).map_err(failed)?;
            return Ok(Self { unfinished: Unfinished::Device(device), path: path.to_owned() });
        }
        let path = &fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        remove_leftovers(folder);
        let unfinished = locked(folder).map_err(|error| OperationError::io("write", path, &error))?;
        Ok(Self { unfinished: Unfinished::Beside(unfinished), path: path.to_owned() })
    }

    /// The same in a folder that is made where it is missing.
    ///
    /// # Errors
    /// When the folder cannot be made or written to.
    pub fn begin_with_folder(path: &Path) -> Result<Self, OperationError> {
        let folder = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder).map_err(|error| OperationError::io("make", folder, &error))?;
        Self::begin(path)
    }

    /// Fills the file and gives it its name, in the place of what had it.
    ///
    /// # Errors
    /// When it cannot be written; then what was there is as it was.
    pub fn put(self, bytes: &[u8]) -> Result<(), OperationError> {
        let Some((filled, path)) = self.fill(bytes)? else { return Ok(()) };
        filled.persist(&path).map_err(|error| OperationError::io("write", &path, &error.error))?;
        Ok(())
    }

    /// The same where nothing may have the name yet; `None` when something has.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn put_new(self, bytes: &[u8]) -> Result<Option<()>, OperationError> {
        if matches!(self.unfinished, Unfinished::Device(_)) {
            return Ok(None);
        }
        let Some((filled, path)) = self.fill(bytes)? else { return Ok(None) };
        match filled.persist_noclobber(&path) {
            Ok(_) => Ok(Some(())),
            Err(error) if error.error.kind() == ErrorKind::AlreadyExists => Ok(None),
            Err(error) => Err(OperationError::io("write", &path, &error.error)),
        }
    }

    /// Writes all bytes; what still waits for its name is handed back.
    fn fill(self, bytes: &[u8]) -> Result<Option<(NamedTempFile, PathBuf)>, OperationError> {
        let failed = |error: io::Error| OperationError::io("write", &self.path, &error);
        match self.unfinished {
            Unfinished::Device(mut device) => {
                device.write_all(bytes).map_err(failed)?;
                Ok(None)
            }
            Unfinished::Beside(mut file) => {
                // Synced: a power cut must not leave the name without the bytes.
                file.write_all(bytes).and_then(|()| file.as_file().sync_all()).map_err(failed)?;
                Ok(Some((file, self.path)))
            }
        }
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
        let path = dir.path().join("page.html");
        WholeFile::begin(&path).expect("begun").put(b"old").expect("put");
        let begun = WholeFile::begin(&path).expect("begun");
        assert_eq!(fs::read(&path).expect("read"), b"old");
        assert_eq!(WholeFile::begin(&path).expect("begun").put_new(b"other").expect("tried"), None);
        begun.put(b"new").expect("put");
        assert_eq!(fs::read(&path).expect("read"), b"new");
        assert_eq!(names(dir.path()), ["page.html"]);
        let missing = dir.path().join("no/page.html");
        let error = WholeFile::begin(&missing).expect_err("a folder was made").to_string();
        assert!(error.contains("no/page.html`: No such file") && !error.contains(PREFIX), "{error}");
    }

    #[cfg(unix)]
    #[test]
    fn a_pipe_takes_the_bytes_and_stays_what_it_is() {
        use std::os::unix::fs::FileTypeExt as _;
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("pipe");
        std::process::Command::new("mkfifo").arg(&path).status().expect("made");
        let reader = std::thread::spawn({
            let path = path.clone();
            move || fs::read(path).expect("read")
        });
        WholeFile::begin(&path).expect("begun").put(b"page").expect("put");
        assert_eq!(reader.join().expect("joined"), b"page");
        assert!(fs::metadata(&path).expect("there").file_type().is_fifo());
        assert_eq!(names(dir.path()), ["pipe"]);
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
