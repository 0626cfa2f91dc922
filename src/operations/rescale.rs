//! `rescale`: the fuel tables scaled for another engine, other injectors or another fuel.
//!
//! What bike.yaml says today is where to; where from is what it said when a slot's tables were last
//! made, or what the request says. One factor a slot enters the history as an edit of the whole table.

use super::by_hand::{
    HandReport, HandRequest, HandWork, OF_SIZE, SlotChange, carry_out, open_to_change, reason,
};
use super::error::OperationError;
use super::open::{OpenBike, is_rescaled_by};
use crate::bike::{
    AirTaken, CellEdit, EngineData, HandChange, HandDeed, Region, Rescaling, SlotTables, TableRole,
    apply_changes, fuel_path, rescaling,
};
use crate::ledger::{Revision, RevisionKind};
use crate::physics::fuel;
use crate::revision::revision_number;
use crate::ride::RiddenOn;
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
    let build = bike.folder.builds.current().to_owned();
    let ridden_already = has_rides(&bike, &build)?;
    let mut is_new_hardware = true;
    let mut slots = Vec::new();
    for slot in names {
        let (maker, then) = made_for(&bike, &slot)?;
        let of_ridden_build = maker.filter(|maker| ridden_already && maker.record.build == build);
        is_new_hardware &= of_ridden_build.is_none();
        let was_for_other = then != to;
        let from_revision = maker.map(Revision::name);
        let from = told(then.clone(), &request.from)?;
        let rescaling = rescaling(controller.fuel_table, controller.load, [&from, &to], air)
            .map_err(|what| OperationError::failed(what, "`rideloop rescale --help` lists the options"))?;
        if let Some(maker) = of_ridden_build.filter(|_| was_for_other && rescaling.factor != 1.0) {
            return Err(without_build(maker, &build, &then));
        }
        // What is only said of the past is no hardware that came with a build after the table.
        let of_first_build = maker.is_none_or(|maker| maker.record.build == build);
        is_new_hardware &= was_for_other || of_first_build || rescaling.factor == 1.0;
        if let Some(what) = rescaling.beyond_belief() {
            return Err(OperationError::failed(
                format!("slot {slot} {what}"),
                "look at bike.yaml and at --from-…, or make a new map with `rideloop new`",
            ));
        }
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
    // Once, and only for hardware that came after the tables: rides of this build speak of what it has.
    let mut unridden = is_new_hardware;
    for SlotChange { slot, .. } in &work.slots {
        let rescaled = bike.build_start_of(slot)?.is_some_and(|start| is_rescaled_by(start, slot));
        unridden &= bike.is_unridden(slot) && !rescaled;
    }
    if unridden && !work.slots.is_empty() {
        work.is_of_new_hardware = true;
        work.notes.push(
            format!(
                "no run has changed these tables since the build began: the limits on the size of a change ({}), and \
                 the usual range of a cell, stand aside",
                OF_SIZE.map(|guard| guard.name()).join(", ")
            ),
        );
    } else if !work.slots.is_empty() {
        work.notes.push(
            "these tables were made, rescaled or ridden in this build already, so that all limits hold: `rideloop \
             build add` first, if the hardware is another"
                .to_owned(),
        );
    }
    let mut change = carry_out(root, bike, writable, &hand, work)?;
    if change.nothing.is_none() {
        change.cautions.splice(0..0, leaning(&slots));
    }
    Ok(RescaleReport { to, slots, change })
}

/// Whether rides were made on the build on the bike now, registered or not.
fn has_rides(bike: &OpenBike, build: &str) -> Result<bool, OperationError> {
    if bike.register.rides().iter().any(|ride| ride.build == build) {
        return Ok(true);
    }
    let found = bike.hashed(bike.find_rides(&[])?);
    let is_new = |sha256: &String| bike.register.by_hash(sha256).is_none();
    let is_of_build = |ridden_on: RiddenOn| match ridden_on {
        RiddenOn::Revision(number) => {
            bike.revisions.iter().any(|r| r.record.number == number && r.record.build == build)
        }
        RiddenOn::Newest => true,
    };
    Ok(found.iter().any(|(file, sha256)| is_of_build(file.ridden_on) && sha256.as_ref().is_ok_and(is_new)))
}

