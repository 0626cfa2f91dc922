//! `show`: one point of the history with everything that belongs to it.

use super::diff::{DiffReport, against_before};
use super::error::OperationError;
use super::history::HistoryEntry;
use super::open::OpenBike;
use super::point::{Point, find_point, no_revisions};
use super::replay::pipeline_text;
use super::run_report::drawn;
use crate::bike::{FuelTableKind, TableRole, read_stock, stock_and_trim};
use crate::evidence::EvidenceRow;
use crate::ledger::RevisionKind;
use crate::table::{DrawnCell, LoadAxis, Table};
use serde::Serialize;

/// One revision with everything that belongs to it.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct ShowReport {
    /// Its line of the history.
    #[serde(flatten)]
    pub entry: HistoryEntry,
    /// What a fuel cell held then.
    pub fuel_table: FuelTableKind,
    /// Its tables.
    pub tables: Vec<ShownTable>,
    /// What stock map and trim give together, by slot, where the stock map is known.
    pub totals: Vec<ShownTotal>,
    /// The evidence behind it, by slot.
    pub evidence: Vec<ShownEvidence>,
    /// What changed against the revision before.
    pub changes: Option<DiffReport>,
    /// The pipeline's text; the commit's own message holds it in any case.
    pub pipeline_text: Option<String>,
}

/// A table of a revision.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct ShownTable {
    /// The slot.
    pub slot: String,
    /// Which of its tables.
    pub table: TableRole,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Decimals of a cell.
    pub decimals: usize,
    /// Breakpoints, 1/min.
    pub rpm: Vec<f64>,
    /// Breakpoints of the load axis.
    pub load: Vec<f64>,
    /// Row-major cells, rpm by load.
    pub values: Vec<f64>,
}

/// What stock map and trim give together, on the trim's axes and in the stock map's unit.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct ShownTotal {
    /// The slot.
    pub slot: String,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Decimals of a cell.
    pub decimals: usize,
    /// Breakpoints, 1/min.
    pub rpm: Vec<f64>,
    /// Breakpoints of the load axis.
    pub load: Vec<f64>,
    /// Row-major cells, rpm by load.
    pub values: Vec<f64>,
}

impl ShownTotal {
    fn of(slot: &str, stock: &Table, trim: &Table) -> Self {
        let grid = &trim.grid;
        let at = |(rpm, load)| stock_and_trim(stock, trim, rpm, load);
        Self {
            slot: slot.to_owned(),
            load_axis: trim.load_axis,
            decimals: TOTAL_DECIMALS,
            rpm: grid.rpm.breakpoints().to_vec(),
            load: grid.load.breakpoints().to_vec(),
            values: (0..grid.cells()).map(|cell| at(grid.point(cell))).collect(),
        }
    }
}

/// Decimals that tell a pulse width in ms and a volumetric efficiency in % well enough.
pub(super) const TOTAL_DECIMALS: usize = 2;

/// The evidence of a slot.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct ShownEvidence {
    /// The slot.
    pub slot: String,
    /// What its fuel cells hold.
    pub fuel_table: FuelTableKind,
    /// One row a cell.
    pub cells: Vec<EvidenceRow>,
}

impl ShownEvidence {
    /// The changed cells, ready to draw.
    pub fn drawn_cells(&self) -> Vec<DrawnCell> {
        drawn(&self.cells, self.fuel_table)
    }
}

/// Shows one point of the history; by default the newest revision.
///
/// Without a slot: the slots that the revision is about.
///
/// # Errors
/// When it does not exist or cannot be read any more, or two slots are named.
pub fn show(bike: &OpenBike, name: Option<&str>, slot: Option<&str>) -> Result<ShowReport, OperationError> {
    let point = match name {
        Some(name) => find_point(bike, name)?,
        None => Point { revision: bike.newest().ok_or_else(no_revisions)?, slot: None },
    };
    let point = point.of_slot(bike, slot)?;
    let revision = point.revision;
    let (bike_then, files) = bike.bike_at(&revision.commit)?;
    let is_shown = |name: &String| match &point.slot {
        Some(slot) => name == slot,
        None => revision.record.slots.contains(name),
    };
    let mut tables = Vec::new();
    let (mut evidence, mut totals) = (Vec::new(), Vec::new());
    for slot in bike_then.slots.iter().filter(|s| is_shown(s)) {
        let found = bike.tables_at(&revision.commit, slot)?;
        let mut push = |role, table: &Table| tables.push(shown(slot, role, table));
        push(TableRole::Fuel, &found.fuel);
        push(TableRole::Mixture, &found.mixture);
        if let Some(spark) = &found.spark {
            push(TableRole::Spark, spark);
        }
        let stock = read_stock(slot, &bike_then, &files)?;
        totals.extend(stock.map(|stock| ShownTotal::of(slot, &stock, &found.fuel)));
        // Evidence of an earlier run of this slot says nothing about this revision.
        if revision.record.kind == RevisionKind::Run && revision.record.slots.contains(slot) {
            evidence.push(ShownEvidence {
                slot: slot.clone(),
                fuel_table: bike_then.controller.fuel_table,
                cells: bike.evidence_at(&revision.commit, slot)?,
            });
        }
    }
    let changes = against_before(bike, point)?;
    let pipeline_text = pipeline_text(revision, &files)?;
    Ok(ShowReport {
        entry: HistoryEntry::new(revision),
        fuel_table: bike_then.controller.fuel_table,
        tables,
        totals,
        evidence,
        changes,
        pipeline_text,
    })
}

/// A table as reports show it.
pub(super) fn shown(slot: &str, role: TableRole, table: &Table) -> ShownTable {
    ShownTable {
        slot: slot.to_owned(),
        table: role,
        load_axis: table.load_axis,
        decimals: table.resolution.decimals(),
        rpm: table.grid.rpm.breakpoints().to_vec(),
        load: table.grid.load.breakpoints().to_vec(),
        values: table.values.clone(),
    }
}
