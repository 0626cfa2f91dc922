//! Help and stage pages, kept as snapshots so that they cannot drift.

use crate::bench::Bench;

const COMMANDS: [&str; 34] = [
    "demo",
    "new",
    "check",
    "run",
    "season",
    "gaps",
    "response",
    "headroom",
    "knock",
    "history",
    "show",
    "diff",
    "cell",
    "edit",
    "import",
    "mixture",
    "rescale",
    "export",
    "rollback",
    "build",
    "rides",
    "verify",
    "stages",
    "simulate",
    "watch",
    "logger",
    "evidence",
    "calc",
    "power",
    "compare",
    "completions",
    "man",
    "schema",
    "git-setup",
];

#[test]
fn every_command_explains_itself_with_an_example() {
    let bench = Bench::empty();
    let mut all = bench.rideloop(&["--help"]).exits(0).out;
    for command in COMMANDS {
        let help = bench.rideloop(&[command, "--help"]).exits(0).says("Example:").out;
        all.push_str(&format!("\n==== {command} ====\n{help}"));
    }
    insta::assert_snapshot!("help", all);
}

#[test]
fn every_stage_has_its_page() {
    let bench = Bench::empty();
    let list = bench.rideloop(&["--json", "stages"]).exits(0).json();
    let names = list["stages"].as_array().expect("stages").iter().filter_map(|s| s["name"].as_str());
    let mut all = bench.rideloop(&["stages"]).exits(0).out;
    for name in names {
        let page = bench.rideloop(&["stages", name]).exits(0).says("Source:").out;
        all.push_str(&format!("\n==== {name} ====\n{page}"));
    }
    insta::assert_snapshot!("stages", all);
    bench.rideloop(&["stages", "warn"]).exits(1).says("did you mean `warm`?");
    bench.rideloop(&["stages", "--schema", "pipeline.schema.json"]).exits(0);
    let schema = std::fs::read_to_string(bench.home().join("pipeline.schema.json")).expect("written");
    let schema: serde_json::Value = serde_json::from_str(&schema).expect("JSON");
    assert_eq!(schema["properties"]["stages"]["type"], "array");
    let road = bench.rideloop(&["stages", "--pipeline", "road"]).exits(0).out;
    assert_eq!(road, std::fs::read_to_string("pipelines/road.yaml").expect("shipped"));
}

#[test]
fn wrong_command_lines_exit_with_two() {
    let bench = Bench::empty();
    bench.rideloop(&["fly"]).exits(2);
    let json = bench.rideloop(&["--json", "fly"]).exits(2).json();
    assert_eq!(json["error"]["kind"], "command_line");
    bench.rideloop(&["new", "x", "--displacement-cc", "-5"]).exits(2).says("must be between 20 and 10000");
    bench.rideloop(&["rollback", "r1"]).exits(2).says("--why");
    bench.rideloop(&["new", "x", "--displacement-cc", "0"]).exits(2).says("must be between 20 and 10000");
    bench.rideloop(&["simulate", "--minutes", "nan"]).exits(2);
}

#[test]
fn outside_a_bike_folder_it_says_how_to_start() {
    let bench = Bench::empty();
    bench.rideloop(&[]).exits(0).says("rideloop demo").says("rideloop new DIR");
    bench.rideloop(&["run"]).exits(1).says("is not a bike folder");
    bench.rideloop(&["--bike", "nowhere"]).exits(1).says("there is no folder");
    bench.rideloop(&["--bike", "nowhere", "check"]).exits(1).says("is not a bike folder");
    bench.rideloop(&["--bike", "nowhere", "history"]).exits(1);
}

#[test]
fn a_new_bike_of_every_kind_can_be_ridden_and_run() {
    for (table, load) in [
        ("ve_pct", "map_kpa"),
        ("pulse_width_ms", "throttle_pct"),
        ("trim_pct", "throttle_pct"),
        ("pulse_width_ms", "map_kpa"),
    ] {
        let bench = Bench::empty();
        bench
            .rideloop(&["new", "bike", "--name", "Testbed", "--fuel-table", table, "--load", load])
            .exits(0)
            .says("r1");
        bench.assert_whole();
        bench.on_bike(&["check"]).exits(0).says("0 problems");
        bench.simulate(5, 12);
        let done = bench.on_bike(&["--json", "run", "--pipeline", "first-ride"]).exits(0).json();
        assert_eq!(done["revision"], "r2", "{table} over {load}");
        bench.assert_whole();
    }
    let bench = Bench::empty();
    bench.rideloop(&["new", "bike"]).exits(0);
    bench.rideloop(&["new", "bike"]).exits(1).says("is not empty");
    for slots in ["a,a", "../x", ""] {
        bench.rideloop(&["new", "odd", "--slots", slots]).exits(1).says("no bike can be made of this");
        assert!(!bench.home().join("odd").exists(), "{slots} left something behind");
    }
}
