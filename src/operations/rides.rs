//! Where each ride stands: whether a run may look at it, or what stands in the way.

use super::find_rides::HashedRide;
use super::open::{AtHand, OpenBike};
use crate::ledger::{Revision, RevisionKind};
use crate::pipeline::RideChoice;
use crate::revision::revision_number;
use crate::ride::{FoundRide, LOGGED_SLOT, RegisteredRide, RiddenOn, RideState};
use serde::Serialize;
use std::path::PathBuf;

/// A ride that a run may look at.
#[derive(Debug, Clone)]
pub struct UsableRide {
    /// Where it lies.
    pub path: PathBuf,
    /// How to name it.
    pub name: String,
    /// Its hash.
    pub sha256: String,
    /// The revision it was made on.
    pub revision: String,
    /// The build it was made on.
    pub build: String,
    /// The slot it was made on where its log does not tell; `as_logged` where nothing else
    /// tells.
    pub slot: String,
    /// That slot, once its log was read and tells slots but for its first rows.
    pub unlogged_slot: Option<String>,
    /// Its place did not tell the revision, so the newest one was taken.
    pub revision_presumed: bool,
    /// It fed no revision of the slot yet, or none as what it is known for now.
    pub is_new: bool,
}

/// What rides are asked about.
#[derive(Debug, Clone, Copy)]
pub(super) enum Asked<'a> {
    /// What a slot's fuel table should hold. Where slots share their breathing rides of all
    /// slots say it; `ridden_on` is the slot of those that neither log nor register tells of.
    Fuel { ridden_on: Option<&'a str> },
    /// The slot itself: its spark, its throttle; rides of other slots say nothing.
    SlotItself,
}

/// Where a found file stands.
#[derive(Debug, Clone)]
pub enum RideStanding {
    /// A run may look at it.
    Usable(UsableRide),
    /// A run passes it over.
    PassedOver {
        /// How to name it.
        name: String,
        /// Its hash, when it could be read.
        sha256: Option<String>,
        /// Why.
        reason: StandingReason,
        /// The same in words.
        why: String,
    },
}

impl RideStanding {
    /// The file's hash, when it could be read.
    pub fn sha256(&self) -> Option<&str> {
        match self {
            RideStanding::Usable(ride) => Some(&ride.sha256),
            RideStanding::PassedOver { sha256, .. } => sha256.as_deref(),
        }
    }
}

/// Why a ride is passed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum StandingReason {
    /// It fed a revision of this slot already.
    AlreadyUsed,
    /// Somebody set it aside.
    SetAside,
    /// The same bytes lie under another name too.
    SameRide,
    /// It was made on another slot.
    OtherSlot,
    /// Nobody knows on which of the slots that share their breathing it was made.
    SlotUnknown,
    /// It was made on another build.
    OtherBuild,
    /// Its folder names a revision that does not exist.
    UnknownRevision,
    /// It cannot be read at all.
    Unreadable,
    /// It is not what a ride must be.
    Unusable,
    /// A sensor or the log lies: a serious finding.
    Lies,
}

impl StandingReason {
    /// The word in files and JSON.
    pub fn name(self) -> &'static str {
        match self {
            StandingReason::AlreadyUsed => "already_used",
            StandingReason::SetAside => "set_aside",
            StandingReason::SameRide => "same_ride",
            StandingReason::OtherSlot => "other_slot",
            StandingReason::SlotUnknown => "slot_unknown",
            StandingReason::OtherBuild => "other_build",
            StandingReason::UnknownRevision => "unknown_revision",
            StandingReason::Unreadable => "unreadable",
            StandingReason::Unusable => "unusable",
            StandingReason::Lies => "lies",
        }
    }
}

impl OpenBike {
    /// The rides that stand behind a slot's map as it is now.
    ///
    /// A rollback stands on the rides of the revision it restored, a change by
    /// hand on those of the revision before it.
    pub(super) fn rides_behind(&self, slot: &str) -> Vec<&str> {
        let of_slot = |r: &&Revision| r.record.slots.iter().any(|s| s == slot);
        let mut here = self.revisions.iter().find(of_slot);
        while let Some(revision) = here {
            let record = &revision.record;
            here = match record.kind {
                RevisionKind::Run => return record.rides.iter().map(|r| r.sha256.as_str()).collect(),
                RevisionKind::Rollback => {
                    let restored = record.restores.as_deref().and_then(revision_number);
                    self.revisions.iter().find(|r| Some(r.record.number) == restored)
                }
                RevisionKind::Edit | RevisionKind::Import => {
                    self.revisions.iter().filter(of_slot).find(|r| r.record.number < record.number)
                }
                RevisionKind::Start | RevisionKind::Build => None,
            };
        }
        Vec::new()
    }

    /// Sorts found files into rides that say something of a slot's fuel table and the rest.
    pub fn standing(&self, found: &[FoundRide], slot: &str, choice: RideChoice) -> Vec<RideStanding> {
        self.standing_of(self.hashed(found.to_vec()), (slot, Asked::Fuel { ridden_on: None }), choice)
    }

