//! `demo`: the whole loop on the demo bike, with the truth beside it.

use super::error::OperationError;
use super::open::OpenBike;
use super::run::{Progress, RunRequest, run};
use super::run_report::RunReport;
use super::simulate::{SimulateRequest, Style, ride, simulate, virtual_bike};
use super::start::new_from_files;
use crate::bike::SlotTables;
use crate::blend::Blending;
use crate::ledger::Moment;
use crate::pipeline::DEFAULT_PIPELINE;
use crate::virtual_bike::VirtualBike;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// How often the demo goes round.
pub const DEMO_ROUNDS: u64 = 4;

/// The demo bike's files, as they lie in `demo-bike/`.
const FILES: [(&str, &str); 6] = [
    ("bike.yaml", include_str!("../../demo-bike/bike.yaml")),
    ("builds.yaml", include_str!("../../demo-bike/builds.yaml")),
    ("maps/power/fuel.csv", include_str!("../../demo-bike/maps/power/fuel.csv")),
    ("maps/power/mixture.csv", include_str!("../../demo-bike/maps/power/mixture.csv")),
    ("maps/economy/fuel.csv", include_str!("../../demo-bike/maps/economy/fuel.csv")),
    ("maps/economy/mixture.csv", include_str!("../../demo-bike/maps/economy/mixture.csv")),
];

/// Who makes the demo's revisions, so that it runs on a machine where git knows nobody.
const IDENTITY: (&str, &str) = ("Demo Workshop", "demo@rideloop.invalid");

/// The ride the map is judged on; never one it learns from.
const JUDGE_SEED: u64 = 9001;

/// One time round the loop.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct DemoRound {
    /// 1, 2, 3, 4.
    pub round: u64,
    /// The simulated ride.
    pub ride: String,
    /// Samples in it.
    pub samples: usize,
    /// Samples that became evidence.
    pub kept: usize,
    /// Cells that changed.
    pub cells_changed: usize,
    /// Cells that were held.
    pub cells_held: usize,
    /// The revision it made.
    pub revision: Option<String>,
    /// True error of the map before, in lambda, %.
    pub before: TrueError,
    /// True error of the map after.
    pub after: TrueError,
}

/// How far a map is from the truth along a ride it never learned from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct TrueError {
    /// Root mean square over warm running time, %.
    pub rms_pct: f64,
    /// 95 % of the time the error is smaller than this, %.
    pub q95_pct: f64,
    /// The leanest point of the high-load cells, % (positive is lean).
    pub high_load_leanest_pct: f64,
}

/// What the demo did.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct DemoReport {
    /// The bike folder.
    pub folder: PathBuf,
    /// The rounds.
    pub rounds: Vec<DemoRound>,
    /// Largest loss of fuel of a high-load cell from start to end, % (0 when none lost).
    pub high_load_leaned_pct: f64,
}

/// Makes a demo bike in a folder and goes round the loop.
///
/// # Errors
/// When the folder is not empty or cannot be written, or a run refuses.
pub fn demo(
    root: &Path,
    when: Moment,
    progress: &dyn Progress,
    told: &mut dyn FnMut(&DemoRound),
) -> Result<DemoReport, OperationError> {
    const MINUTES: f64 = 25.0;
    let files: Vec<(String, String)> =
        FILES.iter().map(|(p, t)| ((*p).to_owned(), (*t).to_owned())).collect();
    new_from_files(root, &files, Some(IDENTITY), when)?;
    let mut bike = OpenBike::open(root)?;
    let slot = bike.slot(None)?;
    let start = bike.today(&slot).clone();
    let judge = Judge::new(&bike, &slot);
    let mut before = judge.error_of(&start);
    let mut rounds = Vec::new();
    for round in 1..=DEMO_ROUNDS {
        let request = SimulateRequest {
            seed: round,
            minutes: MINUTES,
            rate_hz: 20.0,
            style: if round % 2 == 0 { Style::Spirited } else { Style::Road },
            cold: true,
            slot: Some(slot.clone()),
            engine_seed: None,
        };
        let ridden = simulate(root, &request)?;
        // A second apart, so that the history sorts by time as well.
        let when = Moment { unix_s: when.unix_s + round as i64, ..when };
        let run_request = RunRequest {
            unscaled: false,
            pipeline: DEFAULT_PIPELINE.to_owned(),
            slot: Some(slot.clone()),
            ridden_on: None,
            dry_run: false,
            rides: Vec::new(),
            when,
            // A demo shows what is done, not what was done before.
            cache: None,
        };
        let report: RunReport = run(root, &run_request, progress).map_err(|error| match error {
            OperationError::Stopped { .. } => {
                OperationError::Stopped { stands: "the revisions made so far stand in the demo folder" }
            }
            other => other,
        })?;
        if let Some(refusal) = report.refused {
            return Err(OperationError::Refused(refusal));
        }
        bike = OpenBike::open(root)?;
        let after = judge.error_of(bike.today(&slot));
        let done = DemoRound {
            round,
            ride: ridden.file.strip_prefix(root).unwrap_or(&ridden.file).display().to_string(),
            samples: report.funnel.samples(),
            kept: report.funnel.kept(),
            cells_changed: report.cells_changed,
            cells_held: report.cells_held,
            revision: report.revision,
            before,
            after,
        };
        told(&done);
        rounds.push(done);
        before = after;
    }
    let end = bike.today(&slot);
    Ok(DemoReport {
        folder: root.to_path_buf(),
        rounds,
        high_load_leaned_pct: high_load_leaned_pct(&start, end),
    })
}

