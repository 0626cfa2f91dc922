//! Rides and warnings of a season, from what the runs wrote down.

use super::{OTHER_SLOT, RideSaid, SeasonRide, SeasonWarning, WarnedOf};
use crate::evidence::{LambdaError, RideStatement, RideStatements, StatedFinding, rides_path};
use crate::ledger::{Revision, RevisionKind};
use crate::operations::OperationError;
use crate::operations::open::OpenBike;
use crate::operations::past::Past;
use crate::ride::RideState;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::Path;

/// A sign of this weight is no warning.
const NO_WARNING: &str = "note";

/// What the runs of one slot said of their rides.
#[derive(Debug, Default)]
pub(super) struct SlotTold {
    /// What each ride said in the first run that used it, by hash.
    said: HashMap<String, RideSaid>,
    /// By run: the rides that were new in it.
    pub(super) new_in: HashMap<String, Vec<RideStatement>>,
    /// The warnings, oldest first.
    pub(super) warnings: Vec<SeasonWarning>,
}

/// Reads what all runs of a slot wrote down.
pub(super) fn of_slot(bike: &OpenBike, past: &Past<'_>, slot: &str) -> Result<SlotTold, OperationError> {
    let of_slot = |r: &&Revision| {
        r.record.kind == RevisionKind::Run && r.record.slots.iter().any(|named| named == slot)
    };
    let runs: Vec<&Revision> = bike.revisions.iter().rev().filter(of_slot).collect();
    let newest_use: HashMap<&str, usize> = runs
        .iter()
        .enumerate()
        .flat_map(|(i, run)| run.record.rides.iter().map(move |ride| (ride.sha256.as_str(), i)))
        .collect();
    let mut told = SlotTold::default();
    let mut warned = HashSet::new();
    for (i, run) in runs.iter().enumerate() {
        let path = rides_path(slot);
        let Some(text) = past.text(&run.commit, &path)? else { continue };
        // A long season says the same rides again in every run: only new ones are
        // read, and the others where they speak last.
        let wanted = |sha256: &str| !told.said.contains_key(sha256) || newest_use.get(sha256) == Some(&i);
        let statements = RideStatements::parse_of(Path::new(&path), &text, wanted)?;
        let mut warn = |key: String, about: WarnedOf| {
            if warned.insert(key) {
                let (revision, slot) = (run.name(), slot.to_owned());
                told.warnings.push(SeasonWarning { revision, slot, about });
            }
        };
        for ride in &statements.rides {
            for finding in ride.findings.iter().filter(|f| f.severity != NO_WARNING) {
                let key = format!("{} {}", ride.sha256, finding.name);
                warn(key, WarnedOf::Ride { file: ride.file.clone(), finding: finding.clone() });
            }
        }
        for finding in statements.findings.iter().filter(|f| f.severity != NO_WARNING) {
            warn(finding.name.clone(), WarnedOf::AllRides(finding.clone()));
        }
        for ride in statements.passed_over {
            let key =
                format!("{} {} {}", ride.sha256.as_deref().unwrap_or(&ride.file), ride.reason, ride.file);
            warn(key, WarnedOf::PassedOver(ride));
        }
        for ride in statements.rides {
            match told.said.get_mut(&ride.sha256) {
                Some(said) => said.now = ride.after,
                None => {
                    told.said.insert(ride.sha256.clone(), said_first(&ride, slot, &run.name()));
                    told.new_in.entry(run.name()).or_default().push(ride);
                }
            }
        }
    }
    Ok(told)
}

fn said_first(ride: &RideStatement, slot: &str, run: &str) -> RideSaid {
    let serious_or_not: Vec<StatedFinding> = ride.findings.clone();
    RideSaid {
        slot: slot.to_owned(),
        run: run.to_owned(),
        samples: ride.samples,
        kept: ride.kept,
        ridden_s: ride.ridden_s,
        rejected: ride.rejected.clone(),
        as_ridden: ride.as_ridden,
        after: ride.after,
        now: ride.after,
        findings: serious_or_not,
    }
}

/// The rides of the register with what they said in the slots that are told.
pub(super) fn rides(bike: &OpenBike, slots: &[SlotTold]) -> Vec<SeasonRide> {
    let registered = bike.register.rides().iter();
    registered
        .map(|ride| SeasonRide {
            file: ride.file.clone(),
            sha256: ride.sha256.clone(),
            revision: ride.revision.clone(),
            slot: ride.slot.clone(),
            build: ride.build.clone(),
            state: ride.state,
            used_in: ride.used_in.clone(),
            why: ride.why.clone(),
            said: slots.iter().filter_map(|told| told.said.get(&ride.sha256)).cloned().collect(),
        })
        .collect()
}

/// What became of the samples of the rides that count.
#[derive(Debug, Default)]
pub(super) struct Totals {
    pub(super) samples: usize,
    pub(super) kept: usize,
    pub(super) rejected: BTreeMap<String, usize>,
}

/// Adds up the rides that count, each once.
pub(super) fn totals(rides: &[SeasonRide]) -> Totals {
    let mut totals = Totals::default();
    for ride in rides.iter().filter(|r| r.state == RideState::Used) {
        totals.samples += ride.said.first().map_or(0, |said| said.samples);
        let said_once = ride.said_once();
        // Where several slots of one log spoke, one's other slot is another's own.
        let several = said_once.len() > 1;
        for said in said_once {
            totals.kept += said.kept;
            for (reason, n) in said.rejected.iter().filter(|(reason, _)| !several || *reason != OTHER_SLOT) {
                *totals.rejected.entry(reason.clone()).or_default() += n;
            }
        }
    }
    totals
}

/// The error of several rides together, each by the time it was ridden.
pub(in crate::operations) fn together(rides: &[(f64, Option<LambdaError>)]) -> Option<LambdaError> {
    let told = || rides.iter().filter_map(|(seconds, error)| Some((*seconds, (*error)?)));
    let all: f64 = told().map(|(seconds, _)| seconds).sum();
    (all > 0.0).then(|| LambdaError {
        lean_pct: told().map(|(seconds, error)| seconds * error.lean_pct).sum::<f64>() / all,
        rms_pct: (told().map(|(seconds, error)| seconds * error.rms_pct.powi(2)).sum::<f64>() / all).sqrt(),
    })
}
