//! One ride's samples → the sums of every cell it came near.

use super::{Averaging, CellSums, MAD_TO_SD, huber_weight, weighted_median};
use crate::table::{Corners, Grid};

/// A kept sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Since the start of the ride, s.
    pub time_s: f64,
    /// Engine speed, 1/min.
    pub rpm: f64,
    /// Load, in the unit of the table's axis.
    pub load: f64,
    /// How much more fuel the engine should have had than it was given:
    /// `(1 + trim) · lambda measured / lambda wanted`, air brought to the
    /// reference where the controller does not.
    pub factor: f64,
    /// How much it counts beside a sample of steady running, 0 to 1.
    pub certainty: f64,
}

/// The kept samples of one ride, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct RideSamples {
    /// The samples.
    pub samples: Vec<Sample>,
    /// How long one sample stands for, s.
    pub interval_s: f64,
    /// Time constant over which neighbouring samples tell the same, s.
    pub memory_s: f64,
    /// The amount of fuel that each cell of today's grid held in the ridden table.
    pub ridden_amounts: Vec<f64>,
}

/// A sample's share in one cell.
struct Share {
    sample: usize,
    weight: f64,
}

/// Sums up one ride.
///
/// A sample asks for `required = table_ridden(rpm, load) · factor` at its own
/// operating point. It is carried to each of its four cells along the ridden
/// table's own slope, that is as `table_ridden[cell] · factor`: a map that is
/// right everywhere is then left exactly as it is, however unevenly the
/// neighbourhood of a cell was ridden.
///
/// Known weakness: errors that change from cell to cell are smeared over
/// neighbours within one pass, since every sample speaks for all its four cells.
///
/// Shape: one entry a cell of `grid`, in table order.
pub fn accumulate(ride: &RideSamples, grid: &Grid, settings: &Averaging) -> Vec<CellSums> {
    let corners: Vec<Corners> = ride.samples.iter().map(|s| grid.corners(s.rpm, s.load)).collect();
    let mut shares: Vec<Vec<Share>> = (0..grid.cells()).map(|_| Vec::new()).collect();
    for (sample, corner) in corners.iter().enumerate() {
        for (cell, weight) in corner.cells.into_iter().zip(corner.weights) {
            // What held no fuel when it was ridden cannot say how much it should have held.
            if weight * ride.samples[sample].certainty > 0.0 && ride.ridden_amounts[cell] > 0.0 {
                shares[cell].push(Share { sample, weight: weight * ride.samples[sample].certainty });
            }
        }
    }
    let fresh = fresh_share(ride.interval_s, ride.memory_s);
    let cells = shares.iter().zip(&ride.ridden_amounts);
    cells.map(|(shares, amount)| sum_cell(ride, shares, fresh, settings).scaled(*amount)).collect()
}

/// How much of a sample is new when the one before it is known.
///
/// # Source
/// `n_eff = n (1 − ρ)/(1 + ρ)` for an AR(1) series, ρ = exp(−interval/memory)
/// for a first-order lag (Bayley and Hammersley 1946; from memory).
fn fresh_share(interval_s: f64, memory_s: f64) -> f64 {
    if memory_s <= 0.0 || interval_s <= 0.0 {
        return 1.0;
    }
    let rho = (-interval_s / memory_s).exp();
    (1.0 - rho) / (1.0 + rho)
}

fn sum_cell(ride: &RideSamples, shares: &[Share], fresh: f64, settings: &Averaging) -> CellSums {
    let mut sums = CellSums::default();
    let Some((centre, spread)) = centre_and_spread(ride, shares, settings) else {
        return sums;
    };
    let mut dwell = (0.0, 0.0);
    let mut last_time = f64::NEG_INFINITY;
    for share in shares {
        let sample = &ride.samples[share.sample];
        if sample.time_s - last_time > ride.interval_s * 1.5 + settings.dwell_gap_s && dwell.0 > 0.0 {
            sums.add_dwell(dwell.0, dwell.1);
            dwell = (0.0, 0.0);
        }
        last_time = sample.time_s;
        let robust = huber_weight((sample.factor - centre) / spread, settings.outlier_k);
        let weight = share.weight * ride.interval_s * robust;
        sums.w += weight;
        sums.wy += weight * sample.factor;
        sums.ww += weight * weight / fresh;
        dwell.0 += weight;
        dwell.1 += weight * sample.factor;
    }
    if dwell.0 > 0.0 {
        sums.add_dwell(dwell.0, dwell.1);
    }
    sums.close_ride();
    sums
}

