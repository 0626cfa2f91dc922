//! A ride held against the others: is it off as a whole, or the more the less
//! gas flows?
//!
//! Each ride's sums enter, with the gas flow of each cell; for each ride comes
//! out how far it lies off the median of the others (its sensor, the fuel, the
//! weather), and how much of that grows as the flow falls, as false air does
//! that a leak draws in ahead of the sensor. What the engine itself does at low
//! flow, such as reversion, is in all rides alike and cancels.
//!
//! Known weakness: each ride's cell means are smeared by where in the cell it
//! rode, so that a map that is far off makes rides look more unlike than they
//! are; the scatter of the cells is in the error, so such rides are judged mildly.

use super::{CellSums, HUBER_K, MAD_TO_SD, Spread, huber_weight, weighted_median};

/// How one ride compares with the median of the others.
#[derive(Debug, Clone, PartialEq)]
pub struct RideComparison {
    /// How many other rides share cells with it.
    pub others: usize,
    /// How many cells it shares with them.
    pub cells: usize,
    /// How much more fuel it asks for as a whole, as a share.
    pub offset: Measured,
    /// What of it grows with falling flow.
    pub false_air: Option<FalseAir>,
}

/// How much leaner a ride reads as the flow falls: `difference = a + effect · lowest flow/flow`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FalseAir {
    /// At the least flow of the cells it shares with others, as a share.
    pub effect: Measured,
    /// The same without the cell that tells most of it.
    pub effect_without_strongest: f64,
    /// That flow, kg/s.
    pub lowest_flow_kg_s: f64,
    /// The false air that would do it, kg/s.
    pub leak_kg_s: f64,
}

/// A value with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Its standard error.
    pub std_error: f64,
}

impl Measured {
    /// The value in standard errors.
    pub fn sigmas(&self) -> f64 {
        self.value / self.std_error
    }
}

/// A cell that a ride brushed for less than this says nothing, s. Common practice, no source.
const LEAST_WEIGHT_S: f64 = 0.5;
/// Fewer cells than this are no comparison. Common practice, no source.
const FEWEST_CELLS: usize = 6;
/// How far two rides' means of a cell differ since they rode it at different
/// places; as measured on virtual bikes with a map off by 3 to 13 %.
const CELL_SPREAD: f64 = 0.01;
/// A sample speaks for up to four cells, so neighbours do not err independently:
/// the variance is taken as twice that of independent cells. Common practice, no source.
const SHARED_CELLS: f64 = 2.0;
/// Shares of the lowest flow that must lie below this for the rest of the
/// engine to tell an offset from false air. Common practice, no source.
const FLOW_SPAN: f64 = 0.35;
/// Rounds of reweighting; they settle within three.
const ROUNDS: usize = 8;

/// A cell that the ride and others rode.
#[derive(Debug, Clone, Copy)]
struct Shared {
    difference: f64,
    variance: f64,
    flow_kg_s: f64,
}

/// Holds each ride against the median of the others; `None` where too few cells
/// are shared.
///
/// Shape: one entry a ride; `rides` and `flow_kg_s` one entry a cell, in table order.
/// Units: sums in amounts of fuel, flow in kg/s.
pub fn compare_rides(
    rides: &[&[CellSums]],
    flow_kg_s: &[f64],
    spread: &Spread,
) -> Vec<Option<RideComparison>> {
    let known: Vec<Vec<Option<(f64, f64)>>> =
        rides.iter().map(|sums| sums.iter().map(|cell| mean_and_variance(cell, spread)).collect()).collect();
    (0..rides.len()).map(|ride| compare(ride, &known, flow_kg_s, spread)).collect()
}

