//! Rides of the build read one by one, for commands that only look.

use super::error::OperationError;
use super::made_on::tables_of;
use super::open::OpenBike;
use super::rides::{Asked, RideStanding, UsableRide};
use super::run::Progress;
use crate::bike::SlotTables;
use crate::pipeline::RideChoice;
use crate::ride::Ride;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// A ride, and what it said.
pub(super) struct RideRead<T> {
    /// Its name.
    pub file: String,
    /// The revision it was made on, where it counts.
    pub revision: Option<String>,
    /// What it said, or why it says nothing.
    pub said: Result<T, String>,
}

/// Asks every ride of the build; `look` sees the ride and its log.
///
/// Shape: one entry a ride, by name.
///
/// # Errors
/// When rides cannot be listed, or somebody asked to stop.
pub(super) fn read_rides<T: Send>(
    bike: &OpenBike,
    standings: &[RideStanding],
    progress: &dyn Progress,
    look: impl Fn(&UsableRide, &Ride) -> Result<T, String> + Sync,
) -> Result<Vec<RideRead<T>>, OperationError> {
    // The repository does not go from thread to thread.
    let (files, loggers) = (&bike.files, &bike.loggers);
    let read = |ride: &UsableRide| -> Result<(T, usize), String> {
        let bytes = files.bytes(&ride.path, &ride.sha256).map_err(|e| format!("cannot be read: {e}"))?;
        let bytes = bytes.ok_or("changed while it was read")?;
        let log = Ride::read_hashed(&ride.path, &bytes, ride.sha256.clone(), loggers)
            .map_err(|error| error.to_string())?;
        Ok((look(ride, &log)?, log.samples()))
    };
    progress.begin(standings.len());
    let asked: Option<Vec<RideRead<T>>> = standings
        .par_iter()
        .map(|standing| {
            if progress.is_stopped() {
                return None;
            }
            Some(match standing {
                RideStanding::Usable(ride) => {
                    let said = read(ride);
                    progress.ride_done(&ride.name, said.as_ref().map_or(0, |(_, rows)| *rows));
                    let (file, revision) = (ride.name.clone(), Some(ride.revision.clone()));
                    RideRead { file, revision, said: said.map(|(said, _)| said) }
                }
                RideStanding::PassedOver { name, why, .. } => {
                    RideRead { file: name.clone(), revision: None, said: Err(why.clone()) }
                }
            })
        })
        .collect();
    progress.end();
    let mut asked = asked.ok_or(OperationError::STOPPED)?;
    asked.sort_by(|a, b| a.file.cmp(&b.file));
    Ok(asked)
}

/// The named rides, or the bike's own, as they stand for a slot.
///
/// # Errors
/// When a named path does not exist or a folder cannot be listed.
pub(super) fn standings_of_build(
    bike: &OpenBike,
    slot: &str,
    named: &[PathBuf],
) -> Result<Vec<RideStanding>, OperationError> {
    let found = bike.hashed(bike.find_rides(named)?);
    Ok(bike.standing_of(found, (slot, Asked::SlotItself), RideChoice::Build))
}

/// The same, for what says nothing without a ride.
///
/// # Errors
/// Those of [`standings_of_build`], and when there is no ride.
pub(super) fn needed_standings_of_build(
    bike: &OpenBike,
    slot: &str,
    named: &[PathBuf],
) -> Result<Vec<RideStanding>, OperationError> {
    let standings = standings_of_build(bike, slot, named)?;
    match standings.is_empty() {
        true => Err(OperationError::failed("there is no ride yet", "put logs into rides/, or name some")),
        false => Ok(standings),
    }
}

/// A slot's tables of the revisions that usable rides were made on, each read once.
pub(super) struct RiddenTables(BTreeMap<String, Result<SlotTables, String>>);

impl RiddenTables {
    /// Reads them, or why they do not serve.
    pub fn of(bike: &OpenBike, slot: &str, standings: &[RideStanding]) -> Self {
        let mut tables = BTreeMap::new();
        for standing in standings {
            if let RideStanding::Usable(ride) = standing {
                tables.entry(ride.revision.clone()).or_insert_with(|| tables_of(bike, slot, &ride.revision));
            }
        }
        Self(tables)
    }

    /// Those of one ride.
    ///
    /// # Errors
    /// In words, where they do not serve.
    ///
    /// # Panics
    /// When the ride was not among the standings.
    pub fn of_ride(&self, ride: &UsableRide) -> Result<&SlotTables, String> {
        let tables = self.0[&ride.revision].as_ref();
        tables.map_err(|why| format!("the tables of {} do not serve: {why}", ride.revision))
    }
}
