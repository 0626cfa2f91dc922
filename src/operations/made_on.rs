//! The tables that rides were made on, as the history holds them.

use super::open::OpenBike;
use super::rides::UsableRide;
use crate::bike::{Mixture, SlotTables};
use crate::pipeline::{Ridden, RideContext};
use crate::revision::revision_number;
use crate::ride::LOGGED_SLOT;
use std::collections::BTreeMap;

/// The tables that the rides of a run were made on, each revision's read once: those of the
/// slot in question, or of every slot where slots share their breathing.
pub(super) struct MadeOn {
    shared: bool,
    by_revision: BTreeMap<String, Result<BTreeMap<String, SlotTables>, String>>,
}

impl MadeOn {
    /// Reads them, or why they do not serve.
    pub fn of(bike: &OpenBike, slot: &str, rides: &[UsableRide]) -> Self {
        let shared = bike.folder.bike.shares_breathing();
        let mut by_revision = BTreeMap::new();
        for ride in rides {
            by_revision.entry(ride.revision.clone()).or_insert_with(|| match shared {
                true => tables_of_slots(bike, &ride.revision),
                false => Ok(BTreeMap::from([(slot.to_owned(), tables_of(bike, slot, &ride.revision)?)])),
            });
        }
        Self { shared, by_revision }
    }

    /// What is to be known of a ride besides its samples; `in_common` holds what is so of
    /// all rides of the run.
    ///
    /// # Errors
    /// In words, where its tables do not serve.
    ///
    /// # Panics
    /// When the ride was not among those the tables were read for.
    pub fn context<'a>(
        &'a self,
        ride: &'a UsableRide,
        in_common: &RideContext<'a>,
    ) -> Result<RideContext<'a>, String> {
        let serve = |why: &str| format!("the tables of {} do not serve: {why}", ride.revision);
        let slots = self.by_revision[&ride.revision].as_ref().map_err(|why| serve(why))?;
        let none = || serve(&format!("they hold none of slot {}", ride.slot));
        let ridden = match self.shared {
            false => Ridden::Slot(slots.get(&ride.slot).ok_or_else(none)?),
            true if ride.slot == LOGGED_SLOT || slots.contains_key(&ride.slot) => Ridden::Slots(slots),
            true => return Err(none()),
        };
        Ok(RideContext { ridden, slot: &ride.slot, ..*in_common })
    }
}

/// A slot's tables at a revision.
///
/// # Errors
/// In words, where they do not serve.
pub(super) fn tables_of(bike: &OpenBike, slot: &str, revision: &str) -> Result<SlotTables, String> {
    let number = revision_number(revision);
    let Some(found) = bike.revisions.iter().find(|r| Some(r.record.number) == number) else {
        return match is_to_become(bike, number) {
            true => Ok(bike.today(slot).clone()),
            false => Err(NOT_HELD.to_owned()),
        };
    };
    let (then, _) = bike.bike_at(&found.commit).map_err(|e| e.to_string())?;
    if !bike.same_meaning(&then) {
        return Err(OTHER_MEANING.to_owned());
    }
    bike.tables_at(&found.commit, slot).map_err(|e| e.to_string())
}

/// The tables of every slot that a revision holds and that can be read; at least of one.
fn tables_of_slots(bike: &OpenBike, revision: &str) -> Result<BTreeMap<String, SlotTables>, String> {
    let number = revision_number(revision);
    let Some(found) = bike.revisions.iter().find(|r| Some(r.record.number) == number) else {
        return match is_to_become(bike, number) {
            true => Ok(bike.folder.slots.clone()),
            false => Err(NOT_HELD.to_owned()),
        };
    };
    let (then, files) = bike.bike_at(&found.commit).map_err(|e| e.to_string())?;
    if !bike.same_meaning(&then) {
        return Err(OTHER_MEANING.to_owned());
    }
    if then.controller.mixture != Mixture::Controller {
        return Err("bike.yaml said `mixture: table` then, so that each held a mixture of its own".to_owned());
    }
    let mut slots = BTreeMap::new();
    let mut troubles = Vec::new();
    for slot in &then.slots {
        match SlotTables::read(slot, &then, &files) {
            Ok(tables) => {
                slots.insert(slot.clone(), tables);
            }
            Err(trouble) => troubles.push(trouble.to_string()),
        }
    }
    if slots.is_empty() { Err(troubles.join("; ")) } else { Ok(slots) }
}

const NOT_HELD: &str = "the history does not hold them";
const OTHER_MEANING: &str = "their axes or kind are not today's";

/// In a folder without revisions its tables are r1 as soon as something is written.
fn is_to_become(bike: &OpenBike, number: Option<u32>) -> bool {
    bike.revisions.is_empty() && number == Some(1)
}
