//! `rides set-aside` and `rides take-back`: what a ride may say, by hand.

use super::error::OperationError;
use super::open::OpenBike;
use super::write::{commit, open_for_writing, tool_name};
use crate::bike::{REGISTER_FILE, read_regular};
use crate::ledger::{FileWrite, Moment, RevisionKind, RevisionRecord};
use crate::revision::revision_name;
use crate::ride::{Channel, RegisteredRide, Ride, RideState, hash};
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
}

/// What became of a ride.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RideFateReport {
    /// Its name in the register.
    pub file: String,
    /// Its state now.
    pub state: RideState,
    /// The revision that says so; none when it was so already.
    pub revision: Option<String>,
    /// Its commit.
    pub commit: Option<String>,
}

/// Sets a ride aside or takes it back; a revision that changes no table.
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
        RideFate::SetAside(why) => Some(units::one_line(why)),
        RideFate::TakeBack => None,
    };
    if why.as_deref().is_some_and(str::is_empty) {
        return Err(OperationError::failed("setting a ride aside needs a reason", "say it with --why \"…\""));
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
    let changed = match &why {
        Some(why) => register.set_aside(ride.clone(), why, &name),
        None => register.take_back(&ride.sha256),
    };
    let state = register.by_hash(&ride.sha256).map_or(ride.state, |r| r.state);
    let mut report = RideFateReport { file: ride.file.clone(), state, revision: None, commit: None };
    if !changed {
        return Ok(report);
    }
    let done = if why.is_some() { "set aside" } else { "taken back" };
    let slots = bike.folder.bike.slots.clone();
    let record = RevisionRecord {
        why,
        ..RevisionRecord::new(number, RevisionKind::Edit, slots, bike.folder.builds.current(), tool_name())
    };
    let summary = format!("{name} ride {done}: {}", ride.file);
    let body = "No table changed; the next run counts without or with this ride.";
    let head = writable.store.head()?;
    let mut files = bike.settings_files(&writable.store, head.as_deref())?;
    files.push(FileWrite { path: REGISTER_FILE.to_owned(), bytes: Some(register.to_text().into_bytes()) });
    report.commit = Some(commit(&writable, &record, &summary, body, files, when)?);
    report.revision = Some(name);
    Ok(report)
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
