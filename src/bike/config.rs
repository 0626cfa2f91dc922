//! bike.yaml: the engine, injectors, fuel, controller and sensors.

use crate::physics::fuel::{self, Composition};
use crate::problem::{Problem, Problems};
use crate::table::{LoadAxis, Resolution};
use crate::yaml::{self, Node};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
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

/// The engine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Engine {
    /// Displacement of all cylinders, cm³.
    #[schemars(range(min = 20.0, max = 10000.0))]
    pub displacement_cc: f64,
    /// Number of cylinders.
    #[schemars(range(min = 1, max = 16))]
    pub cylinders: u32,
    /// Strokes of a cycle: 4, or 2.
    #[schemars(range(min = 2, max = 4))]
    pub strokes: u32,
    /// Where the limiter cuts, 1/min.
    #[schemars(range(min = 1000.0, max = 25000.0))]
    pub rev_limit_rpm: f64,
    /// What carries the heat away: it says how hot a reading can be.
    #[serde(default)]
    pub cooling: Option<Cooling>,
}

/// What carries an engine's heat away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Cooling {
    /// Coolant, which boils long before a cylinder head is at its hottest.
    Liquid,
    /// Air, perhaps with oil: the temperature is that of the head or the oil.
    Air,
}

impl Engine {
    /// Displacement of one cylinder, cm³.
    pub fn cylinder_cc(&self) -> f64 {
        self.displacement_cc / f64::from(self.cylinders)
    }
}

/// From crankshaft to road.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gearing {
    /// Turns of the crankshaft for one turn of the gearbox's input.
    #[schemars(range(min = 0.5, max = 6.0))]
    pub primary: f64,
    /// The gears' ratios, first gear first.
    #[schemars(length(min = 1, max = 8), inner(range(min = 0.3, max = 6.0)))]
    pub gears: Vec<f64>,
    /// Turns of the gearbox's output for one turn of the wheel.
    #[serde(rename = "final")]
    #[schemars(range(min = 0.5, max = 8.0))]
    pub last: f64,
    /// How far one turn of the rear wheel goes, mm.
    #[schemars(range(min = 800.0, max = 3000.0))]
    pub wheel_circumference_mm: f64,
}

impl Gearing {
    /// Road speed at an engine speed in a gear.
    ///
    /// Units: 1/min, gear from 1; result km/h, without slip.
    pub fn speed_kph(&self, rpm: f64, gear: usize) -> f64 {
        const MM_MIN_PER_KM_H: f64 = 1e6 / 60.0;
        let ratio = self.primary * self.gears[gear - 1] * self.last;
        rpm / ratio * self.wheel_circumference_mm / MM_MIN_PER_KM_H
    }
}

/// What road and air ask of the bike; what is left out is taken as usual. Each error is a standard
/// uncertainty: two in three such numbers lie within it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Chassis {
    /// Mass with rider, fuel and bags, kg.
    #[schemars(range(min = 50.0, max = 2000.0))]
    pub mass_kg: f64,
    /// How far the mass may be off, kg.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 500.0))]
    pub mass_error_kg: Option<f64>,
    /// Drag coefficient times frontal area, m².
    #[serde(default)]
    #[schemars(range(min = 0.05, max = 3.0))]
    pub cda_m2: Option<f64>,
    /// How far the drag area may be off, m².
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub cda_error_m2: Option<f64>,
    /// Rolling resistance over the weight.
    #[serde(default)]
    #[schemars(range(min = 0.001, max = 0.1))]
    pub crr: Option<f64>,
    /// How far the rolling resistance may be off.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 0.05))]
    pub crr_error: Option<f64>,
    /// Mass with that of turning parts over the mass; of the wheels alone where the crank's inertia is given.
    #[serde(default)]
    #[schemars(range(min = 1.0, max = 1.5))]
    pub k_rot: Option<f64>,
    /// How far that may be off.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 0.3))]
    pub k_rot_error: Option<f64>,
    /// Inertia of all that turns with the crank, kg m².
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub crank_inertia_kg_m2: Option<f64>,
    /// How far that may be off, kg m².
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub crank_inertia_error_kg_m2: Option<f64>,
}

