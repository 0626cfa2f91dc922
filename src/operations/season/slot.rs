//! One slot over the season: its steps, its cells, whether it settles.

use super::told::{SlotTold, together};
use super::{
    CellKnowledge, Convergence, ConvergenceState, Knowledge, KnownNow, SeasonCell, SlotSeason, SlotStep,
};
use crate::bike::FuelTableKind;
use crate::blend::Hold;
use crate::evidence::EvidenceRow;
use crate::ledger::{Revision, RevisionKind};
use crate::operations::OperationError;
use crate::operations::open::OpenBike;
use crate::operations::past::Past;
use crate::operations::run_revision::held_counts;
use crate::revision::revision_number;
use crate::table::{Grid, Table};
use std::rc::Rc;

/// A cell whose standard error is at most this share of it is well known, %: about
/// what a good wideband sensor holds (from memory).
pub const WELL_KNOWN_PCT: f64 = 1.0;
/// A move of a cell by less than this is no change of direction, %. Ours.
const MOVE_COUNTS_PCT: f64 = 0.5;
/// A run whose change is smaller than this hardly changed anything, % RMS of all
/// cells. Ours: half of what a sensor holds.
const SETTLED_PCT: f64 = 0.5;
/// Runs whose evidence is kept for every cell; older ones tell their figures only.
const EVIDENCE_RUNS: usize = 60;

/// How well a row of evidence settles its cell.
fn knowledge_of(row: &EvidenceRow) -> CellKnowledge {
    match relative_error_pct(row) {
        _ if !is_spoken_of(row) => CellKnowledge::NotAtAll,
        Some(error) if error <= WELL_KNOWN_PCT => CellKnowledge::Well,
        Some(_) => CellKnowledge::Roughly,
        None => CellKnowledge::NotAtAll,
    }
}

/// Whether a ride came near the cell: one that only brushed it leaves visits and no
/// thousandth of a second.
pub(in crate::operations) fn is_spoken_of(row: &EvidenceRow) -> bool {
    row.weight_s > 0.0 || row.dwells > 0
}

/// The standard error as a share of what the cell needs, %.
pub(in crate::operations) fn relative_error_pct(row: &EvidenceRow) -> Option<f64> {
    let (required, error) = (row.required?, row.std_error?);
    (required != 0.0).then(|| (error / required).abs() * 100.0)
}

/// Share of the ridden time spent near cells that are well known, 0 to 1.
pub(in crate::operations) fn time_well_known(evidence: &[EvidenceRow]) -> f64 {
    let ridden_s: f64 = evidence.iter().map(|row| row.ridden_s).sum();
    let near_known = evidence.iter().filter(|row| knowledge_of(row) == CellKnowledge::Well);
    let known_s: f64 = near_known.map(|row| row.ridden_s).sum();
    if ridden_s > 0.0 { known_s / ridden_s } else { 0.0 }
}

/// Share of the cells that a ride spoke of, 0 to 1.
fn with_evidence(evidence: &[EvidenceRow]) -> f64 {
    let told = evidence.iter().filter(|row| knowledge_of(row) != CellKnowledge::NotAtAll).count();
    told as f64 / evidence.len().max(1) as f64
}

