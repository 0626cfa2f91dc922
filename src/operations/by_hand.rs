//! A change that a person made, judged.
//!
//! `edit` and `import` say what a slot's tables were and what they shall be; here the
//! guards look at it. `by_hand_revision` writes what they let pass.

use super::by_hand_revision::{Guarded, write_revision};
use super::diff::{TableChange, table_change};
use super::error::OperationError;
use super::open::OpenBike;
use super::slot_past::SlotPast;
use super::write::{Writable, open_for_writing, refuse_nesting};
use crate::bike::{BikeFolder, HandChange, SlotTables, TableRole};
use crate::blend::Refusal;
use crate::blend::by_hand::{HandGuard, HandInput, Objection, cautions, judge, looser, refuse, sort};
use crate::ledger::{FileWrite, ImportRef, Moment, PipelineRef, RevisionKind};
use crate::pipeline::Plan;
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;

/// Guards that know a step only by its size: they stand aside for the fuel tables of former hardware.
pub(super) const OF_SIZE: [HandGuard; 5] = [
    HandGuard::HighLoadLean,
    HandGuard::StepDown,
    HandGuard::Distance,
    HandGuard::StepUp,
    HandGuard::Steepness,
];

/// What `edit` and `import` are both asked.
#[derive(Debug, Clone)]
pub struct HandRequest {
    /// Why; it stands in the history.
    pub why: String,
    /// Show it all and write nothing.
    pub dry_run: bool,
    /// The pipeline whose `blend` limits guard the change.
    pub pipeline: String,
    /// The guards that are to stand aside.
    pub despite: Vec<HandGuard>,
    /// When the revision is made.
    pub when: Moment,
}

/// What a change by hand did, or would do.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct HandReport {
    /// The revision it made.
    pub revision: Option<String>,
    /// Its commit.
    pub commit: Option<String>,
    /// The revision it started from.
    pub from_revision: String,
    /// What kind of revision it is.
    pub kind: RevisionKind,
    /// The slots it is about.
    pub slots: Vec<String>,
    /// Whether nothing was to be written.
    pub dry_run: bool,
    /// The changes, one line each, as the history keeps them.
    pub edits: Vec<String>,
    /// The files that tables were taken from.
    pub imports: Vec<ImportRef>,
    /// The tables that change.
    pub tables: Vec<TableChange>,
    /// Cells of the changed tables that are locked, by slot.
    pub locked: Vec<LockedCell>,
    /// How many cells change.
    pub cells_changed: CellCounts,
    /// The same in words, with whatever else changes.
    pub counts: String,
    /// The pipeline whose limits guard the change.
    pub pipeline: String,
    /// The guards that had objected and were told to stand aside.
    pub despite: Vec<String>,
    /// What to be careful with.
    pub cautions: Vec<String>,
    /// What else is worth knowing.
    pub notes: Vec<String>,
    /// Why nothing changed, when nothing did.
    pub nothing: Option<String>,
    /// The guard that refused.
    pub refused: Option<Refusal>,
}

/// How many cells change.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct CellCounts {
    /// Cells of fuel tables.
    pub fuel: usize,
    /// Cells of mixture tables.
    pub mixture: usize,
    /// Cells of spark tables.
    pub spark: usize,
    /// Cells that become locked.
    pub locked: usize,
    /// Cells that become unlocked.
    pub unlocked: usize,
}

impl CellCounts {
    fn of(work: &HandWork, tables: &[TableChange]) -> Self {
        let cells = |role: TableRole| tables.iter().filter(|t| t.table == role).map(|t| t.cells.len()).sum();
        let mut counts = Self {
            fuel: cells(TableRole::Fuel),
            mixture: cells(TableRole::Mixture),
            spark: cells(TableRole::Spark),
            ..Self::default()
        };
        for change in &work.slots {
            let Some(before) = &change.before else { continue };
            let grid = &change.after.fuel.grid;
            for (rpm, load) in (0..grid.cells()).map(|cell| grid.point(cell)) {
                let (then, now) = (before.lock_of(rpm, load), change.after.lock_of(rpm, load));
                counts.locked += usize::from(then.is_none() && now.is_some());
                counts.unlocked += usize::from(then.is_some() && now.is_none());
            }
        }
        counts
    }
}

