//! From trapped air to injector duty, against worked examples in plain Python.
//!
//! Source: speed-density equation and orifice flow as written out in `make_reference.py`; the worked
//! example is printed in the project's notes: 432.4 mg air, 34.32 mg fuel, 2.732 g/s, 12.56 ms,
//! 67.3 %, and 16.13 ms and 85.1 % with more air.

use crate::compare::{assert_close, assert_prints, read};
use rideloop::physics::air::cylinder_air_g;
use rideloop::physics::injector::{
    dead_time_ms, duty_pct, effective_pulse_ms, flow_at_pressure, fuel_for_air, mass_flow_g_s,
};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Relative. The same formulas in another order of operations.
const ROUNDING: f64 = 1e-12;

const FOUR_STROKES: u32 = 4;

#[derive(Deserialize)]
struct Reference {
    points: Vec<Point>,
    injector_flow: Vec<Flow>,
    duty: Vec<Duty>,
    dead_time: DeadTime,
    dead_time_errors: Vec<DeadTimeError>,
}

#[derive(Deserialize)]
struct Point {
    name: String,
    inputs: Inputs,
    steps: Steps,
    printed: BTreeMap<String, f64>,
}

#[derive(Deserialize)]
struct Inputs {
    ve: f64,
    map_kpa: f64,
    temp_c: f64,
    cylinder_cc: f64,
    lambda: f64,
    stoich_afr: f64,
    flow_cc_min: f64,
    fuel_g_cc: f64,
    dead_time_ms: f64,
    rpm: f64,
}

#[derive(Deserialize)]
struct Steps {
    air_mg: f64,
    fuel_mg: f64,
    flow_g_s: f64,
    effective_ms: f64,
    duty_pct: f64,
}

#[derive(Deserialize)]
struct Flow {
    flow_cc_min: f64,
    rated_kpa: f64,
    rail_kpa: f64,
    flow_at_rail_cc_min: f64,
    factor_printed: Option<f64>,
}

#[derive(Deserialize)]
struct Duty {
    pulse_width_ms: f64,
    rpm: f64,
    duty_pct: f64,
}

#[derive(Deserialize)]
struct DeadTime {
    volts: Vec<f64>,
    dead_time_ms: Vec<f64>,
    at_volts: Vec<f64>,
    expected_ms: Vec<f64>,
}

#[derive(Deserialize)]
struct DeadTimeError {
    error_ms: f64,
    effective_ms: f64,
    percent_printed: f64,
}

fn reference() -> Reference {
    read(include_str!("fuel_sums.json"))
}

/// Every step from the one before it, as the crate computes it.
fn steps(x: &Inputs) -> Steps {
    let air_g = cylinder_air_g(x.ve, x.map_kpa, x.cylinder_cc, x.temp_c);
    let fuel_g = fuel_for_air(air_g, x.lambda, x.stoich_afr);
    let flow_g_s = mass_flow_g_s(x.flow_cc_min, x.fuel_g_cc * 1000.0);
    let effective_ms = effective_pulse_ms(fuel_g, flow_g_s);
    Steps {
        air_mg: air_g * 1000.0,
        fuel_mg: fuel_g * 1000.0,
        flow_g_s,
        effective_ms,
        duty_pct: duty_pct(effective_ms + x.dead_time_ms, x.rpm, FOUR_STROKES),
    }
}

impl Steps {
    /// Name, value, and the decimals it is printed with.
    fn named(&self) -> [(&'static str, f64, i32); 5] {
        [
            ("air_mg", self.air_mg, 1),
            ("fuel_mg", self.fuel_mg, 2),
            ("flow_g_s", self.flow_g_s, 3),
            ("effective_ms", self.effective_ms, 2),
            ("duty_pct", self.duty_pct, 1),
        ]
    }
}

#[test]
fn air_fuel_pulse_and_duty_agree_with_the_worked_examples() {
    let points = reference().points;
    assert_eq!(points.len(), 7);
    let mut printed = 0;
    for point in points {
        let (got, want) = (steps(&point.inputs), point.steps);
        for ((step, got, decimals), (_, want, _)) in got.named().into_iter().zip(want.named()) {
            let what = format!("{}: {step}", point.name);
            assert_close(&what, got, want, ROUNDING);
            if let Some(value) = point.printed.get(step) {
                assert_prints(&what, got, *value, decimals);
                printed += 1;
            }
        }
    }
    assert_eq!(printed, 7);
}

#[test]
fn flow_goes_with_the_root_of_the_pressure() {
    // Source: orifice flow (Bernoulli); 300 → 400 kPa is printed as a factor of 1.1547.
    let rows = reference().injector_flow;
    assert_eq!(rows.len(), 6);
    for row in rows {
        let got = flow_at_pressure(row.flow_cc_min, row.rated_kpa, row.rail_kpa);
        let what = format!("{} → {} kPa", row.rated_kpa, row.rail_kpa);
        assert_close(&what, got, row.flow_at_rail_cc_min, ROUNDING);
        if let Some(factor) = row.factor_printed {
            assert_prints(&what, got / row.flow_cc_min, factor, 4);
        }
    }
}

#[test]
fn duty_is_pulse_over_two_turns_of_the_crank() {
    // Source: one injection in 720°, period 120000/rpm ms. A two-stroke injects every turn.
    let rows = reference().duty;
    assert_eq!(rows.len(), 6);
    for row in rows {
        let what = format!("{} ms at {} rpm", row.pulse_width_ms, row.rpm);
        assert_close(&what, duty_pct(row.pulse_width_ms, row.rpm, FOUR_STROKES), row.duty_pct, ROUNDING);
        assert_close(&what, duty_pct(row.pulse_width_ms, row.rpm, 2), 2.0 * row.duty_pct, ROUNDING);
    }
}

#[test]
fn dead_time_agrees_with_numpy() {
    // Source: numpy.interp, held beyond its ends.
    let table = reference().dead_time;
    let points: Vec<(f64, f64)> = table.volts.into_iter().zip(table.dead_time_ms).collect();
    assert_eq!(table.at_volts.len(), 10);
    for (volts, want) in table.at_volts.into_iter().zip(table.expected_ms) {
        assert_close(&format!("{volts} V"), dead_time_ms(&points, volts), want, ROUNDING);
    }
}

#[test]
fn a_wrong_dead_time_weighs_on_short_pulses() {
    // Source: computed for this project: 0.1 ms is 3.4 % of fuel at 2.9 ms and 0.8 % at 12.6 ms.
    let flow_g_s = mass_flow_g_s(220.0, 745.0);
    let rows = reference().dead_time_errors;
    assert_eq!(rows.len(), 2);
    for row in rows {
        let fuel_g = |open_ms: f64| open_ms / effective_pulse_ms(1.0, flow_g_s);
        let more = fuel_g(row.effective_ms + row.error_ms) / fuel_g(row.effective_ms) - 1.0;
        assert_prints(&format!("{} ms", row.effective_ms), more * 100.0, row.percent_printed, 1);
    }
}
