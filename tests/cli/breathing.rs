//! Slots that share their breathing: a ride on one corrects the fuel tables of all, and
//! crosses nowhere else.

use crate::bench::Bench;
use rideloop::bike::Bike;
use rideloop::virtual_bike::{BikeSpec, Character, VirtualBike};
use serde_json::Value;
use std::path::Path;

const MINUTES: &str = "10";

/// Power as in the demo; economy asks for a leaner mixture at part load, and its fuel table
/// has other axes. Both fuel tables are the demo's base table, which is off the truth.
fn two_slots(breathing: &str) -> Bench {
    let bench = Bench::with_bike();
    let settings = bench.read("bike.yaml");
    bench.write(
        "bike.yaml",
        settings.replacen("  density:", &format!("  breathing: {breathing}\n  density:"), 1),
    );
    let lean = |lambda: f64| if lambda > 0.95 { lambda * 1.07 } else { lambda };
    let mixture = each_cell(&bench.read("maps/economy/mixture.csv"), |lambda| format!("{:.3}", lean(lambda)));
    bench.write("maps/economy/mixture.csv", mixture);
    bench.write("maps/economy/fuel.csv", coarser(&bench.read("maps/economy/fuel.csv")));
    bench
}

/// A table with each cell written anew.
fn each_cell(table: &str, cell: impl Fn(f64) -> String) -> String {
    let row = |line: &str| {
        let (rpm, cells) = line.split_once(',').expect("a row");
        let cells: Vec<String> = cells.split(',').map(|c| cell(c.parse().expect("a cell"))).collect();
        format!("{rpm},{}", cells.join(","))
    };
    let (titles, rows) = table.split_once('\n').expect("titles");
    let rows: Vec<String> = rows.lines().map(row).collect();
    format!("{titles}\n{}\n", rows.join("\n"))
}

/// A table without its fourth row of cells and its fifth column.
fn coarser(table: &str) -> String {
    let without = |line: &str| {
        let mut parts: Vec<&str> = line.split(',').collect();
        parts.remove(5);
        parts.join(",") + "\n"
    };
    table.lines().enumerate().filter(|(i, _)| *i != 4).map(|(_, line)| without(line)).collect()
}

fn ride(bench: &Bench, slot: &str, seed: &str) {
    let args = ["simulate", "--warm", "--slot", slot, "--seed", seed, "--minutes", MINUTES];
    bench.on_bike(&args).exits(0);
}

fn run(bench: &Bench, args: &[&str]) -> Value {
    let args: Vec<&str> = ["--json", "run"].iter().chain(args).copied().collect();
    bench.on_bike(&args).exits(0).json()
}

/// RMS of how far a run's evidence and its table lie from the truth, in %, over the cells
/// it has evidence of: before, and after.
fn off_truth(bench: &Bench, report: &Value) -> [f64; 2] {
    let bike = Bike::parse(Path::new("bike.yaml"), &bench.read("bike.yaml")).expect("a bike");
    let twin = VirtualBike { spec: BikeSpec::of(&bike), character: Character::mild() };
    let number = |cell: &Value, key: &str| cell[key].as_f64().expect("a number");
    let cells: Vec<&Value> = report["cells"].as_array().expect("cells").iter().collect();
    let known: Vec<&Value> = cells.into_iter().filter(|c| c["dwells"].as_u64() >= Some(3)).collect();
    assert!(known.len() > 15, "only {} cells have evidence", known.len());
    ["before", "after"].map(|key| {
        let squares = known.iter().map(|cell| {
            // The mixture does not enter where the controller divides by it.
            let truth = twin.true_table_value(number(cell, "rpm"), number(cell, "load"), 1.0);
            ((number(cell, key) / truth - 1.0) * 100.0).powi(2)
        });
        (squares.sum::<f64>() / known.len() as f64).sqrt()
    })
}

fn files(report: &Value) -> Vec<&str> {
    report["rides"].as_array().expect("rides").iter().map(|r| r["file"].as_str().expect("a name")).collect()
}

