//! A revision made again from what it says of itself.
//!
//! A revision and the history before it go in; out comes whether the same rides, settings and tables
//! still give the same bytes. The sums are those of `run`: only the view of the bike is another, that
//! of the moment before the revision was made.

use super::error::OperationError;
use super::mixture::{is_from_plan, made_again};
use super::open::{AtHand, CommitFiles, OpenBike};
use super::recall::Recall;
use super::ride_record::RideRecord;
use super::rides::UsableRide;
use super::run::{Progress, RunRequest};
use super::run_report::empty_report;
use super::run_revision::files_of_run;
use super::run_statements::statements;
use super::run_sums::{fill_cells, propose_from, ridden_tables};
use crate::bike::{
    BIKE_FILE, Bike, BikeFolder, FileSource, HandChange, HandDeed, MAPS_FOLDER, PIPELINES_FOLDER,
    REGISTER_FILE, SlotTables, TableRole, apply_changes, is_stock_path, locks_path, locks_text,
};
use crate::cache::FileHashes;
use crate::evidence::{RIDES_END, RideStatement, RideStatements};
use crate::ledger::{Revision, RevisionKind, Store};
use crate::pipeline::{Plan, RideContext, shipped};
use crate::problem::Problem;
use crate::ride::{FoundRide, LOGGED_SLOT, Loggers, Register, hash};
use crate::table;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;

/// The ride files below `rides/`, by their hash.
pub(super) type RidesByHash = BTreeMap<String, FoundRide>;

/// What came of making a revision again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Replay {
    /// Every file came out byte for byte.
    Same,
    /// These files came out otherwise.
    Differs(Vec<ReplayedFile>),
    /// It could not be made again, for this reason.
    Cannot(String),
    /// Rides are missing, named here; nothing else was tried.
    RidesMissing(Vec<String>),
    /// There is nothing to make again.
    Nothing,
}

/// A file that came out otherwise than the revision holds it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ReplayedFile {
    /// Its path in the bike folder.
    pub path: String,
    /// As the revision holds it; empty when it does not.
    pub committed: String,
    /// As it came out now.
    pub replayed: String,
}

/// Settings of one commit, tables of the one before: what a run saw.
struct Before<'a> {
    settings: CommitFiles<'a>,
    tables: CommitFiles<'a>,
}

impl FileSource for Before<'_> {
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
        let is_table = path.starts_with(MAPS_FOLDER) && path.ends_with(".csv") && !is_stock_path(path);
        if is_table { self.tables.bytes(path) } else { self.settings.bytes(path) }
    }

    fn list(&self, folder: &str) -> Result<Vec<String>, Problem> {
        self.settings.list(folder)
    }
}

/// How many rides replaying a revision reads.
pub(super) fn rides_to_read(revision: &Revision) -> usize {
    if revision.record.kind == RevisionKind::Run { revision.record.rides.len() } else { 0 }
}

/// Makes the run behind a revision again and compares.
///
/// `earlier` are the revisions before it, newest first.
pub(super) fn replay_run(
    root: &Path,
    store: &Store,
    revision: &Revision,
    earlier: &[Revision],
    rides: &RidesByHash,
    progress: &dyn Progress,
) -> Replay {
    let missing: Vec<String> = revision
        .record
        .rides
        .iter()
        .filter(|r| !rides.contains_key(&r.sha256))
        .map(|r| r.file.clone())
        .collect();
    if !missing.is_empty() {
        return Replay::RidesMissing(missing);
    }
    match run_again(root, store, revision, earlier, rides, progress) {
        Ok(files) => compared(store, revision, files),
        Err(why) => Replay::Cannot(why),
    }
}

