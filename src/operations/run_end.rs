//! What ends a run before it reaches the map: no ride that is new, that works, or that says anything.

use super::error::OperationError;
use super::liars::refuse_liars;
use super::open::OpenBike;
use super::rescale::not_rescaled;
use super::rides::{RideStanding, StandingReason, UsableRide};
use super::run_report::{RunReport, SkippedRide};
use crate::blend::Refusal;
use crate::pipeline::{Funnel, Plan, RideChoice};
use crate::ride::{RegisteredRide, RideState};
use crate::units;

/// A run would be taken for having made the whole table for the new hardware, while the cells that
/// nobody rode stay those of the former one.
pub(super) fn refuse_unscaled(bike: &OpenBike, slot: &str) -> Result<(), OperationError> {
    let Some(saw) = not_rescaled(bike, slot) else { return Ok(()) };
    Err(OperationError::Refused(Refusal {
        guard: "not_rescaled",
        saw,
        look_at: "`rideloop rescale` first; rides made before it keep their word. Where the hardware is what the table \
                  was made for, and bike.yaml was only put right: `rideloop run --unscaled`"
            .to_owned(),
    }))
}

/// A ride that counted before and lies there unreadable would fall silent unseen.
pub(super) fn refuse_unreadable(
    bike: &OpenBike,
    plan: &Plan,
    found: &[RideStanding],
) -> Result<(), OperationError> {
    let counted = |name: &str| {
        let of_name = |ride: &&RegisteredRide| ride.file == name && ride.state == RideState::Used;
        bike.register.rides().iter().find(of_name).is_some_and(|ride| {
            ride.build == bike.folder.builds.current()
                && bike.missing_rides(found).contains(&ride.file.as_str())
        })
    };
    let lost = found.iter().find_map(|standing| match standing {
        RideStanding::PassedOver { name, reason: StandingReason::Unreadable, why, .. } if counted(name) => {
            Some(format!("{name} counted before and {why}"))
        }
        _ => None,
    });
    match (plan.rides, lost) {
        (RideChoice::Build, Some(what)) => Err(OperationError::failed(
            what,
            "make it readable again, or set it aside with `rideloop rides set-aside FILE --why \"…\"`",
        )),
        _ => Ok(()),
    }
}

/// Whether the rides can say anything the map does not hold already: a new
/// ride, or, where all rides of the build count, another set of them.
pub(super) fn worth_running(bike: &OpenBike, plan: &Plan, slot: &str, usable: &[UsableRide]) -> bool {
    let other_set = || {
        let mut before = bike.rides_behind(slot);
        let mut now: Vec<&str> = usable.iter().map(|r| r.sha256.as_str()).collect();
        before.sort_unstable();
        now.sort_unstable();
        let fell_silent = |sha256| bike.is_set_aside(sha256) || bike.is_corrected_since(sha256, slot);
        before.iter().any(|sha256| !now.contains(sha256) && fell_silent(sha256))
            || now.iter().any(|sha256| !before.contains(sha256))
    };
    usable.iter().any(|ride| ride.is_new)
        || (plan.rides == RideChoice::Build && !usable.is_empty() && other_set())
}

/// No ride to read: nothing new, or nothing that works.
pub(super) fn nothing_to_read(
    mut report: RunReport,
    none_found: bool,
    registered: usize,
) -> Result<RunReport, OperationError> {
    let broken =
        |r: &SkippedRide| matches!(r.reason, StandingReason::Unreadable | StandingReason::UnknownRevision);
    if report.passed_over.iter().any(broken) {
        return no_ride_left(report, false);
    }
    report.nothing = Some(match none_found {
        true if registered > 0 => format!(
            "no log lies in rides/, though {} registered: a clone does not bring them",
            if registered == 1 { "1 is".to_owned() } else { format!("{registered} are") }
        ),
        true => "there is no ride yet: put logs into rides/".to_owned(),
        false => "no ride is new".to_owned(),
    });
    Ok(report)
}

/// Every new ride failed.
pub(super) fn no_ride_left(mut report: RunReport, implausible: bool) -> Result<RunReport, OperationError> {
    let failed = |r: &&SkippedRide| {
        matches!(
            r.reason,
            StandingReason::Unreadable
                | StandingReason::Unusable
                | StandingReason::UnknownRevision
                | StandingReason::SlotUnknown
                | StandingReason::Lies
        )
    };
    let whys: Vec<String> =
        report.passed_over.iter().filter(failed).map(|r| format!("{}: {}", r.file, r.why)).collect();
    if implausible {
        report.refused = Some(Refusal {
            guard: "implausible_channel",
            saw: whys.join("; "),
            look_at:
                "the unit the logger writes for the channel that is named, and its sensor; lambda is AFR \
                      divided by the fuel's stoichiometric ratio"
                    .to_owned(),
        });
        return Ok(report);
    }
    if report.passed_over.iter().any(|r| r.reason == StandingReason::Lies) {
        report.refused = Some(refuse_liars(&report, whys.join("; ")));
        return Ok(report);
    }
    Err(OperationError::failed(
        format!("no new ride can be used:\n  {}", whys.join("\n  ")),
        "repair these files, or set them aside with `rideloop rides set-aside FILE --why \"…\"`; the map was left as it is",
    ))
}

/// No sample survived, and where the last of them were dropped.
pub(super) fn nothing_survived(funnel: &Funnel, rides: usize) -> Option<Refusal> {
    let dry = funnel.dry_at()?;
    let mut reasons: Vec<(&String, &usize)> = dry.rejected.iter().collect();
    reasons.sort_by(|a, b| b.1.cmp(a.1).then(a.0.cmp(b.0)));
    let told: Vec<String> = reasons
        .iter()
        .map(|(key, n)| format!("{} ({key}: {})", about_reason(key), units::count(**n as u64)))
        .collect();
    Some(Refusal {
        guard: "nothing_survived",
        saw: format!(
            "no sample of {} survived the stage `{}`: {}",
            units::counted(rides, "ride"),
            dry.stage,
            told.join("; ")
        ),
        look_at: match crate::pipeline::stages::registry().iter().any(|s| s.name == dry.stage) {
            true => format!(
                "the channels that `rideloop stages {}` explains, and whether the ride was long enough; \
                 a ride that will never serve can be set aside with `rideloop rides set-aside`",
                dry.stage
            ),
            false => "what the log and bike.yaml say of slot, wanted lambda and air".to_owned(),
        },
    })
}

fn about_reason(key: &str) -> String {
    let known = crate::pipeline::stages::registry();
    let stage = known.iter().flat_map(|s| s.reasons.iter()).find(|r| r.key == key).map(|r| r.about);
    let step = crate::pipeline::STEP_REASONS.iter().find(|r| r.key == key).map(|r| r.about);
    let door = crate::ride::DOOR_REASONS.iter().find(|(k, _)| *k == key).map(|(_, about)| *about);
    stage.or(step).or(door).unwrap_or(key).to_owned()
}