    /// Sorts files whose hashes are known.
    pub(super) fn standing_of(
        &self,
        mut hashed: Vec<HashedRide>,
        asked: (&str, Asked<'_>),
        choice: RideChoice,
    ) -> Vec<RideStanding> {
        // A copy whose folder tells the revision speaks before one that does not.
        hashed.sort_by_key(|(file, _)| (file.ridden_on == RiddenOn::Newest, file.name.clone()));
        let mut seen: Vec<(&str, &FoundRide)> = Vec::new();
        let mut standings = Vec::new();
        for (file, sha256) in &hashed {
            let pass = |reason, why: String| RideStanding::PassedOver {
                name: file.name.clone(),
                sha256: sha256.as_ref().ok().cloned(),
                reason,
                why,
            };
            let sha256 = match sha256 {
                Ok(sha256) => sha256,
                Err(why) => {
                    standings.push(pass(StandingReason::Unreadable, why.clone()));
                    continue;
                }
            };
            if let Some((_, first)) = seen.iter().find(|(h, _)| h == sha256) {
                let why = match (first.ridden_on, file.ridden_on) {
                    (RiddenOn::Revision(a), RiddenOn::Revision(b)) if a != b => {
                        format!(
                            "is the same ride as {}, in the folder of another revision: keep it in one",
                            first.name
                        )
                    }
                    _ => format!("is the same ride as {}", first.name),
                };
                standings.push(pass(StandingReason::SameRide, why));
                continue;
            }
            seen.push((sha256, file));
            standings.push(match self.usable(file, sha256, asked, choice) {
                Ok(ride) => RideStanding::Usable(ride),
                Err((reason, why)) => pass(reason, why),
            });
        }
        standings
    }

    fn usable(
        &self,
        file: &FoundRide,
        sha256: &str,
        (slot, asked): (&str, Asked<'_>),
        choice: RideChoice,
    ) -> Result<UsableRide, (StandingReason, String)> {
        let known = self.register.by_hash(sha256);
        let is_new = match known {
            Some(ride) => self.pass_known(ride, (slot, asked), choice)?,
            None => true,
        };
        let (revision, build, presumed) = match known {
            Some(ride) => (ride.revision.clone(), ride.build.clone(), false),
            None => self.made_on(file.ridden_on)?,
        };
        let current = self.folder.builds.current();
        if build != current {
            let why = format!("was made on build {build}; it says nothing about build {current}");
            return Err((StandingReason::OtherBuild, why));
        }
        let number = revision_number(&revision);
        let held = self.revisions.iter().any(|r| Some(r.record.number) == number);
        // In a folder without revisions its tables become r1.
        let becomes_r1 = self.revisions.is_empty() && number == Some(1);
        if !held && !becomes_r1 {
            let why = format!("was made on {revision}, which this repository does not hold");
            return Err((StandingReason::UnknownRevision, why));
        }
        let told = match asked {
            Asked::SlotItself => slot.to_owned(),
            Asked::Fuel { ridden_on } => {
                let collected = || match &self.at_hand {
                    AtHand::Collected(collected) => collected.told_slot(sha256),
                    AtHand::Logs | AtHand::Settled(_) => None,
                };
                // What counted is corrected by name, not in passing.
                let counted_as_logged = known.is_some_and(|r| r.slot == LOGGED_SLOT && !r.used_in.is_empty());
                let said = ridden_on.filter(|_| !counted_as_logged);
                let told = self.told_slot((known, &revision), slot).or(said).map(str::to_owned);
                told.or_else(collected).unwrap_or_else(|| LOGGED_SLOT.to_owned())
            }
        };
        Ok(UsableRide {
            path: file.path.clone(),
            name: file.name.clone(),
            sha256: sha256.to_owned(),
            revision,
            build,
            slot: told,
            unlogged_slot: None,
            revision_presumed: presumed,
            is_new,
        })
    }

    /// Whether a registered ride is new to the slot, or why it is passed over.
    fn pass_known(
        &self,
        ride: &RegisteredRide,
        (slot, asked): (&str, Asked<'_>),
        choice: RideChoice,
    ) -> Result<bool, (StandingReason, String)> {
        if ride.state == RideState::SetAside {
            let why = ride.why.as_deref().unwrap_or("no reason given");
            return Err((StandingReason::SetAside, format!("was set aside: {why}")));
        }
        let crosses = matches!(asked, Asked::Fuel { .. }) && self.folder.bike.shares_breathing();
        if !crosses && ride.slot != slot && ride.slot != LOGGED_SLOT {
            return Err((StandingReason::OtherSlot, format!("was made on slot {}", ride.slot)));
        }
        let fed = ride.fed().find(|name| self.is_of_slot(name, slot));
        match (choice, fed) {
            (RideChoice::New, Some(revision)) => {
                Err((StandingReason::AlreadyUsed, format!("already counts in {revision}")))
            }
            (_, fed) => Ok(fed.is_none()),
        }
    }

    fn is_of_slot(&self, revision: &str, slot: &str) -> bool {
        let number = revision_number(revision);
        let found = self.revisions.iter().find(|r| Some(r.record.number) == number);
        found.is_some_and(|r| r.record.slots.iter().any(|s| s == slot))
    }
}
