//! The whole loop, and what can be asked of it afterwards.

use crate::bench::Bench;
use serde_json::Value;

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn the_demo_finds_the_map_and_its_history_holds() {
    let bench = Bench::empty();
    let folder = bench.bike.to_str().expect("UTF-8").to_owned();
    let demo = bench.rideloop(&["--json", "demo", &folder]).exits(0).json();

    // The truth is known to the virtual bike only, and judged on a ride the map
    // never learned from.
    let rounds = demo["rounds"].as_array().expect("rounds");
    assert_eq!(rounds.len(), 4);
    let before = number(&rounds[0]["before"]["rms_pct"]);
    let after = number(&rounds[3]["after"]["rms_pct"]);
    assert!(after <= before / 3.0, "{before} % to {after} %");
    assert!(number(&demo["high_load_leaned_pct"]) <= 0.5);

    bench.assert_whole();
    let log = bench.git(&["log", "--stat"]).exits(0).out;
    assert!(log.contains("r5 power:") && log.contains("maps/power/fuel.csv"), "{log}");
    for line in log.lines() {
        assert!(line.chars().count() <= 110, "too wide for git log: {line}");
    }

    nothing_is_new(&bench);
    a_rollback_restores_bytes(&bench);
    questions_are_answered(&bench);
}

fn nothing_is_new(bench: &Bench) {
    let head = bench.git(&["rev-parse", "HEAD"]).out;
    bench.on_bike(&["run"]).exits(0).says("no ride is new").says("No revision was made");
    assert_eq!(bench.git(&["rev-parse", "HEAD"]).out, head);
}

fn a_rollback_restores_bytes(bench: &Bench) {
    let done = bench.on_bike(&["rollback", "r2", "--why", "hesitates at small throttle"]).exits(0);
    done.says("r6 holds the tables of r2 again").says("set aside: r2/sim-2.csv").says("rollback r5");
    for table in ["power/fuel", "power/mixture", "economy/fuel", "economy/mixture"] {
        let path = format!("maps/{table}.csv");
        let then = bench.git(&["show", &format!("r2:{path}")]).exits(0).out;
        assert_eq!(bench.read(&path), then, "{path}");
    }
    bench.assert_whole();
    // The rides that made the undone map do not bring it back.
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
    // Undoing the rollback counts them again.
    bench
        .on_bike(&["rollback", "r5", "--why", "it was the fuel filter"])
        .exits(0)
        .says("counts again: r4/sim-4.csv");
    assert_eq!(bench.read("maps/power/fuel.csv"), bench.git(&["show", "r5:maps/power/fuel.csv"]).out);
    // Undoing that sets them aside once more.
    bench.on_bike(&["rollback", "r6", "--why", "it was not"]).exits(0).says("set aside: r4/sim-4.csv");
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
    let third = bench.on_bike(&["--json", "rollback", "r3", "--why", "try the one before"]).exits(0).json();
    assert_eq!(third["counted_again"], serde_json::json!(["r2/sim-2.csv"]), "{third}");
    assert_eq!(third["set_aside"], serde_json::json!([]), "{third}");
    bench.on_bike(&["rollback", "r5", "--why", "filter again"]).exits(0).says("counts again: r4/sim-4.csv");
    // Going back to what is there already is nothing.
    bench.on_bike(&["rollback", "r10", "--why", "x"]).exits(0).says("Nothing to do");
    bench.on_bike(&["rollback", "r99", "--why", "x"]).exits(1).says("there is no revision r99");
    bench.on_bike(&["rollback", "r1", "--why", "  "]).exits(1).says("needs a reason");
}

