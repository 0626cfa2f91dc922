//! `history` with conditions: which revisions are wanted, and how many are left out.
//!
//! Slot, kind and day stand in the commits. Whether a region changed stands in the tables: each
//! distinct table file is parsed once, however many revisions hold it.

use super::error::OperationError;
use super::history::{HistoryEntry, day_of};
use super::open::OpenBike;
use crate::bike::{BIKE_FILE, Bike, fuel_path};
use crate::ledger::{Revision, RevisionKind, Store};
use crate::table::{self, Axis, Table, TableDiff};
use crate::units;
use jiff::civil::Date;
use std::collections::HashMap;
use std::path::Path;
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
    let Some(store) = &bike.store else { return Ok(Vec::new()) };
    let mut tables = ParsedTables { store, bikes: HashMap::new(), fuel: HashMap::new() };
    let mut changed = Vec::new();
    for revision in wanted {
        let place = bike.revisions.iter().position(|r| r.commit == revision.commit);
        let before = place.and_then(|place| bike.revisions.get(place + 1));
        if let Some(before) = before
            && region_differs(&mut tables, filter, &before.commit, &revision.commit)?
        {
            changed.push(*revision);
        }
    }
    let today = bike.folder.slots.values().map(|tables| &tables.fuel);
    let mut known = today.chain(tables.fuel.values().map(Rc::as_ref));
    if changed.is_empty() && !known.any(|table| filter.has_cells_in(table)) {
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
    tables: &mut ParsedTables<'_>,
    filter: &HistoryFilter,
    before: &str,
    after: &str,
) -> Result<bool, OperationError> {
    let slots = match &filter.slot {
        Some(slot) => vec![slot.clone()],
        None => tables.bike(after)?.map(|bike| bike.slots.clone()).unwrap_or_default(),
    };
    for slot in slots {
        let path = fuel_path(&slot);
        let ids = (tables.store.file_id(before, &path)?, tables.store.file_id(after, &path)?);
        // A table that came or went has no cell that changed.
        let (Some(id_before), Some(id_after)) = ids else { continue };
        if id_before == id_after {
            continue;
        }
        let (old, new) = (tables.fuel(before, &path, id_before)?, tables.fuel(after, &path, id_after)?);
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

/// Files of the history by the id of their content, each parsed once.
struct ParsedTables<'a> {
    store: &'a Store,
    bikes: HashMap<String, Rc<Bike>>,
    /// By the ids of bike.yaml, which says how to read a table, and of the table.
    fuel: HashMap<(String, String), Rc<Table>>,
}

impl ParsedTables<'_> {
    /// bike.yaml at a commit; `None` when the commit has none.
    fn bike(&mut self, commit: &str) -> Result<Option<Rc<Bike>>, OperationError> {
        let Some(id) = self.store.file_id(commit, BIKE_FILE)? else { return Ok(None) };
        if let Some(known) = self.bikes.get(&id) {
            return Ok(Some(Rc::clone(known)));
        }
        let text = self.text(commit, BIKE_FILE)?;
        let bike = Rc::new(Bike::parse(Path::new(BIKE_FILE), &text)?);
        self.bikes.insert(id, Rc::clone(&bike));
        Ok(Some(bike))
    }

    fn fuel(&mut self, commit: &str, path: &str, id: String) -> Result<Rc<Table>, OperationError> {
        let Some(bike) = self.bike(commit)? else {
            return Err(OperationError::failed(
                format!("commit {commit} holds {path} and no {BIKE_FILE} to read it by"),
                "look at it with `git show`",
            ));
        };
        let bike_id = self.store.file_id(commit, BIKE_FILE)?.unwrap_or_default();
        let key = (bike_id, id);
        if let Some(known) = self.fuel.get(&key) {
            return Ok(Rc::clone(known));
        }
        let text = self.text(commit, path)?;
        let controller = &bike.controller;
        let allowed = controller.fuel_table.allowed();
        let table = table::parse(Path::new(path), &text, controller.load, bike.resolution, allowed)?;
        let table = Rc::new(table);
        self.fuel.insert(key, Rc::clone(&table));
        Ok(table)
    }

    fn text(&self, commit: &str, path: &str) -> Result<String, OperationError> {
        let bytes = self.store.read_file(commit, path)?.unwrap_or_default();
        Ok(String::from_utf8_lossy(&bytes).into_owned())
    }
}
