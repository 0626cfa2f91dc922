//! What the rides of a run said, as the revision keeps it.

use super::open::OpenBike;
use super::rides::{StandingReason, UsableRide};
use super::run_report::RunReport;
use crate::blend::Proposal;
use crate::evidence::{LambdaError, PassedOver, RideStatement, RideStatements, StatedFinding};
use crate::findings::Finding;
use crate::pipeline::RideOutcome;
use crate::table::Table;

/// States each counted ride: its samples, its error with three tables, its findings.
///
/// Rides stand in the order of their hashes, so that the same rides give the same bytes.
pub(super) fn statements(
    report: &RunReport,
    proposal: &Proposal,
    good: &[(UsableRide, RideOutcome, bool)],
    bike: &OpenBike,
) -> RideStatements {
    let kind = bike.folder.bike.controller.fuel_table;
    let today = &bike.today(&report.slot).fuel;
    let amounts = |table: &Table| -> Vec<f64> {
        let points = (0..today.grid.cells()).map(|cell| today.grid.point(cell));
        points.map(|(rpm, load)| kind.amount(table.at(rpm, load))).collect()
    };
    let (before, after) = (amounts(today), amounts(&proposal.table));
    let mut rides: Vec<RideStatement> = good
        .iter()
        .map(|(ride, outcome, _)| {
            let told = report.rides.iter().find(|r| r.sha256 == ride.sha256);
            RideStatement {
                file: ride.name.clone(),
                sha256: ride.sha256.clone(),
                revision: ride.revision.clone(),
                samples: outcome.funnel.samples(),
                kept: outcome.funnel.kept(),
                ridden_s: outcome.ridden_s.iter().sum(),
                rejected: outcome.funnel.rejected(),
                as_ridden: LambdaError::of_ride(&outcome.sums, &outcome.ridden_amounts),
                before: LambdaError::of_ride(&outcome.sums, &before),
                after: LambdaError::of_ride(&outcome.sums, &after),
                findings: told.map_or(Vec::new(), |told| stated(&told.findings)),
            }
        })
        .collect();
    rides.sort_by(|a, b| a.sha256.cmp(&b.sha256));
    RideStatements { rides, passed_over: passed_over(report), findings: stated(&report.findings) }
}

/// The rides whose own fault it is; those that merely belong elsewhere are no news.
fn passed_over(report: &RunReport) -> Vec<PassedOver> {
    let quiet = [
        StandingReason::AlreadyUsed,
        StandingReason::SetAside,
        StandingReason::OtherSlot,
        StandingReason::OtherBuild,
    ];
    let told = report.passed_over.iter().filter(|ride| !quiet.contains(&ride.reason));
    let mut list: Vec<PassedOver> = told
        .map(|ride| PassedOver {
            file: ride.file.clone(),
            sha256: ride.sha256.clone(),
            reason: ride.reason.name().to_owned(),
            why: ride.why.clone(),
        })
        .collect();
    list.sort_by(|a, b| (&a.sha256, &a.file).cmp(&(&b.sha256, &b.file)));
    list
}

fn stated(findings: &[Finding]) -> Vec<StatedFinding> {
    let one = |finding: &Finding| StatedFinding {
        name: finding.name.to_owned(),
        severity: finding.severity.word().to_owned(),
        saw: finding.saw.clone(),
    };
    findings.iter().map(one).collect()
}