/// The injectors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Injectors {
    /// How many there are.
    #[schemars(range(min = 1, max = 32))]
    pub count: u32,
    /// Flow of one injector at the rated pressure, cm³/min.
    #[schemars(range(min = 10.0, max = 5000.0))]
    pub flow_cc_min: f64,
    /// Pressure difference at which the flow was rated, kPa.
    #[schemars(range(min = 50.0, max = 2000.0))]
    pub rated_kpa: f64,
    /// Pressure difference on the bike, kPa.
    #[schemars(range(min = 50.0, max = 2000.0))]
    pub rail_kpa: f64,
    /// Highest duty to plan for, %.
    #[serde(default = "usual_duty_limit")]
    #[schemars(range(min = 10.0, max = 100.0))]
    pub duty_limit_pct: f64,
    /// Dead time in ms by battery voltage.
    pub dead_time_ms: BTreeMap<String, f64>,
}

/// Common practice, no source: above about 85 % an injector may not close.
fn usual_duty_limit() -> f64 {
    85.0
}

impl Injectors {
    /// Dead times as (V, ms), ascending in V.
    pub fn dead_time_points(&self) -> Vec<(f64, f64)> {
        let parsed = self.dead_time_ms.iter().filter_map(|(v, ms)| Some((v.parse().ok()?, *ms)));
        let mut points: Vec<(f64, f64)> = parsed.collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points
    }
}

/// The fuel as it was given.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct FuelFile {
    /// A known fuel: petrol, E5, E10, E85, ethanol or methanol.
    #[serde(default)]
    name: Option<String>,
    /// Mass fraction of carbon.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    carbon: Option<f64>,
    /// Mass fraction of hydrogen.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    hydrogen: Option<f64>,
    /// Mass fraction of oxygen.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    oxygen: Option<f64>,
    /// Mass of air per mass of fuel at lambda 1.
    #[serde(default)]
    #[schemars(range(min = 1.0, max = 40.0))]
    stoich_afr: Option<f64>,
}

/// What the controller's tables mean.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Controller {
    /// What a cell of the fuel table holds.
    pub fuel_table: FuelTableKind,
    /// The load axis of the tables.
    pub load: LoadAxis,
    /// Who divides by the wanted lambda.
    #[serde(default)]
    pub mixture: Mixture,
    /// Who corrects for air temperature and pressure.
    #[serde(default)]
    pub density: Density,
    /// Whether the slots hold one truth of how the engine breathes.
    #[serde(default)]
    pub breathing: Breathing,
    /// The smallest step a cell of the fuel table can hold.
    pub resolution: f64,
    /// The least and the most trim that an add-on module can hold, %; for `trim_pct` tables only.
    #[serde(default)]
    pub trim_range_pct: Option<[f64; 2]>,
}

/// What a cell of the fuel table holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FuelTableKind {
    /// Volumetric efficiency in %.
    VePct,
    /// Effective pulse width in ms, dead time excluded.
    PulseWidthMs,
    /// A percentage on top of a stock map.
    TrimPct,
}

impl FuelTableKind {
    /// What a map can be that an engine runs on by itself.
    pub const OF_STOCK: &'static [Self] = &[Self::VePct, Self::PulseWidthMs];

