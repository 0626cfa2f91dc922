//! How steady a signal is, as one number that noise does not fool.

/// Weights of the three filters of the ratio statistic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatioFilters {
    /// Of the running mean, λ1.
    pub mean: f64,
    /// Of the deviations from the running mean, λ2.
    pub deviation: f64,
    /// Of the steps from sample to sample, λ3.
    pub step: f64,
}

/// The ratio of two estimates of a signal's variance: one from its deviations
/// from a running mean, one from its steps. About 1 for a steady signal with
/// white noise, larger while the mean moves.
///
/// `noise` is the standard deviation below which movement is taken for noise;
/// it keeps quantised signals from giving 0/0. Values must be finite.
///
/// Shape: one ratio a value.
///
/// # Source
/// Cao and Rhinehart, An efficient method for on-line identification of steady
/// state, Journal of Process Control 5(6):363–374 (1995); the recursions are from
/// memory and are checked against a script in `tests/reference`.
pub fn variance_ratio(values: &[f64], filters: RatioFilters, noise: f64) -> Vec<f64> {
    let variance_floor = noise * noise;
    let mut mean = values.first().copied().unwrap_or_default();
    let mut last = mean;
    // As if steady with just that noise before the first value.
    let mut deviation = variance_floor / (2.0 - filters.mean) * 2.0;
    let mut step = 2.0 * variance_floor;
    let mut ratios = Vec::with_capacity(values.len());
    for &value in values {
        deviation = filters.deviation * (value - mean).powi(2) + (1.0 - filters.deviation) * deviation;
        mean = filters.mean * value + (1.0 - filters.mean) * mean;
        step = filters.step * (value - last).powi(2) + (1.0 - filters.step) * step;
        last = value;
        let seen = step.max(2.0 * variance_floor);
        ratios.push(if seen > 0.0 { (2.0 - filters.mean) * deviation / seen } else { 1.0 });
    }
    ratios
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    const FILTERS: RatioFilters = RatioFilters { mean: 0.1, deviation: 0.1, step: 0.1 };

    fn noise(n: usize) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        (0..n).map(|_| StandardNormal.sample(&mut rng)).collect()
    }

    fn percentile(ratios: &mut [f64], share: f64) -> f64 {
        ratios.sort_by(f64::total_cmp);
        ratios[(ratios.len() as f64 * share) as usize]
    }

    #[test]
    fn white_noise_stays_near_one() {
        // 5, 50, 95 and 99 % of the ratio for white noise and weights of 0.1:
        // 0.75, 1.00, 1.49, 1.84; computed for this project by simulation.
        let mut ratios = variance_ratio(&noise(200_000), FILTERS, 1e-9).split_off(200);
        for (share, wanted) in [(0.05, 0.75), (0.50, 1.00), (0.95, 1.49), (0.99, 1.84)] {
            let got = percentile(&mut ratios, share);
            assert!((got - wanted).abs() < 0.03, "{share}: {got} for {wanted}");
        }
    }

    #[test]
    fn a_ramp_stands_out_from_its_noise() {
        // A ramp of 0.2 standard deviations a sample gives a mean ratio near 2.
        let moving: Vec<f64> = noise(50_000).iter().enumerate().map(|(i, n)| n + 0.2 * i as f64).collect();
        let ratios = variance_ratio(&moving, RatioFilters { mean: 0.2, ..FILTERS }, 1e-9);
        let mean = ratios[500..].iter().sum::<f64>() / (ratios.len() - 500) as f64;
        assert!(mean > 1.2, "{mean}");
        let jump: Vec<f64> = (0..100).map(|i| if i < 50 { 10.0 } else { 40.0 }).collect();
        let ratios = variance_ratio(&jump, FILTERS, 0.3);
        assert!(ratios[49] < 1.01 && ratios[60] > 5.0);
    }

    #[test]
    fn a_constant_signal_is_steady() {
        assert!(variance_ratio(&[3.0; 50], FILTERS, 0.1).iter().all(|r| *r <= 1.0 + 1e-12));
        assert!(variance_ratio(&[3.0; 50], FILTERS, 0.0).iter().all(|r| *r == 1.0));
        assert!(variance_ratio(&[], FILTERS, 0.1).is_empty());
    }
}
