//! `rideloop` without a command: where the bike stands.

use super::error::OperationError;
use super::headroom::near_limit;
use super::history::{HistoryEntry, history};
use super::open::OpenBike;
use super::rides::{RideStanding, StandingReason};
use super::run::SkippedRide;
use crate::cache::{Cache, FileHashes};
use crate::pipeline::RideChoice;
use crate::ride::RideState;
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
    /// What the newest tables bring near a limit.
    pub notes: Vec<String>,
    /// What to do next.
    pub next: Vec<String>,
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
    for standing in bike.standing(&bike.find_rides(&[])?, &slot, RideChoice::New) {
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
    let next = next_steps(&bike, new_rides.len(), interrupted.as_deref(), !blocked.is_empty());
    Ok(Status {
        bike: bike.folder.bike.name.clone(),
        build: bike.folder.builds.current().to_owned(),
        slots: bike.folder.bike.slots.clone(),
        newest: history(&bike).into_iter().next(),
        set_aside: aside.map(|r| (r.file.clone(), r.why.clone().unwrap_or_default())).collect(),
        used: bike.register.rides().iter().filter(|r| r.state == RideState::Used).count(),
        new_rides,
        troubled_rides,
        interrupted,
        blocked,
        notes: notes(&bike),
        next,
    })
}

/// What is worth knowing of the newest tables, slot by slot.
fn notes(bike: &OpenBike) -> Vec<String> {
    let slots = &bike.folder.bike.slots;
    let of_slot = |slot: &String| {
        let note = near_limit(&bike.folder.bike, bike.today(slot))?;
        Some(if slots.len() > 1 { format!("{slot}: {note}") } else { note })
    };
    slots.iter().filter_map(of_slot).collect()
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
