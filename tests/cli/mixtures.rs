//! Mixture tables made from `mixtures/<slot>.yaml`: shown, refused, written, made again.

use crate::bench::Bench;

const PLAN: &str = "mixtures/power.yaml";

#[test]
fn a_plan_is_shown_and_becomes_a_revision_that_verify_makes_again() {
    let bench = Bench::with_bike();
    bench.on_bike(&["mixture"]).exits(1).says("there is no mixtures/power.yaml").says("use: touring");
    bench.write(PLAN, "use: power\n");
    let before = bench.snapshot();
    let said = bench.on_bike(&["mixture"]).exits(0);
    let said = said.says("idle: lambda 1 (14.0:1) up to 1640 rpm").says("mixture (lambda), power");
    said.says("for a smooth transition").says("mixture --slot power --write");
    bench.on_bike(&["mixture", "--write"]).exits(2).says("--why");
    assert!(bench.snapshot() == before, "showing changed something");
    bench.on_bike(&["check"]).exits(0).says("makes another table than maps/power/mixture.csv holds");

    let made = bench.on_bike(&["--json", "mixture", "--write", "--why", "asks for power"]).exits(0).json();
    assert_eq!(made["change"]["revision"], "r2");
    assert_eq!(made["change"]["imports"][0]["file"], PLAN);
    assert_eq!(made["change"]["cells_changed"]["fuel"], 0);
    bench.assert_whole();
    assert!(bench.git(&["show", &format!("HEAD:{PLAN}")]).exits(0).out.contains("use: power"));
    let row = bench.read("maps/power/mixture.csv");
    assert!(row.contains("\n4000,1.000,1.000,1.000,1.000,1.000,1.000,1.000,1.000,0.968,"), "{row}");
    let verified = bench.on_bike(&["--json", "verify"]).exits(0).json();
    let replays: Vec<&str> = verified["revisions"]
        .as_array()
        .expect("revisions")
        .iter()
        .filter_map(|r| r["replay"].as_str())
        .collect();
    assert_eq!(replays[0], "same", "{verified:#}");

    let check = bench.on_bike(&["check"]).exits(0).out;
    assert!(!check.contains("makes another table"), "{check}");
    bench.on_bike(&["mixture", "--write", "--why", "again"]).exits(0).says("holds this table already");
    bench.write(PLAN, "use: touring\n");
    bench.on_bike(&["mixture", "--write", "--why", "a long tour"]).exits(0).says("r3");
    bench.on_bike(&["diff"]).exits(0).says("mixtures/power.yaml");
    bench.on_bike(&["verify"]).exits(0);
}

#[test]
fn leaning_at_high_load_goes_through_the_guard_of_an_edit() {
    let bench = Bench::with_bike();
    bench.write(PLAN, "use: power\npower: { lambda: 0.92 }\n");
    let before = bench.snapshot();
    let write = ["mixture", "--write", "--why", "saves fuel"];
    bench.on_bike(&write).exits(3).says("high_load_lean").says("Nothing was written");
    bench.on_bike(&["mixture"]).exits(3).says("high_load_lean");
    assert!(bench.snapshot() == before, "a refusal changed something");
    let despite = [&write[..], &["--despite", "high_load_lean"]].concat();
    bench.on_bike(&despite).exits(0).says("high-load cells get less fuel");
    bench.on_bike(&["verify"]).exits(0);
}

#[test]
fn a_plan_beyond_the_limits_is_refused_with_its_place_and_check_finds_it() {
    let bench = Bench::with_bike();
    bench.write(PLAN, "use: economy\neconomy: { lambda: 1.05, load: [5, 60] }\n");
    bench
        .on_bike(&["mixture"])
        .exits(1)
        .says("mixtures/power.yaml:2:32")
        .says("lean under load burns pistons");
    bench.on_bike(&["check"]).exits(1).says("mixtures/power.yaml:2:32");
    bench.write(PLAN, "use: power\n");
    bench.write("mixtures/rain.yaml", "use: touring\n");
    bench.on_bike(&["check"]).exits(0).says("mixtures/rain.yaml is the plan of no slot");
}

#[test]
fn locked_cells_keep_their_mixture() {
    let bench = Bench::with_bike();
    let lock = ["edit", "lock", "--rpm", "4000", "--load", "32", "--why", "found on the dyno"];
    bench.on_bike(&lock).exits(0);
    bench.write(PLAN, "use: power\n");
    bench
        .on_bike(&["mixture", "--write", "--why", "asks for power"])
        .exits(0)
        .says("1 locked cell stays as it is");
    let row = bench.read("maps/power/mixture.csv");
    assert!(row.lines().any(|line| line.starts_with("4000,") && line.contains(",0.987,")), "{row}");
    bench.on_bike(&["verify"]).exits(0);
}