/// Tells one slot.
pub(super) fn slot_season(
    bike: &OpenBike,
    past: &Past<'_>,
    slot: &str,
    told: &SlotTold,
) -> Result<SlotSeason, OperationError> {
    let today = bike.today(slot);
    let kind = bike.folder.bike.controller.fuel_table;
    let grid = &today.fuel.grid;
    let oldest_first: Vec<&Revision> = bike.revisions.iter().rev().collect();
    let mut steps: Vec<SlotStep> = Vec::new();
    let mut before: Option<(FuelTableKind, Rc<Table>)> = None;
    for (index, revision) in oldest_first.iter().enumerate() {
        if !revision.record.slots.iter().any(|s| s == slot) {
            continue;
        }
        let Some(now) = past.fuel(&revision.commit, slot)? else { continue };
        let mut step = step(index, revision, &now, before.as_ref(), kind, grid);
        if revision.record.kind == RevisionKind::Run {
            let evidence = past.evidence(&revision.commit, slot)?;
            step.knowledge = Some(knowledge(&revision.name(), evidence, told, grid, revision));
        }
        step.evidence_step = evidence_step(revision, &steps);
        steps.push(step);
        before = Some(now);
    }
    let build = bike.folder.builds.current();
    let of_build = |step: &&SlotStep| oldest_first[step.revision_index].record.build == build;
    let here: Vec<&SlotStep> = steps.iter().filter(of_build).collect();
    let start = match here.first() {
        Some(first) => past.fuel(&oldest_first[first.revision_index].commit, slot)?,
        None => None,
    };
    let start_table = start.as_ref().map_or(&today.fuel, |(_, table)| table);
    let newest_evidence = standing_evidence(bike, past, slot)?;
    let standing: Vec<&SlotStep> =
        standing_runs(&steps, &oldest_first).into_iter().map(|step| &steps[step]).filter(of_build).collect();
    let cells = cells(bike, slot, start_table, &here, &oldest_first, &newest_evidence);
    let (start_revision, convergence) = (
        here.first().map_or_else(|| bike.newest_name(), |s| s.revision.clone()),
        convergence(&standing, &here, &oldest_first),
    );
    let runs_from_the_end = steps.iter_mut().rev().filter_map(|s| s.knowledge.as_mut());
    runs_from_the_end.skip(EVIDENCE_RUNS).for_each(|old| old.evidence = None);
    let squares: f64 = cells.iter().map(|c| c.change_pct * c.change_pct).sum();
    Ok(SlotSeason {
        slot: slot.to_owned(),
        load_axis: today.fuel.load_axis,
        fuel_table: kind,
        decimals: today.fuel.resolution.decimals(),
        rpm: grid.rpm.breakpoints().to_vec(),
        load: grid.load.breakpoints().to_vec(),
        start_revision,
        newest_revision: steps.last().map_or_else(|| bike.newest_name(), |s| s.revision.clone()),
        distance_rms_pct: (squares / cells.len().max(1) as f64).sqrt(),
        known_now: (!newest_evidence.is_empty()).then(|| KnownNow {
            time_well_known: time_well_known(&newest_evidence),
            cells_with_evidence: with_evidence(&newest_evidence),
        }),
        convergence,
        cells,
        steps,
    })
}

/// The step whose evidence stands behind a revision that comes after `steps`.
fn evidence_step(revision: &Revision, steps: &[SlotStep]) -> Option<usize> {
    match revision.record.kind {
        RevisionKind::Run => Some(steps.len()),
        RevisionKind::Rollback => steps[restored_step(revision, steps)?].evidence_step,
        RevisionKind::Edit | RevisionKind::Import => steps.last()?.evidence_step,
        RevisionKind::Start | RevisionKind::Build => None,
    }
}

/// The step that a rollback restored; one of all slots may name a revision that this
/// slot had no part in.
fn restored_step(rollback: &Revision, steps: &[SlotStep]) -> Option<usize> {
    let restored = rollback.record.restores.as_deref().and_then(revision_number)?;
    steps.iter().rposition(|step| revision_number(&step.revision).is_some_and(|n| n <= restored))
}

