//! What a changed slot is to be compared with: its own past, and the bike's other slots.

use super::by_hand::SlotChange;
use super::error::OperationError;
use super::open::OpenBike;
use crate::bike::{Controller, SlotTables, TableRole};
use crate::blend::by_hand::SlotAtRevision;
use crate::ledger::{Revision, RevisionKind};
use crate::revision::revision_number;
use crate::table::Table;

/// What the guards compare a slot's new tables with.
pub(super) struct SlotPast {
    /// Its tables before: those of the newest revision of this build that held the slot.
    pub tables: Option<SlotTables>,
    /// That revision, where it is not the newest of all: the slot was away.
    pub returned_from: Option<String>,
    /// What they meant then.
    pub controller: Controller,
    /// Its tables after the last run, or at the start of the build.
    pub ridden: Option<SlotAtRevision>,
    /// Its tables at the start of the build.
    pub start: Option<SlotTables>,
    /// The spark table it had last.
    pub spark: Option<Table>,
    /// Its first spark table of the build.
    pub spark_start: Option<Table>,
    /// Every slot of the newest revision, where the slot or its spark table is new.
    pub others: Vec<SlotTables>,
}

impl SlotPast {
    /// Looks a slot's past up in the history.
    ///
    /// # Errors
    /// When the history cannot be read.
    pub(super) fn of(bike: &OpenBike, change: &SlotChange) -> Result<Self, OperationError> {
        let slot = &change.slot;
        let newest = || -> Result<Controller, OperationError> {
            let Some(newest) = bike.newest() else { return Ok(bike.folder.bike.controller) };
            Ok(bike.bike_at(&newest.commit)?.0.controller)
        };
        let (tables, controller, returned_from) = match &change.before {
            Some(before) => (Some(before.clone()), newest()?, None),
            None => match last_tables(bike, slot)? {
                Some(last) => (Some(last.tables), last.controller, Some(last.revision)),
                None => (None, newest()?, None),
            },
        };
        let ridden = ridden(bike, slot)?;
        // Where the build has no revision yet, it starts from what was there before.
        let start = bike.start_in_history(slot)?.or_else(|| tables.clone());
        let (spark, spark_start) = sparks(bike, change, tables.as_ref())?;
        let first_spark = change.after.spark.is_some() && spark.is_none();
        let others = match tables.is_none() || first_spark {
            true => newest_slots(bike)?,
            false => Vec::new(),
        };
        Ok(Self { tables, returned_from, controller, ridden, start, spark, spark_start, others })
    }
}

/// A slot's tables in the newest revision of this build that held it.
fn last_tables(bike: &OpenBike, slot: &str) -> Result<Option<SlotAtRevision>, OperationError> {
    for revision in of_this_build(bike) {
        if bike.holds(&revision.commit, &TableRole::Fuel.path(slot))? {
            return held(bike, revision, slot);
        }
    }
    Ok(None)
}

/// A slot's tables after the last run that it was ridden for, or at the build's start.
///
/// A rollback brings back the tables of an earlier revision, and with them the run
/// that they come from.
fn ridden(bike: &OpenBike, slot: &str) -> Result<Option<SlotAtRevision>, OperationError> {
    let build = bike.folder.builds.current();
    let mut up_to = u32::MAX;
    for revision in bike.revisions.iter().filter(|r| r.record.build == build) {
        let record = &revision.record;
        if record.number > up_to || !record.slots.iter().any(|s| s == slot) {
            continue;
        }
        match record.kind {
            RevisionKind::Run => return held(bike, revision, slot),
            RevisionKind::Rollback => {
                let restored = record.restores.as_deref().and_then(revision_number);
                up_to = restored.unwrap_or(up_to);
            }
            _ => {}
        }
    }
    match bike.build_start_of(slot)? {
        Some(start) => held(bike, start, slot),
        None => Ok(None),
    }
}

/// What a revision holds of a slot; none where it means something of another kind.
fn held(bike: &OpenBike, revision: &Revision, slot: &str) -> Result<Option<SlotAtRevision>, OperationError> {
    let (then, files) = bike.bike_at(&revision.commit)?;
    if !bike.same_meaning(&then) {
        return Ok(None);
    }
    let tables = SlotTables::read(slot, &then, &files)?;
    Ok(Some(SlotAtRevision { revision: revision.name(), tables, controller: then.controller }))
}

/// The spark table a slot had last, and its first of this build; none where spark does
/// not change.
fn sparks(
    bike: &OpenBike,
    change: &SlotChange,
    before: Option<&SlotTables>,
) -> Result<(Option<Table>, Option<Table>), OperationError> {
    let newest = before.and_then(|tables| tables.spark.clone());
    if change.after.spark.is_none() || change.after.spark == newest {
        return Ok((newest, None));
    }
    let read = |revision: &Revision| -> Result<Option<Table>, OperationError> {
        let path = TableRole::Spark.path(&change.slot);
        if !bike.holds(&revision.commit, &path)? {
            return Ok(None);
        }
        let (then, files) = bike.bike_at(&revision.commit)?;
        Ok(SlotTables::read_table(TableRole::Spark, &change.slot, &then, &files)?)
    };
    let build = of_this_build(bike);
    let newest = match newest {
        Some(newest) => Some(newest),
        None => build.iter().find_map(|revision| read(revision).transpose()).transpose()?,
    };
    let start = match newest {
        Some(_) => {
            let current = bike.folder.builds.current();
            let mut oldest_first = build.iter().rev().filter(|r| r.record.build == current);
            oldest_first.find_map(|revision| read(revision).transpose()).transpose()?
        }
        None => None,
    };
    Ok((newest, start))
}

/// Newest first, the revisions back to the build's first one; all of them where the
/// build has none yet, since it begins from what was there.
fn of_this_build(bike: &OpenBike) -> &[Revision] {
    let build = bike.folder.builds.current();
    let first = bike.revisions.iter().rposition(|r| r.record.build == build);
    first.map_or(&bike.revisions[..], |first| &bike.revisions[..=first])
}

/// The tables of every slot that the newest revision holds.
fn newest_slots(bike: &OpenBike) -> Result<Vec<SlotTables>, OperationError> {
    let Some(newest) = bike.newest() else {
        return Ok(bike.folder.slots.values().cloned().collect());
    };
    let (then, files) = bike.bike_at(&newest.commit)?;
    if !bike.same_meaning(&then) {
        return Ok(Vec::new());
    }
    let slots = then.slots.iter().map(|slot| Ok(SlotTables::read(slot, &then, &files)?));
    slots.collect()
}
