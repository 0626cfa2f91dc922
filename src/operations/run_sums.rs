//! What `run` and a replay of it compute alike: each ride through the pipeline on the
//! table it was made on, and of all of them the proposal.

use super::error::OperationError;
use super::made_on::MadeOn;
use super::open::OpenBike;
use super::rides::{StandingReason, UsableRide};
use super::run_report::{RunReport, SkippedRide};
use crate::blend::{BlendInput, Proposal, propose};
use crate::evidence::EvidenceRow;
use crate::findings::{self, Finding};
use crate::ledger::Moment;
use crate::pipeline::{Plan, RideContext, RideOutcome, evidence_of_rides};
use crate::revision::revision_number;

/// The tables each ride was made on; rides whose tables do not serve are passed over.
pub(super) fn ridden_tables(
    bike: &OpenBike,
    slot: &str,
    usable: &mut Vec<UsableRide>,
    report: &mut RunReport,
) -> MadeOn {
    let made_on = MadeOn::of(bike, slot, usable);
    let in_common = RideContext::of_one_slot(&bike.folder.bike, bike.today(slot), slot);
    usable.retain(|ride| {
        let Err(why) = made_on.context(ride, &in_common) else { return true };
        report.passed_over.push(SkippedRide {
            file: ride.name.clone(),
            sha256: Some(ride.sha256.clone()),
            reason: StandingReason::Unusable,
            why,
            findings: Vec::new(),
        });
        false
    });
    made_on
}

/// Adds up the rides' sums, in the order of their hashes, and blends; beside it
/// what the rides show together.
pub(super) fn propose_from(
    bike: &OpenBike,
    plan: &Plan,
    slot: &str,
    good: &[(UsableRide, RideOutcome, bool)],
    when: Moment,
) -> Result<(Proposal, Option<Finding>), OperationError> {
    let today = bike.today(slot);
    let kind = bike.folder.bike.controller.fuel_table;
    let aged: Vec<(&RideOutcome, f64)> = by_hash(good)
        .into_iter()
        .map(|(ride, outcome, _)| (outcome, weight_by_age(bike, plan, ride, when)))
        .collect();
    let start = bike.start_tables(slot)?.fuel;
    let together = evidence_of_rides(plan, &aged, today, &start, &bike.folder.bike).ok_or_else(|| {
        OperationError::failed(
            "the surface cannot be solved for these rides",
            "look for cells that hold no fuel, or use `average` in the pipeline",
        )
    })?;
    let input = BlendInput {
        today,
        start: &start,
        evidence: &together.cells,
        governed: &plan.governed(&bike.folder.bike, today),
        kind,
        module_range: bike.folder.bike.controller.trim_range_pct,
        today_weighed: plan.estimator.weighs_today(),
        false_air: &together.false_air,
        knocked: &knocked(good, today.fuel.grid.cells()),
        settings: &plan.blending,
    };
    let grid = &today.fuel.grid;
    let finding = findings::of_all_rides(
        together.low_flow.as_ref(),
        &together.false_air,
        grid,
        bike.folder.bike.controller.load,
    );
    Ok((propose(&input), finding))
}

/// Events of knock near each cell in all rides; empty where there were none.
fn knocked(good: &[(UsableRide, RideOutcome, bool)], cells: usize) -> Vec<f64> {
    let heard = by_hash(good).into_iter().map(|(_, outcome, _)| &outcome.knocked);
    let mut all = Vec::new();
    for events in heard.filter(|events| !events.is_empty()) {
        all.resize(cells, 0.0);
        all.iter_mut().zip(events).for_each(|(sum, more)| *sum += more);
    }
    all
}

/// The rides in the order in which they are added up: the same rides give the same bytes.
fn by_hash(good: &[(UsableRide, RideOutcome, bool)]) -> Vec<&(UsableRide, RideOutcome, bool)> {
    let mut in_order: Vec<&(UsableRide, RideOutcome, bool)> = good.iter().collect();
    in_order.sort_by(|a, b| a.0.sha256.cmp(&b.0.sha256));
    in_order
}

/// How much a ride still counts: one half after each half-life since the
/// revision it was made on.
fn weight_by_age(bike: &OpenBike, plan: &Plan, ride: &UsableRide, when: Moment) -> f64 {
    const DAY_S: f64 = 86_400.0;
    let number = revision_number(&ride.revision);
    let made_on = bike.revisions.iter().find(|r| Some(r.record.number) == number);
    match (plan.half_life_days, made_on) {
        (Some(half_life), Some(revision)) => {
            let age_days = (when.unix_s - revision.when.unix_s).max(0) as f64 / DAY_S;
            0.5f64.powf(age_days / half_life)
        }
        _ => 1.0,
    }
}

pub(super) fn fill_cells(
    report: &mut RunReport,
    proposal: &Proposal,
    good: &[(UsableRide, RideOutcome, bool)],
    bike: &OpenBike,
) {
    let grid = &bike.today(&report.slot).fuel.grid;
    let in_order = by_hash(good);
    let rows = proposal.cells.iter().enumerate().map(|(i, cell)| {
        let held = cell.held_by.map(|h| h.name());
        let ridden_s = in_order.iter().map(|(_, outcome, _)| outcome.ridden_s[i]).sum();
        EvidenceRow::new(grid.point(i), cell.before, cell.after, cell.evidence.as_ref(), ridden_s, held)
    });
    report.cells = rows.collect();
    report.cells_changed = proposal.cells_changed();
    report.cells_held = proposal.cells_held();
}
