//! Value and slope of a noisy series at its own samples, by local polynomial regression.
//!
//! A parabola is fitted by least squares to the samples within half a window of each sample; its
//! value and its slope in the middle are the answer. Raw differences would multiply the noise.
//!
//! # Source
//! A. Savitzky and M. J. E. Golay, Analytical Chemistry 36 (1964) 1627, for even sampling, where
//! this gives the same numbers; J. Fan and I. Gijbels, Local Polynomial Modelling (1996), for any.

/// Fewest samples a parabola is fitted to; with three it would follow the noise.
const FEWEST: usize = 5;
/// Slack for times that are decimal fractions, as a share of the half window.
const SLACK: f64 = 1e-6;

/// The fit at one sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Local {
    /// The parabola's value at the sample.
    pub value: f64,
    /// Its slope there, per s.
    pub slope: f64,
    /// Variance of the value over that of one reading.
    pub value_variance: f64,
    /// Variance of the slope over that of one reading, 1/s².
    pub slope_variance: f64,
}

/// The fit at the sample `at`; `None` where the series does not reach half a window to both sides
/// or holds too few readings.
///
/// Units: times in s, ascending strictly; `half_s` is half the window; NaN is no reading.
pub fn fit(time_s: &[f64], values: &[f64], at: usize, half_s: f64) -> Option<Local> {
    let here_s = *time_s.get(at)?;
    let reach = half_s * (1.0 + SLACK);
    let inner = half_s * (1.0 - SLACK);
    let covered = *time_s.first()? <= here_s - inner && *time_s.last()? >= here_s + inner;
    if !covered {
        return None;
    }
    let from = time_s.partition_point(|t| *t < here_s - reach);
    let to = time_s.partition_point(|t| *t <= here_s + reach);
    // Moments of time in half windows, so that they are all of one size.
    let mut s = [0.0; 5];
    let mut b = [0.0; 3];
    let mut readings = 0;
    for (t, y) in time_s[from..to].iter().zip(&values[from..to]).filter(|(_, y)| !y.is_nan()) {
        let u = (t - here_s) / half_s;
        let powers = [1.0, u, u * u, u * u * u, u * u * u * u];
        s.iter_mut().zip(powers).for_each(|(sum, p)| *sum += p);
        b.iter_mut().zip(powers).for_each(|(sum, p)| *sum += p * y);
        readings += 1;
    }
    if readings < FEWEST {
        return None;
    }
    // The two upper rows of the inverse of [[s0 s1 s2] [s1 s2 s3] [s2 s3 s4]], by cofactors.
    let c00 = s[2] * s[4] - s[3] * s[3];
    let c01 = s[2] * s[3] - s[1] * s[4];
    let c02 = s[1] * s[3] - s[2] * s[2];
    let c11 = s[0] * s[4] - s[2] * s[2];
    let c12 = s[1] * s[2] - s[0] * s[3];
    let det = s[0] * c00 + s[1] * c01 + s[2] * c02;
    if det.is_nan() || det <= f64::EPSILON * (readings as f64).powi(3) {
        return None;
    }
    Some(Local {
        value: (c00 * b[0] + c01 * b[1] + c02 * b[2]) / det,
        slope: (c01 * b[0] + c11 * b[1] + c12 * b[2]) / det / half_s,
        value_variance: c00 / det,
        slope_variance: c11 / det / (half_s * half_s),
    })
}

/// Standard deviation of one reading, from what the fits leave over.
///
/// `fits` belong to `values`, sample by sample; `None` when there is nothing left over to tell.
pub fn noise_sd(values: &[f64], fits: &[Option<Local>]) -> Option<f64> {
    let mut left = 0.0;
    let mut free = 0.0;
    for (value, fit) in values.iter().zip(fits) {
        if let Some(fit) = fit.filter(|_| !value.is_nan()) {
            left += (value - fit.value).powi(2);
            free += 1.0 - fit.value_variance;
        }
    }
    (free > 0.0).then(|| (left / free).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_parabola_comes_back_whatever_the_sampling_and_the_gaps() {
        let time_s: Vec<f64> = (0..60).map(|i| 0.05 * f64::from(i) + 0.01 * f64::from(i % 3)).collect();
        let mut values: Vec<f64> = time_s.iter().map(|t| 3.0 - 2.0 * t + 0.7 * t * t).collect();
        values[30] = f64::NAN;
        for at in [12, 30, 41] {
            let local = fit(&time_s, &values, at, 0.4).expect("inside");
            let t = time_s[at];
            assert!((local.value - (3.0 - 2.0 * t + 0.7 * t * t)).abs() < 1e-10);
            assert!((local.slope - (-2.0 + 1.4 * t)).abs() < 1e-9);
        }
        assert!(fit(&time_s, &values, 3, 0.4).is_none(), "half the window is missing");
        assert!(fit(&time_s, &values, 30, 0.05).is_none(), "too few readings");
    }

    #[test]
    fn noise_is_told_from_what_is_left_over() {
        // Even steps from -1 to 1 in a scattered order have a standard deviation of 1/√3.
        let time_s: Vec<f64> = (0..200).map(|i| 0.05 * f64::from(i)).collect();
        let values: Vec<f64> = (0..200).map(|i| 10.0 + f64::from(i * 79 % 199) / 99.0 - 1.0).collect();
        let fits: Vec<_> = (0..200).map(|i| fit(&time_s, &values, i, 0.5)).collect();
        let sd = noise_sd(&values, &fits).expect("left over");
        assert!((sd * 3f64.sqrt() - 1.0).abs() < 0.15, "{sd}");
    }

    proptest! {
        #[test]
        fn no_series_panics(
            values in prop::collection::vec(prop_oneof![any::<f64>(), Just(f64::NAN)], 0..40),
            half_s in 0.0..2.0f64, at in 0usize..50,
        ) {
            let time_s: Vec<f64> = (0..values.len()).map(|i| i as f64 * 0.05).collect();
            let _ = fit(&time_s, &values, at, half_s);
        }
    }
}
