//! `compare`: the bike before and after, for whoever owns it.
//!
//! Two points of the history and, where there are any, power curves enter; what was changed, the maps
//! of both sides, the rides behind it and what to mind leave.

use super::diff::{TableChange, came_or_went, table_change};
use super::error::OperationError;
use super::history::HistoryEntry;
use super::open::OpenBike;
use super::point::{Point, find_point, no_revisions, on_both, slot_pairs};
use super::power::{PowerReport, PowerRequest, power};
use super::season::{RideSaid, SeasonBuild, SeasonRide, season, together};
use super::show::{ShownTable, shown};
use crate::bike::{AirTaken, Bike, EngineData, FuelTableKind, SlotTables, TableRole, rescaling};
use crate::evidence::LambdaError;
use crate::ledger::Revision;
use crate::ride::RideState;
use crate::table::Table;
use serde::Serialize;
use std::path::Path;

/// What is asked for.
#[derive(Debug, Clone, Default)]
pub struct CompareRequest {
    /// The point before; without it the first revision.
    pub from: Option<String>,
    /// The point after; without it the newest revision.
    pub to: Option<String>,
    /// One slot only; without it all that both sides have.
    pub slot: Option<String>,
    /// Power curves, the one before first; without files there are none.
    pub power: PowerRequest,
}

/// The bike before and after.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct CompareReport {
    /// The bike's name.
    pub bike: String,
    /// The fuel that the map after is for.
    pub fuel: String,
    /// The point before: a revision, or a slot of it as r5:power.
    pub from: String,
    /// The point after.
    pub to: String,
    /// The revision before.
    pub before: HistoryEntry,
    /// The revision after.
    pub after: HistoryEntry,
    /// Hardware that came after the one before, oldest first.
    pub builds: Vec<SeasonBuild>,
    /// The revisions after the one before, up to the one after, oldest first.
    pub revisions: Vec<HistoryEntry>,
    /// The slots that both sides have.
    pub slots: Vec<SlotCompared>,
    /// Slots and tables that came or went.
    pub came_or_went: Vec<String>,
    /// The rides that these revisions stand on and that still count.
    pub rides: Vec<SeasonRide>,
    /// How long they are together, s.
    pub ridden_s: f64,
    /// Power and torque; null where no files were named.
    pub power: Option<PowerReport>,
    /// What it cannot tell.
    pub notes: Vec<String>,
    /// What can hurt.
    pub cautions: Vec<String>,
}

/// One slot before and after.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct SlotCompared {
    /// Its name.
    pub slot: String,
    /// Its name before, where two slots are compared.
    pub from_slot: Option<String>,
    /// What its fuel cells hold now.
    pub fuel_table: FuelTableKind,
    /// Its tables.
    pub tables: Vec<TableCompared>,
    /// Fuel cells that changed; null where they cannot be compared.
    pub fuel: Option<FuelChange>,
    /// By what injectors, fuel pressure and fuel of bike.yaml alone multiply a table of pulses or trims: where it
    /// is not 1, the same number is other fuel. Null where cells cannot be compared.
    pub hardware_factor: Option<f64>,
    /// The mixture error of the rides on the build after, as they were ridden and with the tables they led to, %,
    /// by time; null without such rides.
    pub error_pct: Option<[f64; 2]>,
    /// Share of the ridden time spent near cells that are well known, 0 to 1; null where no ride of the
    /// build stands behind the map, or where it is not the newest that is told.
    pub time_well_known: Option<f64>,
}

impl SlotCompared {
    /// What injectors and fuel alone do to the cells, where they do anything.
    pub fn other_hardware(&self) -> Option<f64> {
        self.hardware_factor.filter(|factor| *factor != 1.0)
    }
}

/// How the fuel changed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct FuelChange {
    /// Cells of the table.
    pub cells: usize,
    /// Cells that changed.
    pub changed: usize,
    /// The most that a cell lost (0 where none did), %.
    pub leanest_pct: f64,
    /// The most that a cell gained (0 where none did), %.
    pub richest_pct: f64,
}

/// One table before and after.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct TableCompared {
    /// Which of the slot's tables.
    pub table: TableRole,
    /// As it was; null where there was none.
    pub before: Option<ShownTable>,
    /// As it is; null where there is none.
    pub after: Option<ShownTable>,
    /// What changed; null where they cannot be compared.
    pub change: Option<TableChange>,
}