/// The ride's log without the column that tells the slot.
fn untold(log: &str) -> String {
    let titles: Vec<&str> = log.lines().next().expect("titles").split(',').collect();
    let at = titles.iter().position(|title| *title == "slot").expect("the slot is logged");
    let without = |line: &str| {
        let mut parts: Vec<&str> = line.split(',').collect();
        parts.remove(at);
        parts.join(",") + "\n"
    };
    log.lines().map(without).collect()
}

#[test]
fn rides_on_one_slot_bring_both_to_the_truth() {
    let bench = two_slots("shared");
    ride(&bench, "power", "1");
    ride(&bench, "power", "2");
    let power = run(&bench, &[]);
    let status = bench.on_bike(&["--json"]).exits(0).json();
    assert_eq!(status["to_correct"][0]["slot"], "economy");
    assert_eq!(status["to_correct"][0]["rides"].as_array().map(Vec::len), Some(2), "{status:#}");
    bench.on_bike(&[]).exits(0).says("correct economy from the same 2 rides");
    let economy = run(&bench, &["--slot", "economy"]);
    assert_eq!(files(&economy), files(&power));
    assert_eq!((&power["revision"], &economy["revision"]), (&"r2".into(), &"r3".into()));
    let ([power_before, power_after], [before, after]) =
        (off_truth(&bench, &power), off_truth(&bench, &economy));
    assert!(power_after < 0.6 * power_before, "power: {power_before} to {power_after} %");
    assert!(after < 0.6 * before, "economy: {before} to {after} %");
    assert!(after < power_after + 0.5, "economy {after} %, power {power_after} %");
    let nothing = bench.on_bike(&["--json"]).exits(0).json();
    assert_eq!(nothing["to_correct"], Value::Array(Vec::new()));

    // Rides on both slots, and one that changes its slot on the way, count together.
    ride(&bench, "economy", "3");
    ride(&bench, "power", "4");
    ride(&bench, "economy", "5");
    let (first, second) = (bench.read("rides/r3/sim-4.csv"), bench.read("rides/r3/sim-5.csv"));
    let half = first.lines().count() / 2;
    let lines = first.lines().take(half).chain(second.lines().skip(half));
    let changing: String = lines.map(|line| format!("{line}\n")).collect();
    bench.write("rides/r3/changing.csv", &changing);
    for seed in [4, 5] {
        std::fs::remove_file(bench.bike.join(format!("rides/r3/sim-{seed}.csv"))).expect("there");
    }
    let fresh = run(&bench, &["--dry-run", "--no-cache"]);
    let cached = run(&bench, &["--dry-run"]);
    assert_eq!((run(&bench, &["--dry-run"]), &cached), (fresh, &cached), "kept work says the same");
    let by_evidence = bench.twin();
    by_evidence.on_bike(&["evidence", "collect", "rides/r3", "--out", "b.parquet"]).exits(1);
    by_evidence.on_bike(&["evidence", "collect", "--out", "a.parquet"]).exits(0);
    by_evidence.rideloop(&["evidence", "merge", "a.parquet", "--out", "all.parquet"]).exits(0);
    std::fs::remove_dir_all(by_evidence.bike.join("rides")).expect("there");

    let power = run(&bench, &[]);
    assert_eq!(files(&power).len(), 4, "{:?}", files(&power));
    let mixed = power["rides"].as_array().and_then(|r| r.iter().find(|r| r["file"] == "r3/changing.csv"));
    assert_eq!(mixed.map(|ride| &ride["samples"]), Some(&(changing.lines().count() - 1).into()));
    assert!(mixed.is_some_and(|ride| ride["rejected"].get("other_slot").is_none()), "{mixed:#?}");
    let again = run(&by_evidence, &["--evidence", "all.parquet"]);
    assert_eq!((&again["commit"], &again["cells"]), (&power["commit"], &power["cells"]));
    let economy = run(&bench, &["--slot", "economy"]);
    assert!(off_truth(&bench, &power)[1] < power_after, "{:?}", off_truth(&bench, &power));
    assert!(off_truth(&bench, &economy)[1] < after, "{:?}", off_truth(&bench, &economy));
    for look in [&["verify"][..], &["season"], &["history"], &["show"], &["cell", "3500", "14"], &["check"]] {
        bench.on_bike(look).exits(0);
    }
    assert!(bench.read("rides.yaml").matches("slot: as_logged").count() == 4);

    // What misled one slot misled both.
    let back = ["rollback", "r2", "--slot", "power", "--why", "hesitates"];
    bench.on_bike(&back).exits(0).says("economy still rests on rides that are set aside now");
    let economy = run(&bench, &["--slot", "economy"]);
    assert_eq!(files(&economy), ["r1/sim-1.csv", "r1/sim-2.csv"]);
    bench.on_bike(&["verify"]).exits(0);
}

