//! The files the user sees: what is there now, and putting a revision's files in place.
//!
//! A file is only replaced while it still holds what it held when the commit began (or what the
//! commit before held); anything else is the user's own edit and stays. New bytes are complete on
//! the disk beside the old file before they take its name.

use std::fs::{self, Metadata};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use git2::{IndexEntry, IndexTime, ObjectType, Oid};

use super::crash::step;
use super::disk;
use super::error::LedgerError;
use super::journal::JournalPath;

/// How the name of every unfinished file of ours begins.
pub(super) const TEMP_PREFIX: &str = ".rideloop-tmp-";

/// How the name of the empty file begins that tries whether the folder can be written.
pub(super) const PROBE_PREFIX: &str = ".rideloop-tmp-probe-";

/// Git's mode for a plain file.
pub(super) const PLAIN_FILE: u32 = 0o100_644;

/// What is at a path in the bike folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum There {
    Nothing,
    /// A plain file, with the name git gives its bytes.
    File(Oid),
    /// Something that is not ours to replace.
    Other(&'static str),
}

impl There {
    fn is(self, blob: Option<Oid>) -> bool {
        match self {
            There::Nothing => blob.is_none(),
            There::File(oid) => blob == Some(oid),
            There::Other(_) => false,
        }
    }
}

/// Looks at a `/`-separated path without following symbolic links.
pub(super) fn look(root: &Path, path: &str) -> Result<There, LedgerError> {
    let mut full = root.to_path_buf();
    let mut parts = path.split('/').peekable();
    while let Some(part) = parts.next() {
        full.push(part);
        let metadata = match fs::symlink_metadata(&full) {
            Ok(metadata) => metadata,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(There::Nothing),
            Err(error) => return Err(LedgerError::io("read", &full, error)),
        };
        let last = parts.peek().is_none();
        if metadata.is_symlink() {
            return Ok(There::Other("a symbolic link"));
        }
        match (last, metadata.is_dir(), metadata.is_file()) {
            (false, true, _) => {}
            (false, false, _) => return Ok(There::Other("below a file that should be a folder")),
            (true, true, _) => return Ok(There::Other("a folder")),
            (true, _, true) => return Ok(read_there(&full)?.map_or(There::Nothing, There::File)),
            (true, _, false) => return Ok(There::Other("not a plain file")),
        }
    }
    Ok(There::Nothing)
}

fn read_there(full: &Path) -> Result<Option<Oid>, LedgerError> {
    disk::read(full)?.map(|bytes| blob_id(&bytes)).transpose()
}

/// The name git gives these bytes.
pub(super) fn blob_id(bytes: &[u8]) -> Result<Oid, LedgerError> {
    Oid::hash_object(ObjectType::Blob, bytes)
        .map_err(|error| LedgerError::git("name a file's bytes", Path::new("."), error))
}

/// The name git gives what is at `path`: a file's bytes, or a symbolic link's destination.
pub(super) fn content_id(root: &Path, path: &str) -> Result<Option<Oid>, LedgerError> {
    if let There::File(oid) = look(root, path)? {
        return Ok(Some(oid));
    }
    match fs::read_link(join(root, path)) {
        Ok(destination) => blob_id(destination.as_os_str().as_encoded_bytes()).map(Some),
        Err(_) => Ok(None),
    }
}

/// All files and links below `root` as `/`-separated paths, without git's and our own.
pub(super) fn files(root: &Path) -> Result<Vec<String>, LedgerError> {
    let mut found = Vec::new();
    collect(root, "", &mut found)?;
    found.sort();
    Ok(found)
}

fn collect(folder: &Path, prefix: &str, found: &mut Vec<String>) -> Result<(), LedgerError> {
    let failed = |error| LedgerError::io("read the folder", folder, error);
    for entry in fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        let Ok(name) = entry.file_name().into_string() else {
            continue;
        };
        if name == ".git" || name.starts_with(".rideloop-") {
            continue;
        }
        let path = format!("{prefix}{name}");
        if entry.file_type().map_err(failed)?.is_dir() {
            collect(&entry.path(), &format!("{path}/"), found)?;
        } else {
            found.push(path);
        }
    }
    Ok(())
}

/// Writes a revision's bytes beside the file they are to replace, unless they are there already.
pub(super) fn stage(root: &Path, file: &JournalPath, bytes: &[u8]) -> Result<(), LedgerError> {
    let target = join(root, &file.path);
    if let Some(parent) = target.parent() {
        disk::make_dirs(parent)?;
    }
    let temp = temp_path(root, file);
    disk::remove(&temp)?;
    step("stage: begin file")?;
    disk::write_unfinished(&temp, &target, bytes)?;
    keep_permissions(&target, &temp)?;
    disk::sync_parent(&temp)?;
    step("stage: file written")
}

/// Whether the file at a journal's path is one that may be replaced.
pub(super) fn may_replace(there: There, file: &JournalPath) -> bool {
    there.is(file.found) || there.is(file.old)
}