/// Common practice, no source; local rules and licensed practice go before all of this.
const CAUTIONS: [&str; 4] = [
    "ride gently at first and listen for knock: a map that is too lean under load, or an engine that knocks, is \
     damaged within minutes. Ease off and have it looked at before riding on",
    "another exhaust, air filter, cam or fuel makes this map wrong: have it measured again before riding it hard",
    "exhausts stay hot enough to burn long after a ride, and an engine is never run indoors without the exhaust \
     led outside",
    "whether these changes may be used on the road (noise, emissions, the bike's approval and its insurance) is \
     for the rules of your country and a licensed workshop to say",
];

/// Compares two points of the history.
///
/// # Errors
/// When a point does not exist, the one before is not the older, a slot is missing, or the files of power
/// curves cannot be used.
pub fn compare(
    bike: &OpenBike,
    root: &Path,
    request: &CompareRequest,
) -> Result<CompareReport, OperationError> {
    let (from, to) = points(bike, request)?;
    let numbers = [from.revision.record.number, to.revision.record.number];
    let same_point = numbers[0] == numbers[1] && from.slot == to.slot;
    if numbers[0] > numbers[1] || same_point {
        let what = match same_point {
            true => format!("{} is both before and after", to.name()),
            false => format!("{} is older than {}", to.name(), from.name()),
        };
        let hint = match same_point && bike.revisions.len() == 1 {
            true => "there is only one revision yet; `rideloop run` makes the next".to_owned(),
            false => "name the older one first, such as `rideloop compare b1 b2`".to_owned(),
        };
        return Err(OperationError::failed(what, hint));
    }
    let told = season(bike, None)?;
    let revisions: Vec<HistoryEntry> = bike
        .revisions
        .iter()
        .rev()
        .filter(|r| r.record.number > numbers[0] && r.record.number <= numbers[1])
        .map(HistoryEntry::new)
        .collect();
    let is_newest = bike.newest().is_some_and(|newest| newest.record.number == numbers[1]);
    let known_now = |slot: &str| {
        let slot = told.slots.iter().find(|s| s.slot == slot).filter(|_| is_newest)?;
        slot.known_now.map(|known| known.time_well_known)
    };
    let (bike_then, _) = bike.bike_at(&from.revision.commit)?;
    let (bike_now, _) = bike.bike_at(&to.revision.commit)?;
    let pairs = slot_pairs([&bike_then, &bike_now], from.slot.clone(), to.slot.clone());
    let of_these = |ride: &SeasonRide| {
        let in_range = |name: &String| revisions.iter().any(|r| r.revision == *name);
        let told = ride.said.iter().any(|said| pairs.iter().any(|(_, slot)| *slot == said.slot));
        ride.state == RideState::Used && told && ride.used_in.iter().any(in_range)
    };
    let rides: Vec<SeasonRide> = told.rides.iter().filter(|ride| of_these(ride)).cloned().collect();
    let slots = pairs
        .iter()
        .map(|(before, after)| {
            let compared =
                slot_compared(bike, (from.revision, &bike_then, before), (to.revision, &bike_now, after))?;
            let error_pct = error_of_build(&rides, after, &to.revision.record.build);
            Ok(SlotCompared { time_well_known: known_now(after), error_pct, ..compared })
        })
        .collect::<Result<Vec<_>, OperationError>>()?;
    let came_or_went = match from.slot.is_none() {
        true => came_or_went(bike, &from.revision.commit, &to.revision.commit)?,
        false => Vec::new(),
    };
    let power = match request.power.files.is_empty() {
        true => None,
        false => Some(power(root, &request.power)?),
    };
    let mut notes = Vec::new();
    if rides.is_empty() {
        let fed = revisions.iter().any(|revision| !revision.rides.is_empty());
        notes.push(match fed {
            true => "the rides that these changes were made from were set aside later".to_owned(),
            false => "no ride stands behind these changes: nothing was measured of them".to_owned(),
        });
    }
    if power.is_none() {
        notes.push("no power was measured: a map that fits the engine is no proof of more power".to_owned());
    }
    let seconds = rides.iter().flat_map(|ride| ride.said_once()).map(|said| said.ridden_s);
    Ok(CompareReport {
        ridden_s: seconds.sum(),
        bike: bike_now.name.clone(),
        fuel: bike_now.fuel_name.clone(),
        from: from.name(),
        to: to.name(),
        before: HistoryEntry::new(from.revision),
        after: HistoryEntry::new(to.revision),
        builds: builds_between(told.builds, &from.revision.record.build, &to.revision.record.build),
        revisions,
        slots,
        came_or_went,
        rides,
        power,
        notes,
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
    })
}

