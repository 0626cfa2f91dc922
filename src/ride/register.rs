//! rides.yaml: which rides are known, made on what, used or set aside.

use crate::problem::{Problem, Problems};
use crate::revision::revision_number;
use crate::yaml;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::path::Path;

/// What `slot` says of a ride whose log tells the slot sample by sample.
pub const LOGGED_SLOT: &str = "as_logged";

/// A ride the register knows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RegisteredRide {
    /// Its name when it was registered, below `rides/`.
    pub file: String,
    /// SHA-256 of its bytes, in hex.
    pub sha256: String,
    /// The revision it was made on, such as r3.
    pub revision: String,
    /// The slot it was made on, or `as_logged`.
    pub slot: String,
    /// The slot it was made on before its log tells the first, where somebody told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unlogged_slot: Option<String>,
    /// The build it was made on.
    pub build: String,
    /// Whether it counts.
    pub state: RideState,
    /// The revisions it fed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub used_in: Vec<String>,
    /// Why it was set aside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// The revision that set it aside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_aside_in: Option<String>,
    /// The revision that corrected what it was made on; only revisions after it took that
    /// into account.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrected_in: Option<String>,
}

/// Whether a ride counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RideState {
    /// It fed no revision yet; the register remembers what it was made on.
    Waiting,
    /// Its evidence is in the map.
    Used,
    /// It never counts.
    SetAside,
}

impl RegisteredRide {
    /// The revisions it fed as what it is known for now, and not before it was corrected.
    pub fn fed(&self) -> impl Iterator<Item = &String> {
        let corrected = self.corrected_in.as_deref().and_then(revision_number);
        self.used_in.iter().filter(move |name| revision_number(name) > corrected)
    }

    /// The slot that somebody told it was made on where its log does not tell. What a ride that
    /// only waits is registered on was presumed, not told.
    pub fn told_slot(&self) -> Option<&str> {
        let is_told = !self.used_in.is_empty() || self.corrected_in.is_some();
        let of_all = Some(self.slot.as_str()).filter(|slot| *slot != LOGGED_SLOT);
        of_all.or(self.unlogged_slot.as_deref()).filter(|_| is_told)
    }

    fn set_aside(&mut self, why: &str, by: &str) {
        self.state = RideState::SetAside;
        self.why = Some(why.to_owned());
        self.set_aside_in = Some(by.to_owned());
    }

    fn count(&mut self) {
        self.state = if self.used_in.is_empty() { RideState::Waiting } else { RideState::Used };
        self.why = None;
        self.set_aside_in = None;
    }
}

/// The register, in the order the rides came.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Register {
    rides: Vec<RegisteredRide>,
}

const HEADER: &str = "\
# The rides this bike's revisions stand on, known by their hash.
# Written by rideloop; a ride is never counted twice.
";

