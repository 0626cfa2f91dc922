//! What each ride of a run said: kept from before where it still holds, or read anew.

use super::made_on::MadeOn;
use super::ride_key::{KeyOfRun, KeyOfTables};
use super::ride_record::{Recorded, RideFailure, RideRecord, decode, encode};
use super::rides::UsableRide;
use crate::cache::{Cache, FileHashes, Key, Kind};
use crate::pipeline::{Plan, RideContext};
use crate::ride::Loggers;
use crate::units;
use std::collections::BTreeMap;
use std::path::Path;

/// Gives the records of a run's rides.
pub(super) struct Recall<'a> {
    plan: &'a Plan,
    files: &'a FileHashes,
    loggers: &'a Loggers,
    cache: Option<&'a Cache>,
    /// By revision and slot: the context of the rides made on them, and their keys as far as
    /// they agree.
    by_tables: BTreeMap<&'a str, BTreeMap<&'a str, (RideContext<'a>, KeyOfTables)>>,
}

impl<'a> Recall<'a> {
    /// For these rides, whose tables serve; `context` holds what all of them have in common.
    pub fn new(
        plan: &'a Plan,
        (files, loggers): (&'a FileHashes, &'a Loggers),
        cache: Option<&'a Cache>,
        context: &RideContext<'a>,
        (made_on, rides): (&'a MadeOn, &'a [UsableRide]),
    ) -> Self {
        let key = KeyOfRun::new(plan, loggers, (context.bike, context.today));
        let mut by_tables: BTreeMap<&str, BTreeMap<&str, _>> = BTreeMap::new();
        for ride in rides {
            let by_slot = by_tables.entry(&ride.revision).or_default();
            if let (false, Ok(context)) =
                (by_slot.contains_key(ride.slot.as_str()), made_on.context(ride, context))
            {
                by_slot.insert(&ride.slot, (context, key.made_on(context.ridden, context.slot)));
            }
        }
        Self { plan, files, loggers, cache, by_tables }
    }

    fn of_tables(&self, ride: &UsableRide) -> &(RideContext<'a>, KeyOfTables) {
        &self.by_tables[ride.revision.as_str()][ride.slot.as_str()]
    }

    /// Under what the records of all rides hold that were made on the tables of this one.
    ///
    /// # Panics
    /// When these tables were not given.
    pub fn key_of_tables(&self, ride: &UsableRide) -> Key {
        self.of_tables(ride).1.in_common()
    }

    /// What a ride said. At most its bytes and columns are in memory besides.
    ///
    /// # Errors
    /// When it cannot be used.
    ///
    /// # Panics
    /// When the tables the ride was made on were not given.
    pub fn ride(&self, ride: &UsableRide) -> Recorded {
        let (context, key) = self.of_tables(ride);
        // By the name it was registered under: renamed since, it is the same ride.
        let name = Path::new(&ride.name);
        let key = key.of_ride(&ride.sha256, name);
        let kept = self.cache.and_then(|cache| cache.read(Kind::Record, &key));
        if let Some(recorded) = kept.and_then(|kept| decode(&kept)) {
            return recorded;
        }
        let bytes = self
            .files
            .bytes(&ride.path, &ride.sha256)
            .map_err(|error| RideFailure::new(format!("cannot be read: {error}")))?
            .ok_or_else(|| RideFailure::new("changed while it was read"))?;
        let recorded = RideRecord::of(self.plan, (name, &bytes, &ride.sha256), self.loggers, context);
        drop(bytes);
        if let (Some(cache), Some(payload)) = (self.cache, encode(&recorded)) {
            cache.write(Kind::Record, &key, &payload);
        }
        recorded
    }
}

/// What to say of kept work that a disk damaged.
pub(super) fn damage_note(cache: &Cache) -> Option<String> {
    let pieces = cache.damaged();
    (pieces > 0).then(|| {
        format!(
            "the cache was damaged ({} could not be read back); what is missing was worked out again",
            units::counted(pieces, "file")
        )
    })
}
