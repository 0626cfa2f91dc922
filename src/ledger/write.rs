//! Making a revision: one commit, one annotated tag, and the files of both put in place.
//!
//! A draft goes in; the name of the new commit comes out. The order of steps is the whole point,
//! because a kill or a power cut may fall between any two:
//!
//! 1. all objects are signed where git's settings ask for it, written, synced and read back;
//! 2. the journal notes what is about to happen, and the new files are staged beside the old;
//! 3. git's locks on index, HEAD, tag and branch are taken and everything is looked at again;
//! 4. the branch moves: this is the instant at which the revision exists;
//! 5. tag, files and index follow, then the journal goes.
//!
//! Before 4 the next command undoes, after it the next command finishes (see `journal.rs`).

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::PathBuf;

use git2::{ConfigLevel, Index, Oid, Repository, Signature, Tag};

use super::crash::step;
use super::disk;
use super::error::LedgerError;
use super::journal::{Journal, JournalPath};
use super::lock::{GitLock, WriterLock};
use super::objects::{Built, build, signed_by, tag_content, write_commit, write_tag};
use super::sign::Signatures;
use super::store::{Moment, Store, open_repository, tag_ref};
use super::worktree::{self, TEMP_PREFIX, There};

/// An index entry is at most so long besides its path: 62 bytes, 2 of further flags, up to 8 of padding.
///
/// # Source
/// gitformat-index(5), "Index entry".
const INDEX_ENTRY_BYTES: usize = 72;

/// While the index is brought up to date: the copy that is worked on, the one that replaces it, the lock.
const INDEX_COPIES: usize = 3;

/// Room for names, folders and the diary besides; plenty, no source.
const ROOM_BYTES: usize = 64 * 1024;

/// Settings of the handle that writes the objects, among our own files.
const SYNCING_SETTINGS: &str = "syncing.config";

/// A file to be written (`Some`) or deleted (`None`) by a revision.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileWrite {
    /// Relative to the bike folder, `/`-separated.
    pub path: String,
    pub bytes: Option<Vec<u8>>,
}

/// A revision to be made on top of the newest commit; files it does not name stay as they are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Draft {
    /// `r5`
    pub tag: String,
    pub tag_message: String,
    pub message: String,
    pub files: Vec<FileWrite>,
    pub when: Moment,
}

/// Git's locks that are kept while the files change, so that no other git program looks or writes.
pub(super) struct Held {
    index: GitLock,
    head: GitLock,
    tag: Option<GitLock>,
}

impl Held {
    pub(super) fn take(store: &Store, journal: &Journal) -> Result<Held, LedgerError> {
        // In git's own order, so that neither waits for the other's second lock.
        let index = store.git_lock("index")?;
        let head = store.git_lock("HEAD")?;
        let mut tag = store.git_lock(&tag_ref(&journal.tag))?;
        tag.fill(format!("{}\n", journal.tag_oid).as_bytes())?;
        Ok(Held { index, head, tag: Some(tag) })
    }

    /// For a tag that is there already.
    pub(super) fn drop_tag(&mut self) -> Result<(), LedgerError> {
        self.tag.take().map_or(Ok(()), GitLock::release)
    }
}

/// What a revision is built on.
struct Base {
    branch: String,
    old: Option<Oid>,
}

impl Store {
    /// Makes the revision and returns the full hex name of its commit.
    ///
    /// The files named in the draft are replaced in the folder whatever they hold; a caller who
    /// must not overwrite edits asks [`Store::tracked_differences`] first.
    ///
    /// # Errors
    /// Before the branch moves nothing has changed. [`LedgerError::Unfinished`] alone means that
    /// the revision stands and the next [`Store::recover`] completes it.
    pub fn commit(&self, lock: &WriterLock, draft: &Draft) -> Result<String, LedgerError> {
        debug_assert_eq!(lock.own, self.own(), "the lock is of this repository");
        self.recover(lock)?;
        check_draft(draft)?;
        self.preflight()?;
        let base = self.base(lock, &draft.tag)?;
        let journal = match self.write_objects(&base, draft) {
            // A `git gc` may tidy an object's folder away in between; writing again does no harm.
            Err(LedgerError::Git { .. }) => {
                // Of a full disk libgit2 says only sometimes what is wrong.
                let bytes: usize =
                    draft.files.iter().filter_map(|file| file.bytes.as_ref()).map(Vec::len).sum();
                disk::hold_room(&self.own(), bytes + ROOM_BYTES)?;
                self.write_objects(&base, draft)?
            }
            other => other?,
        };

        let Err(error) = self.carry_out(&journal, draft) else {
            lock.head.set(Some(journal.new));
            self.push_tags_along();
            return Ok(journal.new.to_string());
        };
        // What the branch says decides, not which call failed.
        match self.resolve(&journal.branch) {
            Ok(now) if now != Some(journal.new) => {
                // If undoing fails as well, the next command's recovery does it.
                let _ = self.undo(&journal);
                Err(error)
            }
            _ => {
                lock.head.set(Some(journal.new));
                Err(LedgerError::Unfinished { tag: journal.tag, source: Box::new(error) })
            }
        }
    }

