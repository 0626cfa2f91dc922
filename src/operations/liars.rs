//! Keeps rides out of a run whose sensors lie, by what each shows alone and by
//! what the others say of it.

use super::rides::{StandingReason, UsableRide};
use super::run_report::{RunReport, SkippedRide};
use crate::blend::Refusal;
use crate::evidence::{RideSums, Scales};
use crate::findings::{self, Finding, Severity};
use crate::pipeline::{FoundDelay, Plan, RideContext, RideOutcome, gas_flow_of_cells};

/// Adds to each ride's findings what the other rides say of it, and passes over
/// the rides with a serious one.
///
/// True when one of them is new: a ride that counted before may turn out a liar
/// when others contradict it, and that alone is no news.
///
/// A ride of which no sample was kept says nothing to the map and stays, so that
/// the run can tell which stage took everything.
///
/// Shape: `good` and `report.rides` hold the same rides in the same order.
pub(super) fn keep_liars_out(
    good: &mut Vec<(UsableRide, RideOutcome, bool)>,
    report: &mut RunReport,
    context: &RideContext<'_>,
    plan: &Plan,
) -> bool {
    let new_rides = |good: &[(UsableRide, RideOutcome, bool)]| good.iter().filter(|(r, ..)| r.is_new).count();
    let new_before = new_rides(good);
    for (ride, (_, outcome, _)) in report.rides.iter_mut().zip(good.iter()) {
        ride.findings.extend(findings::of_delay(outcome.delay.as_ref()));
    }
    pass_over_serious(good, report);
    let mut speaking: Vec<usize> = (0..good.len()).filter(|i| good[*i].1.funnel.kept() > 0).collect();
    // By hash, as the sums are added: names and places change nothing.
    speaking.sort_by(|a, b| good[*a].0.sha256.cmp(&good[*b].0.sha256));
    let sums: Vec<RideSums<'_>> = speaking
        .iter()
        .map(|i| &good[*i].1)
        .map(|outcome| RideSums { cells: &outcome.sums, air_temp_c: outcome.air_temp_c })
        .collect();
    let table = &context.today.fuel;
    let flow_kg_s = gas_flow_of_cells(context.bike, table);
    let scales = Scales {
        flow_kg_s: &flow_kg_s,
        spread: plan.estimator.averaging().spread(),
        air_temp_exponent: findings::air_temp_exponent(context.bike.controller.load),
    };
    let among = findings::among_rides(&sums, &scales);
    for (ride, finding) in speaking.into_iter().zip(among) {
        report.rides[ride].findings.extend(finding);
    }
    pass_over_serious(good, report);
    let delays: Vec<Option<&FoundDelay>> =
        good.iter().map(|(_, outcome, _)| outcome.delay.as_ref()).collect();
    for (ride, findings) in report.rides.iter_mut().zip(findings::of_delays(&delays)) {
        ride.findings.extend(findings);
    }
    new_rides(good) < new_before
}

fn pass_over_serious(good: &mut Vec<(UsableRide, RideOutcome, bool)>, report: &mut RunReport) {
    let lies: Vec<bool> = good
        .iter()
        .zip(&report.rides)
        .map(|((_, outcome, _), ride)| outcome.funnel.kept() > 0 && findings::is_serious(&ride.findings))
        .collect();
    let mut at = lies.iter();
    good.retain(|_| !at.next().expect("one entry a ride"));
    let rides = std::mem::take(&mut report.rides);
    for (ride, lies) in rides.into_iter().zip(lies) {
        if !lies {
            report.rides.push(ride);
            continue;
        }
        report.passed_over.push(SkippedRide {
            file: ride.file,
            sha256: Some(ride.sha256),
            reason: StandingReason::Lies,
            why: why(&ride.findings),
            findings: ride.findings,
        });
    }
}

fn serious(findings: &[Finding]) -> impl Iterator<Item = &Finding> {
    findings.iter().filter(|f| f.severity == Severity::Serious)
}

fn why(findings: &[Finding]) -> String {
    let told: Vec<String> = serious(findings).map(|f| format!("{}: {}", f.name, f.saw)).collect();
    told.join("; ")
}

/// The refusal of a run whose every new ride lies.
pub(super) fn refuse_liars(report: &RunReport, saw: String) -> Refusal {
    let mut look_at: Vec<&str> =
        report.passed_over.iter().flat_map(|ride| serious(&ride.findings)).map(|f| f.look_at).collect();
    look_at.sort_unstable();
    look_at.dedup();
    Refusal {
        guard: "sensor_lies",
        saw,
        look_at: format!(
            "{}; a ride that will never serve can be set aside with `rideloop rides set-aside`",
            look_at.join("; ")
        ),
    }
}
