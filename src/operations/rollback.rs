//! `rollback`: a new revision that holds an earlier one's tables.

use super::error::OperationError;

use super::open::OpenBike;
use super::point::find_revision;
use super::rollback_look::look;
use super::write::{commit, open_for_writing, tool_name};
use crate::bike::{FileSource, MAPS_FOLDER, REGISTER_FILE, SlotTables, fuel_path};
use crate::blend::Refusal;
use crate::blend::by_hand::HandGuard;
use crate::evidence::{evidence_path, rides_path};
use crate::ledger::{FileWrite, Moment, Revision, RevisionKind, RevisionRecord};
use crate::revision::revision_name;
use crate::ride::Register;
use crate::table::TableDiff;
use crate::units;
use serde::Serialize;
use std::path::Path;

/// What a rollback is asked to do.
#[derive(Debug, Clone)]
pub struct RollbackRequest {
    /// The revision to go back to.
    pub to: String,
    /// Why.
    pub why: String,
    /// Leave the undone revisions' rides in the evidence.
    pub keep_rides: bool,
    /// Only this slot.
    pub slot: Option<String>,
    /// Go back to another build's tables.
    pub across_builds: bool,
    /// Take a more advanced spark table back at once.
    pub advance_spark: bool,
    /// When the revision is made.
    pub when: Moment,
}

/// What a rollback did.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RollbackReport {
    /// The revision it made; none when the tables were those already.
    pub revision: Option<String>,
    /// Its commit.
    pub commit: Option<String>,
    /// The revision whose tables it holds.
    pub restores: String,
    /// The revision before it, to go back to.
    pub from_revision: String,
    /// The revisions it undid.
    pub undoes: Vec<String>,
    /// Rides it set aside.
    pub set_aside: Vec<String>,
    /// Rides that an earlier rollback had set aside and that count again.
    pub counted_again: Vec<String>,
    /// Fuel cells that changed.
    pub cells_changed: usize,
    /// Mixture cells that changed.
    pub mixture_cells_changed: usize,
    /// Spark cells that changed.
    pub spark_cells_changed: usize,
    /// Cells that are locked and changed all the same.
    pub locked_cells_changed: usize,
    /// What to be careful with.
    pub cautions: Vec<String>,
}