    fn base(&self, lock: &WriterLock, tag: &str) -> Result<Base, LedgerError> {
        let branch = self.branch()?;
        let old = self.head_oid()?;
        if old != lock.head.get() {
            return Err(head_moved(&branch, lock.head.get(), old));
        }
        self.refuse_existing_tag(tag)?;
        Ok(Base { branch, old })
    }

    fn refuse_existing_tag(&self, tag: &str) -> Result<(), LedgerError> {
        let Some(reference) = self.find_reference(&tag_ref(tag))? else {
            return Ok(());
        };
        let commit =
            reference.peel_to_commit().map_or_else(|_| "none".to_string(), |commit| commit.id().to_string());
        Err(LedgerError::TagExists { tag: tag.to_string(), commit })
    }

    /// Writes blobs, trees, commit and tag, proves them, and notes what is to be done with them.
    fn write_objects(&self, base: &Base, draft: &Draft) -> Result<Journal, LedgerError> {
        // Signed before anything is written: a key may be refused.
        let signatures = match self.signer()? {
            Some(signer) => self.signatures(base.old, draft, &signer)?,
            None => Signatures::default(),
        };
        let repo = self.syncing_repository()?;
        let failed = |error| self.git_error("write the revision", error);
        let signature = self.signature(draft.when)?;
        let built = build(&repo, base.old, draft, &signature).map_err(failed)?;
        let Built { changes, old, mut made, content } = built;
        let new = write_commit(&repo, &content, signatures.commit.as_deref()).map_err(failed)?;
        step("objects: commit written")?;
        let tag = tag_content(&signature, draft, new);
        let tag_oid = write_tag(&repo, &tag, signatures.tag.as_deref()).map_err(failed)?;
        made.extend([new, tag_oid]);
        self.prove(&made)?;
        step("objects: proven")?;
        disk::remove(&self.own().join(SYNCING_SETTINGS))?;

        let mut journal = Journal::new(&draft.tag, tag_oid, &base.branch, base.old, new);
        for (n, (path, blob)) in changes.into_iter().enumerate() {
            journal.paths.push(JournalPath {
                path: path.to_string(),
                old: old.get(path).copied(),
                found: self.found(path)?,
                new: blob,
                temp: format!("{TEMP_PREFIX}{}-{n}", draft.tag),
            });
        }
        Ok(journal)
    }

    fn found(&self, path: &str) -> Result<Option<Oid>, LedgerError> {
        match worktree::look(&self.root, path)? {
            There::Nothing => Ok(None),
            There::File(oid) => Ok(Some(oid)),
            There::Other(what) => Err(LedgerError::InTheWay { path: worktree::join(&self.root, path), what }),
        }
    }

    /// A second handle on the repository that syncs each object before giving it its name.
    ///
    /// libgit2 does so when `core.fsyncObjectFiles` is set; git itself calls that setting outdated,
    /// so it is set for this handle only and not in the user's repository.
    fn syncing_repository(&self) -> Result<Repository, LedgerError> {
        let settings = self.own().join(SYNCING_SETTINGS);
        fs::write(&settings, "[core]\n\tfsyncObjectFiles = true\n")
            .map_err(|error| LedgerError::io("write", &settings, error))?;
        let repo = open_repository(&self.root)?;
        repo.config()
            .and_then(|mut config| {
                config.add_file(&settings, ConfigLevel::App, true)?;
                // Setting it anew makes libgit2 forget what it read before.
                repo.set_config(&config)
            })
            .map_err(|error| self.git_error("prepare to write", error))?;
        Ok(repo)
    }

