//! A bike folder with its repository, history and register.

use super::collected::Collected;
use super::error::OperationError;
use crate::bike::{
    BIKE_FILE, Bike, BikeFolder, FileSource, HandChange, MAPS_FOLDER, REGISTER_FILE, SlotTables, TableRole,
    WorkTree, fuel_path, stock_path,
};
use crate::blend::Refusal;
use crate::cache::FileHashes;
use crate::evidence::{self, EvidenceRow, evidence_path};
use crate::ledger::{Revision, RevisionKind, Store, revisions};
use crate::problem::{Problem, Problems};
use crate::revision::{revision_name, revision_number};
use crate::ride::{Loggers, Register, RideState};
use crate::shell;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Everything about a bike that is on disk.
#[derive(Debug)]
pub struct OpenBike {
    /// Settings and tables.
    pub folder: BikeFolder,
    /// The repository, when there is one.
    pub store: Option<Store>,
    /// The revisions, newest first.
    pub revisions: Vec<Revision>,
    /// The rides that are known.
    pub register: Register,
    /// How logs of other makes are read.
    pub loggers: Loggers,
    /// The rides that a run may look at.
    pub(super) at_hand: AtHand,
    /// The hashes of its ride files.
    pub(super) files: FileHashes,
}

/// The rides that a run may look at.
#[derive(Debug, Clone, Default)]
pub(super) enum AtHand {
    /// All logs.
    #[default]
    Logs,
    /// Of the bike's own logs only these are there yet; the others are still being copied.
    Settled(Vec<PathBuf>),
    /// What was worked out of them before, in the place of the logs.
    Collected(Arc<Collected>),
}

/// The files of a commit.
pub struct CommitFiles<'a> {
    /// The repository.
    pub store: &'a Store,
    /// The commit, in hex.
    pub commit: &'a str,
}

impl FileSource for CommitFiles<'_> {
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
        self.store
            .read_file(self.commit, path)
            .map_err(|error| Problem::in_file(path, format!("cannot be read from the history: {error}")))
    }

    fn list(&self, folder: &str) -> Result<Vec<String>, Problem> {
        let inside = format!("{folder}/");
        let mut paths = self.store.list_files(self.commit, &inside).map_err(|error| {
            Problem::in_file(folder, format!("cannot be listed from the history: {error}"))
        })?;
        paths.retain(|path| !path[inside.len()..].contains('/'));
        Ok(paths)
    }
}

impl OpenBike {
    /// Opens a bike folder.
    ///
    /// # Errors
    /// Every problem of its files, or what is wrong with its repository.
    pub fn open(root: &Path) -> Result<Self, OperationError> {
        if !BikeFolder::is_one(root) {
            return Err(OperationError::failed(
                format!(
                    "`{}` is not a bike folder: it has neither {BIKE_FILE} nor {MAPS_FOLDER}/",
                    root.display()
                ),
                "go to the bike's folder, name it with --bike DIR, or start one with `rideloop new DIR`",
            ));
        }
        let store = Store::open(root)?;
        Self::with_store(root, store)
    }

    pub(super) fn with_store(root: &Path, store: Option<Store>) -> Result<Self, OperationError> {
        let mut found = Vec::new();
        let folder = BikeFolder::read(root).map_err(|problems| found.extend(problems.0)).ok();
        let register = read_register(root).map_err(|problems| found.extend(problems.0)).ok();
        let files = WorkTree { root: root.to_path_buf() };
        // A broken logger stops only what needs it.
        let loggers = Loggers::read_whole_ones(&files).map_err(|problems| found.extend(problems.0)).ok();
        match (folder, register, loggers) {
            (Some(folder), Some(register), Some(loggers)) => {
                let revisions = store.as_ref().map(revisions).transpose()?.unwrap_or_default();
                let files = FileHashes::of(root, None);
                let at_hand = AtHand::default();
                Ok(Self { folder, store, revisions, register, loggers, at_hand, files })
            }
            _ => Err(Problems(found).into()),
        }
    }

    /// The newest revision.
    pub fn newest(&self) -> Option<&Revision> {
        self.revisions.first()
    }

    /// The name of the newest revision; r1 in a folder that has none yet, since
    /// its tables become r1 with the first command that writes.
    pub fn newest_name(&self) -> String {
        self.newest().map_or_else(|| revision_name(1), Revision::name)
    }

    /// The number of the next revision; r1 is made before it where there is none.
    pub(super) fn next_number(&self) -> u32 {
        self.newest().map_or(1, |r| r.record.number) + 1
    }

