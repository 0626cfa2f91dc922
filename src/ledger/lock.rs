//! Two kinds of lock: one keeps a second rideloop out, the other is git's own `X.lock` file.
//!
//! [`WriterLock`] is held from before the first look at the tables until the revision stands. The
//! operating system drops it when the process ends, however it ends.
//!
//! `GitLock` guards one file that other git programs also write. Git's rule is: who creates
//! `X.lock` may replace `X`, by renaming the one over the other. A killed program leaves its
//! `X.lock` behind and blocks everyone. So ours is a hard link to a file in `.git/rideloop/`:
//! after a kill, `sweep` can prove by the file's identity that a lock is our own and remove it,
//! and a lock that is not provably ours is never touched.
//!
//! Weakness: where the file system has no hard links (FAT, some network shares), and on Windows,
//! the proof cannot be given; a lock left by a kill is then reported as foreign.

use std::cell::Cell;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use git2::Oid;

use super::crash::step;
use super::disk;
use super::error::LedgerError;

/// Files in `.git/rideloop/` that outlive a command.
pub(super) const LOCK_FILE: &str = "lock";
pub(super) const JOURNAL_FILE: &str = "pending.json";

const NEW_SUFFIX: &str = ".new";

/// How often a lock that another git program holds is tried before giving up. An editor's background
/// `git status` holds one for milliseconds, which must not cost the tuner a finished run.
const LOCK_TRIES: u32 = 10;
const LOCK_PAUSE: Duration = Duration::from_millis(30);

/// Proof that this process alone writes to the bike folder's repository.
///
/// It remembers the newest commit as it was when the lock was taken: a revision is built on what
/// the caller saw after that, so [`Store::commit`](super::Store::commit) refuses if it has moved.
#[derive(Debug)]
pub struct WriterLock {
    // Held open for its lock only.
    file: File,
    pub(super) own: PathBuf,
    pub(super) head: Cell<Option<Oid>>,
}

impl WriterLock {
    /// Takes the lock in `own` (`.git/rideloop/`), or says that another rideloop has it.
    pub(super) fn take(own: &Path) -> Result<WriterLock, LedgerError> {
        disk::make_dirs(own)?;
        let path = own.join(LOCK_FILE);
        let file = open_lock_file(&path)?;
        match file.try_lock() {
            Ok(()) => Ok(WriterLock { file, own: own.to_path_buf(), head: Cell::new(None) }),
            Err(TryLockError::WouldBlock) => Err(LedgerError::Busy { path }),
            Err(TryLockError::Error(error)) => Err(LedgerError::io("lock", &path, error)),
        }
    }
}

impl Drop for WriterLock {
    fn drop(&mut self) {
        // Said outright: closing alone would wait for a child process that was just forked off and
        // still shares the open file.
        let _ = self.file.unlock();
    }
}

/// Opens (and if need be makes) a file to hold an operating-system lock on.
pub(super) fn open_lock_file(path: &Path) -> Result<File, LedgerError> {
    OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(|error| LedgerError::io("open the lock", path, error))
}

/// Git's `X.lock` on one file, taken as git takes it and provably ours.
pub(super) struct GitLock {
    target: PathBuf,
    lock: PathBuf,
    own: PathBuf,
    file: File,
    open: bool,
}

impl GitLock {
    /// Locks `target`, known as `name` (such as `refs/heads/main`) in the folder `own`.
    pub(super) fn take(own: &Path, name: &str, target: PathBuf) -> Result<GitLock, LedgerError> {
        let lock = lock_path(&target);
        let own = own.join(new_file_name(name));
        let file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&own)
            .map_err(|error| LedgerError::io("write", &own, error))?;
        // From here on dropping the value tidies up.
        let mut taken = GitLock { target, lock, own, file, open: true };
        // The proof must be on the disk before the lock it proves.
        disk::sync_parent(&taken.own)?;
        step("lock: own file written")?;
        taken.link()?;
        step("lock: taken")?;
        Ok(taken)
    }

    fn link(&mut self) -> Result<(), LedgerError> {
        let mut tries = 0;
        loop {
            if let Some(parent) = self.target.parent() {
                disk::make_dirs(parent)?;
            }
            let Err(error) = fs::hard_link(&self.own, &self.lock) else {
                return Ok(());
            };
            tries += 1;
            match error.kind() {
                // Held by another program, or git tidied the empty folder away underneath us.
                ErrorKind::AlreadyExists | ErrorKind::NotFound if tries < LOCK_TRIES => {
                    thread::sleep(LOCK_PAUSE);
                }
                ErrorKind::AlreadyExists => {
                    return Err(LedgerError::ForeignLock { path: self.lock.clone() });
                }
                _ => return self.create_unproven(),
            }
        }
    }

    /// The way without hard links: the lock itself is the only file.
    fn create_unproven(&mut self) -> Result<(), LedgerError> {
        let created = OpenOptions::new().write(true).create_new(true).open(&self.lock);
        self.file = created.map_err(|error| match error.kind() {
            ErrorKind::AlreadyExists => LedgerError::ForeignLock { path: self.lock.clone() },
            _ => LedgerError::io("lock", &self.lock, error),
        })?;
        disk::remove(&self.own)
    }

    /// Writes what the target is to hold, without touching the target yet.
    pub(super) fn fill(&mut self, bytes: &[u8]) -> Result<(), LedgerError> {
        self.file
            .write_all(bytes)
            .and_then(|()| self.file.sync_all())
            .map_err(|error| LedgerError::io("write", &self.lock, error))?;
        step("lock: filled")
    }

    /// Puts the filled file in the target's place. The target has either its old or its new bytes.
    pub(super) fn put(mut self) -> Result<(), LedgerError> {
        fs::rename(&self.lock, &self.target)
            .map_err(|error| LedgerError::io("put in place", &self.target, error))?;
        self.open = false;
        step("lock: renamed")?;
        disk::sync_parent(&self.target)?;
        step("lock: rename synced")?;
        disk::remove(&self.own)
    }

    /// Gives the lock back with the target unchanged.
    pub(super) fn release(mut self) -> Result<(), LedgerError> {
        self.open = false;
        give_back(&self.own, &self.lock, &self.file)
    }
}