/// Goes back to an earlier revision's tables.
///
/// # Errors
/// When there is no such revision, no reason is given, or a guard refuses.
pub fn rollback(root: &Path, request: &RollbackRequest) -> Result<RollbackReport, OperationError> {
    let why = units::one_line(&request.why);
    let why = why.as_str();
    if why.is_empty() {
        return Err(OperationError::failed("a rollback needs a reason", "say it with --why \"…\""));
    }
    let writable = open_for_writing(root)?;
    let bike = OpenBike::open(root)?;
    let target = find_revision(&bike, &request.to)?.clone();
    let Some(writable) = writable else {
        return Err(OperationError::failed(
            "this folder has no revisions yet",
            "`rideloop run` makes the first",
        ));
    };
    bike.refuse_edits()?;
    refuse_other_build(&bike, &target, request.across_builds)?;
    let slots = match &request.slot {
        Some(slot) => vec![bike.slot(Some(slot))?],
        None => slots_of(&bike, &target)?,
    };
    let files = files_to_restore(&bike, &target, &slots)?;
    for slot in &slots {
        readable_today(&bike, &target, slot)?;
    }
    refuse_beyond_module(&bike, &target, &slots)?;
    let look = look(&bike, &target, &slots)?;
    if !request.advance_spark {
        look.refuse_advance().map_err(OperationError::Refused)?;
    }
    let from_revision = bike.newest_name();
    let undone: Vec<&Revision> = bike
        .revisions
        .iter()
        .filter(|r| r.record.number > target.record.number)
        .filter(|r| r.record.slots.iter().any(|s| slots.contains(s)))
        .collect();
    let mut report = RollbackReport {
        revision: None,
        commit: None,
        restores: target.name(),
        from_revision,
        undoes: undone.iter().rev().map(|r| r.name()).collect(),
        set_aside: Vec::new(),
        counted_again: Vec::new(),
        cells_changed: cells_changed(&bike, &target, &slots),
        mixture_cells_changed: look.mixture_cells,
        spark_cells_changed: look.spark_cells,
        locked_cells_changed: look.locked_cells,
        cautions: look.cautions.clone(),
    };
    let changes_tables = files.iter().any(|f| f.path.starts_with(MAPS_FOLDER));
    if !changes_tables {
        return Ok(report);
    }
    let mut register = bike.register.clone();
    let number = bike.next_number();
    let name = revision_name(number);
    bike.remember_waiting(&mut register)?;
    let undone_rollbacks: Vec<String> =
        undone.iter().filter(|r| r.record.kind == RevisionKind::Rollback).map(|r| r.name()).collect();
    let then = match writable.store.read_file(&target.commit, REGISTER_FILE)? {
        Some(bytes) => Register::parse(Path::new(REGISTER_FILE), &String::from_utf8_lossy(&bytes))?,
        None => Register::default(),
    };
    report.counted_again = register.count_again(&undone_rollbacks, &then);
    if !request.keep_rides {
        let reason = format!("rolled back to {}: {why}", target.name());
        let beside = beside(&bike, &slots);
        report.set_aside = register.set_aside_users_of(&report.undoes, &beside, &reason, &name);
        report.cautions.extend(still_standing(&bike, &slots, &register, &name));
        report.set_aside.extend(register.set_aside_as_in(&then, &name));
    }
    let mut files = files;
    files.push(FileWrite { path: REGISTER_FILE.to_owned(), bytes: Some(register.to_text().into_bytes()) });
    let head = writable.store.head()?;
    files.extend(bike.settings_files(&writable.store, head.as_deref())?);
    let record = RevisionRecord {
        cells_changed: report.cells_changed,
        why: Some(why.to_owned()),
        despite: match look.advances() {
            true => vec![HandGuard::SparkStep.name().to_owned()],
            false => Vec::new(),
        },
        restores: Some(target.name()),
        undoes: report.undoes.clone(),
        ..RevisionRecord::new(
            number,
            RevisionKind::Rollback,
            slots,
            bike.folder.builds.current(),
            tool_name(),
        )
    };
    let summary = format!("{name} rollback to {}: {why}", target.name());
    let body = format!(
        "{}, {}, {} back to {}; undone: {}.\nRides set aside: {}.\nRides that count again: {}.",
        units::counted(report.cells_changed, "fuel cell"),
        units::counted(report.mixture_cells_changed, "mixture cell"),
        units::counted(report.spark_cells_changed, "spark cell"),
        target.name(),
        report.undoes.join(", "),
        named(&report.set_aside),
        named(&report.counted_again),
    );
    report.commit = Some(commit(&writable, &record, &summary, &body, files, request.when)?);
    report.revision = Some(name);
    Ok(report)
}

/// The revisions of other slots that rides fed too, because slots share their breathing: a
/// ride that misled one slot says the same to the others.
fn beside(bike: &OpenBike, slots: &[String]) -> Vec<String> {
    if !bike.folder.bike.shares_breathing() {
        return Vec::new();
    }
    let elsewhere = |r: &&Revision| !r.record.slots.iter().any(|s| slots.contains(s));
    bike.revisions.iter().filter(elsewhere).map(Revision::name).collect()
}

/// The slots that keep tables which rest on rides that were just set aside.
fn still_standing(bike: &OpenBike, slots: &[String], register: &Register, by: &str) -> Option<String> {
    let aside =
        |sha256: &str| register.by_hash(sha256).is_some_and(|ride| ride.set_aside_in.as_deref() == Some(by));
    let others = bike.folder.bike.slots.iter().filter(|slot| !slots.contains(slot));
    let resting = others.filter(|slot| bike.rides_behind(slot).into_iter().any(aside));
    let resting: Vec<&str> = resting.map(String::as_str).collect();
    (!resting.is_empty()).then(|| {
        format!(
            "{} still rests on rides that are set aside now, since slots share their breathing: roll it back too",
            resting.join(", ")
        )
    })
}