    /// Reads every object back through a fresh handle, checks its name against its bytes, and puts
    /// the folders that hold it on the disk.
    fn prove(&self, made: &[Oid]) -> Result<(), LedgerError> {
        let repo = open_repository(&self.root)?;
        let odb = repo.odb().map_err(|error| self.git_error("read the revision back", error))?;
        let damaged =
            |oid: Oid| LedgerError::Damaged { object: format!("object {oid}"), path: self.root.clone() };
        let objects = self.repo.commondir().join("objects");
        let mut folders = BTreeSet::from([objects.clone()]);
        for &oid in made {
            let object = odb.read(oid).map_err(|_| damaged(oid))?;
            let again = Oid::hash_object(object.kind(), object.data());
            if again.ok() != Some(oid) {
                return Err(damaged(oid));
            }
            let loose = loose_path(objects.clone(), oid);
            // An object that existed before (loose or packed) may not have been synced by its maker.
            if loose.is_file() {
                disk::sync_file(&loose)?;
                folders.extend(loose.parent().map(PathBuf::from));
            }
        }
        folders.iter().try_for_each(|folder| disk::sync_dir(folder))
    }

    /// Everything from the journal on.
    fn carry_out(&self, journal: &Journal, draft: &Draft) -> Result<(), LedgerError> {
        journal.save(&self.own())?;
        // Staged before the branch moves: a full disk or a closed folder is found in time.
        let bytes: BTreeMap<&str, &[u8]> = draft
            .files
            .iter()
            .filter_map(|file| Some((file.path.as_str(), file.bytes.as_deref()?)))
            .collect();
        for file in journal.paths.iter().filter(|file| file.new != file.found) {
            if let Some(bytes) = bytes.get(file.path.as_str()) {
                worktree::stage(&self.root, file, bytes)?;
            }
        }
        let held = Held::take(self, journal)?;
        let mut branch = self.git_lock(&journal.branch)?;
        self.verify_branch(journal, journal.old)?;
        self.refuse_existing_tag(&journal.tag)?;
        branch.fill(format!("{}\n", journal.new).as_bytes())?;
        let room = self.hold_room(journal)?;
        step("commit: before the branch moves")?;
        branch.put()?;
        step("commit: branch moved")?;
        drop(room);
        self.append_reflog(journal, draft);
        self.finish(journal, held)
    }

    /// Takes the room on the disk that [`Store::finish`] will need, so that a full disk is found while the
    /// revision can still be undone.
    fn hold_room(&self, journal: &Journal) -> Result<disk::Room, LedgerError> {
        let index = disk::read(&self.guarded_path("index"))?.unwrap_or_default().len();
        let added: usize = journal.paths.iter().map(|file| INDEX_ENTRY_BYTES + file.path.len()).sum();
        disk::hold_room(&self.own(), INDEX_COPIES * (index + added) + ROOM_BYTES)
    }

    /// With the locks held: is HEAD still on the journal's branch, and that branch at `expected`?
    pub(super) fn verify_branch(&self, journal: &Journal, expected: Option<Oid>) -> Result<(), LedgerError> {
        self.check_branch(&journal.branch)?;
        let used = self.branch()?;
        if used != journal.branch {
            return Err(LedgerError::HeadMoved {
                expected: format!("on {}", journal.branch),
                found: format!("on {used}"),
                branch: used,
            });
        }
        let now = self.resolve(&journal.branch)?;
        if now != expected {
            return Err(head_moved(&journal.branch, expected, now));
        }
        Ok(())
    }

    /// Brings tag, files and index up to the commit that the branch holds.
    pub(super) fn finish(&self, journal: &Journal, held: Held) -> Result<(), LedgerError> {
        if let Some(tag) = held.tag {
            tag.put()?;
        }
        step("finish: tag made")?;
        for file in &journal.paths {
            worktree::place(&self.root, file)?;
        }
        let mut index = held.index;
        index.fill(&self.new_index(journal)?)?;
        index.put()?;
        step("finish: index in place")?;
        held.head.release()?;
        Journal::remove(&self.own())
    }

