//! One ride's samples → the sums of every cell it came near.

use super::robust::median_and_mad;
use super::{Averaging, CellSums, MAD_TO_SD, huber_weight};
use crate::table::{Grid, Place};

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
    OnGrid::new(ride, grid).sums(settings)
}

/// One ride's samples on today's grid: what all its sums begin with.
pub struct OnGrid<'a> {
    pub(super) ride: &'a RideSamples,
    pub(super) grid: &'a Grid,
    /// Where each sample lies.
    pub(super) places: Vec<Place>,
    /// The samples in ascending order of what they ask for.
    pub(super) by_factor: Vec<u32>,
}

impl<'a> OnGrid<'a> {
    /// Looks up the samples' places and puts them in order.
    pub fn new(ride: &'a RideSamples, grid: &'a Grid) -> Self {
        let points = ride.samples.iter().map(|s| (s.rpm, s.load));
        let mut order: Vec<(f64, u32)> = (0..).zip(&ride.samples).map(|(i, s)| (s.factor, i)).collect();
        order.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        Self {
            ride,
            grid,
            places: grid.places(points),
            by_factor: order.into_iter().map(|(_, sample)| sample).collect(),
        }
    }

    /// The sums of every cell, as [`accumulate`] has them.
    ///
    /// Shape: one entry a cell, in table order.
    pub fn sums(&self, settings: &Averaging) -> Vec<CellSums> {
        let ride = self.ride;
        let spreads = self.spreads(settings.noise_floor_pct, |sample| self.shares(sample));
        let fresh = fresh_share(ride.interval_s, ride.memory_s);
        let away_s = ride.interval_s * 1.5 + settings.dwell_gap_s;
        let open = |spread: &Option<(f64, f64)>| OpenCell::new(*spread, settings.outlier_k);
        let mut cells: Vec<OpenCell> = spreads.iter().map(open).collect();
        for (i, sample) in ride.samples.iter().enumerate() {
            for (cell, share) in self.shares(i) {
                cells[cell].add(sample, share * ride.interval_s, away_s);
            }
        }
        let closed = cells.into_iter().zip(&ride.ridden_amounts);
        closed.map(|(cell, amount)| cell.close(fresh).scaled(*amount)).collect()
    }

    /// The cells that a sample speaks for, each with its share.
    pub fn shares(&self, sample: usize) -> impl Iterator<Item = (usize, f64)> + use<'_> {
        let corners = self.places[sample].corners();
        let certainty = self.ride.samples[sample].certainty;
        let shares = corners.cells.into_iter().zip(corners.weights.map(|weight| weight * certainty));
        // What held no fuel when it was ridden cannot say how much it should have held.
        shares.filter(|(cell, share)| *share > 0.0 && self.ride.ridden_amounts[*cell] > 0.0)
    }

    /// The weighted median of what the samples ask of each cell, and the robust
    /// spread about it but for a floor; `None` where no sample speaks.
    pub(super) fn spreads<I: Iterator<Item = (usize, f64)>>(
        &self,
        floor_pct: f64,
        shares: impl Fn(usize) -> I,
    ) -> Vec<Option<(f64, f64)>> {
        let mut counts = vec![0; self.grid.cells()];
        (0..self.places.len()).flat_map(&shares).for_each(|(cell, _)| counts[cell] += 1);
        let mut asked: Vec<Vec<(f64, f64)>> = counts.into_iter().map(Vec::with_capacity).collect();
        for &sample in &self.by_factor {
            let factor = self.ride.samples[sample as usize].factor;
            shares(sample as usize).for_each(|(cell, share)| asked[cell].push((factor, share)));
        }
        let spread = |asked: Vec<(f64, f64)>| {
            let (centre, mad) = median_and_mad(&asked)?;
            let floor = floor_pct / 100.0 * centre.abs();
            Some((centre, (mad * MAD_TO_SD).max(floor)))
        };
        asked.into_iter().map(spread).collect()
    }
}

/// A cell while the samples of a ride come in, in order of time.
struct OpenCell {
    /// The ride's own median here, and how far from it a sample loses weight.
    centre: f64,
    reach: f64,
    last_s: f64,
    /// Weight and weighted factor of the dwell that goes on.
    dwell: (f64, f64),
    sums: CellSums,
}

impl OpenCell {
    fn new(spread: Option<(f64, f64)>, outlier_k: f64) -> Self {
        let (centre, spread) = spread.unwrap_or((f64::NAN, f64::NAN));
        Self {
            centre,
            reach: outlier_k * spread,
            last_s: f64::NEG_INFINITY,
            dwell: (0.0, 0.0),
            sums: CellSums::default(),
        }
    }

    fn add(&mut self, sample: &Sample, weight: f64, away_s: f64) {
        if sample.time_s - self.last_s > away_s {
            self.end_dwell();
        }
        self.last_s = sample.time_s;
        let weight = weight * huber_weight(sample.factor - self.centre, self.reach);
        self.sums.w += weight;
        self.sums.wy += weight * sample.factor;
        self.sums.ww += weight * weight;
        self.dwell.0 += weight;
        self.dwell.1 += weight * sample.factor;
    }

    fn end_dwell(&mut self) {
        if self.dwell.0 > 0.0 {
            self.sums.add_dwell(self.dwell.0, self.dwell.1);
            self.dwell = (0.0, 0.0);
        }
    }

    fn close(mut self, fresh: f64) -> CellSums {
        self.end_dwell();
        self.sums.ww /= fresh;
        self.sums.close_ride();
        self.sums
    }
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
