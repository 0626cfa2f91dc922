//! bike.yaml: a file here for each of its keys, or for what belongs together.

mod chassis;
mod closed_loop;
mod controller;
mod engine;
mod fuel;
mod fuel_table;
mod gearing;
mod injectors;
mod lambda_sensor;
mod meaning;
mod warm;

pub use chassis::Chassis;
pub use closed_loop::{ClosedLoop, ClosedLoopMode, Region};
pub use controller::{Breathing, Controller, Density, Mixture};
pub use engine::{Cooling, Engine};
pub use fuel_table::FuelTableKind;
pub use gearing::Gearing;
pub use injectors::Injectors;
pub use lambda_sensor::{Delay, FixedDelay, LambdaSensor};
pub use warm::WarmEngine;

use crate::problem::Problems;
use crate::table::Resolution;
use crate::yaml;
use fuel::FuelFile;
use meaning::Meaning;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The bike as bike.yaml describes it, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Bike {
    /// What the workshop calls it.
    pub name: String,
    /// The engine.
    pub engine: Engine,
    /// The injectors, when they were given.
    pub injectors: Option<Injectors>,
    /// Mass of air per mass of fuel at lambda 1.
    pub stoich_afr: f64,
    /// The fuel's name, or how it was given.
    pub fuel_name: String,
    /// What the controller's tables mean.
    pub controller: Controller,
    /// The step of the fuel table, from the controller's resolution.
    pub resolution: Resolution,
    /// What the controller does on its own.
    pub closed_loop: ClosedLoop,
    /// The lambda sensor.
    pub lambda_sensor: LambdaSensor,
    /// When the engine counts as warm.
    pub warm: WarmEngine,
    /// From crankshaft to road, when it was given.
    pub gearing: Option<Gearing>,
    /// What road and air ask of it, when it was given.
    pub chassis: Option<Chassis>,
    /// The switchable table sets; the first is the default.
    pub slots: Vec<String>,
}

/// bike.yaml, word for word.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct BikeFile {
    /// What the workshop calls the bike.
    name: String,
    /// The engine.
    engine: Engine,
    /// The injectors.
    #[serde(default)]
    injectors: Option<Injectors>,
    /// The fuel.
    fuel: FuelFile,
    /// What the controller's tables mean.
    controller: Controller,
    /// What the controller does on its own.
    #[serde(default)]
    closed_loop: ClosedLoop,
    /// The lambda sensor.
    #[serde(default)]
    lambda_sensor: LambdaSensor,
    /// When the engine counts as warm.
    #[serde(default)]
    warm: WarmEngine,
    /// From crankshaft to road.
    #[serde(default)]
    gearing: Option<Gearing>,
    /// What road and air ask of the bike: for power from pulls.
    #[serde(default)]
    chassis: Option<Chassis>,
    /// The switchable table sets; the first is the default.
    #[serde(default = "one_slot")]
    slots: Vec<String>,
}

fn one_slot() -> Vec<String> {
    vec!["main".to_owned()]
}

impl Bike {
    /// Reads bike.yaml.
    ///
    /// # Errors
    /// Every problem with line and column.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Problems> {
        let node = yaml::parse(path, text)?;
        let file: BikeFile = yaml::read_node(path, &node)?;
        let mut meaning = Meaning { path, node: &node, found: Vec::new() };
        file.engine.check(&mut meaning);
        check_name(&file.name, &mut meaning);
        if let Some(injectors) = &file.injectors {
            injectors.check(&mut meaning);
        }
        file.lambda_sensor.check(&mut meaning);
        file.controller.check_trim_range(&mut meaning);
        file.closed_loop.check(&mut meaning);
        check_slots(&file.slots, &mut meaning);
        file.controller.check_breathing(&mut meaning);
        let fuel = file.fuel.read(&mut meaning);
        let resolution = file.controller.read_resolution(&mut meaning);
        match (fuel, resolution, meaning.found.is_empty()) {
            (Some((fuel_name, stoich_afr)), Some(resolution), true) => Ok(Bike {
                name: file.name,
                engine: file.engine,
                injectors: file.injectors,
                stoich_afr,
                fuel_name,
                controller: file.controller,
                resolution,
                closed_loop: file.closed_loop,
                lambda_sensor: file.lambda_sensor,
                warm: file.warm,
                gearing: file.gearing,
                chassis: file.chassis,
                slots: file.slots,
            }),
            _ => Err(Problems(meaning.found)),
        }
    }

    /// The JSON Schema of bike.yaml.
    pub fn schema() -> serde_json::Value {
        yaml::schema_of::<BikeFile>()
    }

    /// Whether a ride on any slot says what the fuel tables of all of them should hold.
    pub fn shares_breathing(&self) -> bool {
        self.controller.breathing == Breathing::Shared
    }

    /// AFR for people, from lambda.
    pub fn afr(&self, lambda: f64) -> f64 {
        lambda * self.stoich_afr
    }
}

