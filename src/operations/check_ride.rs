//! What `check` sees in each ride.

use super::check::RideCheck;
use super::delay::RideDelay;
use super::made_on::tables_of;
use super::open::OpenBike;
use super::ride_key::{KeyOfRun, KeyOfTables};
use crate::bike::{Bike, SlotTables};
use crate::cache::{Cache, FileHashes, Kind};
use crate::findings;
use crate::pipeline::{FoundDelay, Plan, Ridden, RideContext, found_delay};
use crate::ride::{Channel, FoundRide, Loggers, Ride};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// What was seen in one ride.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct CheckedRide {
    /// What is told of it.
    pub check: RideCheck,
    /// The lambda delay found from it, with all that comparing it to others needs.
    pub delay: Option<FoundDelay>,
}

/// A slot, and the revision a ride was made on.
type SlotAndRevision = (String, String);

/// Looks at every ride; at those that were seen before by what was kept of them.
///
/// Shape: one entry a file.
pub(super) fn check_rides(
    root: &Path,
    files: &[FoundRide],
    (bike, loggers): (Option<&OpenBike>, &Loggers),
    plan: Option<&Plan>,
    cache: Option<&Cache>,
) -> Vec<CheckedRide> {
    let unopened = FileHashes::of(root, None);
    let hashes = bike.map_or(&unopened, |bike| &bike.files);
    let hashed: Vec<Result<String, String>> = files
        .par_iter()
        .map(|file| hashes.sha256(&file.path).map_err(|error| format!("cannot be read: {error}")))
        .collect();
    // One thread reads the history, all of them the rides.
    let mut tables: BTreeMap<SlotAndRevision, Option<SlotTables>> = BTreeMap::new();
    let ridden_on = |(file, sha256): (&FoundRide, &Result<String, String>)| {
        let (bike, sha256) = (bike?, sha256.as_ref().ok()?);
        let made_on = made_on(bike, file, sha256)?;
        let read = || tables_of(bike, &made_on.0, &made_on.1).ok();
        tables.entry(made_on.clone()).or_insert_with(read);
        Some(made_on)
    };
    let made_on: Vec<Option<SlotAndRevision>> = files.iter().zip(&hashed).map(ridden_on).collect();
    let contexts: BTreeMap<&SlotAndRevision, (RideContext<'_>, Option<KeyOfTables>)> = tables
        .iter()
        .filter_map(|(made_on, tables)| {
            let (bike, ridden) = (bike?, tables.as_ref()?);
            let slot = made_on.0.as_str();
            let context = RideContext {
                bike: &bike.folder.bike,
                ridden: Ridden::Slot(ridden),
                today: bike.today(slot),
                slot,
            };
            let key = |plan| {
                KeyOfRun::new(plan, loggers, (context.bike, context.today)).made_on(context.ridden, slot)
            };
            Some((made_on, (context, plan.map(key))))
        })
        .collect();
    let look = Look { hashes, loggers, plan, bike: bike.map(|bike| &bike.folder.bike), cache };
    let mut checked: Vec<CheckedRide> = files
        .par_iter()
        .zip(&hashed)
        .zip(&made_on)
        .map(|((file, sha256), made_on)| {
            let context = made_on.as_ref().and_then(|made_on| contexts.get(made_on));
            let looked = sha256.clone().and_then(|sha256| look.at(file, &sha256, context));
            looked.unwrap_or_else(|trouble| in_trouble(file, trouble))
        })
        .collect();
    for ((checked, sha256), made_on) in checked.iter_mut().zip(&hashed).zip(&made_on) {
        if let (Some(bike), Ok(sha256), Some((_, revision))) = (bike, sha256, made_on) {
            checked.check.remarks.extend(slot_untold(bike, sha256, revision, &checked.check));
        }
    }
    checked
}

/// The slot and the revision a ride was made on; the first slot where nobody knows.
fn made_on(bike: &OpenBike, file: &FoundRide, sha256: &str) -> Option<SlotAndRevision> {
    let known = bike.register.by_hash(sha256);
    let revision =
        known.map(|r| r.revision.clone()).or_else(|| Some(bike.made_on(file.ridden_on).ok()?.0))?;
    let registered =
        known.map(|r| r.slot.as_str()).filter(|slot| bike.folder.bike.slots.iter().any(|s| s == slot));
    Some((bike.slot(registered).ok()?, revision))
}

/// What a run will ask of a ride of which nobody tells the slot.
fn slot_untold(bike: &OpenBike, sha256: &str, revision: &str, check: &RideCheck) -> Option<String> {
    let is_logged = check.channels.iter().any(|channel| channel == Channel::Slot.name());
    let told = bike.told_slot((bike.register.by_hash(sha256), revision), &bike.folder.bike.slots[0]);
    (!is_logged && check.trouble.is_none() && told.is_none()).then(|| {
        "slots share their breathing, and neither the log nor the register tells on which slot it was ridden: a \
         run passes it over until --ridden-on SLOT says it"
            .to_owned()
    })
}

/// What all rides are looked at with.
struct Look<'a> {
    hashes: &'a FileHashes,
    loggers: &'a Loggers,
    plan: Option<&'a Plan>,
    bike: Option<&'a Bike>,
    cache: Option<&'a Cache>,
}

