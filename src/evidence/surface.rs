//! The table whose bilinear interpolation best explains the samples.
//!
//! Where the weighted mean lets each sample speak for all its four cells, the
//! surface asks which cell values together explain all samples: neighbours are
//! untangled rather than smeared. Each ride may be off by an amount of its own
//! (sensor, fuel, weather), so that one odd ride does not bend the map.
//!
//! Unknowns are the relative changes `c` of the cells against today's table and
//! one offset `o` a ride. A segment (a short stretch of samples inside one
//! square of the grid) says `Σ φ_j θ_j / T = factor − o`, with `θ_j = t_j (1 + c_j)`
//! the amounts sought, `t` today's, `T` the ridden table at the point.

use super::accumulate::{OnGrid, RideSamples};
use super::banded::Banded;
use super::{Averaging, CellEvidence, CellSums, huber_weight};
use crate::bike::FuelTableKind;
use crate::table::{Grid, Place};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How the surface is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct SurfaceFit {
    /// Deviations beyond this many robust standard deviations lose weight (Huber).
    #[schemars(range(min = 0.5, max = 10.0))]
    pub outlier_k: f64,
    /// The smallest spread a cell's samples are believed to have, %.
    #[schemars(range(min = 0.01, max = 10.0))]
    pub noise_floor_pct: f64,
    /// A visit ends when the operating point stays away for this long.
    #[schemars(range(min = 0.0, max = 60.0))]
    pub dwell_gap_s: f64,
    /// Spread of one second of steady running about the true mixture, %.
    #[schemars(range(min = 0.05, max = 20.0))]
    pub second_spread_pct: f64,
    /// How far one visit's mean lies from another's, however long it lasts, %.
    #[schemars(range(min = 0.05, max = 20.0))]
    pub dwell_spread_pct: f64,
    /// How far one ride as a whole lies from another, %.
    #[schemars(range(min = 0.05, max = 20.0))]
    pub ride_spread_pct: f64,
    /// How far a cell is presumed to lie from today's value, %.
    #[schemars(range(min = 0.5, max = 100.0))]
    pub change_pct: f64,
    /// How far the change of a cell is presumed to lie from the line between
    /// its neighbours' changes, %.
    #[schemars(range(min = 0.05, max = 100.0))]
    pub bend_pct: f64,
}

impl Default for SurfaceFit {
    fn default() -> Self {
        let mean = Averaging::default();
        Self {
            outlier_k: mean.outlier_k,
            noise_floor_pct: mean.noise_floor_pct,
            dwell_gap_s: mean.dwell_gap_s,
            second_spread_pct: 0.6,
            dwell_spread_pct: 1.0,
            ride_spread_pct: mean.ride_spread_pct,
            change_pct: 30.0,
            bend_pct: 1.5,
        }
    }
}

impl SurfaceFit {
    /// The averaging that counts visits and seconds beside the fit.
    pub fn averaging(&self) -> Averaging {
        Averaging {
            outlier_k: self.outlier_k,
            noise_floor_pct: self.noise_floor_pct,
            dwell_gap_s: self.dwell_gap_s,
            dwell_spread_pct: self.dwell_spread_pct,
            ride_spread_pct: self.ride_spread_pct,
            ..Averaging::default()
        }
    }
}

/// A segment is at most this long: the sensor's memory is over, the operating
/// point has hardly moved.
const SEGMENT_S: f64 = 1.0;

/// The normal equations of one ride; those of several rides are solved together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RideEquations {
    /// For each cell: products with itself, its right, lower left, lower and
    /// lower right neighbour.
    products: Vec<[f64; 5]>,
    /// Right-hand side of each cell.
    asked: Vec<f64>,
    /// Product of each cell with the ride's offset.
    offset: Vec<f64>,
    /// Information of all segments.
    weight: f64,
    /// Right-hand side of the ride's offset.
    asked_offset: f64,
    /// Weighted sum of squares of what was asked.
    squares: f64,
    /// What the residual sum of squares should be if the presumed spreads hold.
    expected: f64,
}

/// One short stretch inside one square of the grid.
struct Segment {
    cells: [usize; 4],
    row: [f64; 4],
    factor: f64,
    seconds: f64,
    start_s: f64,
    end_s: f64,
}

