//! Throttle steps against a film that scipy integrated.

use crate::compare::read;
use rideloop::bike::{Bike, Delay, FixedDelay, FuelTableKind, SlotTables, Template};
use rideloop::pipeline::{Plan, RideContext, aligned_rows};
use rideloop::ride::{Loggers, Ride};
use rideloop::table::LoadAxis;
use rideloop::throttle_response::{Step, steps_of_ride};
use serde::Deserialize;
use std::fmt::Write as _;
use std::path::Path;

#[derive(Deserialize)]
struct Reference {
    rate_hz: f64,
    step_at_s: f64,
    delay_s: f64,
    lag_s: f64,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    share: f64,
    film_s: f64,
    air_ratio: f64,
    made_up: f64,
    left_share: f64,
    peak_pct: f64,
    settle_s: f64,
    readings: Vec<f64>,
}

const RPM: f64 = 3000.0;
/// Throttle before and behind the step; the table has one air up to the lower one, another beyond.
const THROTTLE_PCT: (f64, f64) = (5.0, 45.0);
const BEYOND_PCT: f64 = 12.0;

/// The step that the crate finds in the readings of a case.
fn step(reference: &Reference, case: &Case) -> Step {
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
    let cycle_s = 120.0 / RPM;
    let cycles = reference.delay_s / cycle_s;
    bike.lambda_sensor.delay = Delay::Fixed(FixedDelay { cycles, transport_ml: 0.0, lag_s: reference.lag_s });
    let (mut fuel, mixture) = (template.fuel_table(), template.mixture_table());
    for cell in 0..fuel.grid.cells() {
        let beyond = fuel.grid.point(cell).1 > BEYOND_PCT;
        fuel.values[cell] = if beyond { 40.0 * case.air_ratio } else { 40.0 };
    }
    let tables = SlotTables { fuel, mixture, spark: None, locks: Vec::new() };
    let mut log = "time_s,rpm,throttle_pct,lambda,lambda_target,engine_temp_c,fuel_cut\n".to_owned();
    for (i, lambda) in case.readings.iter().enumerate() {
        let t = i as f64 / reference.rate_hz;
        let throttle = if t < reference.step_at_s { THROTTLE_PCT.0 } else { THROTTLE_PCT.1 };
        let _ = writeln!(log, "{t:.3},{RPM},{throttle},{lambda},1,85,0");
    }
    let ride = Ride::read(Path::new("t.csv"), log.as_bytes(), &Loggers::none()).expect("a ride");
    let context = RideContext::of_one_slot(&bike, &tables, "main");
    let plan = Plan::find("road", &NoFiles).expect("shipped");
    let rows = aligned_rows(&plan, &ride, &context).expect("aligned");
    let here = vec![true; rows.len()];
    let found = steps_of_ride(&rows, &here, &context).expect("a throttle");
    assert_eq!(found.steps.len(), 1, "{:?}", found.discarded_openings);
    found.steps[0].clone()
}

/// No pipelines but the shipped ones.
struct NoFiles;

impl rideloop::bike::FileSource for NoFiles {
    fn bytes(&self, _: &str) -> Result<Option<Vec<u8>>, rideloop::problem::Problem> {
        Ok(None)
    }

    fn list(&self, _: &str) -> Result<Vec<String>, rideloop::problem::Problem> {
        Ok(Vec::new())
    }
}

/// The film is fitted with time constants an octave apart, on rows 20 ms apart, and with priors
/// that pull a little towards none: a tenth of a peak, and .05 of a share, are left for these.
#[test]
fn peak_settling_and_share_of_a_step_are_those_of_the_film_equations() {
    let reference: Reference = read(include_str!("tip_in.json"));
    for case in &reference.cases {
        let found = step(&reference, case);
        let name = format!(
            "X {} tau {} r {} made up {}: {found:?}",
            case.share, case.film_s, case.air_ratio, case.made_up
        );
        assert!((found.air_ratio - case.air_ratio).abs() < 1e-9, "{name}");
        let peak_tolerance = 0.1 * case.peak_pct.abs() + 0.3;
        assert!((found.peak_pct - case.peak_pct).abs() < peak_tolerance, "{} {name}", case.peak_pct);
        assert!((found.film_share - case.left_share).abs() < 0.05, "{} {name}", case.left_share);
        assert!((found.settle_s - case.settle_s).abs() < 0.15, "{} {name}", case.settle_s);
        // The lag hides a part of the peak from the sensor.
        assert!(found.read_peak_pct.abs() <= case.peak_pct.abs() + 0.1, "{name}");
    }
}
