//! The ways of correcting a map that are compared.

use crate::bikes::TestBike;
use crate::least_squares::LeastSquares;
use crate::ours;
use crate::riding::{Ridden, SAMPLE_S, WARM_C};
use rideloop::bike::{ClosedLoopMode, SlotTables};
use rideloop::evidence::CellEvidence;
use rideloop::table::Table;
use std::sync::Arc;

pub struct Method {
    pub name: String,
    pub way: Way,
}

pub enum Way {
    /// Means of the nearest cell; optionally warm and slow samples only.
    Nearest {
        warm: bool,
        throttle_pct_per_s: f64,
        hits: usize,
    },
    Careful,
    Pipeline(String),
    Oracle,
}

/// What a method makes of the rides.
pub struct Answer {
    pub fuel: Table,
    /// What stands behind the cells, where the method says so; else empty.
    pub evidence: Vec<Option<CellEvidence>>,
    /// A guard refused, and the map stays as it is.
    pub refused: bool,
}

impl Answer {
    pub fn without_evidence(fuel: Table) -> Self {
        Self { fuel, evidence: Vec::new(), refused: false }
    }
}

pub const SPREADSHEET: &str = "spreadsheet";
pub const CAREFUL: &str = "careful script";
pub const ORACLE: &str = "oracle";

/// Lines that stand in for those of the road pipeline, to see what each is worth.
const TRANSIENTS: &str = "  - transients: {}";
/// Cao and Rhinehart's ratio.
const STEADY: &str = "  - steady: {}";
const AVERAGE: &str = "  - average: {}";
const SURFACE: &str = "  - surface: {}";
const BLEND: &str = "  - blend: {}";
const BLEND_INFERRED: &str = "  - blend: { inferred: passed }";

/// The methods in the order they are printed.
pub fn methods(pipelines: Vec<(String, String)>, only: bool) -> Vec<Method> {
    let named = |name: &str, way| Method { name: name.to_owned(), way };
    let pipeline = |name: &str, text: &str| named(name, Way::Pipeline(text.to_owned()));
    let mut methods = vec![
        named(
            "no filter, nearest cell",
            Way::Nearest { warm: false, throttle_pct_per_s: f64::INFINITY, hits: 1 },
        ),
        named(SPREADSHEET, Way::Nearest { warm: true, throttle_pct_per_s: 20.0, hits: 10 }),
        named(CAREFUL, Way::Careful),
        pipeline("road", ours::ROAD),
        pipeline("road: transients, average", &ours::road_with(TRANSIENTS, AVERAGE, BLEND)),
        pipeline("road: transients, surface", &ours::road_with(TRANSIENTS, SURFACE, BLEND_INFERRED)),
        pipeline("road: steady, surface", &ours::road_with(STEADY, SURFACE, BLEND_INFERRED)),
    ];
    if only {
        methods.clear();
    }
    methods.extend(pipelines.into_iter().map(|(name, text)| Method { name, way: Way::Pipeline(text) }));
    methods.push(named(ORACLE, Way::Oracle));
    methods
}

impl Method {
    /// Whether it is the tool itself.
    pub fn is_ours(&self) -> bool {
        matches!(self.way, Way::Pipeline(_))
    }

    /// The next fuel table. `ridden` are all rides so far, the newest last.
    pub fn answer(&self, bike: &TestBike, ridden: &[Arc<Ridden>], today: &SlotTables) -> Answer {
        let newest = &ridden[ridden.len() - 1];
        let fuel = match &self.way {
            Way::Pipeline(text) => return ours::pipeline(bike, text, ridden, today),
            Way::Nearest { warm, throttle_pct_per_s, hits } => {
                nearest(bike, newest, *warm, *throttle_pct_per_s, *hits)
            }
            Way::Careful => careful(bike, newest),
            Way::Oracle => oracle(bike, ridden),
        };
        Answer::without_evidence(fuel)
    }
}

/// The factor a sample asks for when its lambda is read `delay` samples later.
fn factor(bike: &TestBike, ridden: &Ridden, i: usize, delay: usize) -> Option<f64> {
    let log = &ridden.log;
    let lambda = *log.lambda.get(i + delay)?;
    let trim = match bike.bike.closed_loop.mode {
        ClosedLoopMode::TrimLogged => log.trim_pct[i] / 100.0,
        _ => 0.0,
    };
    let fine = (0.65..=1.5).contains(&lambda) && log.lambda_target[i] > 0.0;
    fine.then(|| (1.0 + trim) * lambda / log.lambda_target[i])
}

