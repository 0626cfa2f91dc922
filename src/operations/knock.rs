//! `knock`: cells of the spark table that knocked on the road are retarded by a set step.
//!
//! Rides of the build enter, and the spark tables they were ridden with; an edit of the spark
//! table leaves. What a cell is brought to is counted from the advance it held when it knocked, so
//! that the same rides never retard it twice. Nothing is ever advanced.

use super::by_hand::{HandReport, HandRequest, HandWork, SlotChange, carry_out, open_to_change};
use super::error::OperationError;
use super::open::OpenBike;
use super::read_rides::{RiddenTables, needed_standings_of_build, read_rides};
use super::run::Progress;
use crate::bike::{CellEdit, HandChange, HandDeed, Region, SlotTables, TableRole, apply_changes};
use crate::evidence::{knock_near_cells, knocks_at_deg};
use crate::ledger::RevisionKind;
use crate::pipeline::{load_channel, signs};
use crate::ride::{Channel, Ride};
use crate::table::{Grid, LoadAxis, Table};
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// More than this below the build's first spark table is no cure any more. Common practice, no source.
const FAR_DEG: f64 = 5.0;

/// What is asked.
#[derive(Debug, Clone)]
pub struct KnockRequest {
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// Rides or folders of rides; empty for the bike's own.
    pub rides: Vec<PathBuf>,
    /// How far below the advance at which it knocked a cell is brought, degrees.
    pub retard_deg: f64,
    /// Fewer events than this near a cell are noise.
    pub fewest_events: f64,
    /// What all changes by hand are asked; without a reason the events are one.
    pub hand: HandRequest,
}

/// What knocked, and what was done about it.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct KnockReport {
    /// The slot.
    pub slot: String,
    /// How far below the advance at which it knocked a cell is brought, degrees.
    pub retard_deg: f64,
    /// Fewer events than this near a cell are noise.
    pub fewest_events: f64,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Decimals of the spark table.
    pub decimals: usize,
    /// The rides.
    pub rides: Vec<KnockRide>,
    /// The cells near which it knocked.
    pub cells: Vec<KnockCell>,
    /// The change of the spark table.
    pub change: HandReport,
}

/// One ride's part.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct KnockRide {
    /// Its name.
    pub file: String,
    /// The revision it was made on.
    pub revision: Option<String>,
    /// Events on this slot that have a place in the table.
    pub events: f64,
    /// Events without engine speed or load, or on another slot.
    pub unplaced_events: f64,
    /// Why it says nothing, where it does not.
    pub trouble: Option<String>,
}

/// A cell near which it knocked.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct KnockCell {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// Events near it in all rides.
    pub events: f64,
    /// Rides with one.
    pub rides: usize,
    /// The least advance at which it is known to knock; none with too few events.
    pub knocks_at_deg: Option<f64>,
    /// What the cell holds, degrees before top dead centre.
    pub before_deg: f64,
    /// What it is to hold.
    pub after_deg: f64,
    /// The lambda wanted here.
    pub wanted_lambda: f64,
    /// Why it stays as it is although it knocks.
    pub stays: Option<String>,
}

/// What one ride told.
struct Heard {
    near: Vec<f64>,
    placed: f64,
    unplaced: f64,
    /// The advance of each cell when it was ridden.
    advance_deg: Vec<f64>,
}