    /// The name in files.
    pub fn name(self) -> &'static str {
        match self {
            FuelTableKind::VePct => "ve_pct",
            FuelTableKind::PulseWidthMs => "pulse_width_ms",
            FuelTableKind::TrimPct => "trim_pct",
        }
    }

    /// What a table file may hold at most; a bike is held tighter by `blend`.
    /// Common practice, no source.
    pub fn allowed(self) -> std::ops::RangeInclusive<f64> {
        match self {
            FuelTableKind::VePct => 0.0..=250.0,
            FuelTableKind::PulseWidthMs => 0.0..=60.0,
            FuelTableKind::TrimPct => -90.0..=200.0,
        }
    }

    /// The amount of fuel a cell stands for, as a factor: a correction of so
    /// many percent multiplies this number, whatever kind of table it is.
    ///
    /// Contract section 3: for `trim_pct` the product applies to `1 + cell/100`.
    pub fn amount(self, cell: f64) -> f64 {
        match self {
            FuelTableKind::VePct | FuelTableKind::PulseWidthMs => cell,
            FuelTableKind::TrimPct => 1.0 + cell / 100.0,
        }
    }

    /// The cell that stands for an amount; the inverse of [`Self::amount`].
    pub fn cell(self, amount: f64) -> f64 {
        match self {
            FuelTableKind::VePct | FuelTableKind::PulseWidthMs => amount,
            FuelTableKind::TrimPct => (amount - 1.0) * 100.0,
        }
    }

    /// How much more fuel `after` gives than `before`, in %.
    pub fn change_pct(self, before: f64, after: f64) -> f64 {
        crate::units::change_pct(self.amount(before), self.amount(after))
    }
}

/// Who divides by the wanted lambda.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Mixture {
    /// The controller divides by the mixture table itself.
    #[default]
    Controller,
    /// The fuel table has the mixture baked in.
    Table,
}

/// Who corrects for air temperature and pressure.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Density {
    /// The controller does it itself.
    #[default]
    Controller,
    /// Nobody does.
    None,
}

/// Whether a ride on one slot says what the fuel tables of the others should hold.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Breathing {
    /// A ride feeds the fuel table of the slot it was made on.
    #[default]
    Own,
    /// The fuel tables of all slots describe the same air; the slots differ in the wanted
    /// lambda alone, so that a ride on any of them feeds them all.
    Shared,
}

/// What the controller does to the mixture on its own.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClosedLoop {
    /// Whether it trims, and whether the trim is in the log.
    pub mode: ClosedLoopMode,
    /// Where it trims; without it, where the wanted lambda is near 1.
    #[serde(default)]
    pub region: Option<Region>,
}

impl ClosedLoop {
    /// Whether the controller trims unseen at an operating point where this lambda
    /// is wanted: inside the region, or, where bike.yaml names none, within
    /// `near_stoich` of lambda 1.
    pub fn hides_trim_at(&self, rpm: f64, load: f64, wanted: f64, near_stoich: f64) -> bool {
        // So that 0.97 is within 0.03 of 1, whatever binary fractions say.
        const SLACK: f64 = 1e-9;
        self.mode == ClosedLoopMode::Unlogged
            && match self.region {
                Some(region) => region.contains(rpm, load),
                None => (wanted - 1.0).abs() <= near_stoich + SLACK,
            }
    }
}

/// Whether the controller trims by itself.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClosedLoopMode {
    /// It does not.
    #[default]
    None,
    /// It does, and the trim is in the log.
    TrimLogged,
    /// It does, and the log does not show by how much.
    Unlogged,
}

/// A rectangle of operating points.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Region {
    /// From and to, 1/min.
    pub rpm: [f64; 2],
    /// From and to, in the load axis' unit.
    pub load: [f64; 2],
}

impl Region {
    /// Whether an operating point lies inside, edges included.
    pub fn contains(&self, rpm: f64, load: f64) -> bool {
        (self.rpm[0]..=self.rpm[1]).contains(&rpm) && (self.load[0]..=self.load[1]).contains(&load)
    }
}

/// The lambda sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct LambdaSensor {
    /// How long the gas takes to show.
    pub delay: Delay,
    /// The lowest and highest lambda the sensor can tell.
    pub valid: [f64; 2],
}

impl Default for LambdaSensor {
    fn default() -> Self {
        Self {
            delay: Delay::Estimate(EstimateWord::Estimate),
            // Common practice, no source: what wideband sensors resolve well.
            valid: [0.65, 1.55],
        }
    }
}

/// How long the exhaust gas takes to show at the sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Delay {
    /// To be found from the rides.
    Estimate(EstimateWord),
    /// Known.
    Fixed(FixedDelay),
}

/// The word `estimate`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EstimateWord {
    /// Find the delay from the rides.
    Estimate,
}

