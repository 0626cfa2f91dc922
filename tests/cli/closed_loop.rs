//! Controllers that trim the mixture by themselves.

use crate::bench::Bench;
use serde_json::Value;

const REGION: &str = "region: { rpm: [0, 4500], load: [0, 14] }";

fn in_region(cell: &Value) -> bool {
    let number = |key: &str| cell[key].as_f64().expect("a number");
    number("rpm") <= 4500.0 && number("load") <= 14.0
}

/// A bench whose controller trims as said, without logging it.
fn trims_unseen(closed_loop: &str) -> Bench {
    let bench = Bench::with_bike();
    let bike = bench.read("bike.yaml");
    assert!(bike.contains("closed_loop: { mode: none }"));
    bench.write("bike.yaml", bike.replace("closed_loop: { mode: none }", closed_loop));
    bench
}

/// Two rides, a run after each: every governed cell is marked and never changes,
/// and others do change.
fn two_runs_leave_alone(bench: &Bench, governed: impl Fn(&Value) -> bool) {
    let before = bench.read("maps/power/fuel.csv");
    for seed in 1..=2 {
        bench.simulate(seed, 25);
        let run = bench.on_bike(&["--json", "run"]).exits(0).json();
        assert_eq!(run["revision"], format!("r{}", seed + 1), "{run:#}");
        let cells = run["cells"].as_array().expect("cells");
        let marked = cells.iter().filter(|cell| cell["held_by"] == "governed").count();
        for cell in cells {
            assert_eq!(cell["held_by"] == "governed", governed(cell), "{cell}");
            assert!(!governed(cell) || cell["before"] == cell["after"], "{cell}");
        }
        assert!(marked > 20 && run["cells_changed"].as_u64() > Some(5), "{marked}, {}", run["cells_changed"]);
        let note = format!("{marked} cells are left to the controller");
        let notes = run["notes"].as_array().expect("notes");
        assert!(notes.iter().any(|n| n.as_str().is_some_and(|n| n.starts_with(&note))), "{notes:?}");
        let evidence = bench.read("evidence/power.csv");
        assert_eq!(evidence.lines().filter(|line| line.ends_with(",governed")).count(), marked);
    }
    // The files themselves, since r1: what is governed is what it was.
    let cells = |text: &str| -> Vec<(f64, f64, String)> {
        let rows: Vec<Vec<&str>> = text.lines().map(|line| line.split(',').collect()).collect();
        let number = |text: &str| text.parse::<f64>().expect("a number");
        let row = |row: &Vec<&str>| -> Vec<(f64, f64, String)> {
            let rpm = number(row[0]);
            (1..row.len()).map(|i| (rpm, number(rows[0][i]), row[i].to_owned())).collect()
        };
        rows[1..].iter().flat_map(row).collect()
    };
    let after = bench.read("maps/power/fuel.csv");
    for ((rpm, load, old), (.., new)) in cells(&before).into_iter().zip(cells(&after)) {
        let cell = serde_json::json!({ "rpm": rpm, "load": load });
        assert!(old == new || !governed(&cell), "{rpm} {load}: {old} became {new}");
    }
}

#[test]
fn no_cell_in_the_region_of_a_hidden_trim_ever_changes() {
    let bench = trims_unseen(&format!("closed_loop: {{ mode: unlogged, {REGION} }}"));
    // The surface goes on into every cell here.
    let inferred = "stages:\n  - align\n  - warm\n  - closed_loop\n  - overrun\n  - transients\n  - surface\n  - blend: { inferred: all }\n";
    bench.write("pipelines/road.yaml", format!("rides: build\n{inferred}"));
    two_runs_leave_alone(&bench, in_region);
    bench.on_bike(&["cell", "2500", "7"]).exits(0).says("governed");
    bench.assert_whole();
}

#[test]
fn without_a_region_the_cells_that_want_lambda_one_are_left_to_the_controller() {
    let bench = trims_unseen("closed_loop: { mode: unlogged }");
    // The demo bike wants 0.987 at 32 % and 0.955 at 42 %.
    two_runs_leave_alone(&bench, |cell| cell["load"].as_f64().expect("a number") <= 32.0);
}

#[test]
fn where_the_trim_is_logged_the_same_cells_are_corrected() {
    let bench = trims_unseen(&format!("closed_loop: {{ mode: trim_logged, {REGION} }}"));
    bench.simulate(1, 25);
    let run = bench.on_bike(&["--json", "run"]).exits(0).json();
    let cells = run["cells"].as_array().expect("cells");
    assert!(cells.iter().all(|cell| cell["held_by"] != "governed"));
    assert!(cells.iter().any(|cell| in_region(cell) && cell["before"] != cell["after"]));
}
