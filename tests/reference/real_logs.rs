//! Open logs of real cars through reading, filters and corrections, against pandas.
//!
//! `real_logs.py` does the same from the raw files, by the documented rules, in its own way. Each log
//! is read as it was found, faults included, through a logger of `real_log/loggers`, and every value
//! of every channel must be the one that pandas reads.
//!
//! The logs are no part of the repository, but for an excerpt in `real_log/`, which always runs.
//! The others are looked for, by SHA-256, in the folder that `RIDELOOP_REAL_LOGS` names, else in
//! `../shared/data`; what is not there is skipped, and said so. None has a wideband sensor and a
//! map: they check reading and arithmetic, never the truth of a map.

use crate::compare::{assert_close, read};
use rideloop::bike::{Bike, FileSource, SlotTables};
use rideloop::evidence::{Averaging, CellSums, RideSamples, Sample, accumulate, weighted_median};
use rideloop::pipeline::{FunnelStep, Plan, RideContext, Rows, run_ride};
use rideloop::problem::Problem;
use rideloop::ride::{Channel, Loggers, Ride, RideError, hash};
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
    readings: Vec<Reading>,
    cases: Vec<Case>,
}

/// What a log holds, read through a logger.
#[derive(Deserialize)]
struct Reading {
    name: String,
    /// Of the raw log; without it, it is the excerpt.
    sha256: Option<String>,
    logger: String,
    rows: usize,
    dropped: BTreeMap<String, usize>,
    channels: BTreeMap<String, Found>,
}

/// A channel: all its values at once, and in words for a person who looks for the difference.
#[derive(Deserialize)]
struct Found {
    sha256: String,
    present: usize,
    mean: f64,
}

/// A log with what becomes of it.
#[derive(Deserialize)]
struct Case {
    name: String,
    sha256: Option<String>,
    logger: String,
    rpm: Vec<f64>,
    map_kpa: Vec<f64>,
    fuel: Vec<f64>,
    wanted: Vec<f64>,
    stages: Map<String, Value>,
    interval_s: f64,
    steps: Vec<Step>,
    kept_rows_sha256: String,
    median_correction: Option<f64>,
    cells: Vec<Cell>,
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

/// A bike folder with one logger.
struct One<'a>(&'a str);

impl FileSource for One<'_> {
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/real_log");
        Ok(Some(std::fs::read(folder.join(path)).expect("a logger")))
    }

    fn list(&self, folder: &str) -> Result<Vec<String>, Problem> {
        Ok(vec![format!("{folder}/{}.yaml", self.0)])
    }
}

fn read_through(logger: &str, file: &str, bytes: &[u8]) -> Result<Ride, RideError> {
    Ride::read(Path::new(file), bytes, &Loggers::read(&One(logger)).expect("a logger without mistakes"))
}