#[test]
fn where_each_slot_breathes_for_itself_nothing_crosses() {
    let bench = two_slots("own");
    let before = bench.read("maps/economy/fuel.csv");
    ride(&bench, "power", "1");
    run(&bench, &[]);
    assert_eq!(bench.on_bike(&["--json"]).exits(0).json()["to_correct"], Value::Array(Vec::new()));
    let economy = run(&bench, &["--slot", "economy"]);
    assert_eq!(economy["revision"], Value::Null);
    assert_eq!(economy["passed_over"][0]["reason"], "other_slot");
    assert_eq!(bench.read("maps/economy/fuel.csv"), before);
    bench.on_bike(&["run", "--ridden-on", "power"]).exits(1).says("breathing: shared");
    bench.write("bike.yaml", bench.read("bike.yaml").replace("mixture: controller", "mixture: table"));
    bench.on_bike(&["check"]).exits(0);
    bench.write("bike.yaml", bench.read("bike.yaml").replace("breathing: own", "breathing: shared"));
    bench.on_bike(&["check"]).exits(1).says("write `breathing: own`");
}

#[test]
fn a_ride_of_which_nobody_knows_the_slot_waits_until_somebody_says_it() {
    let bench = two_slots("shared");
    ride(&bench, "power", "1");
    bench.write("rides/r1/sim-1.csv", untold(&bench.read("rides/r1/sim-1.csv")));
    let before = bench.snapshot();
    for args in [&["run"][..], &["run", "--slot", "economy"]] {
        bench.on_bike(args).exits(1).says("--ridden-on SLOT");
    }
    assert!(bench.snapshot() == before, "something was written");
    // Said at collecting, it need not be said again.
    let by_evidence = bench.twin();
    let collect =
        ["evidence", "collect", "--slot", "economy", "--ridden-on", "power", "--out", "all.parquet"];
    by_evidence.on_bike(&collect).exits(0);
    let economy = run(&by_evidence, &["--slot", "economy", "--evidence", "all.parquet"]);
    let said = run(&bench, &["--slot", "economy", "--ridden-on", "power"]);
    assert_eq!((&said["rides"][0]["slot"], &said["commit"]), (&"power".into(), &economy["commit"]));
    let [off, near] = off_truth(&bench, &said);
    assert!(near < off, "{off} to {near} %");
    // Once said, it is known to the other slot; and what is no matter of fuel stays apart.
    assert_eq!(run(&bench, &[])["rides"][0]["slot"], "power");
    let response = bench.on_bike(&["--json", "response", "--slot", "economy"]).exits(0).json();
    assert_eq!(response["rides"][0]["trouble"], "was made on slot power", "{response:#}");
    bench.on_bike(&["verify"]).exits(0);

    // A ride that another revision made the register remember is still one that nobody told of.
    bench.write(
        "rides/loose.csv",
        untold(&{
            ride(&bench, "economy", "7");
            bench.read("rides/r3/sim-7.csv")
        }),
    );
    std::fs::remove_file(bench.bike.join("rides/r3/sim-7.csv")).expect("there");
    bench.on_bike(&["rides", "set-aside", "sim-1.csv", "--why", "loose sensor"]).exits(0);
    assert!(bench.read("rides.yaml").contains("waiting"));
    bench.on_bike(&["run"]).exits(1).says("--ridden-on SLOT");
    assert_eq!(run(&bench, &["--ridden-on", "economy"])["rides"][0]["slot"], "economy");
    bench.on_bike(&["verify"]).exits(0);
}

