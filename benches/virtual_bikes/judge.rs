//! The judge: a ride no method has seen, and the best table that its bike could
//! have, both made from the simulator's truth once per bike.

use crate::bikes::TestBike;
use crate::least_squares::LeastSquares;
use crate::methods::Answer;
use crate::riding::{JUDGE_SEED, RIDES, Ridden, SAMPLE_S};
use rideloop::bike::SlotTables;
use rideloop::table::Table;

/// An error of this much counts: a cell made worse, a cell that is lean.
const COUNTS: f64 = 0.01;
/// A cell is resolvable when the four rides speak for it this long by bilinear
/// weight, …
const RESOLVABLE_S: f64 = 5.0;
/// … and at least this share of its least-squares value comes from the rides and
/// not from the ridge: idling at one point for minutes does not tell four cells
/// apart.
const RESOLVABLE_SHARE: f64 = 0.95;
/// The ridge: every cell is held at its true value as if by so much riding.
const RIDGE_S: f64 = 0.1;
/// Two standard errors.
const STANDARD_ERRORS: f64 = 2.0;
/// The truth changes little from one sample to the next; every fourth serves.
const EVERY: usize = 4;

pub struct Judge<'a> {
    bike: &'a TestBike,
    pub points: Vec<Point>,
    pub cells: Vec<CellTruth>,
    /// Share of the judge's warm time outside the table's axes, %.
    pub off_the_table_pct: f64,
    /// Share of the rest that a loop governs unseen, %.
    pub governed_pct: f64,
    /// The main figure of the least-squares table: what these axes allow.
    pub best_rms: f64,
}

pub struct Point {
    pub rpm: f64,
    pub load: f64,
    pub required: f64,
    pub governed: bool,
}

/// What is known of a cell beyond doubt.
pub struct CellTruth {
    /// Amount in the least-squares table of the truth.
    amount: f64,
    /// Seconds of the four rides by bilinear weight.
    pub ridden_s: f64,
    pub resolvable: bool,
    high_load: bool,
}

/// All figures of one table.
#[derive(Clone)]
pub struct Figures {
    pub felt: Felt,
    /// The same where a loop governs unseen: RMS, %.
    pub governed_rms: Option<f64>,
    pub cells: CellFigures,
    /// The main figure if every cell held what its evidence asks for, without the
    /// limits of the blend: RMS, %.
    pub unlimited_rms: Option<f64>,
    /// A guard refused this step.
    pub refused: bool,
}

/// Lambda error the engine would feel, over warm time, %.
#[derive(Clone)]
pub struct Felt {
    pub rms: f64,
    pub q95: f64,
    /// Share of time within 1, 2 and 3 %.
    pub within: [f64; 3],
    /// Leanest ridden point at high load, if any was ridden.
    pub worst_lean: Option<f64>,
}

/// The table against the least-squares table of the truth.
#[derive(Clone)]
pub struct CellFigures {
    /// RMS over resolvable cells, %.
    pub rms: f64,
    /// Cells made worse by more than 1 %, of those that the rides or the method touched.
    pub worse: Share,
    /// Resolvable high-load cells leaner than the truth by more than 1 %.
    pub lean: Lean,
    /// The same of all high-load cells, ridden or not.
    pub lean_anywhere: Lean,
    /// Resolvable cells with evidence whose truth lies within two standard errors.
    pub honest: Share,
}

#[derive(Clone, Copy, Default)]
pub struct Share {
    pub n: usize,
    pub of: usize,
}

impl Share {
    pub fn pct(self) -> f64 {
        self.n as f64 / self.of as f64 * 100.0
    }

    fn add(&mut self, counts: bool) {
        self.of += 1;
        self.n += usize::from(counts);
    }

    pub fn plus(self, other: Self) -> Self {
        Self { n: self.n + other.n, of: self.of + other.of }
    }
}

#[derive(Clone, Copy, Default)]
pub struct Lean {
    pub n: usize,
    /// How lean the leanest high-load cell is, %; negative when all are rich.
    pub worst: Option<f64>,
}

impl Lean {
    fn add(&mut self, error: f64) {
        self.n += usize::from(error > COUNTS);
        self.worst = Some(self.worst.unwrap_or(f64::NEG_INFINITY).max(error * 100.0));
    }
}

impl<'a> Judge<'a> {
    pub fn new(bike: &'a TestBike) -> Self {
        let exact = exact_tables(bike);
        let season: Vec<Ridden> = (1..=RIDES).map(|seed| Ridden::new(bike, &exact, seed)).collect();
        let own = Ridden::new(bike, &exact, JUDGE_SEED);
        let (cells, best) = cell_truths(bike, &exact, &season, &own);
        let warm = own.instants(bike).count();
        let points: Vec<Point> = own
            .instants(bike)
            .filter(|i| bike.is_on_the_table(i.rpm, i.load))
            .map(|i| Point {
                rpm: i.rpm,
                load: i.load,
                required: i.required,
                governed: bike.is_governed(i.rpm, i.load),
            })
            .collect();
        let share = |n: usize, of: usize| n as f64 / of.max(1) as f64 * 100.0;
        let mut judge = Self {
            bike,
            off_the_table_pct: share(warm - points.len(), warm),
            governed_pct: share(points.iter().filter(|p| p.governed).count(), points.len()),
            points,
            cells,
            best_rms: 0.0,
        };
        judge.best_rms = judge.felt(&best).rms;
        judge
    }

    pub fn figures(&self, answer: &Answer) -> Figures {
        let governed: Vec<f64> =
            self.points.iter().filter(|p| p.governed).map(|p| self.error_pct(p, &answer.fuel)).collect();
        Figures {
            felt: self.felt(&answer.fuel),
            governed_rms: (!governed.is_empty()).then(|| rms(&governed)),
            cells: self.cell_figures(answer),
            unlimited_rms: self.unlimited(answer).map(|table| self.felt(&table).rms),
            refused: answer.refused,
        }
    }