/// A ride's mean of a cell and its relative variance, by dwells.
fn mean_and_variance(sums: &CellSums, spread: &Spread) -> Option<(f64, f64)> {
    let mean = sums.mean().filter(|mean| *mean > 0.0 && sums.w >= LEAST_WEIGHT_S)?;
    // What makes rides differ as a whole is judged below, not here.
    let error = sums.std_error(&Spread { ride: 0.0, ..*spread })? / mean;
    Some((mean, error * error))
}

fn compare(
    ride: usize,
    known: &[Vec<Option<(f64, f64)>>],
    flow_kg_s: &[f64],
    spread: &Spread,
) -> Option<RideComparison> {
    let mut met = vec![false; known.len()];
    let mut cells = Vec::new();
    for (cell, flow_kg_s) in flow_kg_s.iter().enumerate() {
        let Some((mean, variance)) = known[ride][cell] else { continue };
        let others: Vec<(f64, f64)> =
            (0..known.len()).filter(|other| *other != ride).filter_map(|other| known[other][cell]).collect();
        let Some((middle, middle_variance)) = middle_of(&others) else { continue };
        for (other, met) in met.iter_mut().enumerate() {
            *met |= other != ride && known[other][cell].is_some();
        }
        cells.push(Shared {
            difference: mean / middle - 1.0,
            variance: variance + middle_variance + CELL_SPREAD * CELL_SPREAD,
            flow_kg_s: *flow_kg_s,
        });
    }
    if cells.len() < FEWEST_CELLS {
        return None;
    }
    let others = met.iter().filter(|met| **met).count();
    let lowest = cells.iter().map(|c| c.flow_kg_s).fold(f64::INFINITY, f64::min);
    let share_of = |cell: &Shared| lowest / cell.flow_kg_s;
    let mut offset = fit(&cells, |_| [1.0, 0.0], 1)?[0];
    // Rides differ by chance as a whole, and so do those it is held against.
    let by_chance = spread.ride * spread.ride * (1.0 + 1.0 / others as f64);
    offset.std_error = (offset.std_error * offset.std_error + by_chance).sqrt();
    Some(RideComparison {
        others,
        cells: cells.len(),
        offset,
        false_air: false_air(&cells, lowest, &share_of),
    })
}

fn false_air(cells: &[Shared], lowest_flow_kg_s: f64, share_of: &dyn Fn(&Shared) -> f64) -> Option<FalseAir> {
    let mut shares: Vec<(f64, f64)> = cells.iter().map(|c| (share_of(c), 1.0 / c.variance)).collect();
    if weighted_median(&mut shares)? > FLOW_SPAN {
        return None;
    }
    let line = |cell: &Shared| [1.0, share_of(cell)];
    let effect = fit(cells, line, 2)?[1];
    // A leak shows in every cell of low flow; one odd cell is not a leak.
    let without = (0..cells.len()).filter_map(|left_out| {
        let rest: Vec<Shared> =
            cells.iter().enumerate().filter(|(i, _)| *i != left_out).map(|(_, c)| *c).collect();
        Some(fit(&rest, line, 2)?[1].value)
    });
    Some(FalseAir {
        effect,
        effect_without_strongest: without.fold(effect.value, f64::min),
        lowest_flow_kg_s,
        leak_kg_s: effect.value * lowest_flow_kg_s,
    })
}

/// A robust mean of the other rides, and its relative variance.
fn middle_of(others: &[(f64, f64)]) -> Option<(f64, f64)> {
    let spread_of = |variance: f64| variance + CELL_SPREAD * CELL_SPREAD;
    let mut pairs: Vec<(f64, f64)> =
        others.iter().map(|(mean, variance)| (*mean, 1.0 / spread_of(*variance))).collect();
    let mut middle = weighted_median(&mut pairs)?;
    let mut weight = 0.0;
    for _ in 0..ROUNDS {
        let mut sum = 0.0;
        weight = 0.0;
        for (mean, variance) in others {
            let variance = spread_of(*variance);
            let robust = huber_weight((mean / middle - 1.0) / variance.sqrt(), HUBER_K);
            sum += robust / variance * mean;
            weight += robust / variance;
        }
        middle = sum / weight;
    }
    Some((middle, 1.0 / weight))
}

