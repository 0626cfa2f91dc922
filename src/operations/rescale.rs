//! `rescale`: the fuel tables scaled for another engine, other injectors or another fuel.
//!
//! What bike.yaml says today is where to; where from is what it said when a slot's tables were last
//! made, or what the request says. One factor a slot enters the history as an edit of the whole table.

use super::by_hand::{HandReport, HandRequest, HandWork, SlotChange, carry_out, open_to_change, reason};
use super::error::OperationError;
use super::open::OpenBike;
use crate::bike::{
    AirTaken, CellEdit, EngineData, HandChange, HandDeed, Region, Rescaling, SlotTables, TableRole,
    apply_changes, rescaling,
};
use crate::blend::by_hand::HandGuard;
use crate::ledger::{Revision, RevisionKind};
use crate::physics::fuel;
use crate::table::{Axis, Table};
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;

/// What is asked for.
#[derive(Debug, Clone)]
pub struct RescaleRequest {
    /// The slot; `None` for all of them, since they share the hardware.
    pub slot: Option<String>,
    /// What is said of the engine the tables were made for.
    pub from: FromTold,
    /// Heads, cams and throttle let no more air through than before.
    pub same_air: bool,
    /// What all changes by hand are asked; a dry run needs no reason.
    pub hand: HandRequest,
}

/// What is said of the engine that the tables were made for; the rest is bike.yaml's of then.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FromTold {
    /// Displacement of all cylinders, cm³.
    pub displacement_cc: Option<f64>,
    /// How many injectors there were.
    pub injectors: Option<u32>,
    /// Flow of one injector at the rated pressure, cm³/min.
    pub flow_cc_min: Option<f64>,
    /// Pressure difference at which the flow was rated, kPa.
    pub rated_kpa: Option<f64>,
    /// Pressure difference at the injectors, kPa.
    pub rail_kpa: Option<f64>,
    /// A known fuel.
    pub fuel: Option<String>,
}

/// What became of a slot's fuel table.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SlotRescaled {
    /// The slot.
    pub slot: String,
    /// The revision whose bike.yaml says where from; none where there is no revision yet.
    pub from_revision: Option<String>,
    /// What the table was made for.
    pub from: EngineData,
    /// The factor, and what it is made of.
    pub rescaling: Rescaling,
}

/// Fuel tables scaled for another engine.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct RescaleReport {
    /// What bike.yaml says now.
    pub to: EngineData,
    /// Each slot.
    pub slots: Vec<SlotRescaled>,
    /// The change, or the revision that was made.
    pub change: HandReport,
}

/// Guards that know a step only by its size: they stand aside for a rescale of tables that no run
/// of the build has changed yet, since these are still those of the former hardware.
const OF_SIZE: [HandGuard; 5] = [
    HandGuard::HighLoadLean,
    HandGuard::StepDown,
    HandGuard::Distance,
    HandGuard::StepUp,
    HandGuard::Steepness,
];

/// Scales fuel tables for what bike.yaml says now, as a revision unless it is a dry run.
///
/// # Errors
/// When slot or engine data do not serve, no reason is given for a revision, or a guard of the
/// folder refuses; a refusal of the change itself is in the report.
pub fn rescale(root: &Path, request: &RescaleRequest) -> Result<RescaleReport, OperationError> {
    let mut hand = request.hand.clone();
    if !hand.dry_run {
        hand.why = reason(&hand.why)?;
    }
    let (writable, bike) = open_to_change(root, hand.dry_run)?;
    bike.refuse_edits()?;
    let names = match &request.slot {
        Some(slot) => vec![bike.slot(Some(slot))?],
        None => bike.folder.bike.slots.clone(),
    };
    let to = EngineData::of(&bike.folder.bike);
    let air = if request.same_air { AirTaken::Same } else { AirTaken::Alike };
    let controller = bike.folder.bike.controller;
    let mut slots = Vec::new();
    for slot in names {
        let (from_revision, then) = made_for(&bike, &slot)?;
        let from = told(then, &request.from)?;
        let rescaling = rescaling(controller.fuel_table, controller.load, [&from, &to], air)
            .map_err(|what| OperationError::failed(what, "`rideloop rescale --help` lists the options"))?;
        slots.push(SlotRescaled { slot, from_revision, from, rescaling });
    }
    let mut work = HandWork {
        is_of_new_hardware: false,
        kind: RevisionKind::Edit,
        edits: Vec::new(),
        imports: Vec::new(),
        slots: Vec::new(),
        files: Vec::new(),
        done: "rescaled",
        notes: Vec::new(),
        nothing: nothing(&slots, &to),
    };
    for rescaled in slots.iter().filter(|s| s.rescaling.factor != 1.0) {
        let before = bike.today(&rescaled.slot).clone();
        let (change, after) = scaled(&bike, rescaled, &before)?;
        work.edits.push(change);
        work.slots.push(SlotChange { slot: rescaled.slot.clone(), before: Some(before), after });
    }
    let changed = || work.slots.iter().map(|change| change.slot.as_str());
    let unridden = changed().all(|slot| bike.is_unridden(slot));
    if unridden && !work.slots.is_empty() {
        hand.despite.extend(OF_SIZE);
        work.is_of_new_hardware = true;
        work.notes.push(
            "no run has changed these tables since the build began: the limits on the size of a change, and the \
             usual range of a cell, stand aside"
                .to_owned(),
        );
    } else if !work.slots.is_empty() {
        work.notes.push(
            "runs of this build have changed these tables already, so that all limits hold: `rideloop build add` \
             first, if the hardware is another"
                .to_owned(),
        );
    }
    let mut change = carry_out(root, bike, writable, &hand, work)?;
    if change.nothing.is_none() {
        change.cautions.splice(0..0, leaning(&slots));
    }
    Ok(RescaleReport { to, slots, change })
}

