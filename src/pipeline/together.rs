//! All rides of a run together: what they say of each cell.
//!
//! The outcomes of single rides enter, in the order of their hashes so that the
//! same rides give the same bytes; the evidence of every cell leaves, and what all
//! of them may owe to false air.

use super::gas_flow::gas_flow_of_cells;
use super::plan::Plan;
use super::ride_run::RideOutcome;
use crate::bike::{Bike, FuelTableKind, SlotTables};
use crate::blend::Inferred;
use crate::evidence::{
    CellEvidence, CellSums, Estimator, LowFlowRise, RideEquations, evidence_of, low_flow_rise, solve,
};
use crate::table::Table;

/// What the rides of a run say.
#[derive(Debug, Clone)]
pub struct Together {
    /// The evidence of each cell of today's grid, in table order.
    pub cells: Vec<Option<CellEvidence>>,
    /// What of the asked changes rises towards low flow, where enough was ridden
    /// to tell.
    pub low_flow: Option<LowFlowRise>,
    /// The share of each cell's start amount that false air may ask for, in table
    /// order; empty where none is suspected.
    pub false_air: Vec<f64>,
}

/// Adds up the rides, each with the weight that its age leaves it. `start` is the
/// fuel table at the build's first revision.
///
/// `None` when the surface cannot be solved.
pub fn evidence_of_rides(
    plan: &Plan,
    rides: &[(&RideOutcome, f64)],
    today: &SlotTables,
    start: &Table,
    bike: &Bike,
) -> Option<Together> {
    let kind = bike.controller.fuel_table;
    let grid = &today.fuel.grid;
    let at_start = |cell: usize| {
        let (rpm, load) = grid.point(cell);
        kind.amount(start.at(rpm, load))
    };
    let start: Vec<f64> = (0..grid.cells()).map(at_start).collect();
    let cells = cells_of(plan, rides, today, &start, kind)?;
    let flow_kg_s = gas_flow_of_cells(bike, &today.fuel);
    let low_flow = low_flow_rise(&cells, grid, &start, &flow_kg_s, kind);
    let suspect = low_flow.filter(LowFlowRise::is_suspect);
    let false_air = suspect.map_or(Vec::new(), |rise| flow_kg_s.iter().map(|flow| rise.at(*flow)).collect());
    Some(Together { cells, low_flow, false_air })
}

/// The evidence of each cell.
fn cells_of(
    plan: &Plan,
    rides: &[(&RideOutcome, f64)],
    today: &SlotTables,
    start: &[f64],
    kind: FuelTableKind,
) -> Option<Vec<Option<CellEvidence>>> {
    let mut sums = vec![CellSums::default(); today.fuel.grid.cells()];
    for (outcome, age) in rides {
        for (sum, more) in sums.iter_mut().zip(&outcome.sums) {
            sum.merge(&more.weighted(*age));
        }
    }
    match &plan.estimator {
        Estimator::Mean(averaging) => {
            let spread = averaging.spread();
            Some(sums.iter().map(|sums| CellEvidence::from_sums(sums, &spread, kind)).collect())
        }
        Estimator::Surface(fit) => {
            let aged =
                |(outcome, age): &(&RideOutcome, f64)| Some(outcome.equations.as_ref()?.weighted(*age));
            let equations: Vec<RideEquations> = rides.iter().filter_map(aged).collect();
            let borrowed: Vec<&RideEquations> = equations.iter().collect();
            let amounts: Vec<f64> = today.fuel.values.iter().map(|v| kind.amount(*v)).collect();
            let solution = solve(&borrowed, &today.fuel.grid, &amounts, start, fit)?;
            Some(evidence_of(&solution, &sums, kind, plan.blending.inferred == Inferred::All))
        }
    }
}
