//! Signs that a sensor or a log lies, or the engine knocks: what was seen, where, and what to look at.
//!
//! One ride enters, or the sums of all rides of a run; findings leave. A serious
//! one keeps its ride out of the run, the others are told and change nothing. The
//! stages drop single samples; a finding speaks of the ride as a whole.
//!
//! To add one: write the file with its `ENTRY`, add it to the registry below. A
//! false alarm costs an honest ride, so every limit leaves room.

mod among_rides;
mod clock;
mod engine_speed;
mod engine_temp;
mod free_air;
mod knock;
mod lambda_delay;
mod lambda_sticks;
mod low_flow;
mod pulled_to_stoichiometric;
mod pulses;
mod scene;
mod throttle;
mod two_sensors;

pub use among_rides::{air_temp_exponent, among_rides};
pub use lambda_delay::{of_delay, of_delays};
pub use low_flow::of_all_rides;
pub use scene::Scene;

use crate::pipeline::RideContext;
use crate::ride::{Channel, Registered, Ride, known_channel_if_any, registered};
use serde::{Deserialize, Deserializer, Serialize};

/// How much weight a finding has.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// Look at it before the map is trusted.
    Warning,
    /// The ride is kept out of this run.
    Serious,
}

impl Severity {
    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Warning => "warning",
            Severity::Serious => "serious",
        }
    }
}

/// A sign that a sensor or a log lies.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Finding {
    /// Its name in the registry.
    #[serde(deserialize_with = "known_name")]
    pub name: Registered,
    /// How much weight it has.
    pub severity: Severity,
    /// What was seen, with numbers.
    pub saw: String,
    /// What to look at.
    #[serde(deserialize_with = "known_advice")]
    pub look_at: Registered,
    /// The channel it was seen in, where it is one.
    #[serde(deserialize_with = "known_channel_if_any")]
    pub channel: Option<Registered>,
    /// Where it begins, s from the start of the ride, where it has a place in time.
    pub from_s: Option<f64>,
    /// Where it ends.
    pub to_s: Option<f64>,
    /// The operating points it was seen at, where it has any.
    pub region: Option<String>,
}

fn known_name<'de, D: Deserializer<'de>>(text: D) -> Result<Registered, D::Error> {
    registered(text, |text| registry().iter().map(|entry| entry.name).find(|name| *name == text))
}

fn known_advice<'de, D: Deserializer<'de>>(text: D) -> Result<Registered, D::Error> {
    registered(text, |text| registry().iter().map(|entry| entry.look_at).find(|advice| *advice == text))
}

/// What a check saw, before the registry adds the rest.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    severity: Severity,
    saw: String,
    channel: Option<Channel>,
    time_s: Option<(f64, f64)>,
    region: Option<String>,
}

impl Seen {
    fn new(severity: Severity, saw: impl Into<String>) -> Self {
        Self { severity, saw: saw.into(), channel: None, time_s: None, region: None }
    }

    fn in_channel(self, channel: Channel) -> Self {
        Self { channel: Some(channel), ..self }
    }

    fn between(self, from_s: f64, to_s: f64) -> Self {
        Self { time_s: Some((from_s, to_s)), ..self }
    }

    fn at_points(self, region: impl Into<String>) -> Self {
        Self { region: Some(region.into()), ..self }
    }
}