/// What bike.yaml said when a slot's tables were last made: at its newest revision that did more
/// than begin a build.
fn made_for(bike: &OpenBike, slot: &str) -> Result<(Option<String>, EngineData), OperationError> {
    let made = |revision: &&Revision| {
        revision.record.kind != RevisionKind::Build && revision.record.slots.iter().any(|s| s == slot)
    };
    let Some(revision) = bike.revisions.iter().find(made) else {
        return Ok((None, EngineData::of(&bike.folder.bike)));
    };
    let (then, _) = bike.bike_at(&revision.commit)?;
    if !bike.same_meaning(&then) {
        return Err(OperationError::failed(
            format!("bike.yaml says another kind of table than in {}", revision.name()),
            "a controller of another kind is a new bike folder: `rideloop new DIR --stock FILE`",
        ));
    }
    Ok((Some(revision.name()), EngineData::of(&then)))
}

/// What was said takes the place of what bike.yaml said then.
fn told(then: EngineData, told: &FromTold) -> Result<EngineData, OperationError> {
    let mut from = then;
    from.displacement_cc = told.displacement_cc.unwrap_or(from.displacement_cc);
    if let Some(name) = &told.fuel {
        let known = fuel::known(name).ok_or_else(|| {
            OperationError::failed(
                format!("`{name}` is no known fuel"),
                format!("known: {}", fuel::KNOWN_FUELS.join(", ")),
            )
        })?;
        (from.fuel, from.stoich_afr) = (name.clone(), known.stoich_afr());
    }
    let of_injectors = [told.flow_cc_min, told.rated_kpa, told.rail_kpa];
    if told.injectors.is_none() && of_injectors.iter().all(Option::is_none) {
        return Ok(from);
    }
    let Some(injectors) = &mut from.injectors else {
        return Err(OperationError::failed(
            "bike.yaml names no injectors, so that others cannot be compared with them",
            "add `injectors:` to bike.yaml; `rideloop new` writes an example",
        ));
    };
    injectors.count = told.injectors.unwrap_or(injectors.count);
    injectors.flow_cc_min = told.flow_cc_min.unwrap_or(injectors.flow_cc_min);
    injectors.rated_kpa = told.rated_kpa.unwrap_or(injectors.rated_kpa);
    injectors.rail_kpa = told.rail_kpa.unwrap_or(injectors.rail_kpa);
    Ok(from)
}

fn scaled(
    bike: &OpenBike,
    rescaled: &SlotRescaled,
    before: &SlotTables,
) -> Result<(HandChange, SlotTables), OperationError> {
    let region = whole(&before.fuel);
    let deed = HandDeed::Cells(TableRole::Fuel, CellEdit::Rescale(rescaled.rescaling.factor));
    let change = HandChange { slot: rescaled.slot.clone(), region, deed };
    let kind = bike.folder.bike.controller.fuel_table;
    let after = apply_changes(&rescaled.slot, before, kind, std::slice::from_ref(&change))
        .map_err(|error| OperationError::failed(error.to_string(), "`rideloop show` shows the tables"))?;
    Ok((change, after))
}

fn whole(table: &Table) -> Region {
    let ends = |axis: &Axis| {
        let all = axis.breakpoints();
        [all[0], all[all.len() - 1]]
    };
    Region { rpm: ends(&table.grid.rpm), load: ends(&table.grid.load) }
}

/// Why nothing changes.
fn nothing(slots: &[SlotRescaled], to: &EngineData) -> String {
    match slots.iter().all(|slot| slot.from == *to) {
        true => {
            "the tables were made for what bike.yaml says: change it there, or say with --from-… what they \
                 were made for"
                .to_owned()
        }
        false if slots.iter().all(|slot| slot.rescaling.factor == 1.0) => {
            "what became another is not in the fuel table".to_owned()
        }
        false => "no cell of the fuel table changes by a whole step".to_owned(),
    }
}

/// A smaller factor is right only if the hardware is what bike.yaml says.
fn leaning(slots: &[SlotRescaled]) -> Vec<String> {
    let leaned = slots.iter().filter(|slot| slot.rescaling.factor < 1.0);
    let caution = |slot: &SlotRescaled| {
        format!(
            "every cell of slot {} gets {} % less, full load too: if the injectors flow less or the engine breathes \
             more than said, it runs lean and can break. Check flow and fuel pressure, and lambda at light load, \
             before any load",
            slot.slot,
            units::fixed((1.0 - slot.rescaling.factor) * 100.0, 1)
        )
    };
    leaned.map(caution).collect()
}
