//! The lambda delay found from a ride, against a least-squares fit by scipy and the truth.

use crate::compare::read;
use rideloop::bike::{Bike, Delay, FixedDelay, FuelTableKind, SlotTables, Template};
use rideloop::pipeline::{FoundDelay, Plan, RideContext, run_ride};
use rideloop::ride::Ride;
use rideloop::table::{Axis, Grid, LoadAxis, Resolution, Table};
use serde::Deserialize;
use std::fmt::Write as _;
use std::path::Path;

#[derive(Deserialize)]
struct Reference {
    engine: Engine,
    rpm_axis: Vec<f64>,
    load_axis: Vec<f64>,
    fuel: Vec<f64>,
    mixture: Vec<f64>,
    truth: FixedDelay,
    optimum: FixedDelay,
    std_error: FixedDelay,
    interval_s: f64,
    rpm: Vec<f64>,
    throttle_pct: Vec<f64>,
    lambda: Vec<f64>,
}

#[derive(Deserialize)]
struct Engine {
    displacement_cc: f64,
    cylinders: u32,
    stoich_afr: f64,
}

fn bike(engine: &Engine) -> Bike {
    let template = Template {
        name: "Reference".to_owned(),
        displacement_cc: engine.displacement_cc,
        cylinders: engine.cylinders,
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
    assert!(matches!(bike.lambda_sensor.delay, Delay::Estimate(_)), "the template leaves it to the rides");
    bike.stoich_afr = engine.stoich_afr;
    bike
}

fn tables(reference: &Reference) -> SlotTables {
    let axis = |breakpoints: &[f64]| Axis::new(breakpoints.to_vec()).expect("ascending breakpoints");
    let grid = Grid { rpm: axis(&reference.rpm_axis), load: axis(&reference.load_axis) };
    let table = |values: &[f64], step: f64| Table {
        grid: grid.clone(),
        load_axis: LoadAxis::ThrottlePct,
        resolution: Resolution::new(step).expect("a decimal step"),
        values: values.to_vec(),
    };
    SlotTables {
        fuel: table(&reference.fuel, 0.1),
        mixture: table(&reference.mixture, 0.001),
        spark: None,
        locks: Vec::new(),
    }
}

fn found(reference: &Reference) -> FoundDelay {
    let mut log = "time_s,rpm,throttle_pct,lambda,engine_temp_c\n".to_owned();
    for (i, lambda) in reference.lambda.iter().enumerate() {
        let (t, rpm) = (i as f64 * reference.interval_s, reference.rpm[i]);
        writeln!(log, "{t:.2},{rpm},{},{lambda},90", reference.throttle_pct[i]).expect("text grows");
    }
    let ride =
        Ride::read(Path::new("log.csv"), log.as_bytes(), &rideloop::ride::Loggers::none()).expect("a log");
    let text = "stages:\n  - align: {}\n  - average: {}\n  - blend: {}\n";
    let plan = Plan::parse("delay", Path::new("delay.yaml"), text).expect("a pipeline");
    let (bike, tables) = (bike(&reference.engine), tables(reference));
    let context = RideContext::of_one_slot(&bike, &tables, "main");
    run_ride(&plan, &ride, &context).expect("all channels").delay.expect("it was to be found")
}

fn parts(delay: &FixedDelay) -> [(&'static str, f64); 3] {
    [("cycles", delay.cycles), ("transport_ml", delay.transport_ml), ("lag_s", delay.lag_s)]
}

#[test]
fn the_delay_found_is_the_least_squares_one_and_near_the_truth() {
    // Source: scipy.optimize.least_squares on a model of the ride written anew in numpy. The crate
    // weighs the table's prior once where the fit's profile has it in full, takes its slopes to one
    // side, ends when a step gets small, and leaves other rows out at the log's ends: together less than
    // a tenth of a standard error. The errors themselves differ by where the slopes are taken.
    const OF_ITS_ERROR: f64 = 0.1;
    const OF_THE_ERROR: f64 = 0.03;
    let reference: Reference = read(include_str!("lambda_delay.json"));
    let found = found(&reference);
    assert!(!found.usual_kept && found.doubt.is_none(), "{found:?}");
    let errors = parts(&found.std_error);
    for (k, (name, got)) in parts(&found.delay).into_iter().enumerate() {
        let (optimum, truth) = (parts(&reference.optimum)[k].1, parts(&reference.truth)[k].1);
        let (error, wanted) = (errors[k].1, parts(&reference.std_error)[k].1);
        assert!((error / wanted - 1.0).abs() < OF_THE_ERROR, "{name}: error {error}, reference {wanted}");
        assert!((got - optimum).abs() < OF_ITS_ERROR * wanted, "{name}: {got}, scipy {optimum} ± {wanted}");
        // The truth lies where the error bars say: within two of them.
        assert!((got - truth).abs() < 2.0 * error, "{name}: {got} ± {error}, truth {truth}");
    }
    // Of the sum more is known than of its parts: within two hundredths of a second.
    let typical = |delay: &FixedDelay| found.usual_point.delay_s(delay);
    let off_s = typical(&found.delay) - typical(&reference.truth);
    assert!(off_s.abs() < 0.02 && off_s.abs() < 2.0 * found.typical_std_error_s, "{off_s} s: {found:?}");
    assert!((typical(&found.delay) - typical(&FixedDelay::USUAL)).abs() > 0.02, "more than the usual delay");
}
