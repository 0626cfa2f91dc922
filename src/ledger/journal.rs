//! The note that a commit is under way, and finishing or undoing the commit of a killed rideloop.
//!
//! The note (`.git/rideloop/pending.json`) is written before anything visible changes and removed
//! after everything has. Whoever finds one looks at the branch: if it holds the new commit the
//! revision exists and the rest is completed; if not, it never happened and the traces go.

use std::path::Path;

use git2::Oid;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::crash::step;
use super::disk;
use super::error::LedgerError;
use super::lock::{JOURNAL_FILE, WriterLock};
use super::store::{Store, tag_ref};
use super::worktree::{self, There};
use super::write::Held;

/// Raised when an older rideloop could not finish what a newer one began.
const JOURNAL_VERSION: u32 = 1;

/// What [`Store::recover`] found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Recovery {
    /// No commit was cut off.
    Clean,
    /// The revision had been committed; now its tag and files are in place too.
    Finished { tag: String },
    /// The revision had not been committed; its traces are gone.
    Undone { tag: String },
}

/// One commit under way.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Journal {
    pub version: u32,
    pub tag: String,
    #[serde(with = "hex")]
    pub tag_oid: Oid,
    pub branch: String,
    #[serde(with = "hex_or_null")]
    pub old: Option<Oid>,
    #[serde(with = "hex")]
    pub new: Oid,
    pub paths: Vec<JournalPath>,
}

/// One file of a commit under way; a missing blob means a missing file.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct JournalPath {
    pub path: String,
    /// In the commit before.
    #[serde(with = "hex_or_null")]
    pub old: Option<Oid>,
    /// In the folder when the commit began.
    #[serde(with = "hex_or_null")]
    pub found: Option<Oid>,
    /// In the new commit.
    #[serde(with = "hex_or_null")]
    pub new: Option<Oid>,
    /// The name of the unfinished file beside it.
    pub temp: String,
}

impl Journal {
    pub(super) fn new(tag: &str, tag_oid: Oid, branch: &str, old: Option<Oid>, new: Oid) -> Journal {
        Journal {
            version: JOURNAL_VERSION,
            tag: tag.to_string(),
            tag_oid,
            branch: branch.to_string(),
            old,
            new,
            paths: Vec::new(),
        }
    }

    pub(super) fn load(own: &Path) -> Result<Option<Journal>, LedgerError> {
        let path = own.join(JOURNAL_FILE);
        let Some(bytes) = disk::read(&path)? else {
            return Ok(None);
        };
        let unreadable = |why: String| LedgerError::Journal { path: path.clone(), why };
        let journal: Journal =
            serde_json::from_slice(&bytes).map_err(|error| unreadable(error.to_string()))?;
        if journal.version != JOURNAL_VERSION {
            return Err(unreadable(format!(
                "it was written by another version of rideloop, note format {}",
                journal.version
            )));
        }
        Ok(Some(journal))
    }

    pub(super) fn save(&self, own: &Path) -> Result<(), LedgerError> {
        let bytes =
            serde_json::to_vec_pretty(self).expect("a journal of strings and numbers always has a JSON form");
        let unfinished = own.join("pending.json.part");
        disk::write_unfinished(&unfinished, &own.join(JOURNAL_FILE), &bytes)?;
        step("journal: written")?;
        disk::rename(&unfinished, &own.join(JOURNAL_FILE))?;
        step("journal: in place")
    }

    pub(super) fn remove(own: &Path) -> Result<(), LedgerError> {
        let path = own.join(JOURNAL_FILE);
        step("journal: to be removed")?;
        disk::remove(&path)?;
        disk::sync_parent(&path)?;
        step("journal: removed")
    }
}

