//! `rideloop response`: what the rides say of acceleration fuel.

use crate::bench::Bench;
use serde_json::Value;

fn steps(report: &Value) -> u64 {
    report["steps"].as_u64().expect("a count")
}

/// Every move of the hand either tells or has a reason.
fn discarded(report: &Value, kind: &str) -> u64 {
    let list = report[kind].as_array().expect("a list");
    list.iter().map(|d| d["steps"].as_u64().expect("a count")).sum()
}

#[test]
fn the_demo_bike_leans_out_on_opening_and_nothing_is_changed() {
    let bench = Bench::with_bike();
    for seed in ["1", "2", "3"] {
        let style = ["simulate", "--warm", "--style", "spirited", "--minutes", "20", "--seed", seed];
        bench.on_bike(&style).exits(0);
    }
    // A ride that does not log the throttle, and one that is no ride.
    let log = bench.read("rides/r1/sim-1.csv");
    bench.write("rides/r1/blind.csv", log.replacen("throttle_pct", "grip", 1));
    bench.write("rides/r1/torn.csv", "time_s,rpm\n");
    let before = bench.snapshot();
    let report = bench.on_bike(&["--json", "response"]).exits(0).json();
    assert!(steps(&report) > 60 && discarded(&report, "discarded_tip_ins") > 100, "{report:#}");
    let regions = report["regions"].as_array().expect("regions");
    // The film of the virtual bike is made up for by half: large steps at low speed go lean.
    let lean: Vec<&Value> =
        regions.iter().filter(|r| r["verdict"] == "lean" && r["way"] == "tip_in").collect();
    assert!(!lean.is_empty(), "{regions:#?}");
    for region in regions {
        let (n, missing) = (region["steps"].as_u64(), region["missing"].as_u64());
        assert_eq!(region["verdict"] == "too_few", missing > Some(0), "{region:#}");
        assert!(n > Some(0) && region["revision"] == "r1", "{region:#}");
    }
    // What the sensor showed is smaller than what the cylinders got.
    let shown = lean[0]["read_peak_pct"]["median"].as_f64().expect("a number");
    assert!(
        shown > 0.0 && shown < lean[0]["peak_pct"]["median"].as_f64().expect("a number"),
        "{:#}",
        lean[0]
    );
    let troubles: Vec<&str> =
        report["rides"].as_array().expect("rides").iter().filter_map(|r| r["trouble"].as_str()).collect();
    assert_eq!(troubles.len(), 2, "{troubles:?}");
    let said = bench.on_bike(&["response"]).exits(0);
    assert!(said.out.lines().all(|line| line.chars().count() <= 100), "{}", said.out);
    said.says("more acceleration fuel")
        .says("not enough tip-ins (it takes 5)")
        .says("gear change")
        .says("no table is changed for it")
        .says("has no values for `throttle_pct`");
    assert_eq!(bench.snapshot(), before, "it only looks");
}

#[test]
fn too_little_is_said_to_be_too_little() {
    let bench = Bench::with_bike();
    bench.on_bike(&["response"]).exits(1).says("there is no ride yet");
    let mut gentle = String::from("time_s,rpm,throttle_pct,lambda,engine_temp_c\n");
    (0..3000).for_each(|i| gentle.push_str(&format!("{:.2},3000,14,1.0,88\n", f64::from(i) * 0.05)));
    bench.write("rides/r1/gentle.csv", gentle);
    bench
        .on_bike(&["response"])
        .exits(0)
        .says("not enough tip-ins: none tells yet, and it takes 5 of a kind");
    bench.on_bike(&["response", "--slot", "sport"]).exits(1).says("there is no slot `sport`");
    bench.on_bike(&["response", "nowhere"]).exits(1);
}