/// Sums up one ride's equations.
///
/// Shape: one entry a cell of `grid`, in table order. `ridden` gives the ridden
/// table's amount at an operating point.
pub fn equations(
    ride: &RideSamples,
    grid: &Grid,
    ridden: &dyn Fn(f64, f64) -> f64,
    settings: &SurfaceFit,
) -> RideEquations {
    let given: Vec<f64> = ride.samples.iter().map(|s| ridden(s.rpm, s.load)).collect();
    equations_on_grid(&OnGrid::new(ride, grid), &given, settings)
}

/// The same for samples whose places are known; `given` is what the ridden table
/// held at each of them.
pub fn equations_on_grid(ride: &OnGrid<'_>, given: &[f64], settings: &SurfaceFit) -> RideEquations {
    let grid = ride.grid;
    let cells = grid.cells();
    let mut sums = RideEquations {
        products: vec![[0.0; 5]; cells],
        asked: vec![0.0; cells],
        offset: vec![0.0; cells],
        weight: 0.0,
        asked_offset: 0.0,
        squares: 0.0,
        expected: 0.0,
    };
    let second = settings.second_spread_pct / 100.0;
    let visit = settings.dwell_spread_pct / 100.0;
    let segments = segments(ride, given, settings);
    for dwell in dwells(&segments, ride.ride.interval_s, settings.dwell_gap_s) {
        let seconds: f64 = dwell.iter().map(|s| s.seconds).sum();
        // All segments of a visit together are worth 1/(second²/seconds + visit²).
        let variance_of_a_second = second * second + seconds * visit * visit;
        for segment in dwell {
            let weight = segment.seconds / variance_of_a_second;
            sums.add(segment, weight, grid.load.len());
            sums.expected += (second * second + segment.seconds * visit * visit) / variance_of_a_second;
        }
    }
    sums
}

impl RideEquations {
    /// The same equations with every weight multiplied: evidence that has aged.
    pub fn weighted(&self, by: f64) -> Self {
        let each = |values: &[f64]| values.iter().map(|v| v * by).collect();
        Self {
            products: self.products.iter().map(|p| p.map(|v| v * by)).collect(),
            asked: each(&self.asked),
            offset: each(&self.offset),
            weight: self.weight * by,
            asked_offset: self.asked_offset * by,
            squares: self.squares * by,
            expected: self.expected * by,
        }
    }

    fn add(&mut self, segment: &Segment, weight: f64, columns: usize) {
        for a in 0..4 {
            let weighted = weight * segment.row[a];
            self.asked[segment.cells[a]] += weighted * segment.factor;
            self.offset[segment.cells[a]] += weighted;
            for b in a..4 {
                let apart = segment.cells[b] - segment.cells[a];
                let band = match apart {
                    0 => 0,
                    1 => 1,
                    _ if apart + 1 == columns => 2,
                    _ if apart == columns => 3,
                    _ => 4,
                };
                self.products[segment.cells[a]][band] += weighted * segment.row[b];
            }
        }
        self.weight += weight;
        self.asked_offset += weight * segment.factor;
        self.squares += weight * segment.factor * segment.factor;
    }
}

fn segments(on_grid: &OnGrid<'_>, given: &[f64], settings: &SurfaceFit) -> Vec<Segment> {
    let ride = on_grid.ride;
    let (homes, spreads) = homes(on_grid, settings);
    let mut segments: Vec<Segment> = Vec::new();
    for (i, sample) in ride.samples.iter().enumerate() {
        let corners = on_grid.places[i].corners();
        let robust = match spreads[homes[i]] {
            Some((centre, spread)) => huber_weight((sample.factor - centre) / spread, settings.outlier_k),
            None => 0.0,
        };
        let weight = ride.interval_s * robust * sample.certainty;
        let goes_on = segments.last().is_some_and(|s| {
            s.cells == corners.cells
                && sample.time_s - s.end_s <= ride.interval_s * 1.5
                && sample.time_s - s.start_s < SEGMENT_S
        });
        if !goes_on {
            segments.push(Segment {
                cells: corners.cells,
                row: [0.0; 4],
                factor: 0.0,
                seconds: 0.0,
                start_s: sample.time_s,
                end_s: sample.time_s,
            });
        }
        let segment = segments.last_mut().expect("just pushed");
        for (row, share) in segment.row.iter_mut().zip(corners.weights) {
            *row += weight * share / given[i];
        }
        segment.factor += weight * sample.factor;
        segment.seconds += weight;
        segment.end_s = sample.time_s;
    }
    for segment in &mut segments {
        for row in &mut segment.row {
            *row /= segment.seconds;
        }
        segment.factor /= segment.seconds;
    }
    segments.retain(|s| s.seconds > 0.0 && s.row.iter().all(|r| r.is_finite()));
    segments
}