/// The ride's log with what it tells of slots blanked in its first rows; in all of them
/// where `rows` is none.
fn blanked(log: &str, rows: Option<usize>) -> String {
    let titles: Vec<&str> = log.lines().next().expect("titles").split(',').collect();
    let at = titles.iter().position(|title| *title == "slot").expect("the slot is logged");
    let blank = |(i, line): (usize, &str)| {
        let mut parts: Vec<&str> = line.split(',').collect();
        if i > 0 && rows.is_none_or(|rows| i <= rows) {
            parts[at] = "";
        }
        parts.join(",") + "\n"
    };
    log.lines().enumerate().map(blank).collect()
}

#[test]
fn rows_whose_slot_is_not_logged_are_on_the_told_one_and_the_log_wins_elsewhere() {
    let bench = two_slots("shared");
    ride(&bench, "power", "1");
    let log = bench.read("rides/r1/sim-1.csv");
    let rows = log.lines().count() - 1;

    // A column without a name is none: the ride waits until somebody says it.
    bench.write("rides/r1/sim-1.csv", blanked(&log, None));
    bench.on_bike(&["run"]).exits(1).says("--ridden-on SLOT");
    let told = run(&bench, &["--dry-run", "--ridden-on", "power"]);
    assert_eq!(
        (&told["rides"][0]["slot"], &told["rides"][0]["rows_on_told_slot"]),
        (&"power".into(), &0.into())
    );
    assert_ne!(run(&bench, &["--dry-run", "--ridden-on", "economy"])["cells"], told["cells"]);

    // Told, the first third says what its own log would have said.
    bench.write("rides/r1/sim-1.csv", &log);
    let logged = run(&bench, &["--dry-run", "--ridden-on", "economy"]);
    assert_eq!(logged["rides"][0]["slot"], "as_logged");
    assert_eq!(logged["cells"], told["cells"], "the log wins");
    bench.write("rides/r1/sim-1.csv", blanked(&log, Some(rows / 3)));
    let untold = run(&bench, &["--dry-run"]);
    assert_eq!(untold["rides"][0]["rejected"]["other_slot"], Value::from(rows / 3));
    bench.on_bike(&["run", "--dry-run", "--ridden-on", "power"]).exits(0).says("as told, the rest as logged");
    let said = run(&bench, &["--slot", "economy", "--ridden-on", "power"]);
    let of_ride = &said["rides"][0];
    assert_eq!((&of_ride["slot"], &of_ride["unlogged_slot"]), (&"as_logged".into(), &"power".into()));
    assert_eq!((&of_ride["rows_on_told_slot"], &of_ride["samples"]), (&(rows / 3).into(), &rows.into()));
    // Once said, it is known to the other slot.
    assert!(bench.read("rides.yaml").contains("unlogged_slot: power"));
    let power = run(&bench, &[]);
    assert_eq!(power["rides"][0]["rows_on_told_slot"], Value::from(rows / 3));
    assert_eq!(power["rides"][0]["kept"], logged["rides"][0]["kept"]);
    bench.on_bike(&["verify"]).exits(0);
    bench.on_bike(&["rides"]).exits(0).says("as_logged, first rows power");

    // Told wrongly, it is corrected; what the log tells is not.
    bench.on_bike(&["rides", "correct", "sim-1.csv", "--slot", "economy", "--why", "mistaken"]).exits(0);
    let again = run(&bench, &[]);
    assert_eq!(again["rides"][0]["unlogged_slot"], "economy");
    ride(&bench, "power", "2");
    run(&bench, &[]);
    let refused = ["rides", "correct", "sim-2.csv", "--slot", "economy", "--why", "mistaken"];
    bench.on_bike(&refused).exits(1).says("the log wins");
    bench.on_bike(&["verify"]).exits(0);
}