/// A known delay: engine cycles, exhaust volume, sensor lag.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FixedDelay {
    /// Engine cycles from fuelling to the open exhaust valve.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub cycles: f64,
    /// Exhaust volume between valve and sensor, cm³.
    #[schemars(range(min = 0.0, max = 10000.0))]
    pub transport_ml: f64,
    /// First-order time constant of the sensor, s.
    #[schemars(range(min = 0.0, max = 2.0))]
    pub lag_s: f64,
}

impl FixedDelay {
    /// The usual delay of a motorcycle with the sensor behind the headers.
    ///
    /// # Source
    /// 1.5 cycles (published range 0.6 to 1.5 plus the intake stroke), 0.08 s
    /// sensor time constant (50 to 100 ms, Regitz and Collings 2008); from
    /// memory. 800 cm³ of pipe: common practice, no source.
    pub const USUAL: FixedDelay = FixedDelay { cycles: 1.5, transport_ml: 800.0, lag_s: 0.08 };
}

impl Delay {
    /// The delay to use, and whether it is only the usual one.
    pub fn value(&self) -> (FixedDelay, bool) {
        match self {
            Delay::Estimate(_) => (FixedDelay::USUAL, true),
            Delay::Fixed(fixed) => (*fixed, false),
        }
    }
}

/// When the engine counts as warm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WarmEngine {
    /// Engine temperature from which on the fuelling is the warm one, °C.
    #[schemars(range(min = -40.0, max = 200.0))]
    pub engine_temp_c: f64,
}

impl Default for WarmEngine {
    /// Common practice, no source: warm-up enrichment has ended at 75 °C.
    fn default() -> Self {
        Self { engine_temp_c: 75.0 }
    }
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
        meaning.engine(&file);
        meaning.injectors(file.injectors.as_ref());
        meaning.ranges(&file);
        meaning.slots(&file.slots);
        meaning.breathing(&file.controller);
        let fuel = meaning.fuel(&file.fuel);
        let resolution = meaning.resolution(file.controller.resolution);
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

/// The checks that need more than one value.
struct Meaning<'a> {
    path: &'a Path,
    node: &'a Node,
    found: Vec<Problem>,
}