/// The two sides, with the slot that was asked for on both.
fn points<'a>(
    bike: &'a OpenBike,
    request: &CompareRequest,
) -> Result<(Point<'a>, Point<'a>), OperationError> {
    let oldest = || bike.revisions.last().ok_or_else(no_revisions);
    let newest = || bike.newest().ok_or_else(no_revisions);
    let from = match &request.from {
        Some(name) => find_point(bike, name)?,
        None => Point { revision: oldest()?, slot: None },
    };
    let to = match &request.to {
        Some(name) => find_point(bike, name)?,
        None => Point { revision: newest()?, slot: None },
    };
    let slot = request.slot.as_deref();
    let (mut from, mut to) = (from.of_slot(bike, slot)?, to.of_slot(bike, slot)?);
    on_both(bike, &mut from, &mut to)?;
    Ok((from, to))
}

fn slot_compared(
    bike: &OpenBike,
    (from, bike_then, slot_before): (&Revision, &Bike, &str),
    (to, bike_now, slot_after): (&Revision, &Bike, &str),
) -> Result<SlotCompared, OperationError> {
    let before = bike.tables_at(&from.commit, slot_before)?;
    let after = bike.tables_at(&to.commit, slot_after)?;
    let kind = bike_now.controller.fuel_table;
    let same_load = bike_then.controller.load == bike_now.controller.load;
    let same_fuel = same_load && bike_then.controller.fuel_table == kind;
    let held = match slot_before == slot_after {
        true => bike.evidence_at(&to.commit, slot_after)?,
        false => Vec::new(),
    };
    let mut tables = Vec::new();
    for role in [TableRole::Fuel, TableRole::Mixture, TableRole::Spark] {
        let (was, is) = (table_of(&before, role), table_of(&after, role));
        let comparable = if role == TableRole::Fuel { same_fuel } else { same_load };
        let change = was
            .zip(is)
            .filter(|_| comparable)
            .map(|(was, is)| table_change(slot_after, role, was, is, &held, kind));
        if was.is_some() || is.is_some() {
            tables.push(TableCompared {
                table: role,
                before: was.map(|table| shown(slot_before, role, table)),
                after: is.map(|table| shown(slot_after, role, table)),
                change,
            });
        }
    }
    let fuel = tables.iter().find(|t| t.table == TableRole::Fuel).and_then(|t| t.change.as_ref());
    let fuel = fuel.map(|change| {
        let known = || change.cells.iter().map(|c| c.change_pct).filter(|pct| pct.is_finite());
        FuelChange {
            cells: after.fuel.values.len(),
            changed: change.cells.len(),
            leanest_pct: known().fold(0.0, f64::min),
            richest_pct: known().fold(0.0, f64::max),
        }
    });
    // Whether the air grew with displacement nobody knows; the fuel of a number does not depend on it.
    let data = [bike_then, bike_now]
        .map(|bike| EngineData { displacement_cc: bike_now.engine.displacement_cc, ..EngineData::of(bike) });
    let hardware_factor = match same_fuel {
        true => rescaling(kind, bike_now.controller.load, [&data[0], &data[1]], AirTaken::Alike).ok(),
        false => None,
    };
    let hardware_factor = hardware_factor.map(|rescaling| rescaling.factor);
    Ok(SlotCompared {
        slot: slot_after.to_owned(),
        from_slot: (slot_before != slot_after).then(|| slot_before.to_owned()),
        fuel_table: kind,
        tables,
        fuel,
        hardware_factor,
        error_pct: None,
        time_well_known: None,
    })
}

/// How far off the mixture was in the rides of a slot on a build, as they were ridden and with the tables
/// they led to.
fn error_of_build(rides: &[SeasonRide], slot: &str, build: &str) -> Option<[f64; 2]> {
    let of_build = || rides.iter().filter(|ride| ride.build == build).flat_map(|ride| &ride.said);
    let said: Vec<&RideSaid> = of_build().filter(|said| said.slot == slot).collect();
    let of = |error: &dyn Fn(&RideSaid) -> Option<LambdaError>| {
        together(&said.iter().map(|said| (said.ridden_s, error(said))).collect::<Vec<_>>())
    };
    Some([of(&|said| said.as_ridden)?.rms_pct, of(&|said| said.after)?.rms_pct])
}

fn table_of(tables: &SlotTables, role: TableRole) -> Option<&Table> {
    match role {
        TableRole::Fuel => Some(&tables.fuel),
        TableRole::Mixture => Some(&tables.mixture),
        TableRole::Spark => tables.spark.as_ref(),
    }
}

/// The builds after the one before, up to the one after.
fn builds_between(builds: Vec<SeasonBuild>, before: &str, after: &str) -> Vec<SeasonBuild> {
    let at = |name: &str| builds.iter().position(|build| build.build == name);
    let (Some(first), Some(last)) = (at(before), at(after)) else { return Vec::new() };
    builds.into_iter().take(last + 1).skip(first + 1).collect()
}
