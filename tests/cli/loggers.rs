//! Rides of another make: read through a logger of the bike folder, from the log to the replay.

use crate::bench::Bench;
use serde_json::Value;

const BOX: &str = "\
about: the box under the seat of the Fernhill
recognise: { files: '*.log' }
time: { title: Millis, as: milliseconds }
channels:
  rpm: { title: Engine speed }
  throttle_pct: { title: TPS raw, from: [0, 1000], to: [0, 100] }
  lambda: { title: AFR, unit: afr, stoich_afr: 14.1 }
  engine_temp_c: { title: Oil, unit: fahrenheit }
  air_temp_c: { title: Air }
  baro_kpa: { title: Baro, unit: mbar }
  gear: { title: Gear }
";

/// The simulator's log as the box under the seat would have written it, so many lambda values a
/// second as it has.
fn as_the_box_writes(log: &str) -> String {
    let rows: Vec<Vec<&str>> = log.lines().map(|line| line.split(',').collect()).collect();
    let of =
        |name: &str| rows[0].iter().position(|title| *title == name).unwrap_or_else(|| panic!("no {name}"));
    let number = |row: &[&str], name: &str| row[of(name)].parse::<f64>().ok();
    let shown = |value: Option<f64>, decimals: usize| {
        value.map(|v| format!("{v:.decimals$}").replace('.', ",")).unwrap_or_default()
    };
    let mut text = String::from(
        "Box 3\r\nserial;17\r\n\r\n\"Millis\";\"Engine speed [1/min]\";\"TPS raw\";\"AFR\";\"Oil (°F)\";\"Air (°C)\";\"Baro [hPa]\";\"Gear\";\r\n",
    );
    for row in &rows[1..] {
        let fields = [
            shown(number(row, "time_s").map(|t| t * 1000.0 + 86_000.0), 0),
            shown(number(row, "rpm"), 3),
            shown(number(row, "throttle_pct").map(|pct| pct * 10.0), 3),
            shown(number(row, "lambda").map(|lambda| lambda * 14.1), 4),
            shown(number(row, "engine_temp_c").map(|c| c * 1.8 + 32.0), 2),
            shown(number(row, "air_temp_c"), 2),
            shown(number(row, "baro_kpa").map(|kpa| kpa * 10.0), 2),
            shown(number(row, "gear"), 0),
        ];
        text.push_str(&fields.map(|field| format!("\"{field}\"")).join(";"));
        text.push_str(";\r\n");
    }
    text
}

/// A bike with one simulated ride, which only the box has logged, in Latin-1.
fn with_a_foreign_ride() -> Bench {
    let bench = Bench::with_bike();
    bench.simulate(1, 20);
    let native = bench.read("rides/r1/sim-1.csv");
    std::fs::remove_file(bench.bike.join("rides/r1/sim-1.csv")).expect("removed");
    let latin1: Vec<u8> = as_the_box_writes(&native).chars().map(|c| c as u8).collect();
    bench.write("loggers/box.yaml", BOX);
    bench.write("rides/r1/monday.log", latin1);
    bench
}

#[test]
fn a_foreign_ride_makes_a_revision_that_replays_with_the_logger_it_was_read_through() {
    let bench = with_a_foreign_ride();
    let check = bench.on_bike(&["--json", "check"]).exits(0).json();
    assert_eq!(check["rides"][0]["logger"]["name"], "box", "{check:#}");
    assert_eq!(check["rides"][0]["file"], "r1/monday.log");
    bench.on_bike(&["check"]).exits(0).says("read through loggers/box.yaml");
    let run = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(run["revision"], "r2", "{run:#}");
    let logger = &run["rides"][0]["logger"];
    assert_eq!(logger["name"], "box");
    assert_eq!(logger["sha256"].as_str().map(str::len), Some(64));
    assert!(run["cells_changed"].as_u64() > Some(5), "{}", run["cells_changed"]);
    assert_eq!(bench.git(&["show", "r2:loggers/box.yaml"]).exits(0).out, BOX);
    bench.on_bike(&["verify"]).exits(0).says("all fit together");
    // Another mapping is another setting: later revisions take it along, r2 keeps its own.
    bench.write("loggers/box.yaml", BOX.replace("14.1", "13.2").replace("*.log", "*.txt"));
    let edit = ["edit", "scale", "+1", "--rpm", "1000:2000", "--why", "idles rough"];
    bench.on_bike(&edit).exits(0).says("also taken along: loggers/box.yaml");
    bench.on_bike(&["verify"]).exits(0).says("all fit together");
}

