//! `rides set-aside`, `take-back` and `correct`: what a ride may say and what it was made on, by hand.

use super::error::OperationError;
use super::open::OpenBike;
use super::write::{commit, open_for_writing, tool_name};
use crate::bike::{REGISTER_FILE, read_regular};
use crate::ledger::{FileWrite, Moment, RevisionKind, RevisionRecord};
use crate::pipeline::rows_before_first_slot;
use crate::revision::{revision_name, revision_number};
use crate::ride::{Channel, LOGGED_SLOT, RegisteredRide, Ride, RideState, hash};
use crate::units;
use serde::Serialize;
use std::path::Path;

/// What is to become of a ride.
#[derive(Debug, Clone)]
pub enum RideFate {
    /// It never counts, for this reason.
    SetAside(String),
    /// It counts again.
    TakeBack,
    /// It was made on something else than was known.
    Correct(RideCorrection),
}

/// What a ride was made on after all.
#[derive(Debug, Clone)]
pub struct RideCorrection {
    /// The slot, where that was wrong: of all of it, or of the rows before its log tells the first.
    pub slot: Option<String>,
    /// The revision, where that was wrong, such as r3.
    pub revision: Option<String>,
    /// Why.
    pub why: String,
}

/// What became of a ride.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RideFateReport {
    /// Its name in the register.
    pub file: String,
    /// Its state now.
    pub state: RideState,
    /// The slot it was made on, or `as_logged`.
    pub slot: String,
    /// The slot it was made on before its log tells the first, where somebody told.
    pub unlogged_slot: Option<String>,
    /// The revision it was made on, such as r3.
    pub made_on: String,
    /// What is known now that was not, in words; only where it was corrected.
    pub corrected: Option<String>,
    /// The revisions that rest on what was known before it was corrected.
    pub rested_in: Vec<String>,
    /// The revision that says so; none when it was so already.
    pub revision: Option<String>,
    /// Its commit.
    pub commit: Option<String>,
}

/// Sets a ride aside, takes it back or corrects what it was made on; a revision that changes no table.
///
/// # Errors
/// When no such ride is known, or a guard refuses.
pub fn decide_ride(
    root: &Path,
    file: &Path,
    fate: &RideFate,
    when: Moment,
) -> Result<RideFateReport, OperationError> {
    let why = match fate {
        RideFate::SetAside(why) | RideFate::Correct(RideCorrection { why, .. }) => Some(units::one_line(why)),
        RideFate::TakeBack => None,
    };
    if why.as_deref().is_some_and(str::is_empty) {
        return Err(OperationError::failed(
            "setting a ride aside and correcting it need a reason",
            "say it with --why \"…\"",
        ));
    }
    let Some(writable) = open_for_writing(root)? else {
        return Err(OperationError::failed(
            "this folder has no revisions yet",
            "`rideloop run` makes the first",
        ));
    };
    let bike = OpenBike::open(root)?;
    bike.refuse_edits()?;
    let ride = find(&bike, file)?;
    let number = bike.next_number();
    let name = revision_name(number);
    let mut register = bike.register.clone();
    bike.remember_waiting(&mut register)?;
    let mut words = None;
    let (changed, done) = match fate {
        RideFate::SetAside(_) => {
            (register.set_aside(ride.clone(), why.as_deref().unwrap_or_default(), &name), "set aside")
        }
        RideFate::TakeBack => (register.take_back(&ride.sha256), "taken back"),
        RideFate::Correct(correction) => {
            let right = corrected(&bike, &ride, correction)?;
            words = what_changed(&ride, &right, correction.slot.is_some());
            if words.is_some() {
                register.correct(right, &name);
            }
            (words.is_some(), "corrected")
        }
    };
    let now = register.by_hash(&ride.sha256).unwrap_or(&ride);
    let mut report = RideFateReport {
        file: ride.file.clone(),
        state: now.state,
        slot: now.slot.clone(),
        unlogged_slot: now.unlogged_slot.clone(),
        made_on: now.revision.clone(),
        rested_in: if words.is_some() { ride.fed().cloned().collect() } else { Vec::new() },
        corrected: words,
        revision: None,
        commit: None,
    };
    if !changed {
        return Ok(report);
    }
    let slots = bike.folder.bike.slots.clone();
    let record = RevisionRecord {
        why,
        ..RevisionRecord::new(number, RevisionKind::Edit, slots, bike.folder.builds.current(), tool_name())
    };
    let (summary, body) = match &report.corrected {
        Some(words) => (
            format!("{name} ride {done}: {} was {words}", ride.file),
            "No table changed; the next run of each slot counts this ride as it is known now, and once.",
        ),
        None => (
            format!("{name} ride {done}: {}", ride.file),
            "No table changed; the next run counts without or with this ride.",
        ),
    };
    let head = writable.store.head()?;
    let mut files = bike.settings_files(&writable.store, head.as_deref())?;
    files.push(FileWrite { path: REGISTER_FILE.to_owned(), bytes: Some(register.to_text().into_bytes()) });
    report.commit = Some(commit(&writable, &record, &summary, body, files, when)?);
    report.revision = Some(name);
    Ok(report)
}

