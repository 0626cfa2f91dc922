//! Robust centre, spread and weights.

/// Huber's constant for 95 % efficiency on normal data.
///
/// Source: Huber (1981) as in statsmodels `robust.norms.HuberT` and R's MASS.
pub const HUBER_K: f64 = 1.345;

/// Median absolute deviation to standard deviation: 1/Φ⁻¹(0.75).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Huber's weight of a standardised deviation: `min(1, k/|u|)`.
pub fn huber_weight(u: f64, k: f64) -> f64 {
    let size = u.abs();
    if size <= k { 1.0 } else { k / size }
}

/// The lower weighted median: the smallest value with at least half of the
/// weight at or below it. Sorts the slice.
///
/// Shape: pairs of value and weight, weights not negative. `None` when empty.
pub fn weighted_median(pairs: &mut [(f64, f64)]) -> Option<f64> {
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let half = pairs.iter().map(|p| p.1).sum::<f64>() / 2.0;
    let mut below = 0.0;
    for (value, weight) in pairs.iter() {
        below += weight;
        if below >= half {
            return Some(*value);
        }
    }
    pairs.last().map(|p| p.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weighted_median_follows_the_weight() {
        let mut pairs = [(3.0, 1.0), (1.0, 1.0), (2.0, 5.0)];
        assert_eq!(weighted_median(&mut pairs), Some(2.0));
        assert_eq!(weighted_median(&mut []), None);
    }
}