/// A cell that the tuner locked.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LockedCell {
    /// The slot.
    pub slot: String,
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
}

/// A slot's tables before and after.
pub(super) struct SlotChange {
    pub slot: String,
    /// In the newest revision; `None` when that does not hold the slot.
    pub before: Option<SlotTables>,
    pub after: SlotTables,
}

/// A change by hand that waits to be judged and written.
pub(super) struct HandWork {
    /// The tables are those of the former hardware, so that what is usual for a cell says nothing of
    /// them: its range is what a file may hold at all, and of fuel the guards [`OF_SIZE`] stand aside.
    pub is_of_new_hardware: bool,
    pub kind: RevisionKind,
    pub edits: Vec<HandChange>,
    pub imports: Vec<ImportRef>,
    pub slots: Vec<SlotChange>,
    /// Files besides the tables that change.
    pub files: Vec<FileWrite>,
    /// What was done, after the count of cells: `by hand`, `imported`.
    pub done: &'static str,
    pub notes: Vec<String>,
    /// What to say when no table changes.
    pub nothing: String,
}

/// The reason a person gave, on one line.
///
/// # Errors
/// When there is none.
pub(super) fn reason(why: &str) -> Result<String, OperationError> {
    match units::one_line(why) {
        why if why.is_empty() => {
            Err(OperationError::failed("a change by hand needs a reason", "say it with --why \"…\""))
        }
        why => Ok(why),
    }
}

/// Opens a bike that is to be changed, unless it is a dry run.
///
/// # Errors
/// The guards of the ledger, and what keeps the folder from being read.
pub(super) fn open_to_change(
    root: &Path,
    dry_run: bool,
) -> Result<(Option<Writable>, OpenBike), OperationError> {
    let writable = match dry_run {
        false if BikeFolder::is_one(root) => open_for_writing(root)?,
        _ => None,
    };
    let bike = OpenBike::open(root)?;
    if dry_run && bike.store.is_none() {
        refuse_nesting(root)?;
    }
    bike.refuse_lost_history()?;
    Ok((writable, bike))
}