/// Makes the changes of an `edit` again, on the tables of the revision before it.
///
/// Tables that came from outside cannot be made again: their hash stands in the commit.
pub(super) fn replay_by_hand(store: &Store, revision: &Revision, earlier: &[Revision]) -> Replay {
    let is_from_plan = is_from_plan(revision);
    if revision.record.edits.is_empty() && !is_from_plan {
        return Replay::Nothing;
    }
    let Some(before) = earlier.first() else {
        return Replay::Cannot("there is no revision before it to start from".to_owned());
    };
    let again = match is_from_plan {
        true => guarding_plan(store, revision)
            .and_then(|plan| made_again(store, revision, before, &plan.blending)),
        false => edit_again(store, revision, before),
    };
    match again {
        Ok(files) => compared(store, revision, files),
        Err(why) => Replay::Cannot(why),
    }
}

/// The pipeline whose limits guarded a change by hand.
fn guarding_plan(store: &Store, revision: &Revision) -> Result<Plan, String> {
    match revision.record.pipeline {
        Some(_) => plan_of(revision, &CommitFiles { store, commit: &revision.commit }),
        None => Plan::shipped_default().map_err(|problems| problems.to_string()),
    }
}

/// The tables and locks that the edits give today.
fn edit_again(
    store: &Store,
    revision: &Revision,
    before: &Revision,
) -> Result<Vec<(String, String)>, String> {
    let settings = CommitFiles { store, commit: &revision.commit };
    let text = settings.text(BIKE_FILE).map_err(|problem| problem.to_string())?.unwrap_or_default();
    let bike = Bike::parse(Path::new(BIKE_FILE), &text).map_err(|problems| problems.to_string())?;
    let kind = bike.controller.fuel_table;
    let mut changes = Vec::new();
    for line in &revision.record.edits {
        changes.push(line.parse::<HandChange>().map_err(|error| error.to_string())?);
    }
    let mut files = Vec::new();
    for slot in &revision.record.slots {
        let of_slot = || changes.iter().filter(|change| change.slot == *slot);
        let mut roles: Vec<TableRole> = of_slot()
            .filter_map(|change| match change.deed {
                HandDeed::Cells(role, _) => Some(role),
                HandDeed::Lock(_) | HandDeed::Unlock => None,
            })
            .collect();
        roles.dedup();
        if !roles.is_empty() {
            let then = CommitFiles { store, commit: &before.commit };
            let tables = SlotTables::read(slot, &bike, &then).map_err(|problems| problems.to_string())?;
            let after = apply_changes(slot, &tables, kind, &changes).map_err(|error| error.to_string())?;
            for role in roles {
                files.extend(after.table(role).map(|table| (role.path(slot), table::write(table))));
            }
        }
        let of_locks: Vec<HandChange> =
            of_slot().filter(|change| !matches!(change.deed, HandDeed::Cells(..))).cloned().collect();
        if !of_locks.is_empty() {
            files.extend(locks_again(slot, &bike, &settings, &of_locks)?);
        }
    }
    Ok(files)
}

/// The locks file, where the locks of the commit are not what its lines say.
///
/// Locks are settings and may have been changed in an editor before: what was locked
/// must be locked now, what was unlocked must not be.
fn locks_again(
    slot: &str,
    bike: &Bike,
    files: &CommitFiles<'_>,
    changes: &[HandChange],
) -> Result<Option<(String, String)>, String> {
    let tables = SlotTables::read(slot, bike, files).map_err(|problems| problems.to_string())?;
    let kind = bike.controller.fuel_table;
    let again = apply_changes(slot, &tables, kind, changes).map_err(|error| error.to_string())?;
    let grid = &tables.fuel.grid;
    let differs = (0..grid.cells())
        .map(|cell| grid.point(cell))
        .any(|(rpm, load)| tables.lock_of(rpm, load).is_some() != again.lock_of(rpm, load).is_some());
    let path = locks_path(slot);
    let text = files.text(&path).map_err(|problem| problem.to_string())?;
    let wanted = || locks_text(text.as_deref(), &tables.locks, &again.locks).unwrap_or_default();
    Ok(differs.then(|| (path, wanted())))
}

