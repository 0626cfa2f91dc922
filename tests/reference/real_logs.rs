//! Open logs of real cars through reading, filters and corrections, against pandas.
//!
//! `real_logs.py` does the same from the raw files, by the documented rules, in its own way. Here
//! the raw columns are given our channels' names, since foreign logs cannot be read yet; the rows
//! are left as they were found, faults included.
//!
//! The logs are no part of the repository, but for an excerpt in `real_log/`, which always runs.
//! The others are looked for, by SHA-256, in the folder that `RIDELOOP_REAL_LOGS` names, else in
//! `../shared/data`; what is not there is skipped, and said so. None has a wideband sensor and a
//! map: they check reading and arithmetic, never the truth of a map.

use crate::compare::{assert_close, read};
use rideloop::bike::{Bike, SlotTables};
use rideloop::evidence::{Averaging, CellSums, RideSamples, Sample, accumulate, weighted_median};
use rideloop::pipeline::{FunnelStep, Plan, RideContext, Rows, run_ride};
use rideloop::ride::{Channel, Ride, hash};
use rideloop::table::{Axis, Grid, LoadAxis, Resolution, Table};
use serde::Deserialize;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Relative. Sums of up to 17 000 numbers, added in another order.
const SUMMED: f64 = 1e-12;
/// Of the squared error, relative to itself and to the squared mean. The crate takes squared scores
/// from sums, which cancels digits (see `averages.rs`): all of them where a cell's samples are equal.
const CANCELLATION: f64 = 1e-9;
const LAST_DIGITS: f64 = 1e-14;

#[derive(Deserialize)]
struct Reference {
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    name: String,
    /// Of the raw log; without it the case is the excerpt.
    sha256: Option<String>,
    how: Layout,
    rpm: Vec<f64>,
    map_kpa: Vec<f64>,
    fuel: Vec<f64>,
    wanted: Vec<f64>,
    stages: Map<String, Value>,
    channels: BTreeMap<String, Found>,
    interval_s: f64,
    steps: Vec<Step>,
    kept_rows_sha256: String,
    median_correction: Option<f64>,
    cells: Vec<Cell>,
}

/// How a raw log is laid out, and what becomes of it.
#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Layout {
    /// Wide, with trims and without lambda.
    Trims,
    /// Wide, with the time of day.
    Drive,
    /// One value a row; each channel holds its last one.
    Held,
    /// One value a row, left so.
    Sparse,
}

#[derive(Deserialize)]
struct Found {
    present: usize,
    mean: f64,
}

#[derive(Deserialize)]
struct Step {
    stage: String,
    samples: usize,
    kept: usize,
    rejected: BTreeMap<String, usize>,
}

#[derive(Deserialize)]
struct Cell {
    cell: usize,
    seconds: f64,
    mean: f64,
    effective_samples: f64,
    dwells: u64,
    std_error_by_dwell: Option<f64>,
}

fn reference() -> Reference {
    read(include_str!("real_logs.json"))
}

// ------------------------------------------------------------------ raw log → our channels

/// Short and long term trim multiply; our channel holds what both add, %.
fn trim_pct(short_pct: &str, long_pct: &str) -> f64 {
    let factor = |text: &str| 1.0 + text.trim().parse::<f64>().expect("a trim in percent") / 100.0;
    (factor(short_pct) * factor(long_pct) - 1.0) * 100.0
}

/// The raw rows behind two new columns, under our titles. The log has no lambda: in closed loop
/// the controller holds the wanted one, so 1 stands for it and the trim alone is the correction.
fn trims(text: &str) -> String {
    const TITLES: [(&str, &str); 8] = [
        ("ENGINE_RUN_TINE ()", "time_s"),
        ("ENGINE_RPM ()", "rpm"),
        ("THROTTLE ()", "throttle_pct"),
        ("COOLANT_TEMPERATURE ()", "engine_temp_c"),
        ("INTAKE_MANIFOLD_PRESSURE ()", "map_kpa"),
        ("ABSOLUTE_BAROMETRIC_PRESSURE ()", "baro_kpa"),
        ("INTAKE_AIR_TEMP ()", "air_temp_c"),
        ("CONTROL_MODULE_VOLTAGE ()", "battery_v"),
    ];
    let (head, rows) = text.split_once('\n').expect("a header row");
    let raw: Vec<&str> = head.trim().split(',').collect();
    let at = |title: &str| raw.iter().position(|t| *t == title).expect("the trim's title");
    let (short, long) = (at("SHORT_TERM_FUEL_TRIM_BANK_1 ()"), at("LONG_TERM_FUEL_TRIM_BANK_1 ()"));
    let ours = |title: &str| TITLES.iter().find(|(t, _)| *t == title).map_or("unused", |(_, ours)| *ours);
    // In one log the last three titles have no values.
    let fields = rows.lines().next().map_or(0, |row| row.split(',').count()).min(raw.len());
    let titles: Vec<&str> = raw[..fields].iter().map(|title| ours(title)).collect();
    let mut csv = format!("lambda,trim_pct,{}\n", titles.join(","));
    for row in rows.lines().filter(|row| !row.trim().is_empty()) {
        let fields: Vec<&str> = row.split(',').collect();
        csv += &format!("1,{},{row}\n", trim_pct(fields[short], fields[long]));
    }
    csv
}

