//! The delay of the lambda reading, left to the rides.

use crate::bench::Bench;
use serde_json::Value;
use std::fmt::Write as _;

/// The demo bike with the delay left open; its true one is 1.5 cycles, 800 ml, 0.08 s.
fn open_delay() -> Bench {
    let bench = Bench::with_bike();
    let settings = bench.read("bike.yaml");
    let (start, rest) = settings.split_once("delay: {").expect("a known delay");
    let (_, end) = rest.split_once('}').expect("its end");
    bench.write("bike.yaml", format!("{start}delay: estimate{end}"));
    bench
}

/// A log whose lambda comes so many rows later.
fn later(log: &str, rows: usize) -> String {
    let lines: Vec<Vec<&str>> = log.lines().map(|line| line.split(',').collect()).collect();
    let column = lines[0].iter().position(|title| *title == "lambda").expect("a lambda");
    let mut text = format!("{}\n", lines[0].join(","));
    for i in 1..lines.len() {
        let mut line = lines[i].clone();
        line[column] = lines[i.saturating_sub(rows).max(1)][column];
        let _ = writeln!(text, "{}", line.join(","));
    }
    text
}

/// A ride on which nothing moves fast enough to tell a delay.
fn gentle() -> String {
    let mut text = String::from("time_s,rpm,throttle_pct,lambda,engine_temp_c\n");
    for i in 0..6000u32 {
        let t = f64::from(i) * 0.05;
        let (rpm, throttle) = (3500.0 + 300.0 * (t / 60.0).sin(), 14.0 + 2.0 * (t / 50.0).sin());
        let _ = writeln!(text, "{t:.2},{rpm:.0},{throttle:.1},{:.3},88", 1.0 + 0.004 * f64::from(i % 5));
    }
    text
}

fn ride<'a>(report: &'a Value, file: &str) -> &'a Value {
    let rides = report["rides"].as_array().expect("rides");
    rides.iter().find(|r| r["file"] == file).unwrap_or_else(|| panic!("no {file} in {rides:#?}"))
}

#[test]
fn run_and_check_report_the_delay_of_each_ride_and_of_all() {
    let bench = open_delay();
    for seed in 1..=3 {
        bench.simulate(seed, 15);
    }
    bench.write("rides/r1/gentle.csv", gentle());
    for command in [&["--json", "check"][..], &["--json", "run", "--dry-run"]] {
        let report = bench.on_bike(command).exits(0).json();
        let common = &report["delay"];
        assert_eq!(
            (common["rides"].as_u64(), common["usual_kept"].as_u64()),
            (Some(3), Some(1)),
            "{common:#}"
        );
        for seed in 1..=3 {
            let delay = &ride(&report, &format!("r1/sim-{seed}.csv"))["delay"];
            for (part, lowest, highest) in
                [("cycles", 0.5, 4.0), ("transport_ml", 200.0, 2000.0), ("lag_s", 0.01, 0.15)]
            {
                let error = delay["std_error"][part].as_f64().expect("an error");
                let value = delay[part].as_f64().expect("a value");
                assert!(error > 0.0 && (lowest..highest).contains(&value), "{part}: {delay:#}");
            }
            let (own, error) = (&delay["typical_s"], &delay["typical_std_error_s"]);
            assert!(own.as_f64() > Some(0.1) && own.as_f64() < Some(0.4), "{delay:#}");
            assert!(error.as_f64() > Some(0.01) && error.as_f64() < Some(0.04), "{delay:#}");
            assert!(delay["usual_kept"] == false && delay["doubt"].is_null(), "{delay:#}");
        }
        let kept = &ride(&report, "r1/gentle.csv")["delay"];
        assert!(kept["usual_kept"] == true && kept["cycles"] == 1.5 && kept["lag_s"] == 0.08, "{kept:#}");
        let told = report["rides"].as_array().expect("rides");
        let told = told.iter().flat_map(|r| r["findings"].as_array().expect("a list"));
        assert!(told.into_iter().all(|f| f["name"] != "lambda_delay"), "honest rides agree: {report:#}");
    }
    let line = "for 1 ride with too few transients to tell the usual one serves";
    bench.on_bike(&["check"]).exits(0).says("lambda delay found: 0.").says("from 3 rides").says(line);
    bench.on_bike(&["run"]).exits(0).says("lambda delay found: 0.").says("from 3 rides").says(line);
    // A delay that bike.yaml gives is no finding.
    let known = Bench::with_bike();
    known.simulate(1, 10);
    let report = known.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    assert!(report["delay"].is_null() && report["rides"][0]["delay"].is_null());
}

#[test]
fn a_ride_whose_lambda_comes_later_than_that_of_the_others_is_warned_of_and_still_counts() {
    let bench = open_delay();
    for seed in 1..=4 {
        bench.simulate(seed, 15);
    }
    let log = bench.read("rides/r1/sim-2.csv");
    bench.write("rides/r1/sim-2.csv", later(&log, 4));
    let checked = bench.on_bike(&["--json", "check"]).exits(0).json();
    let done = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    for report in [&checked, &done] {
        for seed in 1..=4 {
            let found = ride(report, &format!("r1/sim-{seed}.csv"))["findings"].as_array().expect("a list");
            let delays: Vec<&Value> = found.iter().filter(|f| f["name"] == "lambda_delay").collect();
            assert_eq!(delays.len(), usize::from(seed == 2), "{found:#?}");
            assert!(delays.iter().all(|f| f["severity"] == "warning"), "{found:#?}");
        }
    }
    bench
        .on_bike(&["run", "--dry-run"])
        .exits(0)
        .says("warning lambda_delay: reads lambda 0.")
        .says("s later");
}
