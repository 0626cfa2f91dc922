//! Delay and sensor lag against numpy and the exact answers of a first-order lag.

use crate::compare::read;
use rideloop::bike::{Bike, Delay, FixedDelay, FuelTableKind, SlotTables, Template};
use rideloop::pipeline::stages::registry;
use rideloop::pipeline::{RideContext, Rows, Stage};
use rideloop::ride::Ride;
use rideloop::table::LoadAxis;
use rideloop::yaml;
use serde::Deserialize;
use std::fmt::Write as _;
use std::path::Path;

#[derive(Deserialize)]
struct Reference {
    lags: Vec<Lag>,
    interpolation: Interpolation,
}

#[derive(Deserialize)]
struct Lag {
    name: String,
    rate_hz: f64,
    tau_s: f64,
    u: Vec<f64>,
    exact: Vec<f64>,
}

#[derive(Deserialize)]
struct Interpolation {
    t_s: Vec<f64>,
    x: Vec<f64>,
    shifts: Vec<Shift>,
}

#[derive(Deserialize)]
struct Shift {
    delay_s: f64,
    inside: Vec<bool>,
    expected: Vec<f64>,
}

fn reference() -> Reference {
    read(include_str!("first_order_lag.json"))
}

fn bike(lag_s: f64) -> (Bike, SlotTables) {
    let template = Template {
        name: "Reference".to_owned(),
        displacement_cc: 650.0,
        cylinders: 2,
        rev_limit_rpm: 9000.0,
        fuel: "E10".to_owned(),
        fuel_table: FuelTableKind::VePct,
        load: LoadAxis::ThrottlePct,
        injector_cc_min: None,
        slots: vec!["main".to_owned()],
        today: "2026-05-02".to_owned(),
        ..Template::default()
    };
    let files = template.files();
    let file = files.iter().find(|f| f.path == "bike.yaml").expect("every template has one");
    let mut bike = Bike::parse(Path::new("bike.yaml"), &file.text).expect("a bike");
    bike.lambda_sensor.delay = Delay::Fixed(FixedDelay { cycles: 0.0, transport_ml: 0.0, lag_s });
    let (fuel, mixture) = (template.fuel_table(), template.mixture_table());
    (bike, SlotTables { fuel, mixture, spark: None, locks: Vec::new() })
}

/// What the stage `align` makes of logged lambdas, all of the delay being the sensor's; NaN where it
/// finds no reading.
fn aligned(time_s: &[f64], lambda: &[f64], lag_s: f64) -> Vec<f64> {
    let mut log = "time_s,rpm,throttle_pct,lambda\n".to_owned();
    for (t, value) in time_s.iter().zip(lambda) {
        writeln!(log, "{t},3000,20,{value}").expect("text grows");
    }
    let ride =
        Ride::read(Path::new("log.csv"), log.as_bytes(), &rideloop::ride::Loggers::none()).expect("a log");
    let align = registry().into_iter().find(|entry| entry.name == "align").expect("the stage");
    let settings = yaml::parse(Path::new("align"), "{}").expect("YAML");
    let Ok(Stage::Filter(align)) = (align.build)(Path::new("align"), &settings) else {
        panic!("`align` is a filter and needs no settings")
    };
    let (bike, tables) = bike(lag_s);
    let context = RideContext::of_one_slot(&bike, &tables, "main");
    let mut rows = Rows::new(&ride, LoadAxis::ThrottlePct).expect("all channels");
    align.apply(&mut rows, &context);
    rows.lambda().to_vec()
}

#[test]
fn lambda_is_read_on_the_line_between_two_samples() {
    // Source: numpy.interp at t − delay. `align` reads ahead, so a log that ran backwards serves for
    // delays above zero. The tolerance is absolute, for the rounding of the turned-round times.
    const ROUNDING: f64 = 1e-12;
    let data = reference().interpolation;
    let last_s = data.t_s[data.t_s.len() - 1];
    let turned: Vec<f64> = data.t_s.iter().rev().map(|t| last_s - t).collect();
    let backwards: Vec<f64> = data.x.iter().rev().copied().collect();
    let mut read = 0;
    for shift in &data.shifts {
        let got = if shift.delay_s > 0.0 {
            let mut got = aligned(&turned, &backwards, shift.delay_s);
            got.reverse();
            got
        } else {
            aligned(&data.t_s, &data.x, -shift.delay_s)
        };
        for (i, got) in got.iter().enumerate() {
            let what = format!("{} s, sample {i}", shift.delay_s);
            // numpy holds the last value beyond the log; the crate says that there is none.
            assert_eq!(shift.inside[i], !got.is_nan(), "{what}");
            if shift.inside[i] {
                let want = shift.expected[i];
                assert!((got - want).abs() <= ROUNDING, "{what}: got {got}, reference {want}");
                read += 1;
            }
        }
    }
    assert_eq!(data.shifts.len(), 5);
    assert!(read > 100, "only {read} readings compared");
}

#[test]
fn a_lag_taken_as_a_delay_is_exact_for_ramps() {
    // Source: continuous answer of τẏ = u − y to a ramp, u − τ(1 − e^(−s/τ)) a time s after it began.
    // Read a time τ later it misses the ramp by τ e^(−(s+τ)/τ), which dies out, and by what a line
    // between samples dt apart misses of a curve: dt²/8 of its largest second derivative.
    const SCALE: f64 = 0.2;
    const ROUNDING: f64 = 1e-12;
    const SETTLED: f64 = 1e-4;
    let mut settled = 0;
    for case in reference().lags.iter().filter(|c| c.name == "ramp") {
        let (tau, dt) = (case.tau_s, 1.0 / case.rate_hz);
        let time_s: Vec<f64> = (0..case.u.len()).map(|i| i as f64 * dt).collect();
        let logged: Vec<f64> = case.exact.iter().map(|y| 1.0 + SCALE * y).collect();
        for (u, got) in case.u.iter().zip(aligned(&time_s, &logged, tau)) {
            // Before the ramp both are level; beyond the log there is no reading.
            if *u <= 0.0 || got.is_nan() {
                continue;
            }
            let dying = tau * (-(u + tau) / tau).exp();
            let chord = dt * dt / 8.0 * (-(u + tau - dt) / tau).exp() / tau;
            let off = ((got - 1.0) / SCALE - u).abs();
            assert!(off <= dying + chord + ROUNDING, "{} Hz, ramp at {u}: off by {off:e}", case.rate_hz);
            settled += usize::from(off < SETTLED);
        }
    }
    assert!(settled > 20, "only {settled} samples lie where the start of the ramp is forgotten");
}