impl Store {
    /// Finishes or undoes the commit of a killed rideloop. Call it right after [`Store::lock`].
    ///
    /// # Errors
    /// [`LedgerError::ForeignLock`] when another git program is at work; the next call tries again.
    pub fn recover(&self, lock: &WriterLock) -> Result<Recovery, LedgerError> {
        self.sweep(lock)?;
        let Some(journal) = Journal::load(&self.own())? else {
            return Ok(Recovery::Clean);
        };
        let tag = journal.tag.clone();
        let now = self.resolve(&journal.branch)?;
        if now == Some(journal.new) && self.is_on(&journal.branch) {
            self.roll_forward(&journal)?;
            return Ok(Recovery::Finished { tag });
        }
        // The folder belongs to another commit by now, so its files are left as they are.
        let kept = now.is_some_and(|now| now == journal.new || self.is_above(now, journal.new));
        if kept {
            self.tag_only(&journal)?;
        }
        self.undo(&journal)?;
        Ok(if kept { Recovery::Finished { tag } } else { Recovery::Undone { tag } })
    }

    /// Removes the unfinished files and the note; the branch never moved, or moved on.
    pub(super) fn undo(&self, journal: &Journal) -> Result<(), LedgerError> {
        for file in &journal.paths {
            worktree::unstage(&self.root, file)?;
        }
        Journal::remove(&self.own())
    }

    fn roll_forward(&self, journal: &Journal) -> Result<(), LedgerError> {
        let mut held = Held::take(self, journal)?;
        // Looked at again now that nobody else can move it.
        self.verify_branch(journal, Some(journal.new))?;
        if self.find_reference(&tag_ref(&journal.tag))?.is_some() {
            held.drop_tag()?;
        }
        for file in &journal.paths {
            self.stage_again(file)?;
        }
        self.finish(journal, held)
    }

    /// Writes an unfinished file anew from the committed blob, where it is still wanted.
    fn stage_again(&self, file: &JournalPath) -> Result<(), LedgerError> {
        worktree::unstage(&self.root, file)?;
        let there = worktree::look(&self.root, &file.path)?;
        let wanted = worktree::may_replace(there, file) && there != as_there(file.new);
        let Some(new) = file.new.filter(|_| wanted) else {
            return Ok(());
        };
        let blob =
            self.repo.find_blob(new).map_err(|error| self.git_error("read a committed file", error))?;
        worktree::stage(&self.root, file, blob.content())
    }

    fn tag_only(&self, journal: &Journal) -> Result<(), LedgerError> {
        let name = tag_ref(&journal.tag);
        if self.find_reference(&name)?.is_some() {
            return Ok(());
        }
        let mut guard = self.git_lock(&name)?;
        // Looked at again: it may have been made before the lock was ours.
        if self.find_reference(&name)?.is_some() {
            return guard.release();
        }
        guard.fill(format!("{}\n", journal.tag_oid).as_bytes())?;
        guard.put()
    }

    fn is_on(&self, branch: &str) -> bool {
        self.branch().is_ok_and(|used| used == branch)
    }

    /// Whether `new` is in the history of `now`; a commit that is gone is in nobody's.
    fn is_above(&self, now: Oid, new: Oid) -> bool {
        self.repo.graph_descendant_of(now, new).unwrap_or(false)
    }
}

fn as_there(blob: Option<Oid>) -> There {
    blob.map_or(There::Nothing, There::File)
}

mod hex {
    use super::{Deserialize, Deserializer, Oid, Serializer};

    pub fn serialize<S: Serializer>(oid: &Oid, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(oid)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Oid, D::Error> {
        let text = String::deserialize(deserializer)?;
        Oid::from_str(&text).map_err(serde::de::Error::custom)
    }
}

mod hex_or_null {
    use super::{Deserialize, Deserializer, Oid, Serialize, Serializer};

    pub fn serialize<S: Serializer>(oid: &Option<Oid>, serializer: S) -> Result<S::Ok, S::Error> {
        oid.map(|oid| oid.to_string()).serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Oid>, D::Error> {
        Option::<String>::deserialize(deserializer)?
            .map(|text| Oid::from_str(&text).map_err(serde::de::Error::custom))
            .transpose()
    }
}