impl Register {
    /// Reads rides.yaml.
    ///
    /// # Errors
    /// Every problem with line and column.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Problems> {
        if text.lines().all(|l| l.trim().is_empty() || l.trim_start().starts_with('#')) {
            return Ok(Self::default());
        }
        let node = yaml::parse(path, text)?;
        let rides: Vec<RegisteredRide> = yaml::read_node(path, &node)?;
        let mut found = Vec::new();
        let mut hashes = BTreeSet::new();
        for (i, ride) in rides.iter().enumerate() {
            let at = i.to_string();
            let mut say = |key: &str, what: String| {
                let (line, column) = node.place(&[&at, key]);
                found.push(Problem::at(path, line, column, what));
            };
            let hex = |c: char| c.is_ascii_digit() || ('a'..='f').contains(&c);
            if ride.sha256.len() != 64 || !ride.sha256.chars().all(hex) {
                say("sha256", format!("`sha256` must be 64 hex digits, got `{}`", ride.sha256));
            }
            if !hashes.insert(&ride.sha256) {
                say("sha256", format!("ride `{}` is registered twice", ride.file));
            }
            for revision in ride.used_in.iter().chain([&ride.revision]).chain(&ride.corrected_in) {
                if revision_number(revision).is_none() {
                    say("revision", format!("a revision is written r1, r2 …, got `{revision}`"));
                }
            }
        }
        Problems(found).into_result().map(|()| Self { rides })
    }

    /// The register as its file holds it.
    pub fn to_text(&self) -> String {
        if self.rides.is_empty() {
            return format!("{HEADER}[]\n");
        }
        let body = serde_yaml::to_string(&self.rides).expect("plain data always serialises");
        let end = if body.ends_with('\n') { "" } else { "\n" };
        format!("{HEADER}{body}{end}")
    }

    /// The rides in order of registration.
    pub fn rides(&self) -> &[RegisteredRide] {
        &self.rides
    }

    /// A ride by its hash.
    pub fn by_hash(&self, sha256: &str) -> Option<&RegisteredRide> {
        self.rides.iter().find(|r| r.sha256 == sha256)
    }

    /// Notes that a ride fed a revision; registers it when it is new.
    pub fn mark_used(&mut self, ride: RegisteredRide, revision: &str) {
        let position = self.rides.iter().position(|r| r.sha256 == ride.sha256);
        let entry = match position {
            Some(i) => {
                (self.rides[i].slot, self.rides[i].unlogged_slot) = (ride.slot, ride.unlogged_slot);
                &mut self.rides[i]
            }
            None => {
                self.rides.push(ride);
                self.rides.last_mut().expect("just pushed")
            }
        };
        entry.state = RideState::Used;
        entry.why = None;
        entry.set_aside_in = None;
        if !entry.used_in.iter().any(|r| r == revision) {
            entry.used_in.push(revision.to_owned());
        }
    }

    /// Corrects what a ride was made on, registered or not: its slots, revision and build.
    /// Whether it counts stays as it is.
    pub fn correct(&mut self, ride: RegisteredRide, by: &str) {
        let entry = self.entry(ride.clone());
        (entry.slot, entry.unlogged_slot) = (ride.slot, ride.unlogged_slot);
        (entry.revision, entry.build) = (ride.revision, ride.build);
        entry.corrected_in = Some(by.to_owned());
    }

    /// What is registered of a ride; registers it when it is new.
    fn entry(&mut self, ride: RegisteredRide) -> &mut RegisteredRide {
        let position = self.rides.iter().position(|r| r.sha256 == ride.sha256);
        let position = position.unwrap_or_else(|| {
            self.rides.push(ride);
            self.rides.len() - 1
        });
        &mut self.rides[position]
    }

    /// Sets one ride aside, registered or not; whether that changed anything.
    pub fn set_aside(&mut self, ride: RegisteredRide, why: &str, by: &str) -> bool {
        let entry = self.entry(ride);
        let changed = entry.why.as_deref() != Some(why) || entry.state != RideState::SetAside;
        entry.set_aside(why, by);
        changed
    }

    /// Lets a ride count again; one that never fed a revision waits again.
    /// Whether that changed anything.
    pub fn take_back(&mut self, sha256: &str) -> bool {
        let Some(position) = self.rides.iter().position(|r| r.sha256 == sha256) else { return false };
        let entry = &mut self.rides[position];
        if entry.state != RideState::SetAside {
            return false;
        }
        entry.count();
        true
    }

    /// Remembers what a ride was made on before it fed any revision.
    pub fn remember(&mut self, ride: RegisteredRide) {
        if self.by_hash(&ride.sha256).is_none() {
            self.rides.push(RegisteredRide { state: RideState::Waiting, ..ride });
        }
    }

    /// Counts rides again that these revisions had set aside and that an earlier
    /// register counted; says which.
    pub fn count_again(&mut self, revisions: &[String], earlier: &Register) -> Vec<String> {
        let mut again = Vec::new();
        for ride in &mut self.rides {
            let by_these = ride.set_aside_in.as_ref().is_some_and(|r| revisions.contains(r));
            let counted = earlier.by_hash(&ride.sha256).is_some_and(|r| r.state != RideState::SetAside);
            if by_these && counted && ride.state == RideState::SetAside {
                ride.count();
                again.push(ride.file.clone());
            }
        }
        again
    }

    /// Sets rides aside again that an earlier register had set aside; says which.
    pub fn set_aside_as_in(&mut self, earlier: &Register, by: &str) -> Vec<String> {
        let mut again = Vec::new();
        for ride in &mut self.rides {
            let then = earlier.by_hash(&ride.sha256).filter(|r| r.state == RideState::SetAside);
            if let (Some(then), false) = (then, ride.state == RideState::SetAside) {
                ride.set_aside(then.why.as_deref().unwrap_or("set aside before"), by);
                again.push(ride.file.clone());
            }
        }
        again
    }

    /// Sets rides aside that fed these revisions and no other as what they are known for, but
    /// for those of `beside`, which do not count; says which.
    pub fn set_aside_users_of(
        &mut self,
        revisions: &[String],
        beside: &[String],
        why: &str,
        by: &str,
    ) -> Vec<String> {
        let mut set_aside = Vec::new();
        for ride in &mut self.rides {
            // What a ride fed before it was corrected is no fault of what it is known for now.
            let fed: Vec<&String> = ride.fed().filter(|r| !beside.contains(r)).collect();
            let fed_no_other = !fed.is_empty() && fed.iter().all(|r| revisions.contains(r));
            if fed_no_other && ride.state == RideState::Used {
                ride.set_aside(why, by);
                set_aside.push(ride.file.clone());
            }
        }
        set_aside
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ride(file: &str, digit: char) -> RegisteredRide {
        RegisteredRide {
            file: file.to_owned(),
            sha256: digit.to_string().repeat(64),
            revision: "r1".to_owned(),
            slot: "power".to_owned(),
            build: "b1".to_owned(),
            state: RideState::Used,
            used_in: Vec::new(),
            why: None,
            set_aside_in: None,
            unlogged_slot: None,
            corrected_in: None,
        }
    }

    #[test]
    fn what_a_ride_fed_before_it_was_corrected_it_did_not_feed_as_what_it_is() {
        let mut register = Register::default();
        register.mark_used(ride("a.csv", '1'), "r2");
        assert_eq!(register.rides()[0].told_slot(), Some("power"));
        register.correct(RegisteredRide { slot: "economy".to_owned(), ..ride("a.csv", '1') }, "r3");
        let corrected = &register.rides()[0];
        assert_eq!((corrected.told_slot(), corrected.fed().count()), (Some("economy"), 0));
        assert_eq!(
            (corrected.state, corrected.used_in.as_slice()),
            (RideState::Used, ["r2".to_owned()].as_slice())
        );
        register.mark_used(register.rides()[0].clone(), "r4");
        assert_eq!(register.rides()[0].fed().collect::<Vec<_>>(), ["r4"]);
        register.remember(ride("b.csv", '2'));
        assert_eq!(register.rides()[1].told_slot(), None, "presumed");
        register.correct(register.rides()[1].clone(), "r5");
        assert_eq!(register.rides()[1].told_slot(), Some("power"));
    }

    #[test]
    fn reads_back_what_it_writes() {
        let mut register = Register::default();
        register.mark_used(ride("odd: name # 'x'.csv", '1'), "r2");
        register.mark_used(ride("r1/b.csv", 'a'), "r2");
        register.mark_used(ride("r1/b.csv", 'a'), "r3");
        let text = register.to_text();
        let read = Register::parse(Path::new("rides.yaml"), &text).expect("own text");
        assert_eq!(read, register);
        assert_eq!(read.rides()[1].used_in, ["r2", "r3"]);
        let empty = Register::default();
        assert_eq!(Register::parse(Path::new("rides.yaml"), &empty.to_text()).expect("own text"), empty);
    }

    #[test]
    fn sets_aside_exactly_the_rides_of_the_undone_revisions() {
        let mut register = Register::default();
        register.mark_used(ride("a.csv", '1'), "r2");
        register.mark_used(ride("a.csv", '1'), "r3");
        register.mark_used(ride("b.csv", '2'), "r3");
        let set_aside = register.set_aside_users_of(&["r3".to_owned()], &[], "hesitates", "r4");
        assert_eq!(set_aside, ["b.csv"]);
        assert_eq!(register.rides()[0].state, RideState::Used);
        assert_eq!(register.rides()[1].why.as_deref(), Some("hesitates"));
    }

    #[test]
    fn undoing_a_rollback_counts_its_rides_again_and_no_others() {
        let mut register = Register::default();
        register.mark_used(ride("a.csv", '1'), "r2");
        register.mark_used(ride("b.csv", '2'), "r3");
        let earlier = register.clone();
        register.set_aside_users_of(&["r2".to_owned()], &[], "the sensor was loose", "r4");
        register.set_aside_users_of(&["r3".to_owned()], &[], "hesitates", "r5");
        let then = register.clone();
        assert_eq!(register.count_again(&["r5".to_owned()], &earlier), ["b.csv"]);
        assert_eq!(register.set_aside_as_in(&then, "r9"), ["b.csv"]);
        assert_eq!(register.count_again(&["r9".to_owned()], &earlier), ["b.csv"]);
        assert_eq!(register.rides()[0].state, RideState::SetAside);
        register.remember(ride("c.csv", '3'));
        assert_eq!(register.rides()[2].state, RideState::Waiting);
        assert!(register.set_aside(ride("c.csv", '3'), "wrong bike", "r6"));
        assert!(register.take_back(&"3".repeat(64)));
        assert_eq!(register.rides()[2].state, RideState::Waiting, "it still never fed a revision");
    }

    #[test]
    fn refuses_a_ride_that_stands_twice() {
        let mut register = Register::default();
        register.mark_used(ride("a.csv", '1'), "r2");
        let body = register.to_text();
        let doubled = format!("{body}{}", body.replace(HEADER, ""));
        let found = Register::parse(Path::new("rides.yaml"), &doubled).expect_err("twice");
        assert!(found.to_string().contains("registered twice"), "{found}");
    }
}