/// The nearest cell of each sample, and in each cell the ride's own median with the
/// spread about it.
fn homes(on_grid: &OnGrid<'_>, settings: &SurfaceFit) -> (Vec<usize>, Vec<Option<(f64, f64)>>) {
    let nearest = |place: &Place| {
        let corners = place.corners();
        let best = (0..4).max_by(|a, b| corners.weights[*a].total_cmp(&corners.weights[*b]));
        corners.cells[best.unwrap_or(0)]
    };
    let homes: Vec<usize> = on_grid.places.iter().map(nearest).collect();
    let samples = &on_grid.ride.samples;
    let at_home = |sample: usize| std::iter::once((homes[sample], samples[sample].certainty));
    let spreads = on_grid.spreads(settings.noise_floor_pct, at_home);
    (homes, spreads)
}

/// The visits of a ride: segments of one square that the operating point never left for long.
///
/// A short excursion into another square ends no visit, and an unbroken stay is one visit however
/// many segments it is cut into.
fn dwells(segments: &[Segment], interval_s: f64, gap_s: f64) -> Vec<Vec<&Segment>> {
    let mut dwells: Vec<Vec<&Segment>> = Vec::new();
    let mut newest: BTreeMap<[usize; 4], usize> = BTreeMap::new();
    for segment in segments {
        let goes_on = newest.get(&segment.cells).copied().filter(|dwell| {
            let last = dwells[*dwell].last();
            last.is_some_and(|last| segment.start_s - last.end_s <= interval_s * 1.5 + gap_s)
        });
        match goes_on {
            Some(dwell) => dwells[dwell].push(segment),
            None => {
                newest.insert(segment.cells, dwells.len());
                dwells.push(vec![segment]);
            }
        }
    }
    dwells
}

/// What the fit says besides its cells.
#[derive(Debug, Clone, PartialEq)]
pub struct SurfaceSolution {
    /// Amount of fuel each cell should hold.
    pub amounts: Vec<f64>,
    /// Posterior standard error of each amount.
    pub std_errors: Vec<f64>,
    /// How far each ride lies from the others, as a ratio, in the order given.
    pub ride_offsets: Vec<f64>,
    /// Standard error of each ride's offset.
    pub ride_offset_errors: Vec<f64>,
    /// Residual variance over the presumed one.
    pub spread_ratio: f64,
}

