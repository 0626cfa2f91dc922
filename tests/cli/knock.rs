//! `rideloop knock`: logged knock retards the spark table, once, and nothing advances it.

use crate::bench::Bench;
use std::fmt::Write as _;

const SPARK: &str = "rpm/throttle_pct,0,50,100\n1000,10,9,8\n4000,32,30,28\n8000,34,32,30\n";

/// A minute at 20 Hz at 4000 1/min and full throttle, with so many knock events.
fn ride(events: usize) -> String {
    let mut text = String::from("time_s,rpm,throttle_pct,lambda,engine_temp_c,knock_count\n");
    for i in 0..1200 {
        let knocks = usize::from(i % 100 == 50 && i / 100 < events);
        let _ = writeln!(text, "{:.2},4000,100,0.87,88,{knocks}", i as f64 * 0.05);
    }
    text
}

/// The advance at 4000 1/min in the spark table's file, by load.
fn spark_row(bench: &Bench) -> Vec<f64> {
    let text = bench.read("maps/power/spark.csv");
    let row = text.lines().find(|line| line.starts_with("4000,")).expect("4000 1/min");
    row.split(',').skip(1).map(|cell| cell.parse().expect("a number")).collect()
}

#[test]
fn knock_retards_its_cells_once_and_never_advances() {
    let bench = Bench::with_bike();
    bench.on_bike(&["knock"]).exits(1).says("has no spark table");
    bench.write("../spark.csv", SPARK);
    let bring = ["import", "spark.csv", "--table", "spark", "--why", "as the controller has it"];
    bench.on_bike(&bring).exits(0);
    bench.on_bike(&["knock"]).exits(1).says("there is no ride yet");
    bench.write("rides/r2/hill.csv", ride(3));
    bench.write("rides/r2/silent.csv", ride(0));
    let before = bench.snapshot();
    let dry = bench.on_bike(&["knock", "--dry-run"]).exits(0).says("hill.csv: 3 events");
    let _ = dry.says("knock breaks pistons").says("26.5");
    assert_eq!(bench.snapshot(), before, "it only looks");
    let done = bench.on_bike(&["--json", "knock"]).exits(0).json();
    assert_eq!(done["change"]["revision"], "r3");
    assert_eq!(done["cells"].as_array().map(Vec::len), Some(1), "{done:#}");
    assert_eq!(done["cells"][0]["knocks_at_deg"], 28.0);
    assert_eq!(spark_row(&bench), [32.0, 30.0, 26.5]);
    bench.on_bike(&["history"]).exits(0).says("1 spark cell against knock: 3 events of");

    // The same rides say it once.
    bench.on_bike(&["knock"]).exits(0).says("answers the logged knock already").says("retarded since");
    // What knocks at less advance goes below that; one event alone is noise.
    bench.write("rides/r3/again.csv", ride(1));
    bench.on_bike(&["knock"]).exits(0).says("answers the logged knock already");
    bench.write("rides/r3/again.csv", ride(2));
    bench.on_bike(&["knock", "--retard-deg", "1"]).exits(0);
    assert_eq!(spark_row(&bench), [32.0, 30.0, 25.5]);
    bench.on_bike(&["verify"]).exits(0);
    bench.on_bike(&["cell", "4000", "100"]).exits(0).says("spark").says("lambda");

    // A locked cell stays, and is named.
    let lock = ["edit", "lock", "--rpm", "4000", "--load", "100", "--why", "dyno day"];
    bench.on_bike(&lock).exits(0);
    bench.write("rides/r5/later.csv", ride(5));
    bench.on_bike(&["knock"]).exits(0).says("locked: dyno day").says("locked cells knock and stay");
    assert_eq!(spark_row(&bench), [32.0, 30.0, 25.5]);
}

#[test]
fn numbers_that_cannot_be_are_refused() {
    let bench = Bench::with_bike();
    for retard in ["0", "-1", "NaN", "30", "much"] {
        bench.on_bike(&["knock", "--retard-deg", retard]).exits(2).says("--retard-deg");
    }
    bench.on_bike(&["knock", "--fewest-events", "0"]).exits(2).says("--fewest-events");
}