/// Retards the cells that knocked, as a revision.
///
/// # Errors
/// When slot or spark table do not exist, there is no ride, or a guard of the folder refuses; a
/// refusal of the change itself is in the report.
pub fn knock(
    root: &Path,
    request: &KnockRequest,
    progress: &dyn Progress,
) -> Result<KnockReport, OperationError> {
    let (writable, bike) = open_to_change(root, request.hand.dry_run)?;
    bike.refuse_edits()?;
    let slot = bike.slot(request.slot.as_deref())?;
    let before = bike.today(&slot).clone();
    let Some(spark) = before.spark.clone() else {
        return Err(OperationError::failed(
            format!("slot `{slot}` has no spark table, so nothing can be retarded here"),
            "`rideloop import FILE --table spark` brings one in; until then take advance out in the controller",
        ));
    };
    let standings = needed_standings_of_build(&bike, &slot, &request.rides)?;
    let ridden = RiddenTables::of(&bike, &slot, &standings);
    let axis = bike.folder.bike.controller.load;
    let read = read_rides(&bike, &standings, progress, |ride, log| {
        let then =
            ridden.of_ride(ride)?.spark.as_ref().ok_or(format!("{} holds no spark table", ride.revision))?;
        hear(log, &slot, axis, &spark.grid, then)
    })?;
    if !progress.may_write() {
        return Err(OperationError::STOPPED);
    }
    let heard: Vec<&Heard> = read.iter().filter_map(|ride| ride.said.as_ref().ok()).collect();
    let cells = judged(&spark, &before, &heard, request);
    let edits: Vec<HandChange> = cells
        .iter()
        .filter(|cell| cell.after_deg < cell.before_deg)
        .map(|cell| HandChange {
            slot: slot.clone(),
            region: Region { rpm: [cell.rpm; 2], load: [cell.load; 2] },
            deed: HandDeed::Cells(TableRole::Spark, CellEdit::Set(cell.after_deg)),
        })
        .collect();
    let kind = bike.folder.bike.controller.fuel_table;
    let after = apply_changes(&slot, &before, kind, &edits)
        .map_err(|error| OperationError::failed(error.to_string(), "`rideloop show` shows the tables"))?;
    let why = match units::one_line(&request.hand.why) {
        why if why.is_empty() => reason(&heard, edits.len()),
        why => why,
    };
    let work = HandWork {
        is_of_new_hardware: false,
        kind: RevisionKind::Edit,
        nothing: nothing(&cells, &heard, request),
        notes: notes(&bike, &slot, &cells)?,
        slots: vec![SlotChange { slot: slot.clone(), before: Some(before), after }],
        edits,
        imports: Vec::new(),
        files: Vec::new(),
        done: "against knock",
    };
    let rides = read.iter().map(|ride| {
        let (said, trouble) = match &ride.said {
            Ok(heard) => (Some(heard), None),
            Err(why) => (None, Some(why.clone())),
        };
        KnockRide {
            file: ride.file.clone(),
            revision: ride.revision.clone(),
            events: said.map_or(0.0, |heard| heard.placed),
            unplaced_events: said.map_or(0.0, |heard| heard.unplaced),
            trouble,
        }
    });
    let rides = rides.collect();
    let hand = HandRequest { why, ..request.hand.clone() };
    Ok(KnockReport {
        slot,
        retard_deg: request.retard_deg,
        fewest_events: request.fewest_events,
        load_axis: axis,
        decimals: spark.resolution.decimals(),
        rides,
        cells,
        change: carry_out(root, bike, writable, &hand, work)?,
    })
}

/// One ride's events, and the advance it was ridden with.
fn hear(log: &Ride, slot: &str, axis: LoadAxis, grid: &Grid, then: &Table) -> Result<Heard, String> {
    let channel =
        |channel: Channel| log.values(channel).ok_or(format!("has no values for `{}`", channel.name()));
    let (events, rpm, load) =
        (channel(Channel::KnockCount)?, channel(Channel::Rpm)?, channel(load_channel(axis))?);
    let here = signs::on_slot(log, slot);
    let is_event = |i: &usize| events[*i] > 0.0;
    let is_placed = |i: &usize| here[*i] && rpm[*i].is_finite() && load[*i].is_finite();
    let (placed, unplaced): (Vec<usize>, Vec<usize>) =
        (0..events.len()).filter(is_event).partition(is_placed);
    let sum = |rows: &[usize]| rows.iter().map(|i| events[*i]).sum();
    let advance = (0..grid.cells()).map(|cell| grid.point(cell)).map(|(rpm, load)| then.at(rpm, load));
    Ok(Heard {
        near: knock_near_cells(grid, placed.iter().map(|i| (rpm[*i], load[*i], events[*i]))),
        placed: sum(&placed),
        unplaced: sum(&unplaced),
        advance_deg: advance.collect(),
    })
}

