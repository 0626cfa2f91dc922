//! A ride held against the others: is it off as a whole, or the more the less
//! gas flows?
//!
//! Each ride's sums enter, with the gas flow of each cell; for each ride comes
//! out how far it lies off the median of the others (its sensor, the fuel, the
//! weather), and how much of that grows as the flow falls, as false air does
//! that a leak draws in ahead of the sensor. What the engine itself does at low
//! flow, such as reversion, is in all rides alike and cancels.
//!
//! A controller corrects the air's temperature by the density law, `1/T`; a throttle
//! passes `1/√T` where its flow is choked, so that a warm day reads lean at low
//! flow. What the weather may explain is handed out beside the rest.
//!
//! Known weakness: each ride's cell means are smeared by where in the cell it
//! rode, so that a map that is far off makes rides look more unlike than they
//! are; the scatter of the cells is in the error, so such rides are judged mildly.

use super::{CellSums, HUBER_K, MAD_TO_SD, Spread, huber_weight, lower_median, weighted_median};
use crate::physics::air::REFERENCE_TEMP_C;
use crate::units::kelvin;

/// One ride of a run.
#[derive(Debug, Clone, Copy)]
pub struct RideSums<'a> {
    /// Its sums, one entry a cell in table order.
    pub cells: &'a [CellSums],
    /// The air it breathed, °C, where the log tells.
    pub air_temp_c: Option<f64>,
}

/// What rides are held against each other by.
#[derive(Debug, Clone, Copy)]
pub struct Scales<'a> {
    /// Gas flow of each cell, in table order, kg/s.
    pub flow_kg_s: &'a [f64],
    /// How far visits and rides differ by chance.
    pub spread: Spread,
    /// The exponent of the air temperature that the controller's correction may be
    /// wrong by at low flow.
    pub air_temp_exponent: f64,
}

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
    /// How much of a difference the weather may make, as a share: positive on the
    /// warmer ride, negative on the colder one.
    pub by_weather: f64,
    /// How much warmer its air was than that of the others, where logs tell, °C.
    pub warmer_c: Option<f64>,
}

impl RideComparison {
    /// What is left of a difference when the weather has explained what it can.
    pub fn beyond_weather(&self, measured: Measured) -> Measured {
        let toward = match self.warmer_c {
            Some(_) => self.by_weather,
            None => self.by_weather.copysign(measured.value),
        };
        let left = match measured.value.signum() == toward.signum() {
            true if measured.value.abs() <= toward.abs() => 0.0,
            true => measured.value - toward,
            false => measured.value,
        };
        Measured { value: left, ..measured }
    }
}

/// How much leaner a ride reads as the flow falls: `difference = a + effect · lowest flow/flow`.
#[derive(Debug, Clone, PartialEq)]
pub struct FalseAir {
    /// At the least flow of the cells it shares with others, as a share.
    pub effect: Measured,
    /// That flow, kg/s.
    pub lowest_flow_kg_s: f64,
    /// The false air that would do it, kg/s.
    pub leak_kg_s: f64,
    cells: Vec<Shared>,
}

