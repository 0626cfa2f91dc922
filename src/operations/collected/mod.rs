//! Evidence that was collected ride by ride, maybe on other machines, and merged.
//!
//! A ride's log enters once, where it lies; what leaves is all that a run asks of it. Files
//! of the same origin merge as sets do: in any order and grouping, a ride twice counts once,
//! and the same rides give the same bytes. A run that takes such a file in the place of the
//! logs makes the same revision as one that reads them.

mod collect;
mod merge;
mod origin;

pub use collect::{CollectReport, CollectRequest, CollectedRide, EvidenceWritten, collect_evidence};
pub use merge::{MergeReport, merge_evidence};
pub(super) use origin::Origin;

use super::error::OperationError;
use super::find_rides::HashedRide;
use super::open::OpenBike;
use super::ride_record::Recorded;
use super::rides::UsableRide;
use super::whole_file::WholeFile;
use crate::bike::{BikeFolder, RIDES_FOLDER, read_regular};
use crate::blend::Refusal;
use crate::cache::Key;
use crate::evidence::{EvidenceFile, StoredRide, is_evidence_file};
use crate::revision::revision_number;
use crate::ride::{FoundRide, RegisteredRide, RiddenOn, ridden_on};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// The guard against evidence that does not belong here.
const OTHER_EVIDENCE: &str = "other_evidence";

/// The rides of one evidence file.
#[derive(Debug)]
pub(super) struct Collected {
    origin: Origin,
    file: EvidenceFile,
}

/// What was worked out of a ride.
#[derive(Debug, Serialize, Deserialize)]
struct Said {
    /// What it holds under has this in common with all rides on the same tables; the ride
    /// itself is told by its hash. Not by its name: a ride may lie in several places.
    key: Key,
    /// Whether the log tells the slot; none where it cannot be read as a ride at all.
    slot_logged: Option<bool>,
    /// The slot it was made on where its log does not tell; none where nothing told.
    slot: Option<String>,
    /// What the log came to, but for the sums of the cells, which have columns of their own.
    recorded: Recorded,
}

/// Where a ride lay: its name in `rides/`, or behind this mark that of a file elsewhere.
const ELSEWHERE: &str = "../";

impl Collected {
    /// Reads an evidence file.
    ///
    /// # Errors
    /// When it cannot be read, is something else, or was damaged.
    pub fn read(path: &Path) -> Result<Self, OperationError> {
        let bytes = read_regular(path).map_err(|error| OperationError::io("read", path, &error))?;
        let unusable = |what: String| {
            OperationError::failed(
                format!("`{}` {what}", path.display()),
                "collect the evidence of these rides anew with `rideloop evidence collect`",
            )
        };
        let file = EvidenceFile::from_bytes(&bytes).map_err(|error| unusable(error.to_string()))?;
        let origin = serde_json::from_str(&file.about)
            .map_err(|error| unusable(format!("does not say where it comes from: {error}")))?;
        Ok(Self { origin, file })
    }

    /// Writes an evidence file; one that is there is replaced, any other file is not.
    ///
    /// # Errors
    /// When something else has the name, or the file cannot be written.
    fn write(file: &EvidenceFile, path: &Path) -> Result<EvidenceWritten, OperationError> {
        let there = std::fs::metadata(path).is_ok_and(|there| there.is_file());
        if there && !read_regular(path).is_ok_and(|bytes| is_evidence_file(&bytes)) {
            return Err(OperationError::failed(
                format!("`{}` is there and holds no evidence of rides", path.display()),
                "name another file: only evidence is replaced",
            ));
        }
        let bytes = file.to_bytes().map_err(|error| OperationError::Failed {
            what: format!("`{}` {error}", path.display()),
            hint: None,
        })?;
        WholeFile::begin(path)?.put(&bytes)?;
        Ok(EvidenceWritten { file: path.to_owned(), rides: file.rides.len(), bytes: bytes.len() })
    }

    /// Refuses evidence of another bike or of other settings than those of today.
    ///
    /// # Errors
    /// `other_evidence`, naming what differs.
    pub fn refuse_others(&self, here: &Origin) -> Result<(), OperationError> {
        let differences = self.origin.differences(here);
        if differences.is_empty() {
            return Ok(());
        }
        let way = match (self.origin.slot == here.slot, self.origin.pipeline == here.pipeline) {
            (true, true) => String::new(),
            _ => format!(
                "whether `--pipeline {} --slot {}` is what you want; else ",
                self.origin.pipeline, self.origin.slot
            ),
        };
        Err(OperationError::Refused(Refusal {
            guard: OTHER_EVIDENCE,
            saw: format!("the evidence was collected for other than this run: {}", differences.join("; ")),
            look_at: format!("{way}collect the rides anew with `rideloop evidence collect`"),
        }))
    }

    /// The rides as a run finds them: each place with the ride's hash, in the order of names.
    pub fn found(&self, bike: &OpenBike) -> Vec<HashedRide> {
        let mut found: Vec<HashedRide> = Vec::new();
        for ride in &self.file.rides {
            for place in ride.files.lines() {
                found.push((found_at(place, ride, bike).0, Ok(ride.sha256.clone())));
            }
        }
        found.sort_by(|a, b| a.0.name.cmp(&b.0.name));
        found
    }