    /// The slot to work on: the one named, or the first of bike.yaml.
    ///
    /// # Errors
    /// When bike.yaml does not have it.
    pub fn slot(&self, named: Option<&str>) -> Result<String, OperationError> {
        let slots = &self.folder.bike.slots;
        match named {
            None => Ok(slots[0].clone()),
            Some(name) if slots.iter().any(|s| s == name) => Ok(name.to_owned()),
            Some(name) => Err(OperationError::failed(
                format!("there is no slot `{name}`"),
                format!("bike.yaml has {}", slots.join(", ")),
            )),
        }
    }

    /// The slot that rides are said to have been made on.
    ///
    /// # Errors
    /// When bike.yaml does not have it, or its slots do not share their breathing.
    pub(super) fn ridden_on(&self, named: Option<&str>) -> Result<Option<String>, OperationError> {
        match named {
            None => Ok(None),
            Some(_) if !self.folder.bike.shares_breathing() => Err(OperationError::failed(
                "--ridden-on is for slots that share their breathing, and each slot of this bike breathes for itself",
                "--slot names the slot that was ridden and is corrected; `breathing: shared` in bike.yaml lets a \
                 ride on one slot correct them all",
            )),
            Some(name) => self.slot(Some(name)).map(Some),
        }
    }

    /// The tables of a slot as they are now.
    pub fn today(&self, slot: &str) -> &SlotTables {
        &self.folder.slots[slot]
    }

    /// The tables of a slot at a commit, read with the bike.yaml of that commit.
    ///
    /// # Errors
    /// When the commit's files cannot be read any more.
    pub fn tables_at(&self, commit: &str, slot: &str) -> Result<SlotTables, OperationError> {
        let (bike, files) = self.bike_at(commit)?;
        Ok(SlotTables::read(slot, &bike, &files)?)
    }

