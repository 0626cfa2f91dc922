//! Whether the steps tell what the virtual bike's film really does.

use super::{RideSteps, Step, steps_of_ride};
use crate::bike::{Bike, Delay, FixedDelay, SlotTables};
use crate::pipeline::stages::tests::bike;
use crate::pipeline::{Plan, RideContext, aligned_rows, signs};
use crate::ride::{Loggers, Ride, median};
use crate::virtual_bike::character::FilmNature;
use crate::virtual_bike::{Ambient, BikeSpec, Character, RideLog, RideRequest, RideStyle, VirtualBike};
use std::path::Path;

/// The test bike with a table that is right, and its virtual twin.
fn tuned(film: impl FnOnce(&mut FilmNature)) -> (Bike, SlotTables, VirtualBike) {
    let (mut bike, mut tables) = bike();
    let mut character = Character::mild();
    film(&mut character.film);
    bike.lambda_sensor.delay = Delay::Fixed(FixedDelay { cycles: 1.6, transport_ml: 800.0, lag_s: 0.07 });
    let twin = VirtualBike { spec: BikeSpec::of(&bike), character };
    let grid = tables.fuel.grid.clone();
    for cell in 0..grid.cells() {
        let (rpm, load) = grid.point(cell);
        tables.fuel.values[cell] = twin.true_table_value(rpm, load, tables.mixture.at(rpm, load));
    }
    (bike, tables, twin)
}

fn ridden(twin: &VirtualBike, tables: &SlotTables, seed: u64) -> RideLog {
    let request = RideRequest {
        seed,
        minutes: 24.0,
        rate_hz: 20.0,
        cold_start: false,
        ambient: Ambient::reference(),
        style: RideStyle::Spirited,
    };
    twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request)
}

fn steps_of(log: &str, bike: &Bike, tables: &SlotTables) -> RideSteps {
    let ride = Ride::read(Path::new("t.csv"), log.as_bytes(), &Loggers::none()).expect("a ride");
    let context = RideContext::of_one_slot(bike, tables, "main");
    let plan = Plan::shipped_default().expect("shipped");
    let rows = aligned_rows(&plan, &ride, &context).expect("aligned");
    steps_of_ride(&rows, &signs::on_slot(&ride, "main"), &context).expect("steps")
}

/// How lean the cylinders really went within 1.5 s, the map's own error taken out, %.
fn true_lean_pct(log: &RideLog, step: &Step) -> f64 {
    let row = |t: f64| log.time_s.partition_point(|time| *time < t);
    let truth = &log.truth;
    let lean = |i: usize| {
        let steady = log.lambda_target[i] * (1.0 + truth.steady_lambda_error[i]);
        (truth.cylinder_lambda[i] / steady - 1.0) * 100.0
    };
    (row(step.time_s)..row(step.time_s + 1.5)).map(lean).fold(f64::NEG_INFINITY, f64::max)
}

/// Medians of the openings over 8 %: peak, what it really was, seconds to settle, share on
/// the wall, and the share that the film equations give.
#[derive(Debug)]
struct Summary {
    peak_pct: f64,
    true_pct: f64,
    settle_s: f64,
    share: f64,
    expected_share: f64,
}

fn summary(share_warm: f64, compensation: f64) -> Summary {
    let (bike, tables, twin) = tuned(|film| {
        film.share_warm = share_warm;
        film.compensation = compensation;
    });
    // What the controller makes up for is the inverse of a film of part of the share; what is
    // left of `(1 + (1−X) τ s)/(1 + τ s)` is a film of the share X (1−c)/(1−cX). By hand.
    let left = |rpm: f64| {
        let x = share_warm * (3000.0 / rpm).powf(twin.character.film.rpm_power / 3.0);
        x * (1.0 - compensation) / (1.0 - x * compensation)
    };
    let mut told: [Vec<f64>; 5] = Default::default();
    for seed in [3, 4] {
        let log = ridden(&twin, &tables, seed);
        let found = steps_of(&log.to_csv(None), &bike, &tables);
        assert!(found.discarded_openings["gear_change"] > 0, "every discarded step is counted");
        for step in found.steps.iter().filter(|s| s.size_pct() > 8.0) {
            let row =
                [step.peak_pct, true_lean_pct(&log, step), step.settle_s, step.film_share, left(step.rpm)];
            told.iter_mut().zip(row).for_each(|(values, value)| values.push(value));
        }
    }
    assert!(told[0].len() >= 12, "{} steps", told[0].len());
    let [peak_pct, true_pct, settle_s, share, expected_share] = told.map(|v| median(&v).expect("steps"));
    Summary { peak_pct, true_pct, settle_s, share, expected_share }
}