fn compared(store: &Store, revision: &Revision, files: Vec<(String, String)>) -> Replay {
    let mut differing = Vec::new();
    for (path, replayed) in files {
        let committed = match store.read_file(&revision.commit, &path) {
            // Before runs wrote statements down there were none.
            Ok(None) if path.ends_with(RIDES_END) => continue,
            Ok(bytes) => String::from_utf8_lossy(&bytes.unwrap_or_default()).into_owned(),
            Err(error) => return Replay::Cannot(error.to_string()),
        };
        let committed = if path.ends_with(RIDES_END) { figures_alone(&path, committed) } else { committed };
        if committed != replayed {
            differing.push(ReplayedFile { path, committed, replayed });
        }
    }
    if differing.is_empty() { Replay::Same } else { Replay::Differs(differing) }
}

/// The statements of the rides that counted without what other rides said of them:
/// those that were passed over are not part of a replay.
fn figures_alone(path: &str, text: String) -> String {
    match RideStatements::parse(Path::new(path), &text) {
        Ok(said) => {
            let bare = |ride: RideStatement| RideStatement { findings: Vec::new(), ..ride };
            let rides = said.rides.into_iter().map(bare).collect();
            RideStatements { rides, ..RideStatements::default() }.to_text()
        }
        // What cannot be read differs in any case.
        Err(_) => text,
    }
}

/// The files the run would write today; the reason, when it cannot be made again.
fn run_again(
    root: &Path,
    store: &Store,
    revision: &Revision,
    earlier: &[Revision],
    rides: &RidesByHash,
    progress: &dyn Progress,
) -> Result<Vec<(String, String)>, String> {
    let said = |error: OperationError| error.to_string();
    let Some(before) = earlier.first() else {
        return Err("there is no revision before it to start from".to_owned());
    };
    let Some(slot) = revision.record.slots.first() else {
        return Err("its commit names no slot".to_owned());
    };
    let settings = CommitFiles { store, commit: &revision.commit };
    let plan = plan_of(revision, &settings)?;
    let register = register_of(&settings).map_err(said)?;
    let files = Before { settings, tables: CommitFiles { store, commit: &before.commit } };
    let folder = BikeFolder::read_from(root, &files).map_err(|problems| problems.to_string())?;
    let store = Store::open(root).map_err(|error| error.to_string())?;
    let loggers = Loggers::read(&files).map_err(|problems| problems.to_string())?;
    let bike = OpenBike {
        folder,
        store,
        revisions: earlier.to_vec(),
        register,
        loggers,
        at_hand: AtHand::default(),
        files: FileHashes::of(root, None),
    };
    if !bike.folder.slots.contains_key(slot) {
        return Err(format!("its bike.yaml has no slot {slot}"));
    }
    let mut usable = usable_rides(revision, (&bike, slot), rides)?;
    let request = RunRequest {
        // It was decided then.
        unscaled: true,
        pipeline: plan.name.clone(),
        slot: Some(slot.clone()),
        ridden_on: None,
        dry_run: true,
        rides: Vec::new(),
        when: revision.when,
        cache: None,
    };
    let mut report = empty_report(&bike, &plan, slot, &request);
    let ridden = ridden_tables(&bike, slot, &mut usable, &mut report);
    if let Some(ride) = report.passed_over.first() {
        return Err(format!("{}: {}", ride.file, ride.why));
    }
    let today = bike.today(slot);
    let context = RideContext::of_one_slot(&bike.folder.bike, today, slot);
    // Nothing that was kept is believed.
    let recall = Recall::new(&plan, (&bike.files, &bike.loggers), None, &context, (&ridden, &usable));
    let outcomes: Vec<_> = usable
        .par_iter()
        .map(|ride| {
            let recorded = recall.ride(ride);
            let rows = recorded.as_ref().map_or(0, |record| record.outcome.funnel.samples());
            progress.ride_done(&format!("{}: {}", revision.name(), ride.name), rows);
            recorded
        })
        .collect();
    let mut good = Vec::new();
    for (ride, outcome) in usable.into_iter().zip(outcomes) {
        let RideRecord { outcome, details } =
            outcome.map_err(|trouble| format!("{}: {}", ride.name, trouble.why))?;
        good.push((ride, outcome, details.slot_logged));
    }
    let (proposal, _) = propose_from(&bike, &plan, slot, &good, revision.when).map_err(said)?;
    fill_cells(&mut report, &proposal, &good, &bike);
    report.statements = statements(&report, &proposal, &good, &bike);
    Ok(files_of_run(&report, &proposal))
}