fn corrected(bike: &TestBike, table: &Table, factors: &[Option<f64>]) -> Table {
    let kind = bike.kind();
    let cell = |(value, factor): (&f64, &Option<f64>)| match factor {
        Some(factor) => table.resolution.snap(kind.cell(kind.amount(*value) * factor)),
        None => *value,
    };
    Table { values: table.values.iter().zip(factors).map(cell).collect(), ..table.clone() }
}

/// Means of the nearest cell, as a spreadsheet makes them.
fn nearest(bike: &TestBike, ridden: &Ridden, warm: bool, rate: f64, hits: usize) -> Table {
    let (log, table) = (&ridden.log, &ridden.tables.fuel);
    let mut sums = vec![(0.0, 0usize); table.grid.cells()];
    for (i, load) in ridden.logged_load(bike).iter().enumerate().skip(1) {
        let moves =
            (log.throttle_pct[i] - log.throttle_pct[i - 1]).abs() / (log.time_s[i] - log.time_s[i - 1]);
        if (warm && log.engine_temp_c[i] < WARM_C) || moves > rate {
            continue;
        }
        if let Some(factor) = factor(bike, ridden, i, 0) {
            let cell = table.grid.cell(table.grid.rpm.nearest(log.rpm[i]), table.grid.load.nearest(*load));
            sums[cell].0 += factor;
            sums[cell].1 += 1;
        }
    }
    let factors: Vec<_> = sums.iter().map(|(sum, n)| (*n >= hits).then(|| sum / *n as f64)).collect();
    corrected(bike, table, &factors)
}

/// Bilinear weights, warm, transients with hold-off, overrun, 250 ms of delay,
/// and nothing from where an unlogged loop works.
fn careful(bike: &TestBike, ridden: &Ridden) -> Table {
    const DELAY: usize = 5;
    let (log, table) = (&ridden.log, &ridden.tables.fuel);
    let mut sums = vec![(0.0, 0.0); table.grid.cells()];
    let mut quiet_from = 0;
    for (i, load) in ridden.logged_load(bike).iter().enumerate().skip(4) {
        let rate = (log.throttle_pct[i] - log.throttle_pct[i - 4]).abs() / 0.2;
        let gear = (log.gear[i] - log.gear[i - 1]).abs() > 0.5;
        if rate > 15.0 || gear || log.fuel_cut[i] > 0.5 {
            quiet_from = i + 16;
        }
        if i < quiet_from || log.engine_temp_c[i] < WARM_C || bike.is_governed(log.rpm[i], *load) {
            continue;
        }
        let Some(factor) = factor(bike, ridden, i, DELAY) else { continue };
        let corners = table.grid.corners(log.rpm[i], *load);
        for (cell, weight) in corners.cells.into_iter().zip(corners.weights) {
            sums[cell].0 += weight * factor;
            sums[cell].1 += weight;
        }
    }
    let factors: Vec<_> = sums.iter().map(|(sum, w)| (*w >= 5.0).then(|| sum / w)).collect();
    corrected(bike, table, &factors)
}

/// How firmly the oracle holds to the start map, and to a smooth change of it, in
/// seconds of riding: hardly, since it has no noise to guard against.
const ORACLE_RIDGE_S: f64 = 1e-4;
const ORACLE_SMOOTH_S: f64 = 1e-3;

/// Knows the steady error of every warm sample, so neither delay nor lag nor
/// unsteady running nor the sensor mislead it; it reads the operating point from
/// the log as all do. Weighted least squares over all rides so far. What a loop
/// hides it does not see either.
fn oracle(bike: &TestBike, ridden: &[Arc<Ridden>]) -> Table {
    let (kind, start) = (bike.kind(), &bike.start.fuel);
    let centre: Vec<f64> = start.values.iter().map(|v| kind.amount(*v)).collect();
    let mut fit = LeastSquares::new(&start.grid, &centre, ORACLE_RIDGE_S);
    fit.smooth(ORACLE_SMOOTH_S);
    for instant in ridden.iter().flat_map(|r| r.instants(bike)) {
        let (rpm, load) = (instant.rpm, instant.logged_load);
        if bike.is_on_the_table(rpm, load) && !bike.is_governed(rpm, load) {
            fit.add(rpm, load, instant.required, SAMPLE_S);
        }
    }
    let amounts = fit.solve().amounts;
    let values = amounts.iter().map(|a| start.resolution.snap(kind.cell(*a))).collect();
    Table { values, ..start.clone() }
}