/// Solves the rides' equations together.
///
/// Shape: `today` are the amounts of today's cells, `start` those of the build's first revision, in
/// table order. The change that should be smooth is the one since `start`: what a silencer or a cam
/// does knows nothing of the revisions between.
///
/// # Source
/// Regularised least squares `(ΣWᵀR⁻¹W + P) c = ΣWᵀR⁻¹r`, P the prior on the
/// change and on its distance from the line between the neighbours; rides as random effects
/// (Henderson's mixed model equations, from memory), eliminated by the Schur
/// complement; posterior covariance is the inverse. Checked against a scipy
/// solve in `tests/reference`.
pub fn solve(
    rides: &[&RideEquations],
    grid: &Grid,
    today: &[f64],
    start: &[f64],
    settings: &SurfaceFit,
) -> Option<SurfaceSolution> {
    let n = grid.cells();
    let moved: Vec<f64> = today.iter().zip(start).map(|(t, s)| t / s).collect();
    let (mut matrix, bent) = smoothness(grid, settings.change_pct, settings.bend_pct, &moved);
    let columns = grid.load.len();
    let apart = [0, 1, columns - 1, columns, columns + 1];
    let mut right = vec![0.0; n];
    for ride in rides {
        for i in 0..n {
            for (band, apart) in apart.into_iter().enumerate() {
                let value = ride.products[i][band];
                if value != 0.0 {
                    matrix.add(i, i + apart, value * today[i] * today[i + apart]);
                }
            }
            right[i] += ride.asked[i] * today[i];
        }
    }
    // What today's table already explains is taken off the right-hand side.
    let data = data_times_one(rides, &apart, today);
    for ((r, d), b) in right.iter_mut().zip(&data).zip(&bent) {
        *r -= d + b;
    }
    let factor = matrix.factor()?;
    let ride_variance = (settings.ride_spread_pct / 100.0).powi(2);
    // What all rides have in common is the map's: offsets are against each other and sum to
    // nothing, as nearly as the arithmetic bears.
    const SUM_TO_NOTHING: f64 = 1e4;
    let border: Vec<Vec<f64>> =
        rides.iter().map(|r| r.offset.iter().zip(today).map(|(o, t)| o * t).collect()).collect();
    let solved: Vec<Vec<f64>> = border.iter().map(|b| factor.solve(b)).collect();
    let count = rides.len();
    let mut schur = Banded::zeros(count, count.saturating_sub(1));
    let mut right_offset = vec![0.0; count];
    let plain = factor.solve(&right);
    for a in 0..count {
        for (b, solved) in solved.iter().enumerate().take(a + 1) {
            schur.add(a, b, SUM_TO_NOTHING / ride_variance - dot(&border[a], solved));
        }
        schur.add(a, a, rides[a].weight + 1.0 / ride_variance);
        let explained: f64 = border[a].iter().sum();
        right_offset[a] = rides[a].asked_offset - explained - dot(&border[a], &plain);
    }
    let schur = schur.factor()?;
    let offsets = schur.solve(&right_offset);
    let mut change = plain;
    for (solved, offset) in solved.iter().zip(&offsets) {
        for (c, s) in change.iter_mut().zip(solved) {
            *c -= s * offset;
        }
    }
    let spread_ratio = spread_ratio(rides, &apart, today, &change, &offsets, n);
    let own = factor.inverse_diagonal();
    // How far the rides as a whole may lie off the truth.
    let common = ride_variance / count.max(1) as f64;
    let std_errors = (0..n).map(|i| {
        let row: Vec<f64> = solved.iter().map(|s| s[i]).collect();
        let through_offsets = dot(&row, &schur.solve(&row));
        ((own[i] + through_offsets) * spread_ratio + common).sqrt() * today[i]
    });
    Some(SurfaceSolution {
        std_errors: std_errors.collect(),
        amounts: change.iter().zip(today).map(|(c, t)| t * (1.0 + c)).collect(),
        ride_offset_errors: schur.inverse_diagonal().iter().map(|v| (v * spread_ratio).sqrt()).collect(),
        ride_offsets: offsets,
        spread_ratio,
    })
}

/// The prior on the change of every cell from today, and on how the change since the build's start
/// bends: its information matrix, and what today's bend adds to the equations.
///
/// A cell that was filled or emptied since the start, or moved out of all proportion, says nothing of
/// its neighbours: bends through it are left out.
///
/// Shape: `moved` is today's over the starting amount of each cell. Units: both standard deviations in %.
pub fn smoothness(grid: &Grid, change_pct: f64, bend_pct: f64, moved: &[f64]) -> (Banded, Vec<f64>) {
    let (rows, columns) = (grid.rpm.len(), grid.load.len());
    let mut matrix = Banded::zeros(grid.cells(), 2 * columns);
    let mut bent = vec![0.0; grid.cells()];
    let per = |pct: f64| (pct / 100.0).powi(-2);
    for i in 0..grid.cells() {
        matrix.add(i, i, per(change_pct));
    }
    const IN_PROPORTION: std::ops::RangeInclusive<f64> = 0.4..=2.5;
    let mut bend = |cells: [usize; 3], at: [f64; 3]| {
        if cells.iter().any(|cell| !IN_PROPORTION.contains(&moved[*cell])) {
            return;
        }
        let share = (at[1] - at[0]) / (at[2] - at[0]);
        let line = [1.0 - share, -1.0, share];
        let row = [0, 1, 2].map(|k| line[k] * moved[cells[k]]);
        let now: f64 = row.iter().sum();
        for a in 0..3 {
            bent[cells[a]] += per(bend_pct) * row[a] * now;
            for b in 0..=a {
                matrix.add(cells[a], cells[b], per(bend_pct) * row[a] * row[b]);
            }
        }
    };
    for i in 0..rows {
        for j in 0..columns {
            if j + 2 < columns {
                let b = grid.load.breakpoints();
                let cells = [grid.cell(i, j), grid.cell(i, j + 1), grid.cell(i, j + 2)];
                bend(cells, [b[j], b[j + 1], b[j + 2]]);
            }
            if i + 2 < rows {
                let b = grid.rpm.breakpoints();
                let cells = [grid.cell(i, j), grid.cell(i + 1, j), grid.cell(i + 2, j)];
                bend(cells, [b[i], b[i + 1], b[i + 2]]);
            }
        }
    }
    (matrix, bent)
}