/// The raw rows behind a clock that starts at zero, under our titles.
fn drive(text: &str) -> String {
    const TITLES: [(&str, &str); 6] = [
        ("Engine Coolant Temperature", "engine_temp_c"),
        ("Intake Manifold Absolute Pressure", "map_kpa"),
        ("Engine RPM", "rpm"),
        ("Vehicle Speed Sensor", "speed_kph"),
        ("Intake Air Temperature", "air_temp_c"),
        ("Absolute Throttle Position", "throttle_pct"),
    ];
    let (head, rows) = text.split_once('\n').expect("a header row");
    let ours = |title: &str| {
        TITLES.iter().find(|(start, _)| title.starts_with(start)).map_or("unused", |(_, ours)| *ours)
    };
    let titles: Vec<&str> = head.split(',').map(ours).collect();
    let millis = |row: &str| {
        let clock: Vec<i64> = row[..12].split([':', '.']).map(|n| n.parse().expect("h:m:s.ms")).collect();
        ((clock[0] * 60 + clock[1]) * 60 + clock[2]) * 1000 + clock[3]
    };
    let start = millis(rows);
    let mut csv = format!("time_s,lambda,{}\n", titles.join(","));
    for row in rows.lines() {
        let since = millis(row) - start;
        csv += &format!("{}.{:03},1,{row}\n", since / 1000, since % 1000);
    }
    csv
}

/// Signals of the logs with one value a row.
const SIGNALS: [(&str, &str); 6] = [
    ("rpm", "rpm"),
    ("map", "map_kpa"),
    ("ect", "engine_temp_c"),
    ("tps", "throttle_pct"),
    ("lambda_wb", "lambda"),
    ("lambda_cmd", "lambda_target"),
];

fn records(text: &str) -> impl Iterator<Item = (&str, &str, &str)> {
    text.lines().skip(1).map(|line| {
        let fields: Vec<&str> = line.split(',').collect();
        (fields[0], fields[1], fields[2])
    })
}

fn held(text: &str) -> String {
    let titles: Vec<&str> = SIGNALS.iter().map(|(_, ours)| *ours).collect();
    let mut csv = format!("time_s,trim_pct,{}\n", titles.join(","));
    let mut last: BTreeMap<&str, &str> = BTreeMap::new();
    let trims = ["stft1", "ltft1"];
    for (time, signal, value) in records(text) {
        if !trims.contains(&signal) && SIGNALS.iter().all(|(raw, _)| *raw != signal) {
            continue;
        }
        last.insert(signal, value);
        if last.len() == SIGNALS.len() + trims.len() {
            let values: Vec<&str> = SIGNALS.iter().map(|(raw, _)| last[raw]).collect();
            let trim = trim_pct(last["stft1"], last["ltft1"]);
            csv += &format!("{time},{trim},{}\n", values.join(","));
        }
    }
    csv
}

fn sparse(text: &str) -> String {
    let titles: Vec<&str> = SIGNALS[..4].iter().map(|(_, ours)| *ours).collect();
    let mut csv = format!("time_s,lambda,{}\n", titles.join(","));
    for (time, signal, value) in records(text) {
        let Some(at) = SIGNALS[..4].iter().position(|(raw, _)| *raw == signal) else { continue };
        let mut values = [""; 4];
        values[at] = value;
        csv += &format!("{time},1,{}\n", values.join(","));
    }
    csv
}

// ------------------------------------------------------------------------------ the car

/// A car of no make, with a sensor that shows the gas at once: no log here tells a delay.
fn car(closed_loop: bool) -> Bike {
    let mode = if closed_loop { "trim_logged" } else { "none" };
    let text = format!(
        "name: a car with an OBD log
engine: {{ displacement_cc: 1500, cylinders: 4, strokes: 4, rev_limit_rpm: 6000 }}
fuel: {{ name: E10 }}
controller: {{ fuel_table: ve_pct, load: map_kpa, mixture: controller, density: controller, resolution: 0.1 }}
closed_loop: {{ mode: {mode} }}
lambda_sensor: {{ delay: {{ cycles: 0, transport_ml: 0, lag_s: 0 }} }}
slots: [main]
"
    );
    Bike::parse(Path::new("bike.yaml"), &text).expect("a bike")
}

