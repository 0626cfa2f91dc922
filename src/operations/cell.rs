//! `cell`: one cell through all revisions.

use super::error::OperationError;
use super::open::OpenBike;
use super::past::Past;
use crate::bike::{TableRole, stock_and_trim};
use crate::evidence::EvidenceRow;
use crate::ledger::{RevisionKind, RideRef};
use crate::table::LoadAxis;
use serde::Serialize;

/// One cell through all revisions of its slot.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct CellReport {
    /// The slot.
    pub slot: String,
    /// Breakpoint of the cell, 1/min.
    pub rpm: f64,
    /// Breakpoint of the cell, in the load axis' unit.
    pub load: f64,
    /// The operating point that was asked for, when it is not the cell's own.
    pub asked: Option<(f64, f64)>,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Decimals of the cell.
    pub decimals: usize,
    /// The lambda wanted here now.
    pub wanted_lambda: f64,
    /// Why the tuner locked it, when it is locked.
    pub locked: Option<String>,
    /// What the stock map below the trim holds here, where it is known.
    pub stock: Option<f64>,
    /// What stock map and trim give together now, in the stock map's unit.
    pub total: Option<f64>,
    /// Its revisions, newest first.
    pub steps: Vec<CellStep>,
}

/// A cell in one revision.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct CellStep {
    /// The revision.
    pub revision: String,
    /// What made it.
    pub kind: RevisionKind,
    /// The build on the bike.
    pub build: String,
    /// What the cell holds.
    pub value: f64,
    /// The lambda wanted there, where the slot had a mixture table.
    pub wanted_lambda: Option<f64>,
    /// The ignition advance there, degrees before top dead centre, where there was a spark table.
    pub spark_deg: Option<f64>,
    /// How much fuel it gained against the revision before, %.
    pub change_pct: Option<f64>,
    /// What the rides of this revision said.
    pub evidence: Option<EvidenceRow>,
    /// The rides of this revision.
    pub rides: Vec<RideRef>,
    /// Why, where a person had to say.
    pub why: Option<String>,
}

/// Follows one cell; an operating point between cells means the nearest one.
///
/// # Errors
/// When the slot does not exist, there is no revision yet, or one cannot be read.
pub fn cell(bike: &OpenBike, rpm: f64, load: f64, slot: Option<&str>) -> Result<CellReport, OperationError> {
    let slot = bike.slot(slot)?;
    let today = bike.today(&slot);
    let grid = &today.fuel.grid;
    let (i, j) = (grid.rpm.nearest(rpm), grid.load.nearest(load));
    let (cell_rpm, cell_load) = grid.point(grid.cell(i, j));
    let kind = bike.folder.bike.controller.fuel_table;
    let past = Past::new(bike);
    let mut steps: Vec<CellStep> = Vec::new();
    for revision in bike.revisions.iter().rev() {
        if !revision.record.slots.contains(&slot) {
            continue;
        }
        let Some((_, table)) = past.fuel(&revision.commit, &slot)? else { continue };
        let value = table.at(cell_rpm, cell_load);
        let other = |role| -> Result<Option<f64>, OperationError> {
            let table = past.other(role, &revision.commit, &slot)?;
            Ok(table.map(|table| table.at(cell_rpm, cell_load)))
        };
        let evidence = match revision.record.kind {
            RevisionKind::Run => past.evidence_of_cell(&revision.commit, &slot, (cell_rpm, cell_load))?,
            _ => None,
        };
        steps.push(CellStep {
            revision: revision.name(),
            kind: revision.record.kind,
            build: revision.record.build.clone(),
            value,
            wanted_lambda: other(TableRole::Mixture)?,
            spark_deg: other(TableRole::Spark)?,
            change_pct: steps.last().map(|before| kind.change_pct(before.value, value)),
            evidence,
            rides: revision.record.rides.clone(),
            why: revision.record.why.clone(),
        });
    }
    if steps.is_empty() {
        return Err(OperationError::failed("this bike has no revisions yet", "`rideloop run` makes them"));
    }
    steps.reverse();
    let stock = bike.folder.stock.get(&slot);
    let asked = (cell_rpm != rpm || cell_load != load).then_some((rpm, load));
    Ok(CellReport {
        rpm: cell_rpm,
        load: cell_load,
        asked,
        load_axis: today.fuel.load_axis,
        decimals: today.fuel.resolution.decimals(),
        wanted_lambda: today.mixture.at(cell_rpm, cell_load),
        stock: stock.map(|stock| stock.at(cell_rpm, cell_load)),
        total: stock.map(|stock| stock_and_trim(stock, &today.fuel, cell_rpm, cell_load)),
        locked: today.lock_of(cell_rpm, cell_load).map(|lock| lock.why.clone()),
        steps,
        slot,
    })
}
