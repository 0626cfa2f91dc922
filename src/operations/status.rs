//! `rideloop` without a command: where the bike stands.

use super::error::OperationError;
use super::headroom::near_limit;
use super::history::{HistoryEntry, history};
use super::open::OpenBike;
use super::rescale::not_rescaled;
use super::rides::{RideStanding, StandingReason};
use super::run_report::SkippedRide;
use crate::bike::StockBelow;
use crate::cache::{Cache, FileHashes};
use crate::pipeline::RideChoice;
use crate::ride::{FoundRide, RideState};
use crate::units;
use serde::Serialize;
use std::path::Path;
use std::sync::Arc;

/// Where a bike stands.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct Status {
    /// The bike's name.
    pub bike: String,
    /// The build on it.
    pub build: String,
    /// The slots.
    pub slots: Vec<String>,
    /// The newest revision.
    pub newest: Option<HistoryEntry>,
    /// Rides that fed no revision yet.
    pub new_rides: Vec<String>,
    /// Slots that rides of other slots can correct, where slots share their breathing.
    pub to_correct: Vec<SlotToCorrect>,
    /// Rides that cannot be used as they are.
    pub troubled_rides: Vec<SkippedRide>,
    /// Rides somebody set aside, with the reason.
    pub set_aside: Vec<(String, String)>,
    /// Rides that count.
    pub used: usize,
    /// A revision that a kill interrupted; the next command that writes finishes it.
    pub interrupted: Option<String>,
    /// What a run would refuse for.
    pub blocked: Vec<String>,
    /// What the newest tables bring near a limit, and stock maps that changed below them.
    pub notes: Vec<String>,
    /// What to do next.
    pub next: Vec<String>,
}

/// A slot that rides which fed another one can correct.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct SlotToCorrect {
    /// The slot.
    pub slot: String,
    /// The rides that fed another slot and not this one.
    pub rides: Vec<String>,
}

/// Reads where a bike stands; changes nothing. `cache` is where the hashes of rides are kept.
///
/// # Errors
/// When the folder cannot be read.
pub fn status(root: &Path, cache: Option<&Path>) -> Result<Status, OperationError> {
    let cache = cache.map(|folder| Arc::new(Cache::at(folder)));
    let bike = OpenBike { files: FileHashes::of(root, cache), ..OpenBike::open(root)? };
    let slot = bike.slot(None)?;
    let mut new_rides = Vec::new();
    let mut troubled_rides = Vec::new();
    let found = bike.find_rides(&[])?;
    for standing in bike.standing(&found, &slot, RideChoice::New) {
        match standing {
            RideStanding::Usable(ride) => new_rides.push(ride.name),
            RideStanding::PassedOver { name, sha256, reason, why } => {
                let quiet =
                    [StandingReason::AlreadyUsed, StandingReason::SetAside, StandingReason::OtherSlot];
                if !quiet.contains(&reason) {
                    troubled_rides.push(SkippedRide {
                        file: name,
                        sha256,
                        reason,
                        why,
                        findings: Vec::new(),
                    });
                }
            }
        }
    }
    let aside = bike.register.rides().iter().filter(|r| r.state == RideState::SetAside);
    let interrupted = bike.store.as_ref().map(|s| s.pending()).transpose()?.flatten();
    let blocked: Vec<String> = match interrupted {
        Some(_) => Vec::new(),
        None => {
            let guards = [
                bike.refuse_old_state(),
                bike.refuse_broken_loggers(),
                bike.refuse_edits(),
                bike.refuse_lost_history(),
            ];
            let mut blocked: Vec<String> =
                guards.into_iter().filter_map(Result::err).map(|error| error.to_string()).collect();
            blocked.extend(bike.cut_off().filter(|_| !blocked.is_empty()));
            blocked.dedup();
            blocked
        }
    };
    let to_correct = to_correct(&bike, &found);
    let mut next = next_steps(&bike, new_rides.len(), interrupted.as_deref(), !blocked.is_empty());
    if blocked.is_empty() {
        // Before any ride: the map is for other hardware.
        let unscaled = bike.folder.bike.slots.iter().filter_map(|slot| not_rescaled(&bike, slot)).next();
        if let Some(why) = unscaled {
            next.insert(0, format!("rideloop rescale    {why}"));
        }
    }
    if blocked.is_empty() {
        next.extend(to_correct.iter().map(|SlotToCorrect { slot, rides }| {
            let rides = units::counted(rides.len(), "ride");
            format!("rideloop run --slot {slot}    correct {slot} from the same {rides}")
        }));
    }
    Ok(Status {
        bike: bike.folder.bike.name.clone(),
        build: bike.folder.builds.current().to_owned(),
        slots: bike.folder.bike.slots.clone(),
        newest: history(&bike).into_iter().next(),
        set_aside: aside.map(|r| (r.file.clone(), r.why.clone().unwrap_or_default())).collect(),
        used: bike.register.rides().iter().filter(|r| r.state == RideState::Used).count(),
        new_rides,
        to_correct,
        troubled_rides,
        interrupted,
        blocked,
        notes: notes(&bike),
        next,
    })
}