impl FalseAir {
    /// The effect without the cell that tells most of it: a leak shows in every cell
    /// of low flow; one odd cell is not a leak.
    pub fn effect_without_strongest(&self) -> f64 {
        let line = |cell: &Shared| [1.0, self.lowest_flow_kg_s / cell.flow_kg_s];
        let without = (0..self.cells.len()).filter_map(|left_out| {
            let mut rest = self.cells.clone();
            rest.remove(left_out);
            Some(fit(&rest, line, 2)?[1].value)
        });
        without.fold(self.effect.value, f64::min)
    }
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
/// Rides whose air nobody logged are taken to differ by this, °C. Common practice, no source.
const UNKNOWN_AIR_C: f64 = 10.0;
/// Rounds of reweighting; they settle within three.
const ROUNDS: usize = 8;

/// A cell that the ride and others rode.
#[derive(Debug, Clone, Copy, PartialEq)]
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
pub fn compare_rides(rides: &[RideSums<'_>], scales: &Scales<'_>) -> Vec<Option<RideComparison>> {
    let known_of = |ride: &RideSums<'_>| {
        ride.cells.iter().map(|cell| mean_and_variance(cell, &scales.spread)).collect::<Vec<_>>()
    };
    let known: Vec<_> = rides.iter().map(known_of).collect();
    let of_cell = |cell: usize| CellOfAll::new(known.iter().filter_map(|known| known[cell]).collect());
    let cells: Vec<CellOfAll> = (0..scales.flow_kg_s.len()).map(of_cell).collect();
    (0..rides.len()).map(|ride| compare(ride, rides, &known, &cells, scales)).collect()
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
    rides: &[RideSums<'_>],
    known: &[Vec<Option<(f64, f64)>>],
    all: &[CellOfAll],
    scales: &Scales<'_>,
) -> Option<RideComparison> {
    let mut cells = Vec::new();
    for (cell, flow_kg_s) in scales.flow_kg_s.iter().enumerate() {
        let Some((mean, variance)) = known[ride][cell] else { continue };
        let Some((middle, middle_variance)) = all[cell].without((mean, variance)) else { continue };
        cells.push(Shared {
            difference: mean / middle - 1.0,
            variance: variance + middle_variance + CELL_SPREAD * CELL_SPREAD,
            flow_kg_s: *flow_kg_s,
        });
    }
    if cells.len() < FEWEST_CELLS {
        return None;
    }
    // Who shares but a few cells is no judge of the whole ride.
    let shares = |other: &[Option<(f64, f64)>]| {
        known[ride].iter().zip(other).filter(|(own, other)| own.is_some() && other.is_some()).count()
    };
    let met: Vec<bool> =
        (0..known.len()).map(|other| other != ride && shares(&known[other]) >= FEWEST_CELLS).collect();
    let others = met.iter().filter(|met| **met).count();
    if others == 0 {
        return None;
    }
    let lowest = cells.iter().map(|c| c.flow_kg_s).fold(f64::INFINITY, f64::min);
    let shared_cells = cells.len();
    let mut offset = fit(&cells, |_| [1.0, 0.0], 1)?[0];
    // Rides differ by chance as a whole, and so do those it is held against.
    let by_chance = scales.spread.ride * scales.spread.ride * (1.0 + 1.0 / others as f64);
    offset.std_error = (offset.std_error * offset.std_error + by_chance).sqrt();
    let warmer_c = warmer_than_others(ride, rides, &met);
    Some(RideComparison {
        others,
        cells: shared_cells,
        offset,
        false_air: false_air(cells, lowest),
        by_weather: scales.air_temp_exponent * warmer_c.unwrap_or(UNKNOWN_AIR_C) / kelvin(REFERENCE_TEMP_C),
        warmer_c,
    })
}

/// How much warmer a ride's air was than that of the rides it met, °C.
fn warmer_than_others(ride: usize, rides: &[RideSums<'_>], met: &[bool]) -> Option<f64> {
    let others: Vec<f64> =
        rides.iter().zip(met).filter(|(_, met)| **met).filter_map(|(r, _)| r.air_temp_c).collect();
    let mean = others.iter().sum::<f64>() / others.len() as f64;
    rides[ride].air_temp_c.map(|own| own - mean).filter(|warmer| warmer.is_finite())
}

fn false_air(cells: Vec<Shared>, lowest_flow_kg_s: f64) -> Option<FalseAir> {
    let share_of = |cell: &Shared| lowest_flow_kg_s / cell.flow_kg_s;
    let mut shares: Vec<(f64, f64)> = cells.iter().map(|c| (share_of(c), 1.0 / c.variance)).collect();
    if weighted_median(&mut shares)? > FLOW_SPAN {
        return None;
    }
    let effect = fit(&cells, |cell| [1.0, share_of(cell)], 2)?[1];
    Some(FalseAir { effect, lowest_flow_kg_s, leak_kg_s: effect.value * lowest_flow_kg_s, cells })
}

/// What all rides ask of one cell.
struct CellOfAll {
    /// Each ride's mean and relative variance.
    rides: Vec<(f64, f64)>,
    /// Their robust mean, where it is not sought anew without each of them.
    middle: f64,
    /// The weight of all, and of those alone that keep all of theirs.
    weight: f64,
    full_weight: f64,
}

/// Up to so many rides the middle of the others is sought anew for each. One of more
/// moves the middle of all so little that one Newton step from there finds that of the
/// others.
const FEW_RIDES: usize = 16;

impl CellOfAll {
    fn new(rides: Vec<(f64, f64)>) -> Self {
        let middle = match rides.len() {
            0..=FEW_RIDES => None,
            _ => middle_of(&rides),
        };
        let middle = middle.map_or(f64::NAN, |(middle, _)| middle);
        let (mut weight, mut full_weight) = (0.0, 0.0);
        for ride in &rides {
            let (all, full) = weights(*ride, middle);
            weight += all;
            full_weight += full;
        }
        Self { rides, middle, weight, full_weight }
    }

    /// The robust mean of the rides but one, and its relative variance.
    fn without(&self, ride: (f64, f64)) -> Option<(f64, f64)> {
        if self.rides.len() > FEW_RIDES {
            let (own, own_full) = weights(ride, self.middle);
            let weight = self.weight - own;
            // A ride that has lost weight pulls the same wherever the middle is.
            const LEAST_FULL: f64 = 0.5;
            let stiffness = (self.full_weight - own_full).max(LEAST_FULL * weight);
            let middle = self.middle - own * (ride.0 - self.middle) / stiffness;
            return Some((middle, 1.0 / weight));
        }
        let mut others = self.rides.clone();
        others.remove(others.iter().position(|other| *other == ride)?);
        middle_of(&others)
    }
}

/// A ride's weight in the robust mean about `middle`, and the same if it keeps all of
/// its weight, else 0.
fn weights((mean, variance): (f64, f64), middle: f64) -> (f64, f64) {
    let variance = variance + CELL_SPREAD * CELL_SPREAD;
    let robust = huber_weight((mean / middle - 1.0) / variance.sqrt(), HUBER_K);
    let weight = robust / variance;
    (weight, if robust < 1.0 { 0.0 } else { weight })
}

/// A robust mean of rides, and its relative variance.
fn middle_of(rides: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut pairs: Vec<(f64, f64)> =
        rides.iter().map(|(mean, variance)| (*mean, 1.0 / (variance + CELL_SPREAD * CELL_SPREAD))).collect();
    let mut middle = weighted_median(&mut pairs)?;
    let mut weight = 0.0;
    for _ in 0..ROUNDS {
        let mut sum = 0.0;
        weight = 0.0;
        for ride in rides {
            let (own, _) = weights(*ride, middle);
            sum += own * ride.0;
            weight += own;
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
        let mut sizes: Vec<f64> =
            cells.iter().map(|c| residual(c, &beta).abs() / c.variance.sqrt()).collect();
        scale = (lower_median(&mut sizes)? * MAD_TO_SD).max(1.0);
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

#[cfg(test)]
mod tests {
    use super::*;

    const SPREAD: Spread = Spread { dwell: 0.02, ride: 0.008, visits: 3.0 };

    fn ride(cells: usize, amount: impl Fn(usize) -> f64) -> Vec<CellSums> {
        let cell = |c: usize| {
            let mut sums = CellSums { w: 8.0, wy: 8.0 * amount(c), ww: 32.0, ..CellSums::default() };
            (0..2).for_each(|_| sums.add_dwell(4.0, 4.0 * amount(c)));
            sums.close_ride();
            sums
        };
        (0..cells).map(cell).collect()
    }

    fn compared(odd: &[CellSums], flow_kg_s: &[f64], air_temp_c: Option<f64>) -> RideComparison {
        let plain = ride(flow_kg_s.len(), |_| 40.0);
        let others = [RideSums { cells: &plain, air_temp_c: Some(20.0) }; 3];
        let rides = [[RideSums { cells: odd, air_temp_c }].as_slice(), &others].concat();
        let scales = Scales { flow_kg_s, spread: SPREAD, air_temp_exponent: 0.5 };
        compare_rides(&rides, &scales).remove(0).expect("enough cells")
    }

    #[test]
    fn an_exact_leak_on_an_exact_offset_is_recovered() {
        let flow: Vec<f64> = (1..=30).map(|i| 1e-3 * f64::from(i)).collect();
        let odd = ride(30, |c| 40.0 * (1.0 - 0.02 + 0.07 * flow[0] / flow[c]));
        let found = compared(&odd, &flow, Some(20.0));
        let air = found.false_air.expect("the flow spans enough");
        assert!((air.effect.value - 0.07).abs() < 1e-9, "{air:?}");
        assert!((air.leak_kg_s - 0.07e-3).abs() < 1e-12 && air.effect.sigmas() > 2.5, "{air:?}");
        assert!(air.effect_without_strongest() > 0.06, "{air:?}");
        assert_eq!((found.others, found.cells), (3, 30));
    }

    #[test]
    fn of_many_rides_one_step_finds_the_middle_of_the_others() {
        let mean =
            |i: usize| 40.0 * (1.0 + 0.03 * (i as f64 * 12.9898).sin() + if i == 7 { 0.2 } else { 0.0 });
        let rides: Vec<(f64, f64)> =
            (0..FEW_RIDES + 4).map(|i| (mean(i), 1e-4 * (1 + i % 3) as f64)).collect();
        let all = CellOfAll::new(rides.clone());
        for left_out in 0..rides.len() {
            let mut others = rides.clone();
            let ride = others.remove(left_out);
            let (quick, sought) = (all.without(ride).expect("rides"), middle_of(&others).expect("rides"));
            assert!((quick.0 / sought.0 - 1.0).abs() < 5e-4, "{left_out}: {quick:?} {sought:?}");
            assert!((quick.1 / sought.1 - 1.0).abs() < 0.05, "{left_out}: {quick:?} {sought:?}");
        }
    }

    #[test]
    fn cells_of_one_flow_tell_an_offset_and_no_leak() {
        let found = compared(&ride(12, |_| 42.0), &[3e-3; 12], Some(20.0));
        assert!((found.offset.value - 0.05).abs() < 1e-9 && found.false_air.is_none());
        // By chance two rides differ by the spread of rides, however many cells there are.
        assert!(found.offset.std_error >= 0.008 * (1.0f64 + 1.0 / 3.0).sqrt());
    }

    #[test]
    fn the_weather_takes_its_share_and_never_turns_a_sign() {
        let at = |air_temp_c| compared(&ride(12, |_| 42.0), &[3e-3; 12], air_temp_c);
        let left = |found: RideComparison| found.beyond_weather(found.offset).value;
        assert!((left(at(Some(20.0))) - 0.05).abs() < 1e-9);
        // 10 K of 298.15 K, to the power of 0.5.
        assert!((left(at(Some(30.0))) - (0.05 - 0.5 * 10.0 / 298.15)).abs() < 1e-9);
        assert!((left(at(Some(10.0))) - 0.05).abs() < 1e-9, "the cold makes nothing lean");
        assert_eq!(left(at(Some(80.0))), 0.0);
        assert!((left(at(None)) - (0.05 - 0.5 * 10.0 / 298.15)).abs() < 1e-9, "unknown air");
    }
}