impl Meaning<'_> {
    fn say(&mut self, at: &[&str], what: impl Into<String>) {
        let (line, column) = self.node.place(at);
        self.found.push(Problem::at(self.path, line, column, what));
    }

    fn engine(&mut self, file: &BikeFile) {
        if !matches!(file.engine.strokes, 2 | 4) {
            let got = file.engine.strokes;
            self.say(&["engine", "strokes"], format!("`strokes` must be 2 or 4, got {got}"));
        }
        if file.name.trim().is_empty() {
            self.say(&["name"], "`name` must not be empty");
        }
    }

    fn injectors(&mut self, injectors: Option<&Injectors>) {
        const VOLTS: std::ops::RangeInclusive<f64> = 5.0..=20.0;
        const DEAD_MS: std::ops::RangeInclusive<f64> = 0.0..=10.0;
        let Some(injectors) = injectors else { return };
        if injectors.dead_time_ms.is_empty() {
            self.say(&["injectors", "dead_time_ms"], "`dead_time_ms` needs at least one voltage");
        }
        for (volts, ms) in &injectors.dead_time_ms {
            let at = ["injectors", "dead_time_ms", volts.as_str()];
            if !volts.parse::<f64>().is_ok_and(|v| VOLTS.contains(&v)) {
                self.say(&at, format!("a battery voltage must be between 5 and 20, got `{volts}`"));
            }
            if !DEAD_MS.contains(ms) {
                self.say(&at, format!("a dead time must be between 0 and 10 ms, got {ms}"));
            }
        }
    }

    fn ranges(&mut self, file: &BikeFile) {
        let valid = file.lambda_sensor.valid;
        if !(0.3 <= valid[0] && valid[0] < valid[1] && valid[1] <= 30.0) {
            let what = format!(
                "`valid` must be two ascending lambdas such as [0.65, 1.55], got [{}, {}]",
                valid[0], valid[1]
            );
            self.say(&["lambda_sensor", "valid"], what);
        } else if valid[0] > 2.0 {
            self.say(&["lambda_sensor", "valid"], "`valid` is in lambda, not AFR");
        }
        if let Some([low, high]) = file.controller.trim_range_pct {
            let kind = file.controller.fuel_table;
            let allowed = FuelTableKind::TrimPct.allowed();
            // NaN is never within.
            let fine = low < high && allowed.contains(&low) && allowed.contains(&high);
            let at = ["controller", "trim_range_pct"];
            if kind != FuelTableKind::TrimPct {
                let what =
                    format!("`trim_range_pct` is for tables of trim_pct, and fuel_table is {}", kind.name());
                self.say(&at, what);
            } else if !fine {
                let what = format!(
                    "`trim_range_pct` must be two ascending numbers between {} and {} such as [-20, 30], got [{low}, {high}]",
                    allowed.start(),
                    allowed.end()
                );
                self.say(&at, what);
            }
        }
        if let Some(region) = file.closed_loop.region {
            for (key, range) in [("rpm", region.rpm), ("load", region.load)] {
                if range[0] >= range[1] {
                    let what = format!("`{key}` must ascend, got [{}, {}]", range[0], range[1]);
                    self.say(&["closed_loop", "region", key], what);
                }
            }
        }
    }

    fn slots(&mut self, slots: &[String]) {
        if slots.is_empty() {
            self.say(&["slots"], "`slots` needs at least one name");
        }
        for (i, slot) in slots.iter().enumerate() {
            let at = i.to_string();
            let fine = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
            if slot.is_empty() || !slot.chars().all(fine) {
                let what = format!("a slot name holds letters, digits, - and _, got `{slot}`");
                self.say(&["slots", &at], what);
            }
            if slots[..i].contains(slot) {
                self.say(&["slots", &at], format!("slot `{slot}` appears twice"));
            }
        }
    }

    fn breathing(&mut self, controller: &Controller) {
        if controller.breathing == Breathing::Own {
            return;
        }
        let why = match (controller.mixture, controller.fuel_table) {
            (Mixture::Table, _) => {
                "with `mixture: table` each fuel table has its own wanted lambda baked in, so that no two slots hold \
                 the same"
            }
            (Mixture::Controller, FuelTableKind::TrimPct) => {
                "a `trim_pct` table stands on a stock map that nobody knows, and slots may stand on different ones"
            }
            (Mixture::Controller, FuelTableKind::VePct | FuelTableKind::PulseWidthMs) => return,
        };
        self.say(
            &["controller", "breathing"],
            format!(
                "`breathing: shared` needs `mixture: controller` and a fuel table of ve_pct or pulse_width_ms: {why}; \
                 write `breathing: own`, or leave it out"
            ),
        );
    }

    fn resolution(&mut self, step: f64) -> Option<Resolution> {
        let resolution = Resolution::new(step).filter(|_| (0.001..=10.0).contains(&step));
        if resolution.is_none() {
            let what =
                format!("`resolution` must be a step from 0.001 to 10 such as 0.1, 0.5 or 1, got {step}");
            self.say(&["controller", "resolution"], what);
        }
        resolution
    }

    fn fuel(&mut self, file: &FuelFile) -> Option<(String, f64)> {
        let parts = [file.carbon, file.hydrogen, file.oxygen];
        let by_parts = parts.iter().any(Option::is_some);
        let ways = [file.name.is_some(), by_parts, file.stoich_afr.is_some()];
        if ways.iter().filter(|given| **given).count() != 1 {
            self.say(
                &["fuel"],
                "`fuel` is given in one way: a `name`, or `carbon`, `hydrogen`, `oxygen`, or `stoich_afr`",
            );
            return None;
        }
        if let Some(name) = &file.name {
            let Some(composition) = fuel::known(name) else {
                let known = fuel::KNOWN_FUELS.join(", ");
                self.say(&["fuel", "name"], format!("`name` must be one of {known}, got `{name}`"));
                return None;
            };
            return Some((name.clone(), composition.stoich_afr()));
        }
        if let Some(afr) = file.stoich_afr {
            return Some((format!("fuel of stoichiometric AFR {afr}"), afr));
        }
        let [carbon, hydrogen, oxygen] = parts.map(Option::unwrap_or_default);
        let sum = carbon + hydrogen + oxygen;
        if !(0.98..=1.0 + 1e-9).contains(&sum) {
            self.say(&["fuel"], format!("the mass fractions must add up to 1, got {sum:.3}"));
            return None;
        }
        let afr = Composition { carbon, hydrogen, oxygen }.stoich_afr();
        if afr < 1.0 {
            self.say(&["fuel"], "this composition does not burn");
            return None;
        }
        Some(("fuel of given composition".to_owned(), afr))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(crate) const SAMPLE: &str = "\
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

    fn messages(text: &str) -> Vec<String> {
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
    fn slots_share_their_breathing_only_where_their_fuel_tables_can_hold_the_same() {
        let with = |breathing: &str, mixture: &str, kind: &str| {
            let line = format!("mixture: {mixture}\n  breathing: {breathing}");
            messages(&SAMPLE.replace("mixture: controller", &line).replace("ve_pct", kind))
        };
        for kind in ["ve_pct", "pulse_width_ms"] {
            assert_eq!(with("shared", "controller", kind), Vec::<String>::new());
            let refused = with("shared", "table", kind);
            assert!(refused[0].starts_with("bike.yaml:10:14: `breathing: shared` needs"), "{refused:?}");
            assert!(refused[0].contains("baked in") && refused[0].contains("write `breathing: own`"));
        }
        assert!(with("shared", "controller", "trim_pct")[0].contains("stock map"));
        assert_eq!(with("own", "table", "trim_pct"), Vec::<String>::new());
    }

    #[test]
    fn a_module_s_range_is_for_trims_ascends_and_holds_numbers() {
        let with = |kind: &str, range: &str| {
            let trims = SAMPLE.replace("fuel_table: ve_pct", &format!("fuel_table: {kind}"));
            messages(
                &trims.replace("resolution: 0.1", &format!("resolution: 0.1\n  trim_range_pct: {range}")),
            )
        };
        assert_eq!(with("trim_pct", "[-20, 30]"), [""; 0]);
        for (kind, range, why) in [
            ("trim_pct", "[30, -20]", "ascending"),
            ("trim_pct", "[-20, 300]", "between -90 and 200"),
            ("trim_pct", "[.nan, 30]", "finite"),
            ("trim_pct", "20", "trim_range_pct"),
            ("ve_pct", "[-20, 30]", "for tables of trim_pct"),
        ] {
            let found = with(kind, range);
            assert!(found.iter().any(|m| m.contains(why)), "{range}: {found:#?}");
        }
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

    #[test]
    fn a_chassis_needs_its_mass_and_keeps_to_what_can_be() {
        let with = |chassis: &str| format!("{SAMPLE}chassis: {chassis}\n");
        let bike =
            Bike::parse(Path::new("bike.yaml"), &with("{ mass_kg: 245, cda_m2: 0.55 }")).expect("valid");
        assert_eq!(bike.chassis.map(|c| (c.mass_kg, c.cda_m2, c.crr)), Some((245.0, Some(0.55), None)));
        for (bad, word) in [
            ("{ mass_kg: 0 }", "mass_kg"),
            ("{ cda_m2: 0.5 }", "mass_kg"),
            ("{ mass_kg: 245, cda_m2: -0.5 }", "cda_m2"),
            ("{ mass_kg: 245, k_rot: .nan }", "finite number"),
        ] {
            let found = messages(&with(bad));
            assert!(found.len() == 1 && found[0].contains(word), "{bad}: {found:#?}");
        }
    }

    #[test]
    fn a_correction_applies_to_the_amount_of_fuel() {
        let trim = FuelTableKind::TrimPct;
        assert!((trim.cell(trim.amount(10.0) * 1.1) - 21.0).abs() < 1e-9);
        assert!((FuelTableKind::VePct.change_pct(50.0, 55.0) - 10.0).abs() < 1e-9);
    }
}