/// A line of the registry.
#[derive(Debug)]
pub struct FindingEntry {
    /// Its name.
    pub name: &'static str,
    /// What it looks for, in a sentence.
    pub about: &'static str,
    /// When it has which weight.
    pub severity: &'static str,
    /// Where the method and its numbers come from.
    pub source: &'static str,
    /// What to look at.
    pub look_at: &'static str,
    /// How it looks at one ride; `None` for what only shows in several.
    look: Option<fn(&Scene<'_>) -> Vec<Seen>>,
}

impl FindingEntry {
    fn finding(&self, seen: Seen) -> Finding {
        Finding {
            name: self.name,
            severity: seen.severity,
            saw: seen.saw,
            look_at: self.look_at,
            channel: seen.channel.map(Channel::name),
            from_s: seen.time_s.map(|(from, _)| from),
            to_s: seen.time_s.map(|(_, to)| to),
            region: seen.region,
        }
    }
}

/// Every finding there is: those of one ride, then those among rides and of all rides.
pub fn registry() -> [&'static FindingEntry; 16] {
    [
        &clock::ENTRY,
        &free_air::ENTRY,
        &free_air::RICH,
        &lambda_sticks::FROZEN,
        &lambda_sticks::RAILED,
        &two_sensors::ENTRY,
        &engine_temp::ENTRY,
        &engine_speed::ENTRY,
        &throttle::ENTRY,
        &pulses::ENTRY,
        &knock::ENTRY,
        &pulled_to_stoichiometric::ENTRY,
        &lambda_delay::ENTRY,
        &among_rides::FALSE_AIR,
        &among_rides::OFFSET,
        &low_flow::ENTRY,
    ]
}

/// What one ride shows by itself. A log without time, speed, load or lambda shows
/// nothing; the pipeline says what it lacks.
pub fn of_one_ride(ride: &Ride, context: &RideContext<'_>) -> Vec<Finding> {
    let Some(scene) = Scene::new(ride, context) else { return Vec::new() };
    let looked = registry().into_iter().filter_map(|entry| Some((entry, entry.look?(&scene))));
    looked.flat_map(|(entry, seen)| seen.into_iter().map(|seen| entry.finding(seen))).collect()
}

/// Whether any of them keeps the ride out.
pub fn is_serious(findings: &[Finding]) -> bool {
    findings.iter().any(|f| f.severity == Severity::Serious)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bike::Bike;
    use crate::pipeline::stages;
    use std::fmt::Write as _;
    use std::path::Path;

    /// The findings in a log, as `name severity`.
    pub(super) fn found_in(text: &str) -> Vec<String> {
        look(text, |_| {})
    }

    /// The findings in a ride of these channels at 20 Hz.
    pub(super) fn found(channels: &[(Channel, Vec<f64>)]) -> Vec<String> {
        look(&written(channels), |_| {})
    }

    /// The same on another bike.
    pub(super) fn found_on(channels: &[(Channel, Vec<f64>)], change: impl FnOnce(&mut Bike)) -> Vec<String> {
        look(&written(channels), change)
    }

    fn look(text: &str, change: impl FnOnce(&mut Bike)) -> Vec<String> {
        let (mut bike, tables) = stages::tests::bike();
        change(&mut bike);
        let ride = Ride::read(Path::new("ride.csv"), text.as_bytes(), &crate::ride::Loggers::none())
            .expect("a ride");
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        of_one_ride(&ride, &context).iter().map(|f| format!("{} {}", f.name, f.severity.word())).collect()
    }

    /// A ride as a log at 20 Hz.
    pub(super) fn written(channels: &[(Channel, Vec<f64>)]) -> String {
        let mut text = String::from("time_s");
        for (channel, _) in channels {
            let _ = write!(text, ",{}", channel.name());
        }
        text.push('\n');
        for i in 0..channels[0].1.len() {
            let _ = write!(text, "{:.2}", i as f64 * 0.05);
            for (_, values) in channels {
                let _ = write!(text, ",{}", values[i]);
            }
            text.push('\n');
        }
        text
    }

    /// An honest warm ride with a stop every minute, changed as wanted.
    pub(super) fn usual(
        rows: usize,
        change: impl Fn(Channel, usize, f64) -> f64,
    ) -> Vec<(Channel, Vec<f64>)> {
        let stands = |i: usize| i % 1200 < 160;
        let value = |channel: Channel, i: usize| {
            let t = i as f64 * 0.05;
            match channel {
                Channel::Rpm if stands(i) => 1300.0 + 20.0 * t.sin(),
                Channel::Rpm => 3500.0 + 900.0 * (t / 9.0).sin(),
                Channel::ThrottlePct if stands(i) => 0.1,
                Channel::ThrottlePct => 16.0 + 8.0 * (t / 7.0).sin(),
                Channel::SpeedKph => {
                    if stands(i) {
                        0.0
                    } else {
                        70.0
                    }
                }
                // It follows the load, and has noise.
                Channel::Lambda => 0.97 + 0.04 * (t / 7.0).sin() + 0.002 * ((i * 7 % 11) as f64 - 5.0),
                _ => 88.0 + (t / 40.0).sin(),
            }
        };
        let channels =
            [Channel::Rpm, Channel::ThrottlePct, Channel::SpeedKph, Channel::Lambda, Channel::EngineTempC];
        let all = |channel: Channel| (0..rows).map(|i| change(channel, i, value(channel, i))).collect();
        channels.into_iter().map(|channel| (channel, all(channel))).collect()
    }

    #[test]
    fn an_honest_ride_shows_nothing() {
        assert!(found(&usual(8000, |_, _, usual| usual)).is_empty());
    }

    #[test]
    fn every_finding_is_documented_and_named_once() {
        let mut names: Vec<&str> = registry().iter().map(|e| e.name).collect();
        for entry in registry() {
            for text in [entry.about, entry.severity, entry.source, entry.look_at] {
                assert!(!text.is_empty(), "{}", entry.name);
            }
        }
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), registry().len());
    }

    #[test]
    fn missing_and_single_samples_are_safe_for_every_check() {
        for n in [1, 2, 50] {
            let nothing: Vec<(Channel, Vec<f64>)> = Channel::ALL
                .iter()
                .filter(|(c, _)| !matches!(c, Channel::TimeS | Channel::Slot))
                .map(|(c, _)| (*c, vec![f64::NAN; n]))
                .collect();
            assert!(found(&nothing).is_empty());
        }
    }
}
