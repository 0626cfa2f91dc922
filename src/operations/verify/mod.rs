//! `verify`: whether history, tables, evidence, register, rides and tags still fit together.
//!
//! A bike folder goes in; what does not fit comes out, with the place and what to do. Nothing is
//! written, and nothing that is broken stops the look at the rest.

mod differences;
mod folder;
mod history;
mod objects;
mod register;
mod replayed;

pub use differences::Difference;

use super::error::OperationError;
use super::point::find_number;
use super::replay::RidesByHash;
use super::run::Progress;
use crate::bike::{BIKE_FILE, BikeFolder, MAPS_FOLDER, read_regular};
use crate::ledger::{CommitInfo, LedgerError, Revision, Store, TagInfo, WriterLock, revision_of};
use crate::revision::revision_number;
use crate::ride::{FoundRide, find_any_in_folder, hash};
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;
use std::time::Duration;

/// What kind of thing does not fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TroubleKind {
    /// An object of the repository is not what its name promises, or is gone.
    BrokenObject,
    /// The history cannot be read.
    HistoryUnreadable,
    /// The history is cut off, so that the first revisions are missing.
    Shallow,
    /// There are revisions that what is checked out does not hold.
    BehindHistory,
    /// A commit with two parents.
    NotLinear,
    /// A revision's number is left out.
    NumberMissing,
    /// A revision's number stands twice.
    NumberRepeated,
    /// A revision has no tag.
    TagMissing,
    /// A tag names another commit than its revision.
    TagElsewhere,
    /// A tag has no maker, time and message of its own.
    TagLightweight,
    /// A tag names a revision that the history lacks.
    TagWithoutRevision,
    /// A revision or the register speaks of a revision that the history lacks.
    UnknownRevision,
    /// A commit that is no revision changed tables, evidence or register.
    HandmadeCommit,
    /// A revision changes what its kind does not change.
    StrayChange,
    /// A revision's table is not what it says it is.
    TableDiffers,
    /// The same rides, settings and tables now give other bytes.
    ReplayDiffers,
    /// A run cannot be made again.
    CannotBeReplayed,
    /// Evidence and table of one revision contradict each other.
    EvidenceDiffers,
    /// A ride is gone.
    RideMissing,
    /// A ride's file has other bytes than it had.
    RideChanged,
    /// Register and revisions contradict each other.
    RegisterDiffers,
    /// A file in the folder is not as in the newest commit.
    FileDiffers,
    /// A revision was cut off while it was written.
    Interrupted,
}

/// One thing that does not fit.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Trouble {
    /// What kind of thing.
    pub kind: TroubleKind,
    /// The revision it is about.
    pub revision: Option<String>,
    /// The file it is about.
    pub path: Option<String>,
    /// What was found.
    pub what: String,
    /// The cells or lines that differ, where two texts were compared.
    pub differences: Vec<Difference>,
    /// What to do.
    pub to_do: String,
}

impl Trouble {
    fn new(kind: TroubleKind, what: impl Into<String>, to_do: impl Into<String>) -> Self {
        let (what, to_do) = (what.into(), to_do.into());
        Self { kind, revision: None, path: None, what, differences: Vec::new(), to_do }
    }

    fn of(self, revision: impl Into<String>) -> Self {
        Self { revision: Some(revision.into()), ..self }
    }

    fn at(self, path: impl Into<String>) -> Self {
        Self { path: Some(path.into()), ..self }
    }

    fn with(self, differences: Vec<Difference>) -> Self {
        Self { differences, ..self }
    }
}

/// What came of making a revision again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReplayOutcome {
    /// The same bytes.
    Same,
    /// Other bytes.
    Differs,
    /// Other bytes, but another version of the tool made it.
    DiffersFromOtherVersion,
    /// It cannot be made again.
    CannotBeReplayed,
    /// There is nothing to make again.
    NothingToReplay,
    /// It was not asked for.
    NotAsked,
}

/// One revision, looked at.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct VerifiedRevision {
    /// r1, r2 …
    pub revision: String,
    /// What made it.
    pub kind: &'static str,
    /// Its commit, full hex.
    pub commit: String,
    /// The tool and version that made it.
    pub tool: String,
    /// What came of making it again.
    pub replay: ReplayOutcome,
    /// More about that, where there is more.
    pub why: Option<String>,
    /// Whether its commit carries a signature; `git verify-commit` says whether it is good.
    pub commit_signed: bool,
    /// Whether its tag carries a signature; `git verify-tag` says whether it is good.
    pub tag_signed: bool,
}

/// What `verify` found.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct VerifyReport {
    /// The revisions, newest first.
    pub revisions: Vec<VerifiedRevision>,
    /// Objects that were read and named anew.
    pub objects: usize,
    /// Rides that the register knows.
    pub rides: usize,
    /// What does not fit.
    pub troubles: Vec<Trouble>,
    /// What is no trouble but worth knowing.
    pub notes: Vec<String>,
}

impl VerifyReport {
    /// Whether everything fits.
    pub fn is_well(&self) -> bool {
        self.troubles.is_empty()
    }
}

/// Everything the parts look at.
struct Scene<'a> {
    root: &'a Path,
    store: &'a Store,
    /// All commits, newest first.
    log: Vec<CommitInfo>,
    /// The revisions among them, newest first, each number once.
    revisions: Vec<Revision>,
    /// Commits that claim a number which another holds.
    repeated: Vec<Revision>,
    tags: Vec<TagInfo>,
    /// The ride files that lie below `rides/`, with their hashes.
    rides: Vec<(String, FoundRide)>,
}