/// Rides of other hardware would count for this one.
fn without_build(maker: &Revision, build: &str, then: &EngineData) -> OperationError {
    OperationError::failed(
        format!(
            "bike.yaml says other hardware than in {}, and build {build} was ridden with that of then: {}",
            maker.name(),
            then.in_words()
        ),
        "`rideloop build add \"…\"` first, or the rides of both would be mixed; if the hardware is the same and \
         bike.yaml was only put right, no table needs scaling",
    )
}

/// The revision that last made a slot's fuel table, and what bike.yaml said then; none before the first.
///
/// A lock, a wanted mixture, spark, a ride set aside or a cell by hand leaves the rest of the fuel table as it
/// was made, whatever bike.yaml they took along.
fn made_for<'a>(
    bike: &'a OpenBike,
    slot: &str,
) -> Result<(Option<&'a Revision>, EngineData), OperationError> {
    let Some(revision) = maker_of(bike, slot)? else {
        return Ok((None, EngineData::of(&bike.folder.bike)));
    };
    let (then, _) = bike.bike_at(&revision.commit)?;
    if !bike.same_meaning(&then) {
        return Err(OperationError::failed(
            format!("bike.yaml says another kind of table than in {}", revision.name()),
            "a controller of another kind is a new bike folder: `rideloop new DIR --stock FILE`",
        ));
    }
    let (was, is) = (then.controller, bike.folder.bike.controller);
    if (was.mixture, was.density) != (is.mixture, is.density) {
        return Err(OperationError::failed(
            format!(
                "who divides by the wanted mixture or corrects for the air is another than in {}",
                revision.name()
            ),
            "`mixture` and `density` under `controller` in bike.yaml are no matter of scaling: put them back, or \
             `rideloop import` a table that is made for them",
        ));
    }
    Ok((Some(revision), EngineData::of(&then)))
}

/// The revision that last made a slot's fuel table as a whole.
fn maker_of<'a>(bike: &'a OpenBike, slot: &str) -> Result<Option<&'a Revision>, OperationError> {
    let path = fuel_path(slot);
    let store = match &bike.store {
        Some(store) => store,
        None => return Ok(None),
    };
    let mut up_to = u32::MAX;
    for (i, revision) in bike.revisions.iter().enumerate() {
        if revision.record.number > up_to || !revision.record.slots.iter().any(|s| s == slot) {
            continue;
        }
        match revision.record.kind {
            RevisionKind::Start => return Ok(Some(revision)),
            RevisionKind::Run | RevisionKind::Import => {
                let before = bike.revisions.get(i + 1);
                let before = before.map(|r| store.file_id(&r.commit, &path)).transpose()?.flatten();
                if store.file_id(&revision.commit, &path)? != before {
                    return Ok(Some(revision));
                }
            }
            RevisionKind::Edit if is_rescaled_by(revision, slot) => return Ok(Some(revision)),
            RevisionKind::Rollback => {
                let restored = revision.record.restores.as_deref().and_then(revision_number);
                up_to = restored.unwrap_or(up_to);
            }
            RevisionKind::Edit | RevisionKind::Build => {}
        }
    }
    // A slot that came with a build or a cut-off history: the oldest revision that holds it.
    Ok(bike.revisions.iter().rev().find(|r| r.record.slots.iter().any(|s| s == slot)))
}

/// Why a slot's fuel table is not made for what bike.yaml says, where it needs scaling.
pub(super) fn not_rescaled(bike: &OpenBike, slot: &str) -> Option<String> {
    let (revision, from) = made_for(bike, slot).ok()?;
    let (revision, to) = (revision?, EngineData::of(&bike.folder.bike));
    let controller = bike.folder.bike.controller;
    let rescaling = rescaling(controller.fuel_table, controller.load, [&from, &to], AirTaken::Alike).ok()?;
    (rescaling.factor != 1.0).then(|| {
        format!(
            "the fuel table of {slot} was made in {} for other hardware than bike.yaml says now: every cell is off by \
             {} % until `rideloop rescale`",
            revision.name(),
            units::fixed((rescaling.factor - 1.0).abs() * 100.0, 1)
        )
    })
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
        let (lean_if, look_at) = slot.rescaling.lean_if();
        format!(
            "every cell of slot {} gets {} % less, full load too: if {lean_if}, it runs lean and can break. Look at \
             {look_at}; and at lambda at light load, before any load",
            slot.slot,
            units::fixed((1.0 - slot.rescaling.factor) * 100.0, 1)
        )
    };
    leaned.map(caution).collect()
}
