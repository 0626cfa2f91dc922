//! `history` with conditions: which revisions are wanted, and how many are left out.
//!
//! Slot, kind and day stand in the commits. Whether a region changed stands in the tables: each
//! distinct table file is parsed once, however many revisions hold it.

use super::error::OperationError;
use super::history::{HistoryEntry, day_of};
use super::open::OpenBike;
use super::past::Past;
use crate::ledger::{Revision, RevisionKind};
use crate::table::{Axis, Table, TableDiff};
use crate::units;
use jiff::civil::Date;
use std::rc::Rc;

/// Which revisions are wanted; the default wants all.
#[derive(Debug, Clone, Default)]
pub struct HistoryFilter {
    /// Only those about this slot.
    pub slot: Option<String>,
    /// Only those of these kinds; empty for all.
    pub kinds: Vec<RevisionKind>,
    /// Only those made on this day or later, by the maker's own clock.
    pub since: Option<Date>,
    /// Only those made on this day or earlier, by the maker's own clock.
    pub until: Option<Date>,
    /// Only those in which a fuel cell of these engine speeds changed, 1/min.
    pub rpm: Option<AxisChoice>,
    /// Only those in which a fuel cell of these loads changed, in the load axis' unit.
    pub load: Option<AxisChoice>,
    /// At most so many, the newest.
    pub limit: Option<usize>,
}

/// Breakpoints of one axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AxisChoice {
    /// The one nearest to this value.
    Nearest(f64),
    /// All from here to there, ends included.
    Between(f64, f64),
}

impl AxisChoice {
    /// Whether a breakpoint of the axis is meant.
    fn holds(self, axis: &Axis, breakpoint: f64) -> bool {
        match self {
            AxisChoice::Nearest(value) => axis.breakpoints()[axis.nearest(value)] == breakpoint,
            AxisChoice::Between(low, high) => (low..=high).contains(&breakpoint),
        }
    }

    fn words(self) -> String {
        match self {
            AxisChoice::Nearest(value) => units::plain(value),
            AxisChoice::Between(low, high) => format!("{}:{}", units::plain(low), units::plain(high)),
        }
    }
}

/// The revisions that were wanted.
#[derive(Debug, Clone)]
pub struct FilteredHistory {
    /// They, newest first.
    pub entries: Vec<HistoryEntry>,
    /// How many others there are.
    pub left_out: usize,
}

/// The revisions that the conditions want, newest first.
///
/// # Errors
/// When a condition can fit nothing (a slot that never was, a region without a
/// cell, a day after the other), or a table of the history cannot be read.
pub fn filtered_history(bike: &OpenBike, filter: &HistoryFilter) -> Result<FilteredHistory, OperationError> {
    refuse_idle(bike, filter)?;
    let mut wanted: Vec<&Revision> = bike.revisions.iter().filter(|r| filter.wants_record(r)).collect();
    if filter.rpm.is_some() || filter.load.is_some() {
        wanted = changed_region(bike, filter, &wanted)?;
    }
    wanted.truncate(filter.limit.unwrap_or(usize::MAX));
    let left_out = bike.revisions.len() - wanted.len();
    Ok(FilteredHistory { entries: wanted.into_iter().map(HistoryEntry::new).collect(), left_out })
}

/// Conditions that can fit nothing are most likely a slip.
fn refuse_idle(bike: &OpenBike, filter: &HistoryFilter) -> Result<(), OperationError> {
    if let Some(slot) = &filter.slot {
        let ever = bike.revisions.iter().any(|r| r.record.slots.contains(slot));
        if !ever {
            bike.slot(Some(slot))?;
        }
    }
    match (filter.since, filter.until) {
        (Some(since), Some(until)) if since > until => Err(OperationError::failed(
            format!("no day is after {since} and before {until}"),
            "--since is the older day, --until the newer",
        )),
        _ => Ok(()),
    }
}

impl HistoryFilter {
    /// The conditions that the commit itself answers.
    fn wants_record(&self, revision: &Revision) -> bool {
        let record = &revision.record;
        let day = day_of(revision.when);
        self.slot.as_ref().is_none_or(|slot| record.slots.contains(slot))
            && (self.kinds.is_empty() || self.kinds.contains(&record.kind))
            && self.since.is_none_or(|since| day.is_some_and(|day| day >= since))
            && self.until.is_none_or(|until| day.is_some_and(|day| day <= until))
    }

    fn holds_cell(&self, table: &Table, rpm: f64, load: f64) -> bool {
        let grid = &table.grid;
        self.rpm.is_none_or(|choice| choice.holds(&grid.rpm, rpm))
            && self.load.is_none_or(|choice| choice.holds(&grid.load, load))
    }

    fn has_cells_in(&self, table: &Table) -> bool {
        (0..table.grid.cells()).any(|cell| {
            let (rpm, load) = table.grid.point(cell);
            self.holds_cell(table, rpm, load)
        })
    }
}

/// Those of the revisions in which a cell of the region differs from the revision before.
fn changed_region<'a>(
    bike: &'a OpenBike,
    filter: &HistoryFilter,
    wanted: &[&'a Revision],
) -> Result<Vec<&'a Revision>, OperationError> {
    if bike.store.is_none() {
        return Ok(Vec::new());
    }
    let past = Past::new(bike);
    let mut changed = Vec::new();
    for revision in wanted {
        let place = bike.revisions.iter().position(|r| r.commit == revision.commit);
        let before = place.and_then(|place| bike.revisions.get(place + 1));
        if let Some(before) = before
            && region_differs(&past, filter, &before.commit, &revision.commit)?
        {
            changed.push(*revision);
        }
    }
    let in_today = bike.folder.slots.values().any(|tables| filter.has_cells_in(&tables.fuel));
    if changed.is_empty() && !in_today && !past.any_fuel(|table| filter.has_cells_in(table)) {
        let told = |name: &str, choice: Option<AxisChoice>| choice.map(|c| format!("{name} {}", c.words()));
        let region: Vec<String> =
            [told("rpm", filter.rpm), told("load", filter.load)].into_iter().flatten().collect();
        return Err(OperationError::failed(
            format!("no cell lies in {}", region.join(", ")),
            "a single number means the nearest breakpoint, A:B those between; `rideloop show` has them all",
        ));
    }
    Ok(changed)
}

fn region_differs(
    past: &Past<'_>,
    filter: &HistoryFilter,
    before: &str,
    after: &str,
) -> Result<bool, OperationError> {
    let slots = match &filter.slot {
        Some(slot) => vec![slot.clone()],
        None => past.bike_yaml(after)?.1.slots.clone(),
    };
    for slot in slots {
        // A table that came or went has no cell that changed.
        let (Some((_, old)), Some((_, new))) = (past.fuel(before, &slot)?, past.fuel(after, &slot)?) else {
            continue;
        };
        if Rc::ptr_eq(&old, &new) {
            continue;
        }
        let differs = match TableDiff::between(&old, &new) {
            TableDiff::Cells(cells) => cells.iter().any(|c| filter.holds_cell(&new, c.rpm, c.load)),
            TableDiff::Axes(_) => filter.has_cells_in(&old) || filter.has_cells_in(&new),
        };
        if differs {
            return Ok(true);
        }
    }
    Ok(false)
}