impl Scene<'_> {
    fn newest(&self) -> Option<&Revision> {
        self.revisions.first()
    }

    /// Whether the history holds a revision, or held it before a shallow clone was cut off.
    fn holds(&self, name: &str) -> bool {
        let oldest = self.revisions.last().map_or(0, |r| r.record.number);
        revision_number(name).is_some_and(|n| {
            (self.store.is_shallow() && n < oldest) || self.revisions.iter().any(|r| r.record.number == n)
        })
    }

    /// The commit that is checked out.
    fn head(&self) -> Option<&str> {
        self.log.first().map(|commit| commit.id.as_str())
    }

    fn rides_by_hash(&self) -> RidesByHash {
        self.rides.iter().cloned().collect()
    }
}

/// Looks at everything; replays the named revisions, or all.
///
/// # Errors
/// When the folder is no bike folder, or a named revision does not exist.
pub fn verify(
    root: &Path,
    names: &[String],
    progress: &dyn Progress,
) -> Result<VerifyReport, OperationError> {
    if !BikeFolder::is_one(root) {
        return Err(OperationError::failed(
            format!(
                "`{}` is not a bike folder: it has neither {BIKE_FILE} nor {MAPS_FOLDER}/",
                root.display()
            ),
            "go to the bike's folder, or name it with --bike DIR",
        ));
    }
    let mut report =
        VerifyReport { revisions: Vec::new(), objects: 0, rides: 0, troubles: Vec::new(), notes: Vec::new() };
    let Some(store) = Store::open(root)? else {
        report.notes.push("this folder has no revisions yet, so there is nothing to verify".to_owned());
        return Ok(report);
    };
    let still = held_still(&store)?;
    report.troubles.extend(interrupted(&store));
    let log = match store.log() {
        Ok(log) => log,
        Err(error) => {
            objects::look(&store, &[], &mut report)?;
            report.troubles.push(Trouble::new(
                TroubleKind::HistoryUnreadable,
                format!("{error}; so nothing else could be looked at"),
                "mend what is broken first, or go on with a copy that is whole (a clone, a bundle, a backup)",
            ));
            return Ok(report);
        }
    };
    let tags = store.tag_infos()?;
    let (revisions, repeated) =
        each_number_once(log.iter().cloned().filter_map(revision_of).collect(), &tags);
    objects::look(&store, &revisions, &mut report)?;
    let rides = hashed_rides(root)?;
    let scene = Scene { root, store: &store, log, revisions, repeated, tags, rides };
    let asked = asked(&scene, names)?;
    if scene.revisions.is_empty() {
        report.notes.push("this folder has no revisions yet, so there is nothing to verify".to_owned());
        return Ok(report);
    }
    history::look(&scene, &mut report);
    folder::look(&scene, &mut report);
    register::look(&scene, &mut report);
    // Commits do not change any more, so that others may write meanwhile.
    drop(still);
    replayed::look(&scene, &asked, progress, &mut report);
    Ok(report)
}

/// Keeps other rideloops from writing while the folder is looked at: half of a
/// revision being made would look like damage. `None` where nothing can be written.
fn held_still(store: &Store) -> Result<Option<WriterLock>, OperationError> {
    const TRIES: u32 = 50;
    const PAUSE: Duration = Duration::from_millis(100);
    for _ in 1..TRIES {
        match store.lock() {
            Err(LedgerError::Busy { .. }) => std::thread::sleep(PAUSE),
            held => return Ok(held.ok()),
        }
    }
    match store.lock() {
        Err(busy @ LedgerError::Busy { .. }) => Err(busy.into()),
        held => Ok(held.ok()),
    }
}

/// Of commits that claim one number the tagged one is the revision, or else the oldest.
fn each_number_once(found: Vec<Revision>, tags: &[TagInfo]) -> (Vec<Revision>, Vec<Revision>) {
    let chosen = |number: u32| {
        let claim = || found.iter().filter(|r| r.record.number == number);
        let is_tagged = |r: &&Revision| {
            tags.iter().any(|tag| tag.name == r.name() && tag.commit.as_deref() == Some(&r.commit))
        };
        claim().find(is_tagged).or_else(|| claim().next_back()).map(|r| r.commit.clone())
    };
    found.iter().cloned().partition(|r| chosen(r.record.number).as_deref() == Some(&r.commit))
}

/// The numbers of the revisions to replay.
fn asked(scene: &Scene<'_>, names: &[String]) -> Result<Vec<u32>, OperationError> {
    if names.is_empty() {
        return Ok(scene.revisions.iter().map(|r| r.record.number).collect());
    }
    names.iter().map(|name| Ok(find_number(&scene.revisions, name)?.record.number)).collect()
}

fn interrupted(store: &Store) -> Option<Trouble> {
    match store.pending() {
        Ok(None) => None,
        Ok(Some(tag)) => Some(
            Trouble::new(
                TroubleKind::Interrupted,
                format!("the work on {tag} was interrupted"),
                "the next command that writes, such as `rideloop run`, finishes or undoes it; then verify again",
            )
            .of(tag),
        ),
        Err(error) => Some(Trouble::new(TroubleKind::Interrupted, error.to_string(), "do as it says")),
    }
}

/// Every ride file with its hash; a file that cannot be read is as good as gone.
fn hashed_rides(root: &Path) -> Result<Vec<(String, FoundRide)>, OperationError> {
    let found = find_any_in_folder(root).map_err(|error| OperationError::Failed {
        what: format!("rides cannot be listed: {error}"),
        hint: None,
    })?;
    let hashed = found.into_iter().filter_map(|file| Some((hash(&read_regular(&file.path).ok()?), file)));
    Ok(hashed.collect())
}