/// Gives a staged file its name, or removes a deleted one; leaves the user's own edits alone.
pub(super) fn place(root: &Path, file: &JournalPath) -> Result<(), LedgerError> {
    let there = look(root, &file.path)?;
    let target = join(root, &file.path);
    let temp = temp_path(root, file);
    if there.is(file.new) || !may_replace(there, file) {
        return unstage(root, file);
    }
    if file.new.is_some() {
        disk::rename(&temp, &target)?;
    } else {
        disk::remove(&target)?;
        disk::sync_parent(&target)?;
        remove_empty_folders(root, &target);
    }
    step("place: file in place")
}

/// Removes the unfinished file that belongs to a journal's path.
pub(super) fn unstage(root: &Path, file: &JournalPath) -> Result<(), LedgerError> {
    match disk::remove(&temp_path(root, file)) {
        // A folder that the user has since replaced by a file holds nothing of ours.
        Err(LedgerError::Io { source, .. }) if source.kind() == ErrorKind::NotADirectory => Ok(()),
        other => other,
    }
}

/// The line of git's index for a file: with its stamps when the file holds `blob`, else without,
/// so that git looks at the bytes itself.
pub(super) fn index_entry(root: &Path, path: &str, blob: Oid) -> Result<IndexEntry, LedgerError> {
    let mut entry = IndexEntry {
        ctime: IndexTime::new(0, 0),
        mtime: IndexTime::new(0, 0),
        dev: 0,
        ino: 0,
        mode: PLAIN_FILE,
        uid: 0,
        gid: 0,
        file_size: 0,
        id: blob,
        flags: 0,
        flags_extended: 0,
        path: path.as_bytes().to_vec(),
    };
    if let There::File(_) = look(root, path)? {
        let full = join(root, path);
        let mut bytes = Vec::new();
        // One handle for stamps and bytes: both belong to the same file.
        let metadata = fs::File::open(&full)
            .and_then(|mut file| {
                let metadata = file.metadata()?;
                file.read_to_end(&mut bytes)?;
                Ok(metadata)
            })
            .map_err(|error| LedgerError::io("read", &full, error))?;
        if blob_id(&bytes)? == blob {
            stamp(&mut entry, &metadata);
        }
    }
    Ok(entry)
}

#[cfg(unix)]
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "git's index keeps the low 32 bits of each"
)]
fn stamp(entry: &mut IndexEntry, metadata: &Metadata) {
    use std::os::unix::fs::MetadataExt;
    entry.ctime = IndexTime::new(metadata.ctime() as i32, metadata.ctime_nsec() as u32);
    entry.mtime = IndexTime::new(metadata.mtime() as i32, metadata.mtime_nsec() as u32);
    entry.dev = metadata.dev() as u32;
    entry.ino = metadata.ino() as u32;
    entry.uid = metadata.uid();
    entry.gid = metadata.gid();
    entry.file_size = metadata.size() as u32;
}

/// Elsewhere git fills the stamps in itself at its next look.
#[cfg(not(unix))]
fn stamp(_entry: &mut IndexEntry, _metadata: &Metadata) {}

/// A replaced file stays readable and writable for whom it was, but is never executable.
#[cfg(unix)]
fn keep_permissions(old: &Path, new: &Path) -> Result<(), LedgerError> {
    use std::os::unix::fs::PermissionsExt;
    let Ok(metadata) = fs::symlink_metadata(old) else {
        return Ok(());
    };
    if !metadata.is_file() {
        return Ok(());
    }
    let mode = metadata.permissions().mode() & 0o666;
    fs::set_permissions(new, fs::Permissions::from_mode(mode))
        .map_err(|error| LedgerError::io("set the permissions of", old, error))
}

#[cfg(not(unix))]
fn keep_permissions(_old: &Path, _new: &Path) -> Result<(), LedgerError> {
    Ok(())
}

/// Removes the probes that killed commands left in the bike folder.
pub(super) fn remove_probes(root: &Path) -> Result<(), LedgerError> {
    let failed = |error| LedgerError::io("read the folder", root, error);
    for entry in fs::read_dir(root).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        let name = entry.file_name();
        if name.as_encoded_bytes().starts_with(PROBE_PREFIX.as_bytes()) {
            disk::remove(&entry.path())?;
        }
    }
    Ok(())
}

fn remove_empty_folders(root: &Path, removed: &Path) {
    // Only an empty folder can be removed so, which is just what git does after a deletion.
    for folder in removed.ancestors().skip(1).take_while(|f| *f != root) {
        if fs::remove_dir(folder).is_err() {
            return;
        }
    }
}

pub(super) fn join(root: &Path, path: &str) -> PathBuf {
    let mut full = root.to_path_buf();
    full.extend(path.split('/'));
    full
}

fn temp_path(root: &Path, file: &JournalPath) -> PathBuf {
    join(root, &file.path).with_file_name(&file.temp)
}