/// Weighted robust least squares of the differences on one or two regressors.
///
/// # Source
/// Iteratively reweighted least squares with Huber's weights (Huber 1981); the
/// error is the larger of the model's and of the sandwich with squared residuals
/// over (1 − leverage)², HC3 of MacKinnon and White (1985; from memory).
fn fit(cells: &[Shared], row: impl Fn(&Shared) -> [f64; 2], columns: usize) -> Option<[Measured; 2]> {
    let mut weights: Vec<f64> = cells.iter().map(|c| 1.0 / c.variance).collect();
    let (mut beta, mut inverse) = solve(cells, &row, &weights, columns)?;
    let residual =
        |cell: &Shared, beta: &[f64; 2]| cell.difference - row(cell)[0] * beta[0] - row(cell)[1] * beta[1];
    let mut scale = 1.0f64;
    for _ in 0..ROUNDS {
        let mut sizes: Vec<(f64, f64)> =
            cells.iter().map(|c| (residual(c, &beta).abs() / c.variance.sqrt(), 1.0)).collect();
        scale = (weighted_median(&mut sizes)? * MAD_TO_SD).max(1.0);
        for (weight, cell) in weights.iter_mut().zip(cells) {
            let u = residual(cell, &beta) / (scale * cell.variance.sqrt());
            *weight = huber_weight(u, HUBER_K) / cell.variance;
        }
        (beta, inverse) = solve(cells, &row, &weights, columns)?;
    }
    let mut meat = [[0.0; 2]; 2];
    for (cell, weight) in cells.iter().zip(&weights) {
        let x = row(cell);
        let leverage = weight * quadratic(&inverse, x);
        let score = weight * residual(cell, &beta) / (1.0 - leverage).max(0.05);
        for a in 0..2 {
            for b in 0..2 {
                meat[a][b] += score * score * x[a] * x[b];
            }
        }
    }
    let measured = |k: usize| {
        let sandwich = quadratic(&meat, inverse[k]);
        let by_model = inverse[k][k] * scale * scale;
        Measured { value: beta[k], std_error: (sandwich.max(by_model) * SHARED_CELLS).sqrt() }
    };
    Some([measured(0), measured(1)])
}

/// `xᵀ M x`.
fn quadratic(m: &[[f64; 2]; 2], x: [f64; 2]) -> f64 {
    x[0] * (m[0][0] * x[0] + m[0][1] * x[1]) + x[1] * (m[1][0] * x[0] + m[1][1] * x[1])
}

/// Weighted least squares: the coefficients and the inverse normal matrix.
fn solve(
    cells: &[Shared],
    row: &impl Fn(&Shared) -> [f64; 2],
    weights: &[f64],
    columns: usize,
) -> Option<([f64; 2], [[f64; 2]; 2])> {
    let mut normal = [[0.0; 2]; 2];
    let mut right = [0.0; 2];
    for (cell, weight) in cells.iter().zip(weights) {
        let x = row(cell);
        for a in 0..2 {
            right[a] += weight * x[a] * cell.difference;
            for b in 0..2 {
                normal[a][b] += weight * x[a] * x[b];
            }
        }
    }
    let inverse = match columns {
        1 => [[1.0 / normal[0][0], 0.0], [0.0, 0.0]],
        _ => {
            let determinant = normal[0][0] * normal[1][1] - normal[0][1] * normal[1][0];
            let n = normal.map(|line| line.map(|v| v / determinant));
            [[n[1][1], -n[0][1]], [-n[1][0], n[0][0]]]
        }
    };
    let beta = [0, 1].map(|k| inverse[k][0] * right[0] + inverse[k][1] * right[1]);
    beta.iter().all(|b| b.is_finite()).then_some((beta, inverse))
}