/// A ride as it would be registered after a correction.
///
/// # Errors
/// When the slot or the revision is none, or the log itself tells the slot of every row.
fn corrected(
    bike: &OpenBike,
    ride: &RegisteredRide,
    correction: &RideCorrection,
) -> Result<RegisteredRide, OperationError> {
    let mut right = ride.clone();
    if let Some(revision) = &correction.revision {
        let number = revision_number(revision);
        let found = bike.revisions.iter().find(|r| Some(r.record.number) == number);
        let found = found.ok_or_else(|| {
            OperationError::failed(
                format!("there is no revision `{revision}`"),
                format!("the newest is {}; `rideloop history` lists them", bike.newest_name()),
            )
        })?;
        (right.revision, right.build) = (found.name(), found.record.build.clone());
    }
    let shares = bike.folder.bike.shares_breathing();
    let is_known = ride.slot == LOGGED_SLOT || ride.told_slot().is_some() || !shares;
    match &correction.slot {
        Some(slot) => {
            let slot = bike.slot(Some(slot))?;
            if ride.slot != LOGGED_SLOT {
                right.slot = slot;
            } else if shares && begins_untold(bike, ride)? {
                right.unlogged_slot = Some(slot);
            } else {
                return Err(OperationError::failed(
                    format!("the log of {} tells the slot itself, and the log wins", ride.file),
                    "set the ride aside if its log is wrong: `rideloop rides set-aside`",
                ));
            }
        }
        None if !is_known && bike.folder.bike.slots.len() > 1 => {
            return Err(OperationError::failed(
                format!("nobody told yet on which slot {} was ridden", ride.file),
                "say it with --slot too",
            ));
        }
        None => {}
    }
    Ok(right)
}

/// Whether a log that tells slots has rows before it tells the first.
fn begins_untold(bike: &OpenBike, ride: &RegisteredRide) -> Result<bool, OperationError> {
    let of_ride = |path: &Path| bike.files.sha256(path).is_ok_and(|sha256| sha256 == ride.sha256);
    let found = bike.find_rides(&[])?.into_iter().find(|file| of_ride(&file.path));
    let read = found.and_then(|file| {
        let bytes = bike.files.bytes(&file.path, &ride.sha256).ok()??;
        Ride::read_hashed(&file.path, &bytes, ride.sha256.clone(), &bike.loggers).ok()
    });
    match read {
        Some(log) => Ok(rows_before_first_slot(&log) > 0),
        None => Err(OperationError::failed(
            format!("the log of {} is not in rides/, so nobody can see what it tells of slots", ride.file),
            "copy it back",
        )),
    }
}

/// What is known of a ride that was not or otherwise, in words; none where nothing is.
fn what_changed(before: &RegisteredRide, now: &RegisteredRide, slot_is_told: bool) -> Option<String> {
    let was = |what: &str| format!(", not {what}");
    let mut parts = Vec::new();
    let (then, is) = (before.told_slot(), now.unlogged_slot.as_deref().unwrap_or(&now.slot));
    let tells = before.slot != now.slot || before.unlogged_slot != now.unlogged_slot;
    // What only was presumed is told now.
    if tells || (slot_is_told && then.is_none()) {
        parts.push(format!("made on slot {is}{}", then.map(was).unwrap_or_default()));
    }
    if before.revision != now.revision {
        parts.push(format!("made on {}{}", now.revision, was(&before.revision)));
    }
    (!parts.is_empty()).then(|| parts.join(", and "))
}

/// The ride a user means: a name of the register or of the rides folder, or a file.
fn find(bike: &OpenBike, file: &Path) -> Result<RegisteredRide, OperationError> {
    let named = file.to_string_lossy();
    let is_meant = |name: &str| name == named || name.rsplit('/').next() == Some(&named);
    let rides = bike.register.rides();
    if let Some(ride) = rides.iter().find(|r| r.file == named) {
        return Ok(ride.clone());
    }
    let mut registered = rides.iter().filter(|r| is_meant(&r.file));
    if let (Some(ride), None) = (registered.next(), registered.next()) {
        return Ok(ride.clone());
    }
    let mut found = bike.find_rides(&[])?;
    found.retain(|f| is_meant(&f.name));
    if found.is_empty() && file.is_file() {
        found = bike.find_rides(&[file.to_path_buf()])?;
    }
    let found = match found.as_slice() {
        [one] => one,
        [] => {
            return Err(OperationError::failed(
                format!("no ride `{named}` is registered, and there is no such file"),
                "`rideloop rides` lists the rides",
            ));
        }
        several => {
            let names: Vec<&str> = several.iter().map(|f| f.name.as_str()).collect();
            return Err(OperationError::failed(
                format!("`{named}` could be {}", names.join(" or ")),
                "name it in full",
            ));
        }
    };
    let bytes = read_regular(&found.path).map_err(|error| OperationError::io("read", &found.path, &error))?;
    let sha256 = hash(&bytes);
    if let Some(ride) = bike.register.by_hash(&sha256) {
        return Ok(ride.clone());
    }
    let slot_logged = Ride::read(&found.path, &bytes, &bike.loggers).is_ok_and(|log| log.has(Channel::Slot));
    bike.waiting(found, slot_logged, sha256)?.ok_or_else(|| {
        OperationError::failed(
            format!("{} lies in the folder of a revision that does not exist", found.name),
            "put it into the folder of the revision it was made on",
        )
    })
}