fn tables(case: &Case) -> SlotTables {
    let axis = |breakpoints: &[f64]| Axis::new(breakpoints.to_vec()).expect("ascending");
    let grid = Grid { rpm: axis(&case.rpm), load: axis(&case.map_kpa) };
    let table = |step: f64, values: &[f64]| Table {
        grid: grid.clone(),
        load_axis: LoadAxis::MapKpa,
        resolution: Resolution::new(step).expect("a step"),
        values: values.to_vec(),
    };
    SlotTables {
        fuel: table(0.1, &case.fuel),
        mixture: table(0.01, &case.wanted),
        spark: None,
        locks: Vec::new(),
    }
}

fn plan(case: &Case) -> Plan {
    let stages: String =
        case.stages.iter().map(|(name, settings)| format!("  - {name}: {settings}\n")).collect();
    let text = format!("stages:\n{stages}  - blend: {{}}\n");
    Plan::parse("car", Path::new("car.yaml"), &text).expect("a pipeline")
}

// ---------------------------------------------------------------------------- the checks

fn assert_read_alike(case: &Case, ride: &Ride) {
    assert_eq!(ride.reading.unparsable_total(), 0, "{}", case.name);
    assert_close(&format!("{}: interval", case.name), ride.sample_interval_s(), case.interval_s, SUMMED);
    for (title, want) in &case.channels {
        let what = format!("{}: {title}", case.name);
        let values = ride.values(Channel::from_title(title).expect("a channel")).expect(&what);
        let there: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
        assert_eq!(there.len(), want.present, "{what}");
        // A trim's mean lies near zero: it is as exact as the values that cancel in it.
        let largest = there.iter().fold(0.0f64, |most, v| most.max(v.abs()));
        let mean = there.iter().sum::<f64>() / there.len() as f64;
        assert!((mean - want.mean).abs() <= SUMMED * largest, "{what}: mean {mean}, want {}", want.mean);
    }
}

/// The door and the stages drop the same rows for the same reasons.
fn assert_dropped_alike(case: &Case, steps: &[FunnelStep]) {
    // Our own step for the slot, which no log here names.
    let steps: Vec<&FunnelStep> = steps.iter().filter(|s| s.stage != "slot").collect();
    assert_eq!(steps.len(), case.steps.len(), "{}", case.name);
    for (got, want) in steps.into_iter().zip(&case.steps) {
        let what = format!("{}: {}", case.name, want.stage);
        assert_eq!(got.stage, want.stage, "{what}");
        assert_eq!(got.rejected, want.rejected, "{what}");
        assert_eq!((got.samples, got.kept), (want.samples, want.kept), "{what}");
    }
}

/// What each kept row asks for, by the contract's sum, and which rows are kept.
fn kept_samples(rows: &Rows<'_>, mixture: &Table) -> (Vec<Sample>, String) {
    const TARGET_LASTS_S: f64 = 1.0;
    const TARGET_AGREES: f64 = 0.04;
    let target = rows.held(Channel::LambdaTarget, TARGET_LASTS_S);
    let mut samples = Vec::new();
    let mut kept = String::new();
    for i in 0..rows.len() {
        let (time_s, rpm, load) = (rows.time_s()[i], rows.rpm()[i], rows.load()[i]);
        let table = mixture.at(rpm, load);
        let wanted = target.as_ref().map_or(table, |target| target[i]);
        let factor = (1.0 + rows.trim_pct(i) / 100.0) * rows.lambda()[i] / wanted;
        let keep = rows.is_kept(i) && factor.is_finite() && (wanted / table - 1.0).abs() <= TARGET_AGREES;
        kept.push(if keep { '1' } else { '0' });
        if keep {
            samples.push(Sample { time_s, rpm, load, factor, certainty: 1.0 });
        }
    }
    (samples, kept)
}