    /// The table that holds what the evidence asks for wherever there is evidence.
    fn unlimited(&self, answer: &Answer) -> Option<Table> {
        let cells = answer.fuel.values.iter().zip(&answer.evidence);
        let values: Vec<f64> = cells.map(|(value, e)| e.map_or(*value, |e| e.required)).collect();
        (!values.is_empty()).then(|| Table { values, ..answer.fuel.clone() })
    }

    pub fn error_pct(&self, point: &Point, table: &Table) -> f64 {
        (point.required / self.bike.kind().amount(table.at(point.rpm, point.load)) - 1.0) * 100.0
    }

    fn felt(&self, table: &Table) -> Felt {
        let free = || self.points.iter().filter(|p| !p.governed);
        let errors: Vec<f64> = free().map(|p| self.error_pct(p, table)).collect();
        let mut sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let n = sizes.len().max(1) as f64;
        let within = |limit: f64| sizes.partition_point(|e| *e <= limit) as f64 / n * 100.0;
        let lean = free().zip(&errors).filter(|(p, _)| self.bike.is_high_load(p.load)).map(|(_, e)| *e);
        Felt {
            rms: rms(&errors),
            q95: sizes.get((n * 0.95) as usize).copied().unwrap_or_default(),
            within: [within(1.0), within(2.0), within(3.0)],
            worst_lean: lean.max_by(f64::total_cmp),
        }
    }

    fn cell_figures(&self, answer: &Answer) -> CellFigures {
        let kind = self.bike.kind();
        let start = &self.bike.start.fuel.values;
        let mut errors = Vec::new();
        let (mut worse, mut honest) = (Share::default(), Share::default());
        let (mut lean, mut lean_anywhere) = (Lean::default(), Lean::default());
        for (i, truth) in self.cells.iter().enumerate() {
            let value = answer.fuel.values[i];
            let error = truth.amount / kind.amount(value) - 1.0;
            let before = truth.amount / kind.amount(start[i]) - 1.0;
            if truth.ridden_s > 0.0 || value != start[i] {
                worse.add(error.abs() > before.abs() + COUNTS);
            }
            if truth.high_load {
                lean_anywhere.add(error);
            }
            if !truth.resolvable {
                continue;
            }
            errors.push(error * 100.0);
            if truth.high_load {
                lean.add(error);
            }
            if let Some(Some(evidence)) = answer.evidence.get(i) {
                let off = (evidence.required - kind.cell(truth.amount)).abs();
                honest.add(off <= STANDARD_ERRORS * evidence.std_error);
            }
        }
        CellFigures { rms: rms(&errors), worse, lean, lean_anywhere, honest }
    }
}

/// The start tables with every cell at its true value.
fn exact_tables(bike: &TestBike) -> SlotTables {
    let start = &bike.start;
    let grid = &start.fuel.grid;
    let value = |cell: usize| {
        let (rpm, load) = grid.point(cell);
        bike.twin.true_table_value(rpm, load, start.mixture.values[cell])
    };
    let values = (0..grid.cells()).map(value).collect();
    SlotTables { fuel: Table { values, ..start.fuel.clone() }, ..start.clone() }
}

/// The least-squares table of the truth over the four rides and the judge's, and
/// what the four rides alone can tell of its cells.
fn cell_truths(
    bike: &TestBike,
    exact: &SlotTables,
    season: &[Ridden],
    own: &Ridden,
) -> (Vec<CellTruth>, Table) {
    let (kind, grid) = (bike.kind(), &exact.fuel.grid);
    let centre: Vec<f64> = exact.fuel.values.iter().map(|v| kind.amount(*v)).collect();
    let mut all = LeastSquares::new(grid, &centre, RIDGE_S);
    let mut seen = LeastSquares::new(grid, &centre, RIDGE_S);
    let mut ridden_s = vec![0.0; grid.cells()];
    let seconds = SAMPLE_S * EVERY as f64;
    for (number, ride) in season.iter().chain([own]).enumerate() {
        for i in ride.instants(bike).step_by(EVERY) {
            if !bike.is_on_the_table(i.rpm, i.load) {
                continue;
            }
            let wanted = exact.mixture.at(i.rpm, i.load);
            let truth = kind.amount(bike.twin.true_table_value(i.rpm, i.load, wanted));
            all.add(i.rpm, i.load, truth, seconds);
            if number < season.len() && !bike.is_governed(i.rpm, i.load) {
                seen.add(i.rpm, i.load, truth, seconds);
                let corners = grid.corners(i.rpm, i.load);
                for (cell, weight) in corners.cells.into_iter().zip(corners.weights) {
                    ridden_s[cell] += weight * seconds;
                }
            }
        }
    }
    let amounts = all.solve().amounts;
    let resolution = seen.solve().resolution;
    let cells = (0..grid.cells()).map(|cell| CellTruth {
        amount: amounts[cell],
        ridden_s: ridden_s[cell],
        resolvable: ridden_s[cell] >= RESOLVABLE_S && resolution[cell] >= RESOLVABLE_SHARE,
        high_load: bike.is_high_load(grid.point(cell).1),
    });
    let best = Table { values: amounts.iter().map(|a| kind.cell(*a)).collect(), ..exact.fuel.clone() };
    (cells.collect(), best)
}

fn rms(errors: &[f64]) -> f64 {
    (errors.iter().map(|e| e * e).sum::<f64>() / errors.len().max(1) as f64).sqrt()
}