impl Drop for GitLock {
    fn drop(&mut self) {
        if self.open {
            // An error is on its way up already; what stays behind is swept by the next command.
            let _ = give_back(&self.own, &self.lock, &self.file);
        }
    }
}

fn give_back(own: &Path, lock: &Path, file: &File) -> Result<(), LedgerError> {
    if is_held_file(lock, file) {
        disk::remove(lock)?;
        // The lock's removal must be on the disk before that of its proof.
        disk::sync_parent(lock)?;
        step("lock: removed")?;
    }
    disk::remove(own)
}

/// Removes what a killed rideloop left in `own`, and its git locks where they are provably its own.
///
/// Only for the holder of the [`WriterLock`]: then no living rideloop owns anything in there.
/// `target_of` says which file a lock's name guards.
pub(super) fn sweep(
    _held: &WriterLock,
    own: &Path,
    target_of: &dyn Fn(&str) -> PathBuf,
) -> Result<(), LedgerError> {
    for file in file_names(own)? {
        if file == LOCK_FILE || file == JOURNAL_FILE {
            continue;
        }
        let path = own.join(&file);
        if let Some(name) = guarded_name(&file) {
            let lock = lock_path(&target_of(&name));
            if same_file(&path, &lock) {
                disk::remove(&lock)?;
                disk::sync_parent(&lock)?;
                step("sweep: stale lock removed")?;
            }
        }
        disk::remove(&path)?;
    }
    Ok(())
}

/// The lock on `target`, if it exists, stays, and is not one that a killed or living rideloop made.
pub(super) fn foreign_lock(own: &Path, name: &str, target: &Path) -> Option<PathBuf> {
    let lock = lock_path(target);
    let proof = own.join(new_file_name(name));
    for _ in 0..LOCK_TRIES {
        if fs::symlink_metadata(&lock).is_err() || same_file(&proof, &lock) {
            return None;
        }
        thread::sleep(LOCK_PAUSE);
    }
    Some(lock)
}

fn file_names(dir: &Path) -> Result<Vec<String>, LedgerError> {
    let failed = |error| LedgerError::io("read the folder", dir, error);
    let mut names = Vec::new();
    for entry in fs::read_dir(dir).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        // Folders and unreadable names are not ours.
        if entry.file_type().map_err(failed)?.is_file()
            && let Ok(name) = entry.file_name().into_string()
        {
            names.push(name);
        }
    }
    names.sort();
    Ok(names)
}

fn lock_path(target: &Path) -> PathBuf {
    let mut path = target.as_os_str().to_owned();
    path.push(".lock");
    path.into()
}

/// `refs/heads/main` → `refs%2Fheads%2Fmain.new`: the file name tells which file it guards.
fn new_file_name(name: &str) -> String {
    let flat = name.replace('%', "%25").replace('/', "%2F");
    format!("{flat}{NEW_SUFFIX}")
}

fn guarded_name(file: &str) -> Option<String> {
    let flat = file.strip_suffix(NEW_SUFFIX)?;
    Some(flat.replace("%2F", "/").replace("%25", "%"))
}

#[cfg(unix)]
fn identity(metadata: &fs::Metadata) -> (u64, u64) {
    use std::os::unix::fs::MetadataExt;
    (metadata.dev(), metadata.ino())
}

