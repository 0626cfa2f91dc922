//! Which ride files there are, their hashes, and which are gone.

use super::error::OperationError;
use super::open::{AtHand, OpenBike};
use super::rides::RideStanding;
use crate::pipeline::RideChoice;
use crate::ride::{FoundRide, RideState};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// A found file with its hash, or why it cannot be read.
pub(super) type HashedRide = (FoundRide, Result<String, String>);

impl OpenBike {
    /// The ride files of the bike's own folder, and the named ones.
    ///
    /// Where only new rides are wanted, naming some leaves the others out;
    /// where all rides of the build count, the named ones come on top.
    ///
    /// # Errors
    /// When a named path does not exist or a folder cannot be listed.
    pub(super) fn rides_for(
        &self,
        named: &[PathBuf],
        choice: RideChoice,
    ) -> Result<Vec<FoundRide>, OperationError> {
        let mut found = self.find_rides(named)?;
        if choice == RideChoice::Build && !named.is_empty() {
            found.extend(self.find_rides(&[])?);
            found.sort_by(|a, b| a.name.cmp(&b.name));
            found.dedup_by(|a, b| {
                a.name == b.name && std::fs::canonicalize(&a.path).ok() == std::fs::canonicalize(&b.path).ok()
            });
        }
        Ok(found)
    }

    /// The ride files of the bike's own folder, or the named ones.
    ///
    /// # Errors
    /// When a named path does not exist or a folder cannot be listed.
    pub fn find_rides(&self, named: &[PathBuf]) -> Result<Vec<FoundRide>, OperationError> {
        let root: &Path = &self.folder.root;
        let found = match named.is_empty() {
            true => crate::ride::find_in_folder(root, &self.loggers),
            false => crate::ride::find_named(root, named, &self.loggers),
        };
        let mut found = found.map_err(|error| OperationError::Failed {
            what: format!("rides cannot be listed: {error}"),
            hint: None,
        })?;
        if let (AtHand::Settled(settled), true) = (&self.at_hand, named.is_empty()) {
            // A ride that the register knows is whole, however lately it was written again.
            let is_known = |path: &Path| {
                self.files.sha256(path).is_ok_and(|sha256| self.register.by_hash(&sha256).is_some())
            };
            found.retain(|ride| settled.contains(&ride.path) || is_known(&ride.path));
        }
        if found.is_empty() && !named.is_empty() {
            let names: Vec<String> = named.iter().map(|p| p.display().to_string()).collect();
            return Err(OperationError::failed(
                format!("there is no ride in {}", names.join(", ")),
                "a ride is a .csv, .tsv, .parquet or .mf4 log, a .csv.gz or .csv.zst one, or a file that a logger names",
            ));
        }
        Ok(found)
    }

    /// Found files with their hashes.
    pub(super) fn hashed(&self, found: Vec<FoundRide>) -> Vec<HashedRide> {
        let files = &self.files;
        let with_hash = |file: FoundRide| {
            let sha256 = files.sha256(&file.path).map_err(|error| format!("cannot be read: {error}"));
            (file, sha256)
        };
        let hashed = found.into_par_iter().map(with_hash).collect();
        files.keep();
        hashed
    }

    /// Names of rides that count and are not among the files that were found.
    pub(super) fn missing_rides(&self, found: &[RideStanding]) -> Vec<&str> {
        let is_here = |sha256: &str| found.iter().any(|standing| standing.sha256() == Some(sha256));
        let build = self.folder.builds.current();
        let counts = self.register.rides().iter().filter(|r| r.state == RideState::Used && r.build == build);
        counts.filter(|r| !is_here(&r.sha256)).map(|r| r.file.as_str()).collect()
    }
}
