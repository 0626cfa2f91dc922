//! `evidence collect`: rides in, what each says out, in files that merge.

use super::super::error::OperationError;
use super::super::find_rides::HashedRide;
use super::super::made_on::MadeOn;
use super::super::open::OpenBike;
use super::super::ride_key::KeyOfRun;
use super::super::ride_record::RideRecord;
use super::super::rides::{Asked, RideStanding, UsableRide};
use super::super::run::Progress;
use super::{Collected, ELSEWHERE, Origin, Said, refuse_rides_folder};
use crate::bike::RIDES_FOLDER;
use crate::cache::{FileHashes, Key};
use crate::evidence::{CellSums, EvidenceFile, StoredRide};
use crate::ledger::PipelineRef;
use crate::pipeline::{Plan, RideChoice, RideContext};
use crate::ride::{Channel, LOGGED_SLOT, Loggers, Ride};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// What is to be collected.
#[derive(Debug, Clone)]
pub struct CollectRequest {
    /// The pipeline's name.
    pub pipeline: String,
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// The slot that rides were made on of which neither log nor register tells it; only
    /// where slots share their breathing.
    pub ridden_on: Option<String>,
    /// Rides or folders of rides; empty for the bike's own.
    pub rides: Vec<PathBuf>,
    /// A file that ends with .parquet takes all rides; a folder one file a ride.
    pub out: PathBuf,
}

/// What was collected.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct CollectReport {
    /// The slot.
    pub slot: String,
    /// The pipeline and its hash.
    pub pipeline: PipelineRef,
    /// The rides, in the order of their hashes.
    pub rides: Vec<CollectedRide>,
    /// The files.
    pub files: Vec<EvidenceWritten>,
}

/// A ride that was collected.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct CollectedRide {
    /// Its name.
    pub file: String,
    /// Its hash.
    pub sha256: String,
    /// The revision it was made on.
    pub revision: String,
    /// Samples in the log.
    pub samples: usize,
    /// Samples that reached the evidence.
    pub kept: usize,
    /// Why a run will pass it over, where it is known already.
    pub trouble: Option<String>,
}

/// A file of evidence.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct EvidenceWritten {
    /// The file.
    pub file: PathBuf,
    /// How many rides it holds.
    pub rides: usize,
    /// Its size.
    pub bytes: usize,
}

/// A ride on its way into a file.
struct Gathered {
    places: BTreeSet<String>,
    revision: String,
    /// None where a run would pass it over unread.
    said: Option<Said>,
    trouble: Option<String>,
}

/// Sends rides through a pipeline and writes down what each says. Nothing is written into
/// the bike folder, so a clone serves.
///
/// # Errors
/// Those of a run before it reads a ride; when a ride cannot be read, or the files
/// cannot be written.
pub fn collect_evidence(
    root: &Path,
    request: &CollectRequest,
    progress: &dyn Progress,
) -> Result<CollectReport, OperationError> {
    let bike = OpenBike::open(root)?;
    let slot = bike.slot(request.slot.as_deref())?;
    let ridden_on = bike.ridden_on(request.ridden_on.as_deref())?;
    let plan = Plan::find(&request.pipeline, &bike.folder.work_tree())?;
    plan.check_against(&bike.folder.bike)?;
    bike.refuse_broken_loggers()?;
    bike.refuse_edits()?;
    bike.refuse_lost_history()?;
    let origin = Origin::of(&bike, &plan, &slot)?;
    let into_one = request.out.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("parquet"));
    let folder = if into_one { request.out.parent().unwrap_or(Path::new("")) } else { &request.out };
    refuse_rides_folder(folder)?;
    if !into_one && !folder.is_dir() && (folder.extension().is_some() || folder == Path::new("-")) {
        return Err(OperationError::failed(
            format!("`{}` is neither a .parquet file nor a folder", folder.display()),
            "a name that ends with .parquet takes all rides; any other is a folder for one file a ride",
        ));
    }
    let gathered = gather(
        &bike,
        &plan,
        (&slot, Asked::Fuel { ridden_on: ridden_on.as_deref() }),
        &request.rides,
        progress,
    )?;
    let rides: Vec<CollectedRide> = gathered.iter().map(|(sha256, ride)| ride.told(sha256)).collect();
    let grid = &bike.today(&slot).fuel.grid;
    let points: Vec<(f64, f64)> = (0..grid.cells()).map(|cell| grid.point(cell)).collect();
    let stored: Vec<StoredRide> =
        gathered.into_iter().map(|(sha256, ride)| ride.stored(sha256, points.len())).collect();
    // Plain text always serialises.
    let about = serde_json::to_string(&origin).unwrap_or_default();
    let file_of = |rides| EvidenceFile { about: about.clone(), points: points.clone(), rides };
    if !progress.may_write() {
        return Err(OperationError::STOPPED);
    }
    std::fs::create_dir_all(if folder.as_os_str().is_empty() { Path::new(".") } else { folder })
        .map_err(|error| OperationError::io("make", folder, &error))?;
    let files = match into_one {
        true => vec![Collected::write(&file_of(stored), &request.out)?],
        false => {
            let written = stored.into_iter().map(|ride| {
                let path = folder.join(format!("{}.parquet", ride.sha256));
                Collected::write(&file_of(vec![ride]), &path)
            });
            written.collect::<Result<Vec<_>, _>>()?
        }
    };
    let pipeline = PipelineRef { name: plan.name.clone(), sha256: plan.sha256.clone() };
    Ok(CollectReport { slot, pipeline, rides, files })
}