fn check_name(name: &str, meaning: &mut Meaning<'_>) {
    if name.trim().is_empty() {
        meaning.say(&["name"], "`name` must not be empty");
    }
}

fn check_slots(slots: &[String], meaning: &mut Meaning<'_>) {
    if slots.is_empty() {
        meaning.say(&["slots"], "`slots` needs at least one name");
    }
    for (i, slot) in slots.iter().enumerate() {
        let at = i.to_string();
        let fine = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if slot.is_empty() || !slot.chars().all(fine) {
            let what = format!("a slot name holds letters, digits, - and _, got `{slot}`");
            meaning.say(&["slots", &at], what);
        }
        if slots[..i].contains(slot) {
            meaning.say(&["slots", &at], format!("slot `{slot}` appears twice"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::problem::Problem;

    pub(super) const SAMPLE: &str = "\
name: Fernhill 700
engine:    { displacement_cc: 700, cylinders: 2, strokes: 4, rev_limit_rpm: 8200 }
injectors: { count: 2, flow_cc_min: 230, rated_kpa: 300, rail_kpa: 300, duty_limit_pct: 85,
             dead_time_ms: { 10: 1.35, 12: 1.02, 14: 0.80, 16: 0.66 } }
fuel:      { name: E10 }
controller:
  fuel_table: ve_pct
  load: throttle_pct
  mixture: controller
  density: controller
  resolution: 0.1
closed_loop: { mode: none }
lambda_sensor: { delay: estimate, valid: [0.65, 1.55] }
warm:      { engine_temp_c: 75 }
slots: [power, economy]
";

    pub(super) fn messages(text: &str) -> Vec<String> {
        match Bike::parse(Path::new("bike.yaml"), text) {
            Ok(_) => Vec::new(),
            Err(problems) => problems.0.iter().map(Problem::to_string).collect(),
        }
    }

    #[test]
    fn reads_the_contract_s_example() {
        let bike = Bike::parse(Path::new("bike.yaml"), SAMPLE).expect("valid");
        assert!((bike.stoich_afr - 13.99).abs() < 0.01);
        assert_eq!(bike.injectors.expect("given").dead_time_points()[0], (10.0, 1.35));
        let fixed = SAMPLE.replace("estimate", "{ cycles: 2.0, transport_ml: 900, lag_s: 0.09 }");
        let bike = Bike::parse(Path::new("bike.yaml"), &fixed).expect("valid");
        assert!(matches!(bike.lambda_sensor.delay, Delay::Fixed(d) if d.cycles == 2.0));
    }

    #[test]
    fn gathers_what_is_wrong_with_places() {
        let text = SAMPLE
            .replace("strokes: 4", "strokes: 3")
            .replace("name: E10", "name: E11")
            .replace("resolution: 0.1", "resolution: 0.333333333")
            .replace("[power, economy]", "[power, power]");
        let found = messages(&text);
        assert_eq!(found.len(), 4, "{found:#?}");
        assert!(found[0].starts_with("bike.yaml:2:"), "{found:#?}");
        assert!(found.iter().any(|m| m.contains("one of petrol, E5")), "{found:#?}");
    }

    #[test]
    fn knows_its_choices() {
        let found = messages(&SAMPLE.replace("delay: estimate", "delay: guess"));
        assert!(found[0].contains("`delay`") && found[0].contains("estimate"), "{found:#?}");
        let found = messages(&SAMPLE.replace("fuel_table: ve_pct", "fuel_table: ve"));
        assert!(found[0].contains("ve_pct, pulse_width_ms, trim_pct"), "{found:#?}");
    }
}