/// The cells near which it knocked, and what each is to hold.
fn judged(spark: &Table, tables: &SlotTables, heard: &[&Heard], request: &KnockRequest) -> Vec<KnockCell> {
    let step = spark.resolution.step();
    let cells = (0..spark.grid.cells()).filter_map(|cell| {
        let of_cell: Vec<(f64, f64)> = heard
            .iter()
            .map(|ride| (ride.advance_deg[cell], ride.near[cell]))
            .filter(|(_, n)| *n > 0.0)
            .collect();
        let events: f64 = of_cell.iter().map(|(_, n)| n).sum();
        if events <= 0.0 {
            return None;
        }
        let (rpm, load) = spark.grid.point(cell);
        let before_deg = spark.values[cell];
        let rides = of_cell.len();
        let knocks_at = knocks_at_deg(of_cell, request.fewest_events);
        // A whole step of the table, at least as far below as asked.
        let wanted = knocks_at.map_or(f64::INFINITY, |at| {
            let snapped = spark.resolution.snap(at - request.retard_deg);
            if snapped > at - request.retard_deg + step * 1e-6 {
                spark.resolution.snap(snapped - step)
            } else {
                snapped
            }
        });
        let locked = tables.lock_of(rpm, load).filter(|_| wanted < before_deg);
        let stays = match (knocks_at, locked) {
            (None, _) => {
                Some(format!("fewer than {}", units::counted(request.fewest_events as usize, "event")))
            }
            (_, Some(lock)) => Some(format!("locked: {}", lock.why)),
            (Some(_), None) if wanted >= before_deg => Some("retarded since".to_owned()),
            _ => None,
        };
        Some(KnockCell {
            rpm,
            load,
            events,
            rides,
            knocks_at_deg: knocks_at,
            before_deg,
            after_deg: if stays.is_none() { wanted } else { before_deg },
            wanted_lambda: tables.mixture.at(rpm, load),
            stays,
        })
    });
    cells.collect()
}

fn reason(heard: &[&Heard], cells: usize) -> String {
    let events: f64 = heard.iter().map(|ride| ride.placed).sum();
    let rides = heard.iter().filter(|ride| ride.placed > 0.0).count();
    format!(
        "{} of knock in {}, near {}",
        units::counted(events.round() as usize, "event"),
        units::counted(rides, "ride"),
        units::counted(cells, "cell")
    )
}

fn nothing(cells: &[KnockCell], heard: &[&Heard], request: &KnockRequest) -> String {
    match (cells.is_empty(), heard.is_empty()) {
        (_, true) => "no ride logs knock (`knock_count`) on a spark table".to_owned(),
        (true, false) => "no knock was logged".to_owned(),
        (false, false) if cells.iter().all(|cell| cell.knocks_at_deg.is_none()) => {
            let fewest = units::counted(request.fewest_events as usize, "event");
            format!("no cell has {fewest} near it")
        }
        _ => "the spark table answers the logged knock already, or its cells are locked".to_owned(),
    }
}

/// What is worth knowing of the cells that change, and of those that do not.
fn notes(bike: &OpenBike, slot: &str, cells: &[KnockCell]) -> Result<Vec<String>, OperationError> {
    let mut notes = Vec::new();
    let place = |cell: &KnockCell| format!("{} rpm, {}", units::plain(cell.rpm), units::plain(cell.load));
    let locked: Vec<String> = cells
        .iter()
        .filter(|cell| cell.stays.as_deref().is_some_and(|why| why.starts_with("locked")))
        .map(place)
        .collect();
    if !locked.is_empty() {
        notes.push(format!(
            "locked cells knock and stay: {}; `rideloop edit unlock` frees them",
            locked.join("; ")
        ));
    }
    let Some(start) = bike.start_tables(slot)?.spark else { return Ok(notes) };
    let far: Vec<String> = cells
        .iter()
        .filter(|cell| start.at(cell.rpm, cell.load) - cell.after_deg > FAR_DEG)
        .map(place)
        .collect();
    if !far.is_empty() {
        notes.push(format!(
            "more than {} degrees below the build's first spark table, which heats the exhaust and cures no cause: {}",
            units::plain(FAR_DEG),
            far.join("; ")
        ));
    }
    Ok(notes)
}
