//! What a ride was made on, as far as its place, the register and the history tell.

use super::open::OpenBike;
use super::rides::StandingReason;
use crate::revision::{revision_name, revision_number};
use crate::ride::{LOGGED_SLOT, RegisteredRide, RiddenOn};

impl OpenBike {
    /// The revision and build a new ride was made on.
    pub(super) fn made_on(
        &self,
        ridden_on: RiddenOn,
    ) -> Result<(String, String, bool), (StandingReason, String)> {
        let newest = self.newest_name();
        let current = self.folder.builds.current().to_owned();
        match ridden_on {
            RiddenOn::Newest => Ok((newest, current, true)),
            RiddenOn::Revision(number) if revision_name(number) == newest => Ok((newest, current, false)),
            RiddenOn::Revision(number) => {
                let found = self.revisions.iter().find(|r| r.record.number == number);
                match found {
                    Some(revision) => Ok((revision.name(), revision.record.build.clone(), false)),
                    None => {
                        let why = format!(
                            "lies in a folder for r{number}, which does not exist; the newest is {newest}"
                        );
                        Err((StandingReason::UnknownRevision, why))
                    }
                }
            }
        }
    }

    /// The slot that a ride was made on where its log does not tell, as far as the register
    /// and the slots tell. Where each slot breathes for itself it is the one asked about.
    pub(super) fn told_slot<'a>(
        &'a self,
        (known, revision): (Option<&'a RegisteredRide>, &str),
        slot: &'a str,
    ) -> Option<&'a str> {
        if !self.folder.bike.shares_breathing() {
            return Some(slot);
        }
        let told = known.and_then(RegisteredRide::told_slot);
        // Of a ride that counted as its log tells nothing more was known.
        let as_logged = known.is_some_and(|ride| ride.slot == LOGGED_SLOT && !ride.used_in.is_empty());
        match (told, self.folder.bike.slots.as_slice()) {
            (None, [only]) if !as_logged && self.had_one_slot(revision) => Some(only),
            (told, _) => told,
        }
    }

    /// Whether the bike had no more slots when a ride was made than it has now.
    fn had_one_slot(&self, revision: &str) -> bool {
        let number = revision_number(revision);
        match self.revisions.iter().find(|r| Some(r.record.number) == number) {
            Some(revision) => {
                self.bike_at(&revision.commit).is_ok_and(|(then, _)| then.slots == self.folder.bike.slots)
            }
            // Its tables are those in the folder.
            None => true,
        }
    }
}