/// The data part of the matrix times a vector of ones.
fn data_times_one(rides: &[&RideEquations], apart: &[usize; 5], today: &[f64]) -> Vec<f64> {
    data_times(rides, apart, today, &vec![1.0; today.len()])
}

fn data_times(rides: &[&RideEquations], apart: &[usize; 5], today: &[f64], x: &[f64]) -> Vec<f64> {
    let mut y = vec![0.0; today.len()];
    for ride in rides {
        for (i, products) in ride.products.iter().enumerate() {
            for (value, apart) in products.iter().zip(apart) {
                if *value != 0.0 {
                    let k = i + apart;
                    let scaled = value * today[i] * today[k];
                    y[i] += scaled * x[k];
                    if k != i {
                        y[k] += scaled * x[i];
                    }
                }
            }
        }
    }
    y
}

/// Residual sum of squares over what the presumed spreads lead to expect.
///
/// Never below one: that the rides agree better than presumed may be luck.
fn spread_ratio(
    rides: &[&RideEquations],
    apart: &[usize; 5],
    today: &[f64],
    change: &[f64],
    offsets: &[f64],
    cells: usize,
) -> f64 {
    let theta: Vec<f64> = change.iter().map(|c| 1.0 + c).collect();
    let model = data_times(rides, apart, today, &theta);
    let mut residual = dot(&model, &theta);
    for (ride, offset) in rides.iter().zip(offsets) {
        let asked: f64 = (0..cells).map(|i| ride.asked[i] * today[i] * theta[i]).sum();
        let shifted: f64 = (0..cells).map(|i| ride.offset[i] * today[i] * theta[i]).sum();
        residual += ride.squares - 2.0 * asked + 2.0 * offset * shifted + offset * offset * ride.weight
            - 2.0 * offset * ride.asked_offset;
    }
    let expected: f64 = rides.iter().map(|r| r.expected).sum();
    if expected > 0.0 { (residual / expected).max(1.0) } else { 1.0 }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The evidence of visited cells, with the surface's value and error bar.
///
/// Cells that no sample came near have no evidence, unless it is asked for: their
/// value in the solution is a continuation of their neighbours', not a finding.
pub fn evidence_of(
    solution: &SurfaceSolution,
    sums: &[CellSums],
    kind: FuelTableKind,
    unvisited: bool,
) -> Vec<Option<CellEvidence>> {
    let cells = sums.iter().zip(solution.amounts.iter().zip(&solution.std_errors));
    cells
        .map(|(sums, (amount, error))| {
            if !unvisited {
                sums.mean()?;
            }
            Some(CellEvidence {
                weight_s: sums.w,
                required: kind.cell(*amount),
                std_error: (kind.cell(amount + error) - kind.cell(*amount)).abs(),
                effective_samples: sums.effective_samples(),
                dwells: sums.dwells,
                rides: sums.rides,
                effective_rides: sums.effective_rides(),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::Sample;
    use super::*;
    use crate::table::Axis;

    fn grid() -> Grid {
        Grid {
            rpm: Axis::new(vec![1000.0, 2000.0, 3000.0, 5000.0]).expect("valid"),
            load: Axis::new(vec![0.0, 10.0, 20.0, 40.0]).expect("valid"),
        }
    }

    /// A ride over the grid whose true table is `truth(cell)`, ridden on `today`.
    fn ride(truth: &[f64], today: &[f64], offset: f64, seed: u64) -> RideSamples {
        let grid = grid();
        let at = |table: &[f64], rpm: f64, load: f64| -> f64 {
            let corners = grid.corners(rpm, load);
            (0..4).map(|k| corners.weights[k] * table[corners.cells[k]]).sum()
        };
        let samples = (0..20_000u32).map(|i| {
            let t = f64::from(i) * 0.05 + seed as f64;
            let rpm = 3000.0 + 1990.0 * (t / 7.0).sin() * (t / 91.0).cos();
            let load = 20.0 + 19.9 * (t / 11.3).sin();
            let noise = 0.01 * (f64::from(i) * 12.9898 + seed as f64).sin();
            let factor = at(truth, rpm, load) / at(today, rpm, load) * (1.0 + offset) + noise;
            Sample { time_s: t, rpm, load, factor, certainty: 1.0 }
        });
        RideSamples {
            samples: samples.collect(),
            interval_s: 0.05,
            memory_s: 0.1,
            ridden_amounts: today.to_vec(),
        }
    }

    fn fit(rides: &[RideSamples], today: &[f64]) -> SurfaceSolution {
        let grid = grid();
        let settings = SurfaceFit { bend_pct: 5.0, change_pct: 15.0, ..SurfaceFit::default() };
        let ridden = |rpm: f64, load: f64| {
            let corners = grid.corners(rpm, load);
            (0..4).map(|k| corners.weights[k] * today[corners.cells[k]]).sum()
        };
        let equations: Vec<RideEquations> =
            rides.iter().map(|r| equations(r, &grid, &ridden, &settings)).collect();
        let borrowed: Vec<&RideEquations> = equations.iter().collect();
        solve(&borrowed, &grid, today, today, &settings).expect("positive definite")
    }

    #[test]
    fn untangles_a_single_cell_where_a_mean_would_smear_it() {
        let today = vec![50.0; 16];
        let mut truth = today.clone();
        truth[5] = 54.0;
        let solution = fit(&[ride(&truth, &today, 0.0, 1)], &today);
        for (i, amount) in solution.amounts.iter().enumerate() {
            // A mean recovers 4/9 of a lone cell's error in one pass.
            assert!((amount - truth[i]).abs() < 0.6, "cell {i}: {amount} for {}", truth[i]);
        }
    }

    #[test]
    fn names_the_ride_that_is_off_and_keeps_it_from_bending_the_map() {
        let today = vec![50.0; 16];
        let truth: Vec<f64> = (0..16).map(|i| 50.0 + f64::from(i % 4)).collect();
        let rides = [
            ride(&truth, &today, 0.0, 1),
            ride(&truth, &today, 0.001, 2),
            ride(&truth, &today, -0.001, 3),
            ride(&truth, &today, 0.03, 4),
        ];
        let solution = fit(&rides, &today);
        let largest = solution.ride_offsets.iter().map(|o| o.abs()).fold(0.0, f64::max);
        assert_eq!(solution.ride_offsets[3].abs(), largest);
        assert!(solution.ride_offsets[3] > 0.015, "{:?}", solution.ride_offsets);
    }

    #[test]
    fn a_right_map_is_left_alone() {
        let today: Vec<f64> = (0..16).map(|i| 20.0 + 3.0 * f64::from(i)).collect();
        let solution = fit(&[ride(&today, &today, 0.0, 1), ride(&today, &today, 0.0, 2)], &today);
        for (amount, today) in solution.amounts.iter().zip(&today) {
            assert!((amount / today - 1.0).abs() < 0.002, "{amount} for {today}");
        }
    }

    #[test]
    fn an_emptied_cell_does_not_drag_its_neighbours_along() {
        let start = vec![50.0; 16];
        let mut today = start.clone();
        today[5] = 0.0;
        let grid = grid();
        let solution = solve(&[], &grid, &today, &start, &SurfaceFit::default()).expect("positive definite");
        for (amount, today) in solution.amounts.iter().zip(&today) {
            assert!((amount - today).abs() < 1e-9, "{amount} for {today}");
        }
    }

    #[test]
    fn without_rides_today_s_map_stands_with_the_presumed_error() {
        let today = vec![50.0; 16];
        let solution = fit(&[], &today);
        assert!(solution.amounts.iter().all(|a| (a - 50.0).abs() < 1e-9));
        assert!(solution.std_errors.iter().all(|e| *e > 1.0 && *e <= 7.51));
    }
}