/// Judges a change and, unless a guard refuses, makes the revision of it.
///
/// # Errors
/// When history, settings or repository cannot be used; a guard's refusal is in the report.
pub(super) fn carry_out(
    root: &Path,
    bike: OpenBike,
    writable: Option<Writable>,
    request: &HandRequest,
    work: HandWork,
) -> Result<HandReport, OperationError> {
    let plan = Plan::find(&request.pipeline, &bike.folder.work_tree())?;
    let usual = Plan::shipped_default()?;
    let mut limits = plan.blending;
    if work.is_of_new_hardware {
        let allowed = bike.folder.bike.controller.fuel_table.allowed();
        limits.cell_range = Some([*allowed.start(), *allowed.end()]);
    }
    let mut report = HandReport {
        revision: None,
        commit: None,
        from_revision: bike.newest_name(),
        kind: work.kind,
        slots: work.slots.iter().map(|s| s.slot.clone()).collect(),
        dry_run: request.dry_run,
        edits: work.edits.iter().map(HandChange::to_string).collect(),
        imports: work.imports.clone(),
        tables: Vec::new(),
        locked: Vec::new(),
        cells_changed: CellCounts::default(),
        counts: String::new(),
        pipeline: plan.name.clone(),
        despite: Vec::new(),
        cautions: Vec::new(),
        notes: work.notes.clone(),
        nothing: None,
        refused: None,
    };
    let mut objections = Vec::new();
    let mut stood_aside: Vec<HandGuard> = Vec::new();
    let mut returned = Vec::new();
    let touched = slots_touched_by_settings(&bike, &work)?;
    let several = work.slots.len() + touched.len() > 1;
    let own = work.slots.iter().map(|change| (change, work.is_of_new_hardware));
    for (change, is_of_new_hardware) in own.chain(touched.iter().map(|change| (change, false))) {
        let past = SlotPast::of(&bike, change)?;
        compare(&bike, change, &past, &mut report);
        if past.returned_from.is_some() {
            returned.push(change.slot.as_str());
        }
        let input = HandInput {
            before: past.tables.as_ref(),
            after: &change.after,
            start: past.start.as_ref(),
            spark_before: past.spark.as_ref(),
            spark_start: past.spark_start.as_ref(),
            others: &past.others,
            ridden: past.ridden.as_ref(),
            controller: &bike.folder.bike.controller,
            controller_before: &past.controller,
            settings: if is_of_new_hardware { &limits } else { &plan.blending },
        };
        let slot = several.then(|| change.slot.clone());
        let (of_size, held): (Vec<Objection>, Vec<Objection>) =
            judge(&input).into_iter().partition(|objection| {
                is_of_new_hardware && objection.table == TableRole::Fuel && OF_SIZE.contains(&objection.guard)
            });
        stood_aside.extend(of_size.iter().map(|objection| objection.guard));
        objections.extend(held.into_iter().map(|o| Objection { slot: slot.clone(), ..o }));
        report.cautions.extend(cautions(&input));
    }
    if report.slots.is_empty() {
        // Only a slot that is no more can have changed.
        report.slots.clone_from(&bike.folder.bike.slots);
    }
    // A rescale is what other hardware asks for.
    if !work.is_of_new_hardware {
        report.cautions.extend(bike.other_meaning()?);
    }
    report.cautions.extend(bike.stock_changes()?);
    report.cautions.dedup();
    report.notes.extend(taken_along(&bike, &work)?);
    let looser = looser(&plan.blending, &usual.blending, &bike.folder.bike.controller);
    if !looser.is_empty() {
        report.notes.push(format!(
            "pipeline {} holds this change by looser limits than the shipped {}: {}",
            plan.name,
            usual.name,
            looser.join(", ")
        ));
    }
    report.cells_changed = CellCounts::of(&work, &report.tables);
    report.counts = in_words(&work, &report.tables, report.cells_changed, &returned);
    if report.counts.is_empty() {
        report.nothing = Some(work.nothing);
        report.cautions.clear();
        report.notes = work.notes;
        return Ok(report);
    }
    sort(&mut objections);
    match refuse(&objections, &request.despite) {
        Ok(despite) => {
            let aside = |guard: &HandGuard| despite.contains(guard) || stood_aside.contains(guard);
            report.despite =
                HandGuard::ALL.into_iter().filter(aside).map(|guard| guard.name().to_owned()).collect();
        }
        Err(refusal) => {
            report.refused = Some(refusal);
            return Ok(report);
        }
    }
    if !request.dry_run {
        let named = (plan.sha256 != usual.sha256)
            .then(|| PipelineRef { name: plan.name.clone(), sha256: plan.sha256.clone() });
        let guarded = Guarded { plan: &plan, named };
        write_revision(root, bike, writable, &guarded, request, &work, &mut report)?;
    }
    Ok(report)
}

/// Slots whose tables stay and mean other fuel by the bike.yaml that is taken along.
fn slots_touched_by_settings(bike: &OpenBike, work: &HandWork) -> Result<Vec<SlotChange>, OperationError> {
    let Some(newest) = bike.newest() else { return Ok(Vec::new()) };
    let (then, _) = bike.bike_at(&newest.commit)?;
    if then.controller.mixture == bike.folder.bike.controller.mixture {
        return Ok(Vec::new());
    }
    let slots = bike.folder.bike.slots.iter().filter(|slot| !work.slots.iter().any(|c| c.slot == **slot));
    let unchanged = slots.map(|slot| {
        let tables = bike.today(slot);
        SlotChange { slot: slot.clone(), before: Some(tables.clone()), after: tables.clone() }
    });
    Ok(unchanged.collect())
}

