//! The middle of some numbers, and second moments of pairs about their means: correlation, slope, spread.

/// Sums over pairs of what lies off their means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    n: f64,
    aa: f64,
    bb: f64,
    ab: f64,
}

impl Moments {
    /// Those of some pairs; none where there are none.
    pub fn of(pairs: &[(f64, f64)]) -> Option<Self> {
        if pairs.is_empty() {
            return None;
        }
        let n = pairs.len() as f64;
        let (sum_a, sum_b) = pairs.iter().fold((0.0, 0.0), |(a, b), pair| (a + pair.0, b + pair.1));
        let (mean_a, mean_b) = (sum_a / n, sum_b / n);
        let (mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0);
        for (a, b) in pairs {
            let (a, b) = (a - mean_a, b - mean_b);
            aa += a * a;
            bb += b * b;
            ab += a * b;
        }
        Some(Self { n, aa, bb, ab })
    }

    /// Pearson's correlation; none where one of the two never moves.
    pub fn correlation(&self) -> Option<f64> {
        let scale = (self.aa * self.bb).sqrt();
        (scale > 0.0).then(|| self.ab / scale)
    }

    /// How much the second rises with the first, by least squares; none where the first never moves.
    pub fn slope(&self) -> Option<f64> {
        (self.aa > 0.0).then(|| self.ab / self.aa)
    }

    /// Standard deviation of the second, of them all.
    pub fn spread(&self) -> f64 {
        (self.bb / self.n).sqrt()
    }
}

/// The median of the values that are there.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut there: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    if there.is_empty() {
        return None;
    }
    let middle = there.len() / 2;
    Some(*there.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_its_slope_and_what_never_moves_has_none() {
        let line: Vec<(f64, f64)> = (0..30).map(|i| (f64::from(i), 5.0 - 2.0 * f64::from(i))).collect();
        let moments = Moments::of(&line).expect("pairs");
        assert!((moments.correlation().expect("moves") + 1.0).abs() < 1e-12);
        assert!((moments.slope().expect("moves") + 2.0).abs() < 1e-12);
        // Of 0 to n-1 the variance is (n² - 1)/12, by hand.
        assert!((moments.spread() - 2.0 * (899.0f64 / 12.0).sqrt()).abs() < 1e-12);
        let still = Moments::of(&[(1.0, 2.0); 30]).expect("pairs");
        assert_eq!((still.correlation(), still.slope(), still.spread()), (None, None, 0.0));
        assert_eq!(Moments::of(&[]), None);
    }
}