fn step(
    index: usize,
    revision: &Revision,
    (then_kind, table): &(FuelTableKind, Rc<Table>),
    before: Option<&(FuelTableKind, Rc<Table>)>,
    kind: FuelTableKind,
    grid: &Grid,
) -> SlotStep {
    let same_axes = |old: &Table| old.grid == table.grid && old.load_axis == table.load_axis;
    let comparable = before.filter(|(k, old)| k == then_kind && same_axes(old));
    let changes: Vec<f64> = comparable.map_or(Vec::new(), |(_, old)| {
        let pairs = old.values.iter().zip(&table.values);
        pairs.map(|(a, b)| if a == b { 0.0 } else { then_kind.change_pct(*a, *b) }).collect()
    });
    let most = changes.iter().copied().fold(0.0, |most: f64, c| if c.abs() > most.abs() { c } else { most });
    let squares: f64 = changes.iter().map(|c| c * c).sum();
    let is_ours = *then_kind == kind && table.grid == *grid;
    SlotStep {
        revision_index: index,
        revision: revision.name(),
        values: is_ours.then(|| table.values.clone()),
        cells_changed: changes.iter().filter(|c| **c != 0.0).count(),
        change_rms_pct: (squares / changes.len().max(1) as f64).sqrt(),
        change_most_pct: most,
        evidence_step: None,
        knowledge: None,
    }
}

fn knowledge(
    name: &str,
    evidence: Vec<EvidenceRow>,
    told: &SlotTold,
    grid: &Grid,
    revision: &Revision,
) -> Knowledge {
    let new: &[_] = told.new_in.get(name).map_or(&[], Vec::as_slice);
    let ridden_s: f64 = evidence.iter().map(|row| row.ridden_s).sum();
    let is_ours = evidence.len() == grid.cells()
        && evidence.iter().enumerate().all(|(cell, row)| grid.point(cell) == (row.rpm, row.load));
    let held = held_counts(&evidence).into_iter().map(|(hold, n)| (hold.to_owned(), n)).collect();
    let as_ridden: Vec<_> = new.iter().map(|ride| (ride.ridden_s, ride.as_ridden)).collect();
    let after: Vec<_> = new.iter().map(|ride| (ride.ridden_s, ride.after)).collect();
    Knowledge {
        rides: revision.record.rides.len(),
        ridden_s,
        cells_with_evidence: with_evidence(&evidence),
        time_well_known: time_well_known(&evidence),
        cells_at_limit: evidence.iter().filter(|row| at_limit(row)).count(),
        as_ridden: together(&as_ridden),
        after: together(&after),
        evidence: is_ours.then_some(evidence),
        held,
    }
}

fn at_limit(row: &EvidenceRow) -> bool {
    let name = row.held_by.as_deref();
    name.and_then(Hold::from_name).is_some_and(Hold::stops_short)
}

/// The evidence that stands behind a slot's map as it is, where this build has any:
/// a rollback brings back that of the revision it restored.
///
/// # Errors
/// When it is there and cannot be read.
pub(in crate::operations) fn standing_evidence(
    bike: &OpenBike,
    past: &Past<'_>,
    slot: &str,
) -> Result<Vec<EvidenceRow>, OperationError> {
    let build = bike.folder.builds.current();
    let brings = |revision: &&Revision| {
        let record = &revision.record;
        let kind = matches!(record.kind, RevisionKind::Run | RevisionKind::Rollback);
        kind && record.build == build && record.slots.iter().any(|s| s == slot)
    };
    match (bike.revisions.iter().find(brings), bike.newest()) {
        (Some(_), Some(newest)) => past.evidence(&newest.commit, slot),
        _ => Ok(Vec::new()),
    }
}

fn cells(
    bike: &OpenBike,
    slot: &str,
    start: &Table,
    here: &[&SlotStep],
    revisions: &[&Revision],
    evidence: &[EvidenceRow],
) -> Vec<SeasonCell> {
    let today = bike.today(slot);
    let grid = &today.fuel.grid;
    let kind = bike.folder.bike.controller.fuel_table;
    let one = |cell: usize| {
        let (rpm, load) = grid.point(cell);
        let now = today.fuel.values[cell];
        let at_start = start.at(rpm, load);
        let row = evidence.iter().find(|row| row.rpm == rpm && row.load == load);
        let path = path_of(cell, here, revisions, kind);
        SeasonCell {
            rpm,
            load,
            now,
            start: at_start,
            change_pct: if now == at_start { 0.0 } else { kind.change_pct(at_start, now) },
            travel_pct: path.travel_pct,
            turns: path.turns,
            runs_at_limit: path.runs_at_limit,
            wanted_lambda: today.mixture.at(rpm, load),
            spark_deg: today.spark.as_ref().map(|spark| spark.at(rpm, load)),
            locked: today.lock_of(rpm, load).map(|lock| lock.why.clone()),
            known: row.map_or(CellKnowledge::NotAtAll, knowledge_of),
            std_error_pct: row.and_then(relative_error_pct),
            at_limit: row.is_some_and(at_limit),
            evidence: row.cloned(),
        }
    };
    (0..grid.cells()).map(one).collect()
}

