//! `edit`: cells changed, smoothed, locked or unlocked by hand.

use super::by_hand::{HandReport, HandRequest, HandWork, SlotChange, carry_out, open_to_change, reason};
use super::error::OperationError;
use crate::bike::{
    FileSource, HandChange, HandDeed, Region, SlotTables, TableRole, apply_changes, locks_path, locks_text,
};
use crate::ledger::{FileWrite, RevisionKind};
use crate::table::{Axis, Table};
use crate::units;
use std::path::Path;

/// What an edit is asked to do.
#[derive(Debug, Clone)]
pub struct EditRequest {
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// Engine speeds from and to, 1/min; `None` for all.
    pub rpm: Option<[f64; 2]>,
    /// Loads from and to; `None` for all.
    pub load: Option<[f64; 2]>,
    /// What to do there.
    pub deed: HandDeed,
    /// What all changes by hand are asked.
    pub hand: HandRequest,
}

/// Changes cells of a table, or locks or unlocks them, as a revision.
///
/// # Errors
/// When slot, table or region do not exist, no reason is given, or a guard of the
/// folder refuses; a refusal of the change itself is in the report.
pub fn edit(root: &Path, request: &EditRequest) -> Result<HandReport, OperationError> {
    let why = reason(&request.hand.why)?;
    let (writable, bike) = open_to_change(root, request.hand.dry_run)?;
    bike.refuse_edits()?;
    let slot = bike.slot(request.slot.as_deref())?;
    let before = bike.today(&slot).clone();
    let (role, deed) = match &request.deed {
        HandDeed::Cells(role, edit) => (*role, HandDeed::Cells(*role, *edit)),
        HandDeed::Lock(_) => (TableRole::Fuel, HandDeed::Lock(why)),
        HandDeed::Unlock => (TableRole::Fuel, HandDeed::Unlock),
    };
    let table = before.table(role).ok_or_else(|| no_table(&slot, role))?;
    let change = HandChange { slot: slot.clone(), region: region(table, request)?, deed };
    let kind = bike.folder.bike.controller.fuel_table;
    let after = apply_changes(&slot, &before, kind, std::slice::from_ref(&change))
        .map_err(|error| OperationError::failed(error.to_string(), "`rideloop show` shows the tables"))?;
    let mut files = Vec::new();
    if before.locks != after.locks {
        let path = locks_path(&slot);
        let old = bike.folder.work_tree().text(&path)?;
        let text = locks_text(old.as_deref(), &before.locks, &after.locks);
        files.push(FileWrite { path, bytes: text.map(String::into_bytes) });
    }
    let work = HandWork {
        is_of_new_hardware: false,
        kind: RevisionKind::Edit,
        nothing: nothing(&change, table),
        notes: stayed(&change, &before, &after),
        edits: vec![change],
        imports: Vec::new(),
        slots: vec![SlotChange { slot, before: Some(before), after }],
        files,
        done: "by hand",
    };
    carry_out(root, bike, writable, &request.hand, work)
}

fn no_table(slot: &str, role: TableRole) -> OperationError {
    OperationError::failed(
        format!("slot `{slot}` has no {} table", role.name()),
        format!("`rideloop import FILE --table {}` brings one in", role.name()),
    )
}

/// The breakpoints from and to; edges are inside.
fn region(table: &Table, request: &EditRequest) -> Result<Region, OperationError> {
    let axis = table.load_axis;
    Ok(Region {
        rpm: hit(&table.grid.rpm, request.rpm, "rpm")?,
        load: hit(&table.grid.load, request.load, &format!("load ({})", axis.unit()))?,
    })
}

fn hit(axis: &Axis, asked: Option<[f64; 2]>, what: &str) -> Result<[f64; 2], OperationError> {
    let all = axis.breakpoints();
    let Some([from, to]) = asked else { return Ok([all[0], all[all.len() - 1]]) };
    let mut inside = all.iter().copied().filter(|b| (from..=to).contains(b));
    if let Some(first) = inside.next() {
        return Ok([first, inside.next_back().unwrap_or(first)]);
    }
    let range =
        if from == to { units::plain(from) } else { format!("{}:{}", units::plain(from), units::plain(to)) };
    let below = all.iter().rev().find(|b| **b < from);
    let above = all.iter().find(|b| **b > to);
    let near: Vec<String> = below.into_iter().chain(above).map(|b| units::plain(*b)).collect();
    Err(OperationError::failed(
        format!("no {what} breakpoint lies in {range}"),
        match near.as_slice() {
            [one] => format!("the nearest is {one}"),
            _ => format!("the nearest are {}", near.join(" and ")),
        },
    ))
}

fn nothing(change: &HandChange, table: &Table) -> String {
    match change.deed {
        HandDeed::Lock(_) => "every cell of the region is locked already".to_owned(),
        HandDeed::Unlock => "no cell of the region is locked".to_owned(),
        HandDeed::Cells(..) => {
            let step = units::plain(table.resolution.step());
            format!("no cell of the region changes by a whole step of {step}")
        }
    }
}

/// Says how many cells of the region stay, where some of them move.
fn stayed(change: &HandChange, before: &SlotTables, after: &SlotTables) -> Vec<String> {
    let HandDeed::Cells(role, _) = change.deed else { return Vec::new() };
    let (Some(before), Some(after)) = (before.table(role), after.table(role)) else { return Vec::new() };
    let inside = (0..before.grid.cells()).filter(|cell| {
        let (rpm, load) = before.grid.point(*cell);
        change.region.contains(rpm, load)
    });
    let stay = inside.filter(|cell| before.values[*cell] == after.values[*cell]).count();
    let step = units::plain(before.resolution.step());
    match stay {
        0 => Vec::new(),
        n => vec![format!(
            "{} of the region stay{}: {} whole step of {step}",
            units::counted(n, "cell"),
            if n == 1 { "s" } else { "" },
            if n == 1 { "it would not change by a" } else { "they would not change by a" },
        )],
    }
}