    /// bike.yaml at a commit, with the commit's files.
    pub(super) fn bike_at<'a>(&'a self, commit: &'a str) -> Result<(Bike, CommitFiles<'a>), OperationError> {
        let store = self.store.as_ref().expect("a commit comes from a repository");
        let files = CommitFiles { store, commit };
        let bike = match files.text(BIKE_FILE)? {
            Some(text) => Bike::parse(Path::new(BIKE_FILE), &text)?,
            None => self.folder.bike.clone(),
        };
        Ok((bike, files))
    }

    /// The evidence file of a slot at a commit; empty when there is none.
    ///
    /// # Errors
    /// When it is there and cannot be read.
    pub fn evidence_at(&self, commit: &str, slot: &str) -> Result<Vec<EvidenceRow>, OperationError> {
        let (bike, files) = self.bike_at(commit)?;
        let path = evidence_path(slot);
        match files.text(&path)? {
            Some(text) => Ok(evidence::parse(Path::new(&path), &text, bike.controller.load)?),
            None => Ok(Vec::new()),
        }
    }

    /// Whether a ride is registered as set aside.
    pub(super) fn is_set_aside(&self, sha256: &str) -> bool {
        self.register.by_hash(sha256).is_some_and(|r| r.state == RideState::SetAside)
    }

    /// Whether what a ride was made on was corrected after the newest run of a slot.
    pub(super) fn is_corrected_since(&self, sha256: &str, slot: &str) -> bool {
        let corrected =
            self.register.by_hash(sha256).and_then(|r| revision_number(r.corrected_in.as_deref()?));
        let runs = self.revisions.iter().filter(|r| r.record.kind == RevisionKind::Run);
        let newest = runs.filter(|r| r.record.slots.iter().any(|s| s == slot)).map(|r| r.record.number).max();
        corrected.is_some() && corrected > newest
    }

    /// The first revision of the build on the bike now, oldest of them.
    pub fn build_start(&self) -> Option<&Revision> {
        let build = self.folder.builds.current();
        self.revisions.iter().rev().find(|r| r.record.build == build)
    }

    /// What to say where the first revisions are missing because the clone is shallow.
    pub(super) fn cut_off(&self) -> Option<String> {
        let shallow = self.store.as_ref().is_some_and(Store::is_shallow);
        shallow.then(|| {
            "this is a shallow clone, whose history is cut off: `git fetch --unshallow` brings the revisions \
             before, then run again"
                .to_owned()
        })
    }

    /// Refuses to read rides for a revision, or to make one, while a logger is broken: loggers are
    /// settings that the revision would remember.
    ///
    /// # Errors
    /// Everything wrong with them, with line and column.
    pub(super) fn refuse_broken_loggers(&self) -> Result<(), OperationError> {
        Ok(self.loggers.refuse_broken()?)
    }

    /// Refuses a folder that shows an old state instead of a branch.
    ///
    /// # Errors
    /// `detached_head`.
    pub(super) fn refuse_old_state(&self) -> Result<(), OperationError> {
        Ok(self.store.as_ref().map_or(Ok(()), Store::check_on_branch)?)
    }

    /// Refuses a folder whose register knows revisions that the history lacks,
    /// and a branch that is behind a revision somebody made.
    ///
    /// # Errors
    /// `history_missing`, `behind_history`.
    pub(super) fn refuse_lost_history(&self) -> Result<(), OperationError> {
        // A long history names each revision many times.
        let numbers: BTreeSet<u32> = self.revisions.iter().map(|r| r.record.number).collect();
        let held = |name: &str| revision_number(name).is_some_and(|number| numbers.contains(&number));
        let mut named = self.register.rides().iter().flat_map(|r| r.used_in.iter().chain([&r.revision]));
        if let Some(lost) = named.find(|name| !held(name)) {
            return Err(OperationError::Refused(Refusal {
                guard: "history_missing",
                saw: format!("rides.yaml names {lost}, which the history of this folder does not hold"),
                look_at: self.cut_off().unwrap_or_else(|| {
                    "whether the folder came without its .git, or its branch was moved back: corrections \
                     would be applied to tables they do not belong to"
                        .to_owned()
                }),
            }));
        }
        let Some(store) = &self.store else { return Ok(()) };
        let newest = self.newest().map_or(0, |r| r.record.number);
        let ahead = store.tags()?.into_iter().filter_map(|(tag, _)| revision_number(&tag)).max();
        match ahead.filter(|n| *n > newest).map(revision_name) {
            None => Ok(()),
            Some(_) if store.is_detached() => self.refuse_old_state(),
            Some(ahead) => Err(OperationError::Refused(Refusal {
                guard: "behind_history",
                saw: format!("there is a revision {ahead}, but this branch ends at {}", self.newest_name()),
                look_at: format!(
                    "`git log --oneline --all`: go forward with `git merge --ff-only {ahead}`, or with `git switch` \
                     to the branch that has it"
                ),
            })),
        }
    }

    /// Where a slot starts from in the build on the bike now: its oldest revision that holds the
    /// slot's tables (a slot may be younger than its build), or the one that rescaled them for the
    /// new hardware before any run.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub(super) fn build_start_of(&self, slot: &str) -> Result<Option<&Revision>, OperationError> {
        let build = self.folder.builds.current();
        let of_build = || self.revisions.iter().rev().filter(|r| r.record.build == build);
        for first in of_build() {
            if !self.holds(&first.commit, &fuel_path(slot))? {
                continue;
            }
            let mut start = first;
            // From where each revision so far starts, for a rollback to it.
            let mut starts = vec![(first.record.number, first)];
            let later = of_build().filter(|r| r.record.number > first.record.number);
            for revision in later.filter(|r| r.record.slots.iter().any(|s| s == slot)) {
                match revision.record.kind {
                    RevisionKind::Run => break,
                    RevisionKind::Rollback => {
                        let restored = revision.record.restores.as_deref().and_then(revision_number);
                        let then = starts.iter().rev().find(|(number, _)| Some(*number) <= restored);
                        start = then.map_or(first, |(_, start)| *start);
                    }
                    _ if is_rescaled_by(revision, slot) => start = revision,
                    _ => {}
                }
                starts.push((revision.record.number, start));
            }
            return Ok(Some(start));
        }
        Ok(None)
    }

    /// Whether no run has changed a slot's tables since the build on the bike now began.
    pub(super) fn is_unridden(&self, slot: &str) -> bool {
        let build = self.folder.builds.current();
        let runs = self.revisions.iter().filter(|r| r.record.kind == RevisionKind::Run);
        !runs.filter(|r| r.record.build == build).any(|r| r.record.slots.iter().any(|s| s == slot))
    }

    /// A slot's tables at the start of the build; today's where the history has none.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub(super) fn start_tables(&self, slot: &str) -> Result<SlotTables, OperationError> {
        Ok(self.start_in_history(slot)?.unwrap_or_else(|| self.today(slot).clone()))
    }

    /// A slot's tables at the start of the build; none where the build has no revision
    /// of it yet, or where they held something of another kind then.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub(super) fn start_in_history(&self, slot: &str) -> Result<Option<SlotTables>, OperationError> {
        let Some(start) = self.build_start_of(slot)? else { return Ok(None) };
        let (then, _) = self.bike_at(&start.commit)?;
        match self.same_meaning(&then) {
            true => self.tables_at(&start.commit, slot).map(Some),
            false => Ok(None),
        }
    }

    /// Whether the tables of an earlier bike.yaml mean the same as today's.
    pub(super) fn same_meaning(&self, then: &Bike) -> bool {
        let now = &self.folder.bike.controller;
        then.controller.load == now.load && then.controller.fuel_table == now.fuel_table
    }

    /// Whether a commit holds a file.
    pub(super) fn holds(&self, commit: &str, path: &str) -> Result<bool, OperationError> {
        let store = self.store.as_ref().expect("a commit comes from a repository");
        Ok(store.read_file(commit, path)?.is_some())
    }

    /// Tables and register that differ from the newest revision.
    ///
    /// # Errors
    /// When they cannot be read.
    pub(super) fn edited_files(&self) -> Result<Vec<String>, OperationError> {
        let (Some(store), Some(newest)) = (&self.store, self.newest()) else { return Ok(Vec::new()) };
        let here = self.folder.work_tree();
        let mut changed = Vec::new();
        let mut paths = store.list_files(&newest.commit, &format!("{MAPS_FOLDER}/"))?;
        for slot in &self.folder.bike.slots {
            paths.extend(TableRole::ALL.map(|role| role.path(slot)));
        }
        // A stock map is a setting.
        let is_setting = |path: &String| self.folder.bike.slots.iter().any(|slot| stock_path(slot) == *path);
        paths.retain(|path| !is_setting(path));
        paths.push(REGISTER_FILE.to_owned());
        paths.sort();
        paths.dedup();
        for path in paths.iter().filter(|p| p.ends_with(".csv") || *p == REGISTER_FILE) {
            let committed = store.read_file(&newest.commit, path)?;
            let now = here.bytes(path)?;
            let empty_register = path == REGISTER_FILE && committed.is_none();
            if committed != now && !empty_register {
                changed.push(path.clone());
            }
        }
        Ok(changed)
    }

    /// Refuses tables or a register that differ from the newest revision.
    ///
    /// # Errors
    /// `uncommitted_edits`, naming the files.
    pub(super) fn refuse_edits(&self) -> Result<(), OperationError> {
        let changed = self.edited_files()?;
        self.refuse_edits_of(&changed)
    }

    /// Refuses these files, which differ from the newest revision.
    ///
    /// # Errors
    /// `uncommitted_edits`, naming the files, when there are any.
    pub(super) fn refuse_edits_of(&self, changed: &[String]) -> Result<(), OperationError> {
        let (Some(store), Some(newest)) = (&self.store, self.newest()) else { return Ok(()) };
        if changed.is_empty() {
            return Ok(());
        }
        let name = newest.name();
        let in_revision = |path: &String| store.read_file(&newest.commit, path).is_ok_and(|f| f.is_some());
        let (known, new): (Vec<String>, Vec<String>) = changed.iter().cloned().partition(in_revision);
        let back = match known.is_empty() {
            false => format!("`git checkout {name} -- {}` puts the revision back", shell::paths(&known)),
            true => format!("move {} away", new.join(" ")),
        };
        let take = match changed.iter().any(|path| path == REGISTER_FILE) {
            true => format!("{REGISTER_FILE} is only written by rideloop"),
            false => "`rideloop import --from-folder --why \"…\"` makes a revision of the tables as they lie"
                .to_owned(),
        };
        Err(OperationError::Refused(Refusal {
            guard: "uncommitted_edits",
            saw: format!(
                "{} differ{} from {name}",
                changed.join(", "),
                if changed.len() == 1 { "s" } else { "" }
            ),
            look_at: format!("`git diff {name} -- {MAPS_FOLDER} {REGISTER_FILE}` shows how; {take}; {back}"),
        }))
    }
}

/// Whether a revision made a slot's fuel table that of another engine.
pub(super) fn is_rescaled_by(revision: &Revision, slot: &str) -> bool {
    let mut changes = revision.record.edits.iter().filter_map(|line| line.parse::<HandChange>().ok());
    changes.any(|change| change.is_rescale_of(slot))
}

fn read_register(root: &Path) -> Result<Register, Problems> {
    let files = WorkTree { root: root.to_path_buf() };
    match files.text(REGISTER_FILE)? {
        Some(text) => Register::parse(Path::new(REGISTER_FILE), &text),
        None => Ok(Register::default()),
    }
}