    /// What the log of a ride came to; `key` is that of the tables it was made on.
    ///
    /// # Errors
    /// `other_evidence` where it was worked out for other tables; when nothing of the ride
    /// was worked out, since it did not count then.
    pub fn recorded(&self, ride: &UsableRide, key: Key) -> Result<Recorded, OperationError> {
        let nothing = || {
            OperationError::failed(
                format!("the evidence holds nothing that {} said: it did not count then", ride.name),
                "collect it anew with `rideloop evidence collect`",
            )
        };
        let stored = self.position(&ride.sha256).map(|at| &self.file.rides[at]).ok_or_else(nothing)?;
        let said = said(stored)?.ok_or_else(nothing)?;
        if said.key != key {
            return Err(OperationError::Refused(Refusal {
                guard: OTHER_EVIDENCE,
                saw: format!(
                    "{} was worked out for tables of {} that are not those of this folder's {}",
                    ride.name, stored.revision, ride.revision
                ),
                look_at: format!(
                    "whether {} was ridden on {}, and collect it anew with `rideloop evidence collect`",
                    ride.name, ride.revision
                ),
            }));
        }
        let mut recorded = said.recorded;
        if let Ok(record) = &mut recorded {
            record.outcome.sums.clone_from(&stored.sums);
            record.outcome.ridden_s.clone_from(&stored.ridden_s);
        }
        Ok(recorded)
    }

    /// The slot that a ride was said to be made on when it was collected.
    pub fn told_slot(&self, sha256: &str) -> Option<String> {
        let stored = &self.file.rides[self.position(sha256)?];
        // What cannot be read is told where the ride is asked for.
        said(stored).ok().flatten()?.slot
    }

    /// Whether it holds a log of this hash.
    pub fn holds(&self, sha256: &str) -> bool {
        self.position(sha256).is_some()
    }

    fn position(&self, sha256: &str) -> Option<usize> {
        self.file.rides.binary_search_by(|stored| stored.sha256.as_str().cmp(sha256)).ok()
    }

    /// The rides that lay in the bike's own folder and whose place does not tell the
    /// revision, as the register would remember them.
    ///
    /// # Errors
    /// When the evidence cannot be read.
    pub fn waiting(&self, bike: &OpenBike) -> Result<Vec<RegisteredRide>, OperationError> {
        let mut waiting = Vec::new();
        for ride in &self.file.rides {
            let Some(slot_logged) = said(ride)?.and_then(|said| said.slot_logged) else { continue };
            for place in ride.files.lines() {
                let (found, in_rides) = found_at(place, ride, bike);
                if in_rides && ridden_on(Path::new(place)) == RiddenOn::Newest {
                    waiting.extend(bike.waiting(&found, slot_logged, ride.sha256.clone())?);
                }
            }
        }
        Ok(waiting)
    }
}

/// A ride of an evidence file as a file that was found, and whether it lay in `rides/`.
///
/// Where neither the register nor a place tells the revision, it is the one that was the
/// newest when the ride was collected.
fn found_at(place: &str, ride: &StoredRide, bike: &OpenBike) -> (FoundRide, bool) {
    let elsewhere = place.strip_prefix(ELSEWHERE);
    let name = elsewhere.unwrap_or(place);
    let told_by = |place: &str| match place.starts_with(ELSEWHERE) {
        true => RiddenOn::Newest,
        false => ridden_on(Path::new(place)),
    };
    let told = ride.files.lines().any(|place| told_by(place) != RiddenOn::Newest)
        || bike.register.by_hash(&ride.sha256).is_some();
    let ridden_on = match revision_number(&ride.revision) {
        Some(number) if !told && ride.revision != bike.newest_name() => RiddenOn::Revision(number),
        _ => told_by(place),
    };
    (FoundRide { path: PathBuf::from(name), name: name.to_owned(), ridden_on }, elsewhere.is_none())
}

/// What was worked out of a stored ride; none where it did not count.
fn said(ride: &StoredRide) -> Result<Option<Said>, OperationError> {
    postcard::from_bytes(&ride.record).map_err(|error| {
        OperationError::failed(
            format!("what {} said cannot be read: {error}", ride.files),
            "collect it anew with `rideloop evidence collect`",
        )
    })
}
/// Evidence among a bike's rides would be taken for one.
fn refuse_rides_folder(folder: &Path) -> Result<(), OperationError> {
    // The folder may not be there yet; then its nearest parent tells.
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let absolute = std::path::absolute(folder).ok();
    let there =
        absolute.as_deref().and_then(|path| path.ancestors().find_map(|p| std::fs::canonicalize(p).ok()));
    let ancestors = absolute.iter().chain(&there).flat_map(|path| path.ancestors());
    let is_rides = |path: &Path| {
        path.file_name().is_some_and(|name| name == RIDES_FOLDER)
            && path.parent().is_some_and(BikeFolder::is_one)
    };
    match ancestors.into_iter().any(is_rides) {
        true => Err(OperationError::failed(
            format!("evidence in {RIDES_FOLDER}/ would be taken for rides"),
            "name a place outside of it",
        )),
        false => Ok(()),
    }
}