/// What the filters get, as a log of our own. A log without lambda gets 1 throughout: in closed loop
/// the controller holds the wanted one, so that the trim alone is the correction. A log with it is
/// taken from where all its channels are known.
fn with_lambda(ride: &Ride) -> Ride {
    let channels = Channel::ALL.iter().filter_map(|(channel, name)| Some((*name, ride.values(*channel)?)));
    let channels: Vec<(&str, &[f64])> = channels.collect();
    let has_lambda = ride.has(Channel::Lambda);
    let mut titles: Vec<&str> = channels.iter().map(|(name, _)| *name).collect();
    if !has_lambda {
        titles.push("lambda");
    }
    let mut csv = titles.join(",") + "\n";
    for i in 0..ride.samples() {
        let row = || channels.iter().map(|(_, values)| values[i]);
        if has_lambda && row().any(f64::is_nan) {
            continue;
        }
        let shown = |value: f64| if value.is_nan() { String::new() } else { value.to_string() };
        let mut fields: Vec<String> = row().map(shown).collect();
        if !has_lambda {
            fields.push("1".to_owned());
        }
        csv += &(fields.join(",") + "\n");
    }
    Ride::read(Path::new("car.csv"), csv.as_bytes(), &Loggers::none()).expect("a log of our own")
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

/// Every value is the same double, but for the kinds of NaN and of zero.
fn digest(values: &[f64]) -> String {
    let bytes = values.iter().flat_map(|v| if v.is_nan() { f64::NAN } else { v + 0.0 }.to_le_bytes());
    hash(&bytes.collect::<Vec<u8>>())
}

fn assert_read_alike(want: &Reading, ride: &Ride) {
    let name = &want.name;
    assert_eq!(ride.logger.as_ref().map(|logger| &logger.name), Some(&want.logger), "{name}");
    assert_eq!(ride.reading.unparsable_total(), 0, "{name}");
    let dropped = ride.reading.dropped.iter().map(|(reason, n)| ((*reason).to_owned(), *n));
    assert_eq!((ride.reading.rows, dropped.collect()), (want.rows, want.dropped.clone()), "{name}");
    for (channel, title) in Channel::ALL {
        let what = format!("{name}: {title}");
        let (values, want) = match (ride.values(channel), want.channels.get(title)) {
            (Some(values), Some(want)) => (values, want),
            (got, want) => {
                assert!(got.is_none() && want.is_none(), "{what}: read {}", got.is_some());
                continue;
            }
        };
        let there: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
        assert_eq!(there.len(), want.present, "{what}");
        // A trim's mean lies near zero: it is as exact as the values that cancel in it.
        let largest = there.iter().fold(0.0f64, |most, v| most.max(v.abs()));
        let mean = there.iter().sum::<f64>() / there.len() as f64;
        assert!((mean - want.mean).abs() <= SUMMED * largest, "{what}: mean {mean}, want {}", want.mean);
        assert_eq!(digest(values), want.sha256, "{what}: a value differs");
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

fn assert_agrees(case: &Case, raw: &[u8]) {
    let ride = with_lambda(&read_through(&case.logger, "car.csv", raw).expect("a ride"));
    assert_close(&format!("{}: interval", case.name), ride.sample_interval_s(), case.interval_s, SUMMED);
    let bike = car(case.stages.contains_key("closed_loop"));
    let (plan, tables) = (plan(case), tables(case));
    let context = RideContext::of_one_slot(&bike, &tables, "main");
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

/// All logs in a folder, by SHA-256.
fn logs_in(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut logs = BTreeMap::new();
    for path in std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()) {
        if path.is_dir() {
            logs.append(&mut logs_in(&path));
        } else if path.extension().is_some_and(|e| e == "csv" || e == "MF4") {
            let bytes = std::fs::read(&path).expect("a readable log");
            logs.insert(hash(&bytes), bytes);
        }
    }
    logs
}

const EXCERPT: &[u8] = include_bytes!("real_log/petrol_turbo.csv");

/// Hands each log of a list to a check, where it is there.
fn for_each_log(sha256s: &[(&str, &Option<String>)], check: &dyn Fn(usize, &[u8])) {
    let (folder, asked_for) = folder();
    let logs = logs_in(&folder);
    for (i, (name, sha256)) in sha256s.iter().enumerate() {
        let Some(sha256) = sha256 else { continue };
        match logs.get(sha256) {
            Some(bytes) => check(i, bytes),
            None => {
                let said = format!("{name}: the log {sha256} is not in {}", folder.display());
                assert!(!asked_for, "{said}");
                eprintln!("skipped: {said}");
            }
        }
    }
}

/// Source: `real_logs.py`. Values and counts must be equal; sums differ by the order of adding.
#[test]
fn the_excerpt_of_a_real_log_agrees_with_pandas() {
    let Reference { readings, cases } = reference();
    let reading = readings.iter().find(|reading| reading.sha256.is_none()).expect("the excerpt's reading");
    assert_read_alike(reading, &read_through(&reading.logger, "car.csv", EXCERPT).expect("a ride"));
    assert_agrees(cases.iter().find(|case| case.sha256.is_none()).expect("the excerpt's case"), EXCERPT);
}

/// As above, for whole logs where they are.
#[test]
fn real_logs_are_read_as_pandas_reads_them() {
    let readings = reference().readings;
    let known: Vec<_> = readings.iter().map(|reading| (reading.name.as_str(), &reading.sha256)).collect();
    for_each_log(&known, &|i, bytes| {
        let ride = read_through(&readings[i].logger, "car.csv", bytes);
        assert_read_alike(
            &readings[i],
            &ride.unwrap_or_else(|error| panic!("{}: {error}", readings[i].name)),
        );
    });
}

/// As above, for what becomes of them.
#[test]
fn real_logs_agree_with_pandas() {
    let cases = reference().cases;
    let known: Vec<_> = cases.iter().map(|case| (case.name.as_str(), &case.sha256)).collect();
    for_each_log(&known, &|i, bytes| assert_agrees(&cases[i], bytes));
}

/// A log of twelve rows, none of which holds a channel.
#[test]
fn a_real_log_without_a_single_channel_is_refused() {
    let sha256 = Some("2931b88867f992d2c74bb64eef9b9b6ab18fe3f372d69add0ce42bf84723d6c5".to_owned());
    for_each_log(&[("diesel car by phone, twelve rows", &sha256)], &|_, bytes| {
        let said = read_through("phone", "car.csv", bytes).map(|_| ()).expect_err("refused").to_string();
        assert!(said.contains("no logger in loggers/ fits its titles"), "{said}");
    });
}

/// The raw frames of a car's bus, read through a logger, against their decoding by another program
/// (`*.decoded_long.csv` beside them), which real_logs.py reads too.
#[test]
fn frames_of_a_real_bus_are_read_as_they_were_decoded_elsewhere() {
    // Times and values there are rounded to four decimals; a time is a difference of two. A trim is
    // made of two values, neither of which is half as large as 100 %.
    const ROUNDED: f64 = 0.5e-4 + 1e-9;
    const TIME_ROUNDED: f64 = 2.0 * ROUNDED;
    const TRIM_ROUNDED: f64 = 3.0 * ROUNDED;
    let (folder, _) = folder();
    let logs = logs_in(&folder);
    for (name, frames, decoded, how) in [
        (
            "petrol turbo car, cold start",
            "b0f49250a15c1aa597b2469689959615787f1e324e4a6c9fed7e2705de5f71c0",
            "4fb1dde31010dd5366ae6c2a24b9ca20410bca29042b7830fb710682b149a7f5",
            "sparse",
        ),
        (
            "petrol turbo car with lambda",
            "784d18909dc813e494927e1baae102b0089e546670a779dbf3bff6e7b91bd023",
            "0248291775eae692f56f406d725b0228ef5645dfb2857f6e556bc3fd5c250d53",
            "held",
        ),
    ] {
        let frames_log = Some(frames.to_owned());
        for_each_log(&[(name, &frames_log)], &|_, bytes| {
            let Some(decoded) = logs.get(decoded) else {
                eprintln!("skipped: {name}: its decoding is not in {}", folder.display());
                return;
            };
            let frames = read_through(&format!("frames_{how}"), "car.mf4", bytes).expect("a ride");
            let decoded = read_through(&format!("bus_{how}"), "car.csv", decoded).expect("a ride");
            assert_eq!(frames.samples(), decoded.samples(), "{name}");
            for (channel, title) in Channel::ALL {
                let (Some(ours), Some(theirs)) = (frames.values(channel), decoded.values(channel)) else {
                    assert!(
                        frames.values(channel).is_none() && decoded.values(channel).is_none(),
                        "{name}: {title}"
                    );
                    continue;
                };
                let (begin, tolerance) = match channel {
                    // Each log counts from its own first row.
                    Channel::TimeS => (theirs[0] - ours[0], TIME_ROUNDED),
                    Channel::TrimPct => (0.0, TRIM_ROUNDED),
                    _ => (0.0, ROUNDED),
                };
                for (i, (ours, theirs)) in ours.iter().zip(theirs).enumerate() {
                    let same =
                        (ours + begin - theirs).abs() <= tolerance || (ours.is_nan() && theirs.is_nan());
                    assert!(same, "{name}: {title}, row {i}: {ours}, decoded elsewhere {theirs}");
                }
            }
        });
    }
}