#[test]
fn evidence_of_a_foreign_ride_serves_in_its_place_until_a_logger_changes() {
    let by_log = with_a_foreign_ride();
    let by_evidence = by_log.twin();
    by_evidence.on_bike(&["evidence", "collect", "--out", "monday.parquet"]).exits(0);
    // Elsewhere the same log has another name.
    let rides = by_evidence.bike.join("rides/r1");
    std::fs::rename(rides.join("monday.log"), rides.join("first.log")).expect("renamed");
    by_evidence.on_bike(&["evidence", "collect", "--out", "first.parquet"]).exits(0);
    std::fs::remove_file(rides.join("first.log")).expect("removed");
    by_evidence
        .rideloop(&["evidence", "merge", "monday.parquet", "first.parquet", "--out", "both.parquet"])
        .exits(0);
    by_evidence.on_bike(&["run", "--dry-run", "--evidence", "both.parquet"]).exits(0).says("r1/first.log");
    let run = ["run", "--evidence", "monday.parquet"];
    by_evidence.write("loggers/box.yaml", BOX.replace("14.1", "13.2"));
    by_evidence.on_bike(&run).exits(3).says("other_evidence").says("loggers/box.yaml");
    by_evidence.write("loggers/box.yaml", BOX);
    by_evidence.on_bike(&run).exits(0);
    by_log.on_bike(&["run"]).exits(0);
    let head = |bench: &Bench| bench.git(&["rev-parse", "HEAD", "HEAD^{tree}"]).exits(0).out;
    assert_eq!(head(&by_evidence), head(&by_log));
}

#[test]
fn the_same_ride_gives_the_same_cells_through_a_logger_as_without() {
    let bench = with_a_foreign_ride();
    let twin = Bench::with_bike();
    twin.simulate(1, 20);
    let cells = |bench: &Bench| -> Vec<Value> {
        let run = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
        run["cells"].as_array().expect("cells").iter().map(|cell| cell["required"].clone()).collect()
    };
    let (through, native) = (cells(&bench), cells(&twin));
    let pairs = through.iter().zip(&native).filter_map(|(a, b)| Some((a.as_f64()?, b.as_f64()?)));
    let mut apart: Vec<f64> = pairs.map(|(a, b)| (a / b - 1.0).abs()).collect();
    apart.sort_by(f64::total_cmp);
    // Rounding to whole milliseconds shifts a few samples over a limit of a stage, which shows in
    // cells that were hardly ridden; most cells come out alike.
    assert!(apart.len() > 20, "{apart:?}");
    assert!(apart[apart.len() / 2] < 1e-3 && apart[apart.len() - 1] < 0.05, "{apart:?}");
}

#[test]
fn a_broken_logger_and_a_log_that_none_fits_are_told_with_their_places() {
    let bench = with_a_foreign_ride();
    let edit = ["edit", "scale", "+1", "--rpm", "1000:2000", "--why", "idles rough"];
    bench.on_bike(&edit).exits(0);
    bench.write("loggers/box.yaml", BOX.replace("unit: mbar", "unit: celsius"));
    let check = bench.on_bike(&["--json", "check"]).exits(1).json();
    let problem = &check["problems"][0];
    assert_eq!((&problem["path"], &problem["line"]), (&"loggers/box.yaml".into(), &10.into()), "{problem}");
    let trouble = check["rides"][0]["trouble"].as_str().expect("trouble");
    assert!(trouble.contains("meant for a broken logger: loggers/box.yaml:10:"), "{trouble}");
    // Whatever makes a revision, or reads rides for one, refuses; what only looks back goes on.
    for writes in [&["run"][..], &["run", "--dry-run"], &edit, &["evidence", "collect", "--out", "e.parquet"]]
    {
        bench.on_bike(writes).exits(1).says("loggers/box.yaml:10:").says("`baro_kpa` cannot be in `celsius`");
    }
    for looks in [&["history"][..], &["show"], &["diff"], &["stages"], &["rides"], &["season"], &["gaps"]] {
        bench.on_bike(looks).exits(0);
    }
    bench.on_bike(&[]).exits(0).says("loggers/box.yaml:10:").says("`baro_kpa` cannot be in `celsius`");
    bench.on_bike(&["logger", "guess", "bike/rides/r1/monday.log", "--say", "lambda=afr:14.1"]);
    bench.write("loggers/box.yaml", BOX.replace("Millis", "Uptime"));
    bench.on_bike(&["check"]).exits(1).says("no logger in loggers/ fits its titles").says("logger guess");
    bench.write("loggers/box.yaml", BOX.replace(", unit: fahrenheit", ""));
    let check = bench.on_bike(&["--json", "check"]).exits(1).json();
    let trouble = check["rides"][0]["trouble"].as_str().expect("trouble");
    assert!(trouble.contains("is in °F, but `engine_temp_c` is mapped as celsius"), "{trouble}");
}
