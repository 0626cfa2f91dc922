//! Writes that survive a power cut, and nothing else.
//!
//! Paths and bytes go in; when a function returns, what it wrote is on the disk, not only in the
//! operating system's memory.

use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use super::error::LedgerError;

/// Puts a folder's list of names on the disk, so that a creation, rename or removal in it lasts.
pub(super) fn sync_dir(dir: &Path) -> Result<(), LedgerError> {
    // Only unix lets a folder be opened and synced; elsewhere the file system is trusted.
    if !cfg!(unix) {
        return Ok(());
    }
    match File::open(dir).and_then(|folder| folder.sync_all()) {
        Ok(()) => Ok(()),
        // Some network file systems cannot sync a folder; there is nothing better to do there.
        Err(error) if matches!(error.kind(), ErrorKind::InvalidInput | ErrorKind::Unsupported) => Ok(()),
        Err(error) => Err(LedgerError::io("sync the folder", dir, error)),
    }
}

/// Syncs the folder that holds `path`.
pub(super) fn sync_parent(path: &Path) -> Result<(), LedgerError> {
    path.parent().map_or(Ok(()), sync_dir)
}

/// Makes a folder and every missing folder above it, each on the disk before the next.
pub(super) fn make_dirs(dir: &Path) -> Result<(), LedgerError> {
    if dir.is_dir() {
        return Ok(());
    }
    if let Some(parent) = dir.parent() {
        make_dirs(parent)?;
    }
    match fs::create_dir(dir) {
        Ok(()) => sync_parent(dir),
        Err(_) if dir.is_dir() => Ok(()),
        Err(error) => Err(LedgerError::io("make the folder", dir, error)),
    }
}

/// Creates a file that must not exist yet and fills it.
pub(super) fn write_new(path: &Path, bytes: &[u8]) -> Result<(), LedgerError> {
    write_unfinished(path, path, bytes)
}

/// The same for a file that gets another name or goes again; errors name what it is for, which is all
/// that a person knows of.
pub(super) fn write_unfinished(path: &Path, meant: &Path, bytes: &[u8]) -> Result<(), LedgerError> {
    OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        })
        .map_err(|error| LedgerError::io("write", meant, error))
}

/// Room on a disk that nobody else can take until this is dropped.
#[derive(Debug)]
pub(super) struct Room(PathBuf);

impl Drop for Room {
    fn drop(&mut self) {
        // In `.git/rideloop/` what stays behind is swept by the next command.
        let _ = remove(&self.0);
    }
}

/// Takes so much room on the disk that holds `folder`.
///
/// # Errors
/// [`LedgerError::NoRoom`] when there is not as much.
pub(super) fn hold_room(folder: &Path, bytes: usize) -> Result<Room, LedgerError> {
    let room = Room(folder.join("room"));
    // No zeros: a file system may keep a row of them in no room at all.
    write_unfinished(&room.0, folder, &vec![b'.'; bytes])?;
    Ok(room)
}

/// Renames within one file system and puts the new name on the disk.
pub(super) fn rename(from: &Path, to: &Path) -> Result<(), LedgerError> {
    fs::rename(from, to).map_err(|error| LedgerError::io("put in place", to, error))?;
    sync_parent(to)
}

/// The bytes of a file, or `None` when there is none.
pub(super) fn read(path: &Path) -> Result<Option<Vec<u8>>, LedgerError> {
    match fs::read(path) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(LedgerError::io("read", path, error)),
    }
}

/// Removes a file; one that is already gone is fine.
pub(super) fn remove(path: &Path) -> Result<(), LedgerError> {
    absent_is_fine(fs::remove_file(path)).map_err(|error| LedgerError::io("remove", path, error))
}

/// Removes a folder and all below it; one that is already gone is fine.
pub(super) fn remove_tree(path: &Path) -> Result<(), LedgerError> {
    absent_is_fine(fs::remove_dir_all(path)).map_err(|error| LedgerError::io("remove", path, error))
}

/// Syncs every file and folder below `dir`, and `dir` itself.
pub(super) fn sync_tree(dir: &Path) -> Result<(), LedgerError> {
    let failed = |error| LedgerError::io("sync", dir, error);
    for entry in fs::read_dir(dir).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        if path.is_dir() {
            sync_tree(&path)?;
        } else {
            sync_file(&path)?;
        }
    }
    sync_dir(dir)
}

/// Puts a file's bytes on the disk.
pub(super) fn sync_file(path: &Path) -> Result<(), LedgerError> {
    // Opened for reading: a git object is write-protected, and unix syncs through any handle.
    let opened = if cfg!(unix) { File::open(path) } else { OpenOptions::new().append(true).open(path) };
    opened.and_then(|file| file.sync_all()).map_err(|error| LedgerError::io("sync", path, error))
}

fn absent_is_fine(done: io::Result<()>) -> io::Result<()> {
    match done {
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
        other => other,
    }
}