/// The rides by their hashes, worked out.
fn gather(
    bike: &OpenBike,
    plan: &Plan,
    (slot, asked): (&str, Asked<'_>),
    named: &[PathBuf],
    progress: &dyn Progress,
) -> Result<BTreeMap<String, Gathered>, OperationError> {
    let found = bike.hashed(bike.find_rides(named)?);
    if found.is_empty() {
        return Err(OperationError::failed(
            "there is no ride to collect from",
            "put logs into rides/, or name some",
        ));
    }
    let mut gathered = places(bike, named, &found)?;
    let mut usable = Vec::new();
    // Which rides count a run decides: of a ride that counted before there is evidence too.
    for standing in bike.standing_of(found, (slot, asked), RideChoice::Build) {
        match standing {
            RideStanding::Usable(ride) => usable.push(ride),
            RideStanding::PassedOver { sha256: Some(sha256), why, .. } => {
                if let Some(ride) = gathered.get_mut(&sha256) {
                    ride.trouble.get_or_insert(why);
                }
            }
            RideStanding::PassedOver { .. } => {}
        }
    }
    let made_on = MadeOn::of(bike, slot, &usable);
    let in_common = RideContext::of_one_slot(&bike.folder.bike, bike.today(slot), slot);
    let read_by = (&bike.files, &bike.loggers);
    let key = KeyOfRun::new(plan, &bike.loggers, (in_common.bike, in_common.today));
    progress.begin(usable.len());
    let worked_out: Option<Vec<_>> = usable
        .par_iter()
        .map(|ride| {
            if progress.is_stopped() {
                return None;
            }
            let said = match made_on.context(ride, &in_common) {
                Ok(context) => {
                    let key = key.made_on(context.ridden, context.slot).in_common();
                    say(plan, ride, read_by, &context, key).map(Ok)
                }
                Err(why) => Ok(Err(why)),
            };
            let record = said.as_ref().ok().and_then(|said| said.as_ref().ok()?.recorded.as_ref().ok());
            progress.ride_done(&ride.name, record.map_or(0, |record| record.outcome.funnel.samples()));
            Some(said)
        })
        .collect();
    progress.end();
    for (ride, said) in usable.iter().zip(worked_out.ok_or(OperationError::STOPPED)?) {
        let Some(gathered) = gathered.get_mut(&ride.sha256) else { continue };
        gathered.revision.clone_from(&ride.revision);
        match said? {
            Ok(said) => {
                gathered.trouble = said.recorded.as_ref().err().map(|failure| failure.why.clone());
                gathered.said = Some(said);
            }
            Err(why) => gathered.trouble = Some(why),
        }
    }
    Ok(gathered)
}

/// Where each ride lies, and what it was made on as far as that tells.
fn places(
    bike: &OpenBike,
    named: &[PathBuf],
    found: &[HashedRide],
) -> Result<BTreeMap<String, Gathered>, OperationError> {
    let own: BTreeSet<String> = match named.is_empty() {
        true => BTreeSet::new(),
        false => bike.find_rides(&[])?.into_iter().map(|ride| ride.name).collect(),
    };
    let mut gathered: BTreeMap<String, Gathered> = BTreeMap::new();
    for (file, sha256) in found {
        let sha256 = sha256.as_ref().map_err(|why| {
            OperationError::failed(
                format!("{}: {why}", file.name),
                "nothing was collected; leave it out or repair it",
            )
        })?;
        if file.name.contains(['\n', '\r']) {
            return Err(OperationError::failed(
                format!("the name of {:?} holds a line break", file.name),
                "rename it",
            ));
        }
        let in_rides = named.is_empty() || (own.contains(&file.name) && lies_in_rides(bike, &file.path));
        let place = if in_rides { file.name.clone() } else { format!("{ELSEWHERE}{}", file.name) };
        let known = bike.register.by_hash(sha256).map(|ride| ride.revision.clone());
        let made_on =
            bike.made_on(file.ridden_on).map_or_else(|_| bike.newest_name(), |(revision, ..)| revision);
        let entry = gathered.entry(sha256.clone()).or_insert_with(|| Gathered {
            places: BTreeSet::new(),
            revision: known.unwrap_or(made_on),
            said: None,
            trouble: None,
        });
        entry.places.insert(place);
    }
    Ok(gathered)
}

fn lies_in_rides(bike: &OpenBike, path: &Path) -> bool {
    let rides = std::fs::canonicalize(bike.folder.root.join(RIDES_FOLDER));
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    match (rides, std::fs::canonicalize(folder)) {
        (Ok(rides), Ok(folder)) => {
            folder.starts_with(rides) || path.starts_with(bike.folder.root.join(RIDES_FOLDER))
        }
        _ => false,
    }
}

/// Works a ride out.
fn say(
    plan: &Plan,
    ride: &UsableRide,
    (files, loggers): (&FileHashes, &Loggers),
    context: &RideContext<'_>,
    key: Key,
) -> Result<Said, OperationError> {
    let sha256 = &ride.sha256;
    let bytes = files
        .bytes(&ride.path, sha256)
        .map_err(|error| OperationError::io("read", &ride.path, &error))?
        .ok_or_else(|| {
            OperationError::failed(
                format!("{} changed while it was read", ride.name),
                "wait until it is copied, then collect again",
            )
        })?;
    let name = Path::new(&ride.name);
    let recorded = RideRecord::of(plan, (name, &bytes, sha256), loggers, context);
    let slot_logged = match &recorded {
        Ok(record) => Some(record.details.slot_logged),
        Err(_) => {
            let log = Ride::read_hashed(name, &bytes, sha256.clone(), loggers);
            log.ok().map(|log| log.has(Channel::Slot))
        }
    };
    let slot = (ride.slot != LOGGED_SLOT).then(|| ride.slot.clone());
    Ok(Said { key, slot_logged, slot, recorded })
}

impl Gathered {
    fn told(&self, sha256: &str) -> CollectedRide {
        let first = self.places.first().map_or("", String::as_str);
        let record = self.said.as_ref().and_then(|said| said.recorded.as_ref().ok());
        CollectedRide {
            file: first.strip_prefix(ELSEWHERE).unwrap_or(first).to_owned(),
            sha256: sha256.to_owned(),
            revision: self.revision.clone(),
            samples: record.map_or(0, |record| record.outcome.funnel.samples()),
            kept: record.map_or(0, |record| record.outcome.funnel.kept()),
            trouble: self.trouble.clone(),
        }
    }

    /// The ride as a file holds it: sums in columns, the rest as bytes.
    fn stored(mut self, sha256: String, cells: usize) -> StoredRide {
        let mut sums = vec![CellSums::default(); cells];
        let mut ridden_s = vec![0.0; cells];
        if let Some(Said { recorded: Ok(record), .. }) = &mut self.said {
            sums = std::mem::take(&mut record.outcome.sums);
            ridden_s = std::mem::take(&mut record.outcome.ridden_s);
        }
        StoredRide {
            sha256,
            files: self.places.into_iter().collect::<Vec<String>>().join("\n"),
            revision: self.revision,
            sums,
            ridden_s,
            // Plain data always serialises.
            record: postcard::to_stdvec(&self.said).unwrap_or_default(),
        }
    }
}