fn assert_cells_alike(case: &Case, sums: &[CellSums]) {
    let near: Vec<usize> = (0..sums.len()).filter(|cell| sums[*cell].w > 0.0).collect();
    assert_eq!(near, case.cells.iter().map(|c| c.cell).collect::<Vec<_>>(), "{}", case.name);
    for want in &case.cells {
        let what = |of: &str| format!("{}, cell {}: {of}", case.name, want.cell);
        let got = &sums[want.cell];
        assert_close(&what("seconds"), got.w, want.seconds, SUMMED);
        assert_close(&what("mean"), got.mean().expect("weight"), want.mean, SUMMED);
        assert_close(&what("samples"), got.effective_samples(), want.effective_samples, SUMMED);
        assert_eq!(got.dwells, want.dwells, "{}", what("dwells"));
        let mean = want.mean;
        match (got.std_error_by_dwell(), want.std_error_by_dwell) {
            (Some(got), Some(want)) => {
                let off = (got * got - want * want).abs();
                let allowed = CANCELLATION * want * want + LAST_DIGITS * mean * mean;
                assert!(off <= allowed, "{}: got {got}, want {want}", what("error"));
            }
            (got, want) => assert_eq!(got, want, "{}", what("error")),
        }
    }
}

fn assert_agrees(case: &Case, raw: &str) {
    let csv = match case.how {
        Layout::Trims => trims(raw),
        Layout::Drive => drive(raw),
        Layout::Held => held(raw),
        Layout::Sparse => sparse(raw),
    };
    let ride =
        Ride::read(Path::new("car.csv"), csv.as_bytes(), &rideloop::ride::Loggers::none()).expect("a ride");
    assert_read_alike(case, &ride);
    let bike = car(case.stages.contains_key("closed_loop"));
    let (plan, tables) = (plan(case), tables(case));
    let context = RideContext { bike: &bike, ridden: &tables, today: &tables, slot: "main" };
    let outcome = run_ride(&plan, &ride, &context).expect("all channels");
    assert_dropped_alike(case, &outcome.funnel.steps);

    let mut rows = Rows::new(&ride, LoadAxis::MapKpa).expect("a load");
    for stage in &plan.filters {
        stage.filter.apply(&mut rows, &context);
    }
    let (samples, kept) = kept_samples(&rows, &tables.mixture);
    assert_eq!(hash(kept.as_bytes()), case.kept_rows_sha256, "{}: which rows are kept", case.name);
    let mut corrections: Vec<(f64, f64)> = samples.iter().map(|s| (s.factor, 1.0)).collect();
    match (weighted_median(&mut corrections), case.median_correction) {
        (Some(got), Some(want)) => assert_close(&format!("{}: median", case.name), got, want, 1e-14),
        (got, want) => assert_eq!(got, want, "{}", case.name),
    }
    // The samples above are the run's own: they make its sums, to the last bit.
    let ridden_amounts = case.fuel.clone();
    let interval_s = ride.sample_interval_s();
    let averaging: Averaging = plan.estimator.averaging();
    let ride_samples = RideSamples { samples, interval_s, memory_s: 0.0, ridden_amounts };
    assert_eq!(accumulate(&ride_samples, &tables.fuel.grid, &averaging), outcome.sums, "{}", case.name);
    assert_cells_alike(case, &outcome.sums);
}

// ------------------------------------------------------------------------------- the logs

/// The folder with the raw logs, and whether somebody asked for it.
fn folder() -> (PathBuf, bool) {
    match std::env::var_os("RIDELOOP_REAL_LOGS") {
        Some(named) => (PathBuf::from(named), true),
        None => (Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data"), false),
    }
}

/// The texts of all CSV files in a folder, by SHA-256.
fn logs_in(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut logs = BTreeMap::new();
    for path in std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()) {
        if path.is_dir() {
            logs.append(&mut logs_in(&path));
        } else if path.extension().is_some_and(|e| e == "csv") {
            let bytes = std::fs::read(&path).expect("a readable log");
            logs.insert(hash(&bytes), bytes);
        }
    }
    logs
}

/// Source: `real_logs.py`. Counts must be equal; sums differ by the order of adding.
#[test]
fn the_excerpt_of_a_real_log_agrees_with_pandas() {
    let cases = reference().cases;
    let excerpt = cases.iter().find(|case| case.sha256.is_none()).expect("the excerpt's case");
    assert_agrees(excerpt, include_str!("real_log/petrol_turbo.csv"));
}

/// As above, for whole logs where they are.
#[test]
fn real_logs_agree_with_pandas() {
    let (folder, asked_for) = folder();
    let logs = logs_in(&folder);
    for case in &reference().cases {
        let Some(sha256) = &case.sha256 else { continue };
        match logs.get(sha256) {
            Some(bytes) => assert_agrees(case, &String::from_utf8_lossy(bytes)),
            None => {
                let said = format!("{}: the log {sha256} is not in {}", case.name, folder.display());
                assert!(!asked_for, "{said}");
                eprintln!("skipped: {said}");
            }
        }
    }
}
