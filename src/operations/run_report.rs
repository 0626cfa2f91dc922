//! What a run says of its rides and cells.

use super::delay::RideDelay;
use super::open::OpenBike;
use super::ride_record::RideDetails;
use super::rides::{StandingReason, UsableRide};
use super::run::RunRequest;
use crate::bike::FuelTableKind;
use crate::blend::{Hold, Refusal};
use crate::evidence::{EvidenceRow, RideStatements};
use crate::findings::Finding;
use crate::ledger::PipelineRef;
use crate::pipeline::{CommonDelay, Funnel, Plan, RideOutcome};
use crate::ride::{BadValue, LOGGED_SLOT, LoggerRef};
use crate::table::{self, CellMark, DrawnCell};
use serde::Serialize;
use std::collections::BTreeMap;

/// What became of one ride.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RideReport {
    /// Its name.
    pub file: String,
    /// Its hash.
    pub sha256: String,
    /// The logger it was read through; none where its titles are the channels' own.
    pub logger: Option<LoggerRef>,
    /// The revision it was made on.
    pub revision: String,
    /// The slot it was made on; `as_logged` where its log tells.
    pub slot: String,
    /// Rows before the log tells the first slot, which are on the one that was told.
    pub rows_on_told_slot: usize,
    /// The slot of those, where there are any.
    pub unlogged_slot: Option<String>,
    /// Samples in the log.
    pub samples: usize,
    /// Samples that reached the evidence.
    pub kept: usize,
    /// Dropped samples by reason.
    pub rejected: BTreeMap<String, usize>,
    /// The same stage by stage.
    pub funnel: Funnel,
    /// Values that could not be read, the first of them.
    pub unparsable: Vec<BadValue>,
    /// How many could not be read in all.
    pub unparsable_total: usize,
    /// The newest revision was taken, since its place does not tell.
    pub revision_presumed: bool,
    /// The lambda delay found from it, where bike.yaml leaves it to the rides.
    pub delay: Option<RideDelay>,
    /// Signs that a sensor or the log lies.
    pub findings: Vec<Finding>,
}

/// What a ride that was read says.
pub(super) fn ride_report(ride: &UsableRide, outcome: &RideOutcome, details: &RideDetails) -> RideReport {
    RideReport {
        file: ride.name.clone(),
        sha256: ride.sha256.clone(),
        logger: details.logger.clone(),
        revision: ride.revision.clone(),
        slot: if details.slot_logged { LOGGED_SLOT.to_owned() } else { ride.slot.clone() },
        rows_on_told_slot: details.rows_on_told_slot,
        unlogged_slot: (details.rows_on_told_slot > 0).then(|| ride.slot.clone()),
        samples: outcome.funnel.samples(),
        kept: outcome.funnel.kept(),
        rejected: outcome.funnel.rejected(),
        funnel: outcome.funnel.clone(),
        unparsable: details.unparsable.clone(),
        unparsable_total: details.unparsable_total,
        revision_presumed: ride.revision_presumed,
        delay: outcome.delay.as_ref().map(RideDelay::from),
        findings: details.findings.clone(),
    }
}

/// A ride the run passed over.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct SkippedRide {
    /// Its name.
    pub file: String,
    /// Its hash, when it could be read.
    pub sha256: Option<String>,
    /// Why.
    pub reason: StandingReason,
    /// The same in words.
    pub why: String,
    /// Signs that a sensor or the log lies, as far as it was looked at.
    pub findings: Vec<Finding>,
}

/// What a run found and did.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RunReport {
    /// The revision it made.
    pub revision: Option<String>,
    /// Its commit.
    pub commit: Option<String>,
    /// The revision it started from.
    pub from_revision: String,
    /// The slot.
    pub slot: String,
    /// Whether nothing was to be written.
    pub dry_run: bool,
    /// The pipeline and its hash.
    pub pipeline: PipelineRef,
    /// The load axis of the cells.
    pub load_axis: table::LoadAxis,
    /// What a fuel cell holds.
    pub fuel_table: FuelTableKind,
    /// Decimals of a fuel cell.
    pub decimals: usize,
    /// The rides that were read.
    pub rides: Vec<RideReport>,
    /// The rides that were passed over.
    pub passed_over: Vec<SkippedRide>,
    /// Signs that only show in all counted rides together.
    pub findings: Vec<Finding>,
    /// All samples, stage by stage.
    pub funnel: Funnel,
    /// Every cell of the fuel table.
    pub cells: Vec<EvidenceRow>,
    /// How many change.
    pub cells_changed: usize,
    /// How many were held, fully or at a limit.
    pub cells_held: usize,
    /// The lambda delay that the rides found together, where bike.yaml leaves it to them.
    pub delay: Option<CommonDelay>,
    /// Why nothing changed, when nothing did.
    pub nothing: Option<String>,
    /// What else is worth knowing.
    pub notes: Vec<String>,
    /// The guard that refused.
    pub refused: Option<Refusal>,
    /// What the rides said, as the revision keeps it.
    #[serde(skip)]
    pub(super) statements: RideStatements,
}

/// The report of a run that has not begun.
pub(super) fn empty_report(bike: &OpenBike, plan: &Plan, slot: &str, request: &RunRequest) -> RunReport {
    RunReport {
        revision: None,
        commit: None,
        from_revision: bike.newest_name(),
        slot: slot.to_owned(),
        dry_run: request.dry_run,
        pipeline: PipelineRef { name: plan.name.clone(), sha256: plan.sha256.clone() },
        load_axis: bike.folder.bike.controller.load,
        fuel_table: bike.folder.bike.controller.fuel_table,
        decimals: bike.folder.bike.resolution.decimals(),
        rides: Vec::new(),
        passed_over: Vec::new(),
        findings: Vec::new(),
        funnel: Funnel::default(),
        cells: Vec::new(),
        cells_changed: 0,
        cells_held: 0,
        nothing: None,
        delay: None,
        notes: Vec::new(),
        refused: None,
        statements: RideStatements::default(),
    }
}

impl RunReport {
    /// How many of the cells that change only follow their neighbours.
    pub fn cells_inferred(&self) -> usize {
        self.drawn_cells().iter().filter(|c| c.mark == Some(CellMark::Inferred)).count()
    }

    /// The cells that change, ready to draw.
    pub fn drawn_cells(&self) -> Vec<DrawnCell> {
        drawn(&self.cells, self.fuel_table)
    }
}

/// The changed cells of an evidence table, ready to draw.
pub(super) fn drawn(rows: &[EvidenceRow], kind: FuelTableKind) -> Vec<DrawnCell> {
    let changed = rows.iter().filter(|r| r.before != r.after);
    changed
        .map(|row| DrawnCell {
            rpm: row.rpm,
            load: row.load,
            before: row.before,
            after: row.after,
            change_pct: kind.change_pct(row.before, row.after),
            mark: mark_of(row.held_by.as_deref()),
        })
        .collect()
}

/// The mark of a changed cell, by what held it.
pub(super) fn mark_of(held_by: Option<&str>) -> Option<CellMark> {
    held_by.map(|hold| if hold == Hold::Inferred.name() { CellMark::Inferred } else { CellMark::Limit })
}