/// The other slots that rides of this build can correct, where slots share their breathing.
fn to_correct(bike: &OpenBike, found: &[FoundRide]) -> Vec<SlotToCorrect> {
    if !bike.folder.bike.shares_breathing() {
        return Vec::new();
    }
    let of_slot = |slot: &String| {
        let fed_another = |standing| match standing {
            RideStanding::Usable(ride) => {
                let known = bike.register.by_hash(&ride.sha256);
                known.is_some_and(|known| !known.used_in.is_empty()).then_some(ride.name)
            }
            RideStanding::PassedOver { .. } => None,
        };
        let standings = bike.standing(found, slot, RideChoice::New).into_iter();
        SlotToCorrect { slot: slot.clone(), rides: standings.filter_map(fed_another).collect() }
    };
    // The rides of the first slot stand among the new ones.
    let others = bike.folder.bike.slots.iter().skip(1).map(of_slot);
    others.filter(|slot| !slot.rides.is_empty()).collect()
}

/// What is worth knowing of the newest tables, slot by slot, and of the stock maps below them.
fn notes(bike: &OpenBike) -> Vec<String> {
    let slots = &bike.folder.bike.slots;
    // What keeps them from being read is told by what a run would refuse for.
    let changed = bike.stock_changes().unwrap_or_default();
    let of_slot = |slot: &String| {
        let below = StockBelow::of(slot, &bike.folder.bike, &bike.folder.work_tree());
        let note = near_limit(&bike.folder.bike, bike.today(slot), below.as_ref())?;
        Some(if slots.len() > 1 { format!("{slot}: {note}") } else { note })
    };
    slots.iter().filter_map(of_slot).chain(changed).collect()
}

fn next_steps(bike: &OpenBike, new_rides: usize, interrupted: Option<&str>, blocked: bool) -> Vec<String> {
    let mut next = Vec::new();
    if let Some(tag) = interrupted {
        next.push(format!("the work on {tag} was interrupted; the next `rideloop run` puts it in order"));
    }
    if blocked {
        next.push("rideloop run    says what to look at".to_owned());
    } else if new_rides > 0 {
        // Before the first run nobody knows how far off the map is.
        let pipeline = if bike.revisions.len() <= 1 { " --pipeline first-ride" } else { "" };
        next.push(format!("rideloop run{pipeline} --dry-run    see what the new rides ask for"));
        next.push(format!("rideloop run{pipeline}    make the next revision"));
    } else {
        let newest = bike.newest_name();
        next.push(format!("ride with {newest} and put the log into rides/{newest}/"));
    }
    if bike.revisions.len() > 1 {
        next.push("rideloop diff    what the newest revision changed".to_owned());
    }
    next
}