/// The ride's own weighted median of a cell, and the robust spread about it.
fn centre_and_spread(ride: &RideSamples, shares: &[Share], settings: &Averaging) -> Option<(f64, f64)> {
    let pairs = shares.iter().map(|s| (ride.samples[s.sample].factor, s.weight)).collect();
    centre_and_spread_of(pairs, settings.noise_floor_pct)
}

/// Weighted median of values, and the robust spread about it but for a floor.
pub(super) fn centre_and_spread_of(mut pairs: Vec<(f64, f64)>, floor_pct: f64) -> Option<(f64, f64)> {
    let centre = weighted_median(&mut pairs)?;
    for pair in &mut pairs {
        pair.0 = (pair.0 - centre).abs();
    }
    let mad = weighted_median(&mut pairs)?;
    let floor = floor_pct / 100.0 * centre.abs();
    Some((centre, (mad * MAD_TO_SD).max(floor)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::Axis;

    fn grid() -> Grid {
        Grid {
            rpm: Axis::new(vec![1000.0, 2000.0, 3000.0]).expect("valid"),
            load: Axis::new(vec![0.0, 10.0, 20.0]).expect("valid"),
        }
    }

    fn ride(samples: Vec<Sample>) -> RideSamples {
        RideSamples { samples, interval_s: 0.05, memory_s: 0.1, ridden_amounts: vec![50.0; 9] }
    }

    fn at(time_s: f64, rpm: f64, load: f64, factor: f64) -> Sample {
        Sample { time_s, rpm, load, factor, certainty: 1.0 }
    }

    #[test]
    fn a_right_map_is_left_alone_wherever_it_was_ridden() {
        let samples = (0..200).map(|i| at(f64::from(i) * 0.05, 1900.0 - f64::from(i), 3.0, 1.0));
        let mut ride = ride(samples.collect());
        ride.ridden_amounts = (0..9).map(|i| 20.0 + 10.0 * f64::from(i)).collect();
        for (sums, amount) in
            accumulate(&ride, &grid(), &Averaging::default()).iter().zip(&ride.ridden_amounts)
        {
            if let Some(mean) = sums.mean() {
                assert!((mean - amount).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn leaving_the_neighbourhood_ends_a_dwell() {
        let mut samples = Vec::new();
        for visit in 0..4 {
            for i in 0..20 {
                samples.push(at(f64::from(visit) * 10.0 + f64::from(i) * 0.05, 1000.0, 0.0, 1.02));
            }
        }
        let sums = accumulate(&ride(samples), &grid(), &Averaging::default());
        assert_eq!(sums[0].dwells, 4);
        assert!((sums[0].w - 4.0).abs() < 1e-9, "weight is seconds");
        assert_eq!(sums[0].rides, 1);
        assert_eq!(sums[8].dwells, 0);
    }

    #[test]
    fn a_few_wild_values_hardly_count() {
        let mut samples: Vec<Sample> =
            (0..100).map(|i| at(f64::from(i) * 0.05, 1000.0, 0.0, 1.0 + 0.001 * f64::from(i % 3))).collect();
        for i in 0..5 {
            samples[i * 20].factor = 1.5;
        }
        let sums = accumulate(&ride(samples), &grid(), &Averaging::default());
        let mean = sums[0].mean().expect("visited") / 50.0;
        assert!((mean - 1.001).abs() < 0.002, "{mean}");
    }
}