fn high_load_leaned_pct(start: &SlotTables, end: &SlotTables) -> f64 {
    let limits = Blending::default();
    let grid = &start.fuel.grid;
    let cells = (0..grid.cells()).filter(|c| limits.is_high_load(start.fuel.load_axis, grid.point(*c).1));
    cells.map(|c| (1.0 - end.fuel.values[c] / start.fuel.values[c]) * 100.0).fold(0.0, f64::max)
}

/// Knows the truth along a ride the map never learns from.
struct Judge {
    /// rpm, load, wanted lambda, true table value.
    points: Vec<(f64, f64, f64)>,
    high_load: Vec<(f64, f64, f64)>,
}

impl Judge {
    fn new(bike: &OpenBike, slot: &str) -> Self {
        // Two samples a second tell the same as twenty.
        const EVERY: usize = 10;
        let tables = bike.today(slot);
        let twin = virtual_bike(bike, None);
        let request = SimulateRequest {
            seed: JUDGE_SEED,
            minutes: 30.0,
            rate_hz: 20.0,
            style: Style::Road,
            cold: true,
            slot: None,
            engine_seed: None,
        };
        let log = ride(&twin, tables, &request);
        let warm_c = bike.folder.bike.warm.engine_temp_c;
        let load = match tables.fuel.load_axis {
            crate::table::LoadAxis::ThrottlePct => &log.throttle_pct,
            crate::table::LoadAxis::MapKpa => &log.map_kpa,
        };
        let warm = (0..log.len())
            .step_by(EVERY)
            .filter(|i| log.engine_temp_c[*i] >= warm_c && log.fuel_cut[*i] < 0.5);
        let points = warm.map(|i| truth(&twin, tables, log.rpm[i], load[i])).collect();
        let limits = Blending::default();
        let grid = &tables.fuel.grid;
        let cells = (0..grid.cells()).map(|c| grid.point(c));
        let high_load = cells
            .filter(|(_, load)| limits.is_high_load(tables.fuel.load_axis, *load))
            .map(|(rpm, load)| truth(&twin, tables, rpm, load))
            .collect();
        Self { points, high_load }
    }

    fn error_of(&self, tables: &SlotTables) -> TrueError {
        let lean_pct =
            |(rpm, load, value): &(f64, f64, f64)| (value / tables.fuel.at(*rpm, *load) - 1.0) * 100.0;
        let mut sizes: Vec<f64> = self.points.iter().map(|p| lean_pct(p).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let n = sizes.len().max(1) as f64;
        TrueError {
            rms_pct: (sizes.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
            q95_pct: sizes.get((n * 0.95) as usize).copied().unwrap_or_default(),
            high_load_leanest_pct: self.high_load.iter().map(lean_pct).fold(f64::NEG_INFINITY, f64::max),
        }
    }
}

fn truth(twin: &VirtualBike, tables: &SlotTables, rpm: f64, load: f64) -> (f64, f64, f64) {
    (rpm, load, twin.true_table_value(rpm, load, tables.mixture.at(rpm, load)))
}
