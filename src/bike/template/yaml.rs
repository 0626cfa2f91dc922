//! The texts of bike.yaml and builds.yaml of a new bike folder, with remarks.

use super::super::FIRST_BUILD;
use super::super::builds::Build;
use super::super::config::{ClosedLoopMode, FuelTableKind, Mixture};
use super::{RATED_KPA, Template};

/// Battery voltage and dead time of usual injectors; from memory
/// (10 V 1.4 to 1.8 ms, 12 V 1.0 to 1.2, 14 V 0.7 to 0.9).
const USUAL_DEAD_TIME: &str = "{ 10: 1.50, 12: 1.10, 14: 0.80, 16: 0.65 }";

impl Template {
    fn mixture_mode(&self) -> Mixture {
        match self.fuel_table {
            FuelTableKind::VePct => Mixture::Controller,
            FuelTableKind::PulseWidthMs | FuelTableKind::TrimPct => Mixture::Table,
        }
    }

    pub(super) fn bike_yaml(&self) -> String {
        let mixture = match self.mixture_mode() {
            Mixture::Controller => "controller",
            Mixture::Table => "table",
        };
        format!(
            "\
# What rideloop knows of the bike. Lines after a # are remarks.
name: {name}

# Displacement of all cylinders together. `cooling: liquid` or `cooling: air` says how
# hot the engine can read: °F taken for °C is then refused on a water-cooled engine.
engine: {{ displacement_cc: {cc}, cylinders: {cylinders}, strokes: 4, rev_limit_rpm: {limit} }}

# Flow is of one injector at rated_kpa; rail_kpa is what the bike has.
# dead_time_ms is by battery volts, from the injector's own data sheet:
# the values below are only usual ones.
injectors:
  count: {injectors}
  flow_cc_min: {flow}
  rated_kpa: {rated}
  rail_kpa: {rail}
  duty_limit_pct: 85
  dead_time_ms: {dead}

# petrol, E5, E10, E85, ethanol, methanol; or {{ stoich_afr: 14.1 }};
# or mass fractions {{ carbon: .., hydrogen: .., oxygen: .. }}.
fuel: {{ name: {fuel} }}

controller:
  fuel_table: {kind}        # ve_pct | pulse_width_ms | trim_pct
  load: {load}        # throttle_pct | map_kpa
  mixture: {mixture}         # controller: it divides by mixture.csv itself; table: the fuel table has it baked in
  density: controller         # controller: it corrects for air itself; none: nobody does
  breathing: own              # own: a ride corrects the slot it was made on; shared: the slots differ in mixture.csv
                              # alone, so that a ride on any of them corrects them all (mixture: controller only)
  resolution: {resolution}             # the smallest step a fuel cell can hold
{module}
# none | trim_logged | unlogged, with optional region: {{ rpm: [a, b], load: [c, d] }}
closed_loop: {{ mode: {closed_loop} }}

# delay: estimate, or {{ cycles: 2.0, transport_ml: 900, lag_s: 0.09 }}
# valid: the lambda the sensor can tell.
lambda_sensor: {{ delay: estimate, valid: [0.65, 1.55] }}

# From which engine temperature on the fuelling is the warm one.
warm: {{ engine_temp_c: 75 }}

# The switchable table sets; the first is the default.
slots: [{slots}]
",
            name = quoted(&self.name),
            cc = self.displacement_cc,
            injectors = self.injector_count(),
            rated = RATED_KPA,
            rail = self.rail_kpa,
            closed_loop = match self.closed_loop {
                ClosedLoopMode::None => "none",
                ClosedLoopMode::TrimLogged => "trim_logged",
                ClosedLoopMode::Unlogged => "unlogged",
            },
            cylinders = self.cylinders,
            limit = self.rev_limit_rpm,
            flow = self.injector_cc_min(),
            dead = USUAL_DEAD_TIME,
            fuel = self.fuel,
            kind = self.fuel_table.name(),
            load = self.load.name(),
            resolution = self.resolution(),
            module = self.module_line(),
            slots = self.slots.join(", "),
        )
    }

    fn module_line(&self) -> String {
        match (self.trim_range_pct, self.fuel_table) {
            (Some([least, most]), _) => {
                format!("  trim_range_pct: [{least}, {most}]     # what the module can hold\n")
            }
            (None, FuelTableKind::TrimPct) => {
                "  # trim_range_pct: [-20, 30]     # what the module can hold, where it has ends\n".to_owned()
            }
            (None, FuelTableKind::VePct | FuelTableKind::PulseWidthMs) => String::new(),
        }
    }

    pub(super) fn builds_yaml(&self) -> String {
        let first = Build {
            build: FIRST_BUILD.to_owned(),
            since: self.today.clone(),
            what: "as first recorded".to_owned(),
            changed: self.changed.clone(),
            air_temp_bias_c: None,
        };
        format!(
            "\
# The hardware history, newest last. A new line begins a new build: rides of
# an older build say nothing about the new one.
{}",
            first.line()
        )
    }
}

/// A YAML text in quotes, safe for any name.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}