impl Look<'_> {
    /// One ride, with the tables it was made on where they are known.
    ///
    /// # Errors
    /// When its file cannot be read; that is not kept.
    fn at(
        &self,
        file: &FoundRide,
        sha256: &str,
        context: Option<&(RideContext<'_>, Option<KeyOfTables>)>,
    ) -> Result<CheckedRide, String> {
        let key = context.and_then(|(_, key)| Some(key.as_ref()?.of_ride(sha256, &file.path)));
        let keeping = self.cache.zip(key);
        let kept = keeping.and_then(|(cache, key)| cache.read(Kind::Check, &key));
        if let Some(mut checked) = kept.and_then(|kept| postcard::from_bytes::<CheckedRide>(&kept).ok()) {
            checked.check.file.clone_from(&file.name);
            return Ok(checked);
        }
        let read = self.hashes.bytes(&file.path, sha256);
        let bytes = read.map_err(|error| format!("cannot be read: {error}"))?;
        let bytes = bytes.ok_or_else(|| "changed while it was read".to_owned())?;
        let checked = match Ride::read_hashed(&file.path, &bytes, sha256.to_owned(), self.loggers) {
            Ok(ride) => self.seen_in(&ride, file, context.map(|(context, _)| context)),
            Err(error) => in_trouble(
                file,
                match error.hint() {
                    Some(hint) => format!("{error} ({hint})"),
                    None => error.to_string(),
                },
            ),
        };
        if let (Some((cache, key)), Ok(payload)) = (keeping, postcard::to_stdvec(&checked)) {
            cache.write(Kind::Check, &key, &payload);
        }
        Ok(checked)
    }

    fn seen_in(&self, ride: &Ride, file: &FoundRide, context: Option<&RideContext<'_>>) -> CheckedRide {
        let CheckedRide { mut check, mut delay } = blank(file);
        let time = ride.values(Channel::TimeS).unwrap_or_default();
        check.remarks = ride.remarks();
        check.logger.clone_from(&ride.logger);
        check.samples = ride.samples();
        check.seconds = time.last().copied().unwrap_or_default() - time.first().copied().unwrap_or_default();
        let interval_s = ride.sample_interval_s();
        check.rate_hz = if interval_s > 0.0 { 1.0 / interval_s } else { 0.0 };
        check.dropped = ride.reading.dropped.iter().map(|(k, v)| ((*k).to_owned(), *v)).collect();
        check.unparsable_total = ride.reading.unparsable_total();
        check.unparsable.clone_from(&ride.reading.unparsable);
        check.ignored_titles.clone_from(&ride.reading.ignored_titles);
        check.channels =
            Channel::ALL.iter().filter(|(c, _)| ride.has(*c)).map(|(_, name)| (*name).to_owned()).collect();
        if let (Some(bike), Some(plan)) = (self.bike, self.plan) {
            let missing = plan.needs(bike).into_iter().find(|(channel, _)| !ride.has(*channel));
            check.trouble = missing
                .map(|(channel, by)| format!("has no values for `{}`, needed by {by}", channel.name()));
        }
        if let (Some(context), None) = (context, &check.trouble) {
            check.findings = findings::of_one_ride(ride, context);
            delay = self.plan.and_then(|plan| found_delay(plan, ride, context));
            check.delay = delay.as_ref().map(RideDelay::from);
        }
        CheckedRide { check, delay }
    }
}

fn in_trouble(file: &FoundRide, trouble: String) -> CheckedRide {
    let CheckedRide { check, delay } = blank(file);
    CheckedRide { check: RideCheck { trouble: Some(trouble), ..check }, delay }
}

/// A ride of which nothing is known but its name.
fn blank(file: &FoundRide) -> CheckedRide {
    let check = RideCheck {
        file: file.name.clone(),
        trouble: None,
        logger: None,
        samples: 0,
        seconds: 0.0,
        rate_hz: 0.0,
        dropped: BTreeMap::new(),
        unparsable: Vec::new(),
        unparsable_total: 0,
        channels: Vec::new(),
        ignored_titles: Vec::new(),
        remarks: Vec::new(),
        delay: None,
        findings: Vec::new(),
    };
    CheckedRide { check, delay: None }
}