/// Refuses tables that the add-on module cannot hold.
fn refuse_beyond_module(bike: &OpenBike, target: &Revision, slots: &[String]) -> Result<(), OperationError> {
    let controller = &bike.folder.bike.controller;
    for slot in slots {
        let trims = bike.tables_at(&target.commit, slot)?.fuel;
        let today = bike.today(slot);
        let beyond: Vec<usize> = (0..trims.grid.cells())
            .filter(|cell| {
                let (rpm, load) = trims.grid.point(*cell);
                controller.is_beyond_module(Some(today.fuel.at(rpm, load)), trims.values[*cell])
            })
            .collect();
        let Some(first) = beyond.first() else { continue };
        let (rpm, load) = trims.grid.point(*first);
        return Err(OperationError::Refused(Refusal {
            guard: HandGuard::ModuleRange.name(),
            saw: format!(
                "{} of {} in slot {slot} beyond what the module can hold, first {} rpm, {} {}: {} %",
                units::counted(beyond.len(), "cell"),
                target.name(),
                units::plain(rpm),
                units::plain(load),
                trims.load_axis.unit(),
                units::plain(trims.values[*first])
            ),
            look_at:
                "`trim_range_pct` in bike.yaml: these tables are of a time when it was wider or not said"
                    .to_owned(),
        }));
    }
    Ok(())
}

/// The slots that the revision holds tables of; one that came later stays as it is.
fn slots_of(bike: &OpenBike, target: &Revision) -> Result<Vec<String>, OperationError> {
    let mut slots = Vec::new();
    for slot in &bike.folder.bike.slots {
        if bike.holds(&target.commit, &fuel_path(slot))? {
            slots.push(slot.clone());
        }
    }
    Ok(slots)
}

/// Names in a row, or `none`.
fn named(files: &[String]) -> String {
    if files.is_empty() { "none".to_owned() } else { files.join(", ") }
}

fn refuse_other_build(bike: &OpenBike, target: &Revision, across: bool) -> Result<(), OperationError> {
    let current = bike.folder.builds.current();
    if target.record.build == current || across {
        return Ok(());
    }
    Err(OperationError::Refused(Refusal {
        guard: "other_build",
        saw: format!(
            "{} belongs to build {}, and the bike is on build {current}",
            target.name(),
            target.record.build
        ),
        look_at: "tables of other hardware may run the engine lean; if the hardware went back too, name the \
                  build in builds.yaml and say --across-builds"
            .to_owned(),
    }))
}

/// Tables that today's bike.yaml cannot read must not come back.
fn readable_today(bike: &OpenBike, target: &Revision, slot: &str) -> Result<(), OperationError> {
    let (_, files) = bike.bike_at(&target.commit)?;
    SlotTables::read(slot, &bike.folder.bike, &files).map(|_| ()).map_err(|problems| {
        OperationError::failed(
            format!("today's bike.yaml cannot read the tables of {}:\n{problems}", target.name()),
            "bring bike.yaml back to what it was then, or choose a later revision",
        )
    })
}

/// Tables and evidence of the slots that differ from the revision.
fn files_to_restore(
    bike: &OpenBike,
    target: &Revision,
    slots: &[String],
) -> Result<Vec<FileWrite>, OperationError> {
    let store = bike.store.as_ref().expect("a revision comes from a repository");
    let here = bike.folder.work_tree();
    let mut paths = Vec::new();
    for slot in slots {
        paths.extend([evidence_path(slot), rides_path(slot)]);
        let tables = [fuel_path(slot), crate::bike::mixture_path(slot), crate::bike::spark_path(slot)];
        paths.extend(tables);
    }
    let mut files = Vec::new();
    for path in paths {
        let then = store.read_file(&target.commit, &path)?;
        if then != here.bytes(&path)? {
            files.push(FileWrite { path, bytes: then });
        }
    }
    Ok(files)
}

fn cells_changed(bike: &OpenBike, target: &Revision, slots: &[String]) -> usize {
    let count = |slot: &String| {
        let then = bike.tables_at(&target.commit, slot).ok()?;
        Some(TableDiff::between(&bike.today(slot).fuel, &then.fuel).cells_changed())
    };
    slots.iter().filter_map(count).sum()
}