fn questions_are_answered(bench: &Bench) {
    let history = bench.on_bike(&["--json", "history"]).exits(0).json();
    let history = history.as_array().expect("an array");
    let kinds: Vec<&str> = history.iter().filter_map(|r| r["kind"].as_str()).collect();
    assert_eq!(kinds[..5], ["rollback"; 5]);
    assert_eq!(kinds[5..], ["run", "run", "run", "run", "start"]);
    for entry in history {
        for key in ["revision", "commit", "time", "slot", "kind", "summary", "cells_changed"] {
            assert!(!entry[key].is_null(), "{key} in {entry}");
        }
    }
    assert_eq!(history[0]["revision"], "r10");
    assert_eq!(history[4]["why"], "hesitates at small throttle");

    let diff = bench.on_bike(&["diff", "r1", "r2"]).exits(0);
    let plain = diff.says("fuel (ve_pct), power r1 → r2").says("+ more fuel, - less fuel");
    assert!(!plain.out.contains('\u{1b}'), "no colour where nobody sees it");
    let colored = bench.on_bike(&["--color", "always", "diff", "r1", "r2"]).exits(0).out;
    assert!(colored.contains('\u{1b}'));
    assert_eq!(anstream::adapter::strip_str(&colored).to_string(), plain.out, "colour is only added");

    let diff = bench.on_bike(&["--json", "diff", "r1", "r5"]).exits(0).json();
    let cells = diff["tables"][0]["cells"].as_array().expect("cells");
    assert!(cells.len() > 60);
    let shown = bench.on_bike(&["show", "r3"]).exits(0).says("evidence, power").says("held by");
    assert!(shown.out.contains("sim-2.csv"));
    bench.on_bike(&["--json", "show", "r3"]).exits(0).json();
    bench.on_bike(&["diff", "r1", "r1"]).exits(0).says("hold the same");
    bench.on_bike(&["diff", "r0"]).exits(1).says("is no revision, build or slot");
    bench.on_bike(&[]).exits(0).says("Fernhill 700").says("newest revision: r10");
    bench
        .on_bike(&["cell", "3500", "14.4"])
        .exits(0)
        .says("the cell nearest to")
        .says("sim-1.csv")
        .says("rollback");
    bench.on_bike(&["cell", "nan", "14"]).exits(2);
    bench.on_bike(&["rides"]).exits(0).says("used in r2, r3, r4, r5");
}

#[test]
fn settings_that_change_travel_with_the_next_revision_and_show_in_its_diff() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0).says("r2");
    let yaml = bench.read("bike.yaml").replace("engine_temp_c: 75", "engine_temp_c: 78");
    bench.write("bike.yaml", yaml);
    bench.simulate(2, 12);
    bench.on_bike(&["run"]).exits(0).says("r3");
    bench.assert_whole();
    bench.on_bike(&["diff"]).exits(0).says("engine_temp_c: [-75-]").says("engine_temp_c: {+78+}");
}

#[test]
fn a_dry_run_says_the_same_and_writes_nothing() {
    let bench = Bench::with_bike();
    bench.simulate(3, 12);
    let before = bench.snapshot();
    let dry = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    assert_eq!(bench.snapshot(), before);
    let wet = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(dry["cells"], wet["cells"]);
    assert!(dry["revision"].is_null() && dry["commit"].is_null() && dry["dry_run"] == true);
    assert_eq!(wet["revision"], "r2", "r1 holds the tables as they were found");
    assert_eq!(wet["commit"].as_str().map(str::len), Some(40));
    assert!(wet["refused"].is_null());
    for key in ["file", "sha256", "revision", "samples", "kept", "rejected"] {
        assert!(!wet["rides"][0][key].is_null(), "{key}");
    }
    let ride = &wet["rides"][0];
    let rejected: u64 = ride["rejected"].as_object().expect("a map").values().filter_map(Value::as_u64).sum();
    let samples = ride["samples"].as_u64().expect("a count");
    assert_eq!(
        samples,
        ride["kept"].as_u64().expect("a count") + rejected,
        "every dropped sample has one reason"
    );
    let cell = &wet["cells"][20];
    for key in
        ["rpm", "load", "before", "after", "required", "std_error", "effective_samples", "dwells", "held_by"]
    {
        assert!(cell.get(key).is_some(), "{key}");
    }
    assert_eq!(
        bench.git(&["show", "r1:maps/power/fuel.csv"]).out,
        std::fs::read_to_string("demo-bike/maps/power/fuel.csv").expect("read")
    );
}