/// Below this share the film does little more than that.
const FLICKERS_BELOW: f64 = 0.12;

/// Tip-in metrics recover the virtual bike's known wall-wetting trend.
#[test]
fn three_settings_of_the_film_are_told_in_their_order_and_near_their_size() {
    let by_compensation = [0.0, 0.5, 0.9].map(|compensation| summary(0.3, compensation));
    let by_share = [0.40, 0.25, 0.10].map(|share| summary(share, 0.0));
    for trend in [&by_compensation, &by_share] {
        for pair in trend.windows(2) {
            assert!(pair[0].peak_pct > pair[1].peak_pct + 1.5, "{pair:?}");
            assert!(pair[0].settle_s >= pair[1].settle_s, "{pair:?}");
            assert!(pair[0].share > pair[1].share, "{pair:?}");
        }
        for one in trend {
            // Metering once a cycle adds a flicker that no film makes to what the cylinders got.
            let flicker = if one.expected_share > FLICKERS_BELOW { 2.5 } else { 5.0 };
            assert!((one.peak_pct - one.true_pct).abs() < flicker, "{one:?}");
        }
    }
    assert!(
        by_compensation[0].peak_pct > 10.0 && by_compensation[0].settle_s > 0.5,
        "{:?}",
        by_compensation[0]
    );
    assert!(by_compensation[2].settle_s <= 0.3, "little is left to settle: {:?}", by_compensation[2]);
}

/// What a row holds instead, by its number and its time in the round.
type Change<'a> = &'a dyn Fn(usize, f64) -> Option<(&'static str, f64)>;

/// A hand that opens from 10 to 30 % every 8 s at 3000 1/min, 20 Hz, lambda always wanted.
fn calm(change: impl Fn(usize, f64) -> Option<(&'static str, f64)>) -> String {
    let mut text = "time_s,rpm,throttle_pct,lambda,lambda_target,engine_temp_c,fuel_cut,gear\n".to_owned();
    for i in 0..800usize {
        let t = i as f64 * 0.05;
        let at = t % 8.0;
        let throttle = if at < 4.0 { 10.0 } else { (30.0 - 10.0 * (at - 5.9).max(0.0)).max(10.0) };
        let mut row = [
            ("rpm", 3000.0),
            ("throttle_pct", throttle),
            ("lambda", 1.0),
            ("lambda_target", 1.0),
            ("engine_temp_c", 85.0),
            ("fuel_cut", 0.0),
            ("gear", 3.0),
        ];
        if let Some((name, value)) = change(i, at) {
            row.iter_mut().filter(|(n, _)| *n == name).for_each(|(_, v)| *v = value);
        }
        text.push_str(&format!("{t:.2}"));
        row.iter().for_each(|(_, value)| text.push_str(&format!(",{value}")));
        text.push('\n');
    }
    text
}

#[test]
fn every_step_that_does_not_tell_has_its_reason() {
    let (bike, tables, _) = tuned(|_| {});
    let told = |log: &str| {
        let found = steps_of(log, &bike, &tables);
        let openings = found.steps.iter().filter(|s| s.size_pct() > 0.0).count();
        (openings, found.discarded_openings)
    };
    let (openings, discarded) = told(&calm(|_, _| None));
    assert_eq!((openings, discarded.len()), (5, 0), "{discarded:?}");
    let near = |at: f64, from: f64, to: f64| (from..to).contains(&at);
    let cases: [(&str, Change<'_>); 7] = [
        ("cold_engine", &|_, _| Some(("engine_temp_c", 50.0))),
        ("overrun_before", &|_, at| near(at, 3.0, 3.4).then_some(("fuel_cut", 1.0))),
        ("fuel_cut", &|_, at| near(at, 4.8, 5.0).then_some(("fuel_cut", 1.0))),
        ("gear_change", &|i, _| Some(("gear", if i % 160 < 90 { 3.0 } else { 4.0 }))),
        ("another_step", &|_, at| near(at, 4.5, 4.9).then_some(("throttle_pct", 15.0))),
        ("sensor_not_valid", &|_, at| near(at, 4.4, 4.6).then_some(("lambda", 1.6))),
        ("log_too_sparse", &|i, _| (i % 4 != 0).then_some(("lambda", f64::NAN))),
    ];
    for (reason, change) in cases {
        let (openings, discarded) = told(&calm(change));
        assert_eq!(openings, 0, "{reason}: {discarded:?}");
        assert!(discarded.get(reason).is_some_and(|n| *n >= 4), "{reason}: {discarded:?}");
    }
}