#[derive(Default)]
struct CellPath {
    travel_pct: f64,
    turns: usize,
    runs_at_limit: usize,
}

/// How one cell went through the steps of a build.
fn path_of(cell: usize, here: &[&SlotStep], revisions: &[&Revision], kind: FuelTableKind) -> CellPath {
    let mut path = CellPath::default();
    let mut direction = 0.0;
    let mut before: Option<f64> = None;
    for step in here {
        let is_run = revisions[step.revision_index].record.kind == RevisionKind::Run;
        let rows = step.knowledge.as_ref().and_then(|k| k.evidence.as_ref());
        path.runs_at_limit += usize::from(rows.is_some_and(|rows| at_limit(&rows[cell])));
        let Some(value) = step.values.as_ref().map(|values| values[cell]) else { continue };
        if let Some(before) = before.filter(|before| *before != value) {
            let change = kind.change_pct(before, value);
            path.travel_pct += change.abs();
            // A rollback goes back on purpose.
            if is_run && change.abs() >= MOVE_COUNTS_PCT {
                path.turns += usize::from(direction * change < 0.0);
                direction = change;
            }
        }
        before = Some(value);
    }
    path
}

/// The runs that stand behind the newest step: neither undone by a rollback nor made
/// on another build.
fn standing_runs(steps: &[SlotStep], revisions: &[&Revision]) -> Vec<usize> {
    let mut standing: Vec<Vec<usize>> = Vec::new();
    for (i, step) in steps.iter().enumerate() {
        let record = &revisions[step.revision_index].record;
        let before = || standing.last().cloned().unwrap_or_default();
        standing.push(match record.kind {
            RevisionKind::Run => [before(), vec![i]].concat(),
            RevisionKind::Edit | RevisionKind::Import => before(),
            RevisionKind::Start | RevisionKind::Build => Vec::new(),
            RevisionKind::Rollback => restored_step(revisions[step.revision_index], &steps[..i])
                .map_or(Vec::new(), |restored| standing[restored].clone()),
        });
    }
    standing.pop().unwrap_or_default()
}

fn convergence(runs: &[&SlotStep], here: &[&SlotStep], revisions: &[&Revision]) -> Convergence {
    let last_run = runs.last().map(|run| run.revision_index);
    let changed_since = here.iter().filter(|step| Some(step.revision_index) > last_run).any(|step| {
        step.cells_changed > 0 || revisions[step.revision_index].record.kind == RevisionKind::Rollback
    });
    let state = match runs {
        [] => ConvergenceState::NoRun,
        _ if changed_since => ConvergenceState::ChangedSince,
        [_] => ConvergenceState::TooEarly,
        [.., last] if last.change_rms_pct < SETTLED_PCT => ConvergenceState::Settled,
        [.., before, last] if last.change_rms_pct < before.change_rms_pct => ConvergenceState::Settling,
        _ => ConvergenceState::Moving,
    };
    let mut errors = runs.iter().filter_map(|run| Some(run.knowledge.as_ref()?.as_ridden?.rms_pct));
    let first_error_pct = errors.next();
    Convergence {
        runs: runs.len(),
        state,
        first_error_pct,
        newest_error_pct: errors.next_back().or(first_error_pct),
    }
}