    /// Git's index with this commit's paths brought up to date and all others as they are.
    fn new_index(&self, journal: &Journal) -> Result<Vec<u8>, LedgerError> {
        // libgit2 makes its own lock beside the index it writes, so it writes a copy among our files.
        let work = self.own().join("index.work");
        disk::remove(&work)?;
        let index = self.guarded_path("index");
        if let Some(bytes) = disk::read(&index)? {
            disk::write_unfinished(&work, &index, &bytes)?;
        }
        let failed = |error| self.git_error("bring the index up to date", error);
        let mut index = Index::open(&work).map_err(failed)?;
        for file in &journal.paths {
            match file.new {
                Some(blob) => {
                    let entry = worktree::index_entry(&self.root, &file.path, blob)?;
                    index.add(&entry).map_err(failed)?;
                }
                None => match index.remove(file.path.as_ref(), 0) {
                    Err(error) if error.code() != git2::ErrorCode::NotFound => {
                        return Err(failed(error));
                    }
                    _ => {}
                },
            }
        }
        step("index: before the copy is written")?;
        index.write().map_err(failed)?;
        step("index: copy written")?;
        let bytes = disk::read(&work)?.unwrap_or_default();
        disk::remove(&work)?;
        Ok(bytes)
    }

    /// Git's diary of where branch and HEAD have been; nothing depends on it, so trouble is ignored.
    fn append_reflog(&self, journal: &Journal, draft: &Draft) {
        let Ok(signature) = self.signature(draft.when) else {
            return;
        };
        let line = reflog_line(journal, draft, &signature);
        let wanted =
            self.repo.config().and_then(|config| config.get_bool("core.logAllRefUpdates")).unwrap_or(true);
        for (folder, name) in [(self.repo.commondir(), journal.branch.as_str()), (self.repo.path(), "HEAD")] {
            let path = folder.join("logs").join(name);
            if let (true, Some(parent)) = (wanted, path.parent()) {
                let _ = fs::create_dir_all(parent);
            }
            let _ = OpenOptions::new()
                .append(true)
                .create(wanted)
                .open(&path)
                .and_then(|mut log| log.write_all(line.as_bytes()));
        }
    }
}

pub(super) fn head_moved(branch: &str, expected: Option<Oid>, found: Option<Oid>) -> LedgerError {
    let shown = |oid: Option<Oid>| oid.map_or_else(|| "no commit yet".to_string(), |oid| oid.to_string());
    LedgerError::HeadMoved {
        branch: branch.trim_start_matches("refs/heads/").to_string(),
        expected: shown(expected),
        found: shown(found),
    }
}

fn check_draft(draft: &Draft) -> Result<(), LedgerError> {
    let bad = |what: String| Err(LedgerError::BadDraft { what });
    if !Tag::is_valid_name(&draft.tag) || draft.tag.contains('/') {
        return bad(format!("`{}` is not a tag name", draft.tag));
    }
    if draft.message.trim().is_empty() || draft.message.contains('\0') {
        return bad("its message is empty or holds a NUL".to_string());
    }
    if draft.tag_message.contains('\0') {
        return bad("its tag message holds a NUL".to_string());
    }
    let mut paths = BTreeSet::new();
    for FileWrite { path, .. } in &draft.files {
        if !is_plain_path(path) {
            return bad(format!("`{path}` is not a path inside the bike folder"));
        }
        if !paths.insert(path.as_str()) {
            return bad(format!("`{path}` is named twice"));
        }
    }
    Ok(())
}

fn is_plain_path(path: &str) -> bool {
    let plain = |part: &str| {
        !matches!(part, "" | "." | "..")
            && !part.eq_ignore_ascii_case(".git")
            && !part.starts_with(TEMP_PREFIX)
            && !part.contains(['\\', '\0', ':'])
    };
    path.split('/').all(plain)
}

fn loose_path(objects: PathBuf, oid: Oid) -> PathBuf {
    let hex = oid.to_string();
    let (folder, file) = hex.split_at(2);
    objects.join(folder).join(file)
}

/// `old new Name <address> seconds +hhmm<TAB>commit: summary`
fn reflog_line(journal: &Journal, draft: &Draft, signature: &Signature<'_>) -> String {
    let kind = if journal.old.is_some() { "commit" } else { "commit (initial)" };
    format!(
        "{} {} {}\t{kind}: {}\n",
        journal.old.unwrap_or(Oid::ZERO_SHA1),
        journal.new,
        signed_by(signature, draft.when),
        draft.message.lines().next().unwrap_or_default(),
    )
}
