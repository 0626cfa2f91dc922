//! Cells that only follow their neighbours: when they may, how far, and how they are marked.

use crate::bench::Bench;
use serde_json::Value;

const SETTINGS: [&str; 3] = ["none", "passed", "all"];
/// `blend` as it comes: the largest step of an inferred cell, %.
const STEP_PCT: f64 = 4.0;
/// From the cell below 50 % throttle on, a cell has a say at high load; the demo bike's is at 42 %.
const HIGH_LOAD: f64 = 42.0;

fn ridden() -> Bench {
    let bench = Bench::with_bike();
    bench.simulate(5, 15);
    for inferred in SETTINGS {
        let stages = "  - align: {}\n  - lambda_valid: {}\n  - warm: {}\n  - overrun: {}\n  - gear_shift: {}\n  - settling: {}\n  - surface: {}";
        let text = format!("rides: build\nstages:\n{stages}\n  - blend: {{ inferred: {inferred} }}\n");
        bench.write(&format!("pipelines/{inferred}.yaml"), text);
    }
    bench
}

fn number(cell: &Value, key: &str) -> f64 {
    cell[key].as_f64().unwrap_or_else(|| panic!("{key} in {cell}"))
}

fn change_pct(cell: &Value) -> f64 {
    (number(cell, "after") / number(cell, "before") - 1.0) * 100.0
}

fn changed(cells: &[Value]) -> impl Iterator<Item = &Value> {
    cells.iter().filter(|c| c["before"] != c["after"])
}

#[test]
fn unvisited_cells_move_only_where_all_may_and_then_little_and_at_high_load_only_richer() {
    let bench = ridden();
    let mut inferred = Vec::new();
    for setting in SETTINGS {
        let report = bench.on_bike(&["--json", "run", "--dry-run", "--pipeline", setting]).exits(0).json();
        let cells = report["cells"].as_array().expect("cells").clone();
        let unvisited: Vec<&Value> = changed(&cells).filter(|c| c["dwells"] == 0).collect();
        match setting {
            "all" => assert!(unvisited.len() > 3, "{unvisited:#?}"),
            _ => assert!(unvisited.is_empty(), "{setting}: {unvisited:#?}"),
        }
        for cell in &unvisited {
            assert_eq!(cell["held_by"], "inferred", "{cell}");
        }
        let marked: Vec<&Value> = changed(&cells).filter(|c| c["held_by"] == "inferred").collect();
        for cell in &marked {
            assert!(change_pct(cell).abs() <= STEP_PCT + 1e-9, "{cell}");
            assert!(number(cell, "load") < HIGH_LOAD || change_pct(cell) > 0.0, "{cell}");
        }
        inferred.push(marked.len());
    }
    assert_eq!(inferred[0], 0);
    assert!(inferred[1] > 0 && inferred[2] > inferred[1], "{inferred:?}");
}

#[test]
fn every_view_of_a_revision_says_which_changes_are_inferred() {
    let bench = ridden();
    let legend = "~ inferred from its neighbours";
    let plain = bench.on_bike(&["run", "--dry-run", "--pipeline", "none"]).exits(0).out;
    assert!(!plain.contains('~'), "{plain}");
    let run =
        bench.on_bike(&["run", "--pipeline", "all"]).exits(0).says(legend).says("of them inferred)").out;
    let shown = bench.on_bike(&["--json", "show"]).exits(0).json();
    let cells = shown["evidence"][0]["cells"].as_array().expect("cells").clone();
    let marked: Vec<&Value> = changed(&cells).filter(|c| c["held_by"] == "inferred").collect();
    assert!(!marked.is_empty());
    let signs = |text: &str| text.matches("%~").count();
    assert_eq!(signs(&run), marked.len(), "{run}");

    let diff = bench.on_bike(&["diff"]).exits(0).says(legend).out;
    assert_eq!(signs(&diff), marked.len(), "{diff}");
    let diff = bench.on_bike(&["--json", "diff"]).exits(0).json();
    let told = diff["tables"][0]["cells"].as_array().expect("cells");
    assert_eq!(told.iter().filter(|c| c["held_by"] == "inferred").count(), marked.len());

    let show = bench.on_bike(&["show"]).exits(0).says(legend).out;
    assert_eq!(signs(&show), marked.len(), "the changes: {show}");
    for cell in &marked {
        let value = format!("{:.1}~", number(cell, "after"));
        assert!(show.contains(&value), "no {value} in the table: {show}");
    }
    let file = bench.read("evidence/power.csv");
    assert!(file.lines().filter(|l| l.ends_with(",inferred")).count() >= marked.len(), "{file}");
    let message = bench.git(&["log", "-1", "--format=%B"]).exits(0).says(legend).out;
    assert_eq!(signs(&message), marked.len());
    let (rpm, load) = (marked[0]["rpm"].to_string(), marked[0]["load"].to_string());
    bench.on_bike(&["cell", &rpm, &load]).exits(0).says("inferred");
}