fn register_of(files: &CommitFiles<'_>) -> Result<Register, OperationError> {
    match files.text(REGISTER_FILE)? {
        Some(text) => Ok(Register::parse(Path::new(REGISTER_FILE), &text)?),
        None => Ok(Register::default()),
    }
}

/// The rides of a revision as the register of its own commit knows them.
fn usable_rides(
    revision: &Revision,
    (bike, slot): (&OpenBike, &str),
    rides: &RidesByHash,
) -> Result<Vec<UsableRide>, String> {
    let usable = revision.record.rides.iter().map(|ride| {
        let known = bike
            .register
            .by_hash(&ride.sha256)
            .ok_or_else(|| format!("its own rides.yaml does not know the ride {}", ride.file))?;
        Ok(UsableRide {
            path: rides[&ride.sha256].path.clone(),
            name: ride.file.clone(),
            sha256: ride.sha256.clone(),
            revision: known.revision.clone(),
            build: known.build.clone(),
            slot: bike.told_slot((Some(known), &known.revision), slot).unwrap_or(LOGGED_SLOT).to_owned(),
            unlogged_slot: known.unlogged_slot.clone(),
            revision_presumed: false,
            is_new: true,
        })
    });
    usable.collect()
}

/// The pipeline of a run, checked.
fn plan_of(revision: &Revision, files: &CommitFiles<'_>) -> Result<Plan, String> {
    let Some(wanted) = &revision.record.pipeline else {
        return Err("its commit names no pipeline".to_owned());
    };
    let Some(text) = pipeline_text(revision, files).map_err(|problem| problem.to_string())? else {
        let start = wanted.sha256.get(..12).unwrap_or(&wanted.sha256);
        return Err(format!(
            "the text of its pipeline `{}` (sha256 {start}…) is nowhere to be found",
            wanted.name
        ));
    };
    Plan::parse(&wanted.name, Path::new(&pipeline_path(&wanted.name)), &text)
        .map_err(|problems| format!("this version does not take its pipeline: {problems}"))
}

fn pipeline_path(name: &str) -> String {
    format!("{PIPELINES_FOLDER}/{name}.yaml")
}

/// The text of a run's pipeline: the one in its commit, the shipped one, or that in its
/// message, whichever has the hash that the commit names.
///
/// # Errors
/// When the commit's file cannot be read.
pub(super) fn pipeline_text(revision: &Revision, files: &CommitFiles<'_>) -> Result<Option<String>, Problem> {
    let Some(wanted) = &revision.record.pipeline else { return Ok(None) };
    let mut texts: Vec<String> = files.text(&pipeline_path(&wanted.name))?.into_iter().collect();
    texts.extend(shipped(&wanted.name).map(str::to_owned));
    let told = text_in_message(&revision.body, &wanted.name);
    texts.extend([format!("{told}\n"), told]);
    Ok(texts.into_iter().find(|text| hash(text.as_bytes()) == wanted.sha256))
}

/// The settings that a run's message holds, each line indented by four.
fn text_in_message(body: &str, pipeline: &str) -> String {
    let begins = format!("Pipeline {pipeline}:");
    let lines = body.lines().skip_while(|line| *line != begins).skip(1).skip_while(|line| line.is_empty());
    let lines: Vec<&str> = lines.map(|line| line.strip_prefix("    ").unwrap_or(line)).collect();
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pipeline_s_text_comes_back_out_of_the_message() {
        let body = "fuel\n\nSamples kept: 1 of 2\n\nPipeline mine:\n\n    about: x\n    stages:\n      - align: {}\n\n    # end";
        assert_eq!(text_in_message(body, "mine"), "about: x\nstages:\n  - align: {}\n\n# end");
        assert_eq!(text_in_message(body, "other"), "");
    }
}