#[test]
fn a_slot_told_wrongly_is_corrected_and_the_ride_counts_once_as_what_it_was() {
    let bench = two_slots("shared");
    ride(&bench, "power", "1");
    bench.write("rides/r1/sim-1.csv", untold(&bench.read("rides/r1/sim-1.csv")));
    let right = bench.twin();
    let right = run(&right, &["--ridden-on", "power"]);
    let wrong = run(&bench, &["--ridden-on", "economy"]);
    assert_ne!(wrong["cells"], right["cells"]);
    bench.on_bike(&["run", "--ridden-on", "power"]).exits(0).says("rides correct r1/sim-1.csv --slot power");

    bench.on_bike(&["rides", "correct", "sim-1.csv", "--slot", "power"]).exits(2).says("--why");
    bench.on_bike(&["rides", "correct", "sim-1.csv", "--why", "x"]).exits(2);
    bench
        .on_bike(&["rides", "correct", "sim-1.csv", "--slot", "rain", "--why", "x"])
        .exits(1)
        .says("no slot");
    bench
        .on_bike(&["rides", "correct", "sim-1.csv", "--made-on", "r9", "--why", "x"])
        .exits(1)
        .says("no revision");
    let tables = bench.read("maps/power/fuel.csv");
    let correct = ["rides", "correct", "sim-1.csv", "--slot", "power", "--why", "the switch stood on power"];
    bench.on_bike(&correct).exits(0).says("made on slot power, not economy");
    assert_eq!(bench.read("maps/power/fuel.csv"), tables, "no table changes");
    bench.on_bike(&correct).exits(0).says("Nothing to do");
    bench.on_bike(&["history"]).exits(0).says("ride corrected");
    bench.on_bike(&["--json", "history"]).exits(0).says("the switch stood on power");
    bench.on_bike(&["rides"]).exits(0).says("corrected in r3");
    bench.on_bike(&["verify"]).exits(0);

    // It counts once, as what it was, on the table of today.
    let again = run(&bench, &[]);
    assert_eq!((files(&again), &again["rides"][0]["slot"]), (vec!["r1/sim-1.csv"], &"power".into()));
    // Today's table enters a little where the ride tells little.
    let asks_the_same = |report: &Value| {
        let cells = |report: &Value| report["cells"].as_array().expect("cells").clone();
        for (cell, wanted) in cells(report).iter().zip(cells(&right)) {
            match (cell["required"].as_f64(), wanted["required"].as_f64()) {
                (Some(asked), Some(wanted)) => assert!((asked / wanted - 1.0).abs() < 2e-3, "{cell:#}"),
                (asked, wanted) => assert_eq!(asked, wanted, "{cell:#}"),
            }
        }
    };
    asks_the_same(&again);
    let used = bench.read("rides.yaml");
    assert_eq!(used.matches("sha256").count(), 1, "{used}");
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
    bench.on_bike(&["verify"]).exits(0);

    // Back before the mistake the ride still counts, and makes what it should have made.
    bench.on_bike(&["rollback", "r1", "--slot", "power", "--why", "told the wrong slot"]).exits(0);
    bench.on_bike(&["rides", "take-back", "sim-1.csv"]).exits(0);
    let clean = run(&bench, &[]);
    asks_the_same(&clean);
    bench.on_bike(&["verify"]).exits(0);

    // A revision told wrongly is corrected likewise.
    bench.on_bike(&["rides", "correct", "sim-1.csv", "--made-on", "r2", "--why", "r2 was in it"]).exits(0);
    assert_eq!(run(&bench, &["--dry-run"])["rides"][0]["revision"], "r2");
    bench.on_bike(&["verify"]).exits(0);
}
