//! Rides that no revision counts yet, as the register remembers them.

use super::error::OperationError;
use super::open::{AtHand, OpenBike};
use crate::ride::{Channel, FoundRide, LOGGED_SLOT, Register, RegisteredRide, RiddenOn, Ride, RideState};

impl OpenBike {
    /// Remembers what waiting rides were made on, before the next revision
    /// becomes the newest: rides whose place does not tell it.
    ///
    /// # Errors
    /// When the rides cannot be listed.
    pub(super) fn remember_waiting(&self, register: &mut Register) -> Result<(), OperationError> {
        let mut waiting = self.waiting_logs(register)?;
        if let AtHand::Collected(collected) = &self.at_hand {
            waiting.extend(collected.waiting(self)?);
            waiting.sort_by(|a, b| a.file.cmp(&b.file));
        }
        waiting.into_iter().for_each(|ride| register.remember(ride));
        Ok(())
    }

    /// The logs of the bike's own folder that are not registered and whose place does not
    /// tell the revision, but for those that collected evidence tells of.
    fn waiting_logs(&self, register: &Register) -> Result<Vec<RegisteredRide>, OperationError> {
        let mut waiting = Vec::new();
        for file in self.find_rides(&[])? {
            if file.ridden_on != RiddenOn::Newest {
                continue;
            }
            let Ok(sha256) = self.files.sha256(&file.path) else { continue };
            let told = matches!(&self.at_hand, AtHand::Collected(collected) if collected.holds(&sha256));
            if told || register.by_hash(&sha256).is_some() {
                continue;
            }
            let Ok(Some(bytes)) = self.files.bytes(&file.path, &sha256) else { continue };
            let Ok(log) = Ride::read_hashed(&file.path, &bytes, sha256.clone(), &self.loggers) else {
                continue;
            };
            waiting.extend(self.waiting(&file, log.has(Channel::Slot), sha256)?);
        }
        Ok(waiting)
    }

    /// An unregistered ride as the register would remember it; `None` when its
    /// revision does not exist. `slot_logged`: its log tells the slot.
    pub(super) fn waiting(
        &self,
        file: &FoundRide,
        slot_logged: bool,
        sha256: String,
    ) -> Result<Option<RegisteredRide>, OperationError> {
        let Ok((revision, build, _)) = self.made_on(file.ridden_on) else {
            return Ok(None);
        };
        let slot = if slot_logged { LOGGED_SLOT.to_owned() } else { self.slot(None)? };
        Ok(Some(RegisteredRide {
            file: file.name.clone(),
            sha256,
            revision,
            slot,
            build,
            state: RideState::Waiting,
            used_in: Vec::new(),
            why: None,
            set_aside_in: None,
            unlogged_slot: None,
            corrected_in: None,
        }))
    }
}