#[cfg(unix)]
fn same_file(a: &Path, b: &Path) -> bool {
    match (fs::symlink_metadata(a), fs::symlink_metadata(b)) {
        (Ok(a), Ok(b)) => a.is_file() && identity(&a) == identity(&b),
        _ => false,
    }
}

#[cfg(not(unix))]
fn same_file(_a: &Path, _b: &Path) -> bool {
    false
}

/// Whether `lock` is still the file we hold open, and not one made after ours was removed by hand.
#[cfg(unix)]
fn is_held_file(lock: &Path, file: &File) -> bool {
    match (fs::symlink_metadata(lock), file.metadata()) {
        (Ok(there), Ok(ours)) => identity(&there) == identity(&ours),
        _ => false,
    }
}

/// Without file identities: this process created the lock under its name moments ago.
#[cfg(not(unix))]
fn is_held_file(lock: &Path, _file: &File) -> bool {
    lock.exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn own_folder() -> (tempfile::TempDir, PathBuf, PathBuf) {
        let dir = tempfile::tempdir().unwrap();
        let own = dir.path().join("rideloop");
        fs::create_dir(&own).unwrap();
        let target = dir.path().join("refs/heads/feature/x");
        (dir, own, target)
    }

    #[test]
    fn a_lock_name_survives_its_file_name() {
        for name in ["index", "refs/heads/main", "refs/heads/50%2Fx/y"] {
            assert_eq!(guarded_name(&new_file_name(name)).as_deref(), Some(name));
        }
        assert_eq!(guarded_name("pending.json"), None);
    }

    #[test]
    fn the_target_changes_only_when_put() {
        let (_dir, own, target) = own_folder();
        let mut lock = GitLock::take(&own, "refs/heads/feature/x", target.clone()).unwrap();
        lock.fill(b"new\n").unwrap();
        assert!(!target.exists());
        lock.put().unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"new\n");
        assert!(!lock_path(&target).exists());
        assert_eq!(file_names(&own).unwrap(), Vec::<String>::new());
    }

    #[test]
    fn a_foreign_lock_is_refused_and_left_alone() {
        let (_dir, own, target) = own_folder();
        fs::create_dir_all(target.parent().unwrap()).unwrap();
        fs::write(lock_path(&target), "theirs").unwrap();
        let refused = GitLock::take(&own, "x", target.clone()).err().unwrap();
        assert_eq!(refused.guard(), Some("foreign_lock"));
        assert_eq!(fs::read(lock_path(&target)).unwrap(), b"theirs");
        assert_eq!(file_names(&own).unwrap(), Vec::<String>::new());
    }

    #[test]
    fn a_lock_that_goes_away_soon_is_waited_for() {
        let (_dir, own, target) = own_folder();
        fs::create_dir_all(target.parent().unwrap()).unwrap();
        fs::write(lock_path(&target), "theirs").unwrap();
        let theirs = lock_path(&target);
        let other = thread::spawn(move || {
            thread::sleep(LOCK_PAUSE * 2);
            fs::remove_file(theirs).unwrap();
        });
        assert!(GitLock::take(&own, "x", target).is_ok());
        other.join().unwrap();
    }

    #[test]
    fn sweeping_removes_our_stale_lock_and_nobody_elses() {
        let (dir, own, target) = own_folder();
        let held = WriterLock::take(&own).unwrap();
        // Our own, left by a kill.
        std::mem::forget(GitLock::take(&own, "mine", target.clone()).unwrap());
        // One that was ours, removed by hand and taken by another program since.
        let other = dir.path().join("index");
        std::mem::forget(GitLock::take(&own, "index", other.clone()).unwrap());
        fs::remove_file(lock_path(&other)).unwrap();
        fs::write(lock_path(&other), "theirs").unwrap();

        let target_of = |name: &str| {
            if name == "mine" { target.clone() } else { other.clone() }
        };
        sweep(&held, &own, &target_of).unwrap();
        assert!(!lock_path(&target).exists());
        assert_eq!(fs::read(lock_path(&other)).unwrap(), b"theirs");
        assert_eq!(file_names(&own).unwrap(), vec![LOCK_FILE]);
    }

    #[test]
    fn a_dropped_lock_spares_the_one_that_took_its_place() {
        let (_dir, own, target) = own_folder();
        let lock = GitLock::take(&own, "x", target.clone()).unwrap();
        fs::remove_file(lock_path(&target)).unwrap();
        fs::write(lock_path(&target), "theirs").unwrap();
        drop(lock);
        assert_eq!(fs::read(lock_path(&target)).unwrap(), b"theirs");
    }

    #[test]
    fn a_second_writer_is_told_that_the_first_is_busy() {
        let (_dir, own, _target) = own_folder();
        let first = WriterLock::take(&own).unwrap();
        assert_eq!(WriterLock::take(&own).unwrap_err().guard(), Some("busy"));
        drop(first);
        WriterLock::take(&own).unwrap();
    }
}