/// Names the settings files that the change is not about and takes along.
fn taken_along(bike: &OpenBike, work: &HandWork) -> Result<Option<String>, OperationError> {
    let files = work.files.iter().map(|file| file.path.as_str());
    let about: Vec<&str> = files.chain(work.imports.iter().map(|i| i.file.as_str())).collect();
    bike.taken_along(&about)
}

/// Adds what changes in a slot to the report.
fn compare(bike: &OpenBike, change: &SlotChange, past: &SlotPast, report: &mut HandReport) {
    let kind = bike.folder.bike.controller.fuel_table;
    let slot = &change.slot;
    let Some(before) = &change.before else {
        report.notes.push(match &past.returned_from {
            Some(revision) => {
                format!("slot {slot} was away: its tables are compared with those it had last, in {revision}")
            }
            None => format!("slot {slot} is new: its tables can be compared with those of other slots only"),
        });
        return;
    };
    for role in TableRole::ALL {
        match (before.table(role), change.after.table(role)) {
            (Some(before), Some(after)) if before != after => {
                let table = table_change(slot, role, before, after, &[], kind);
                // A finer step alone changes no cell.
                if table.cells.is_empty() && !table.axes_changed {
                    continue;
                }
                for (rpm, load) in (0..after.grid.cells()).map(|cell| after.grid.point(cell)) {
                    let locked = LockedCell { slot: slot.clone(), rpm, load };
                    if change.after.lock_of(rpm, load).is_some() && !report.locked.contains(&locked) {
                        report.locked.push(locked);
                    }
                }
                report.tables.push(table);
            }
            (Some(_), None) => report.notes.push(format!("{} is gone", role.path(slot))),
            (None, Some(_)) => report.notes.push(format!("{} is new", role.path(slot))),
            _ => {}
        }
    }
}

/// What changes, in words: `12 fuel cells, 2 cells locked`; empty when nothing does.
fn in_words(work: &HandWork, tables: &[TableChange], counts: CellCounts, returned: &[&str]) -> String {
    let mut parts = Vec::new();
    for (role, cells) in TableRole::ALL.into_iter().zip([counts.fuel, counts.mixture, counts.spark]) {
        if cells > 0 {
            parts.push(units::counted(cells, &format!("{} cell", role.name())));
        }
        if tables.iter().any(|t| t.table == role && t.axes_changed) {
            parts.push(format!("{} table with new axes", role.name()));
        }
    }
    let mut reworded = false;
    for change in &work.slots {
        let Some(before) = &change.before else {
            parts.push(match returned.contains(&change.slot.as_str()) {
                true => format!("slot {} back", change.slot),
                false => format!("new slot {}", change.slot),
            });
            continue;
        };
        match (&before.spark, &change.after.spark) {
            (None, Some(_)) => parts.push("new spark table".to_owned()),
            (Some(_), None) => parts.push("spark table gone".to_owned()),
            _ => {}
        }
        reworded |= before.locks != change.after.locks;
    }
    match (counts.locked, counts.unlocked) {
        (0, 0) if reworded => parts.push("locks reworded".to_owned()),
        (0, 0) => {}
        (n, 0) => parts.push(format!("{} locked", units::counted(n, "cell"))),
        (0, n) => parts.push(format!("{} unlocked", units::counted(n, "cell"))),
        (a, b) => parts.push(format!("{} locked and {b} unlocked", units::counted(a, "cell"))),
    }
    let gone = work.files.iter().filter(|file| file.bytes.is_none() && file.path.ends_with(".csv")).count();
    if gone > 0 {
        parts.push(format!("{} gone", units::counted(gone, "table")));
    }
    parts.join(", ")
}
