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

/// The lower median: the smallest value with at least half of the values at or below
/// it. Puts the slice into another order; `None` when empty.
pub fn lower_median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len().checked_sub(1)? / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// The lower weighted median: the smallest value with at least half of the
/// weight at or below it. Sorts the slice.
///
/// Shape: pairs of value and weight, weights not negative. `None` when empty.
pub fn weighted_median(pairs: &mut [(f64, f64)]) -> Option<f64> {
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let half = pairs.iter().map(|p| p.1).sum::<f64>() / 2.0;
    at_half(pairs.iter().copied(), half)
}

/// The value at which the weights of ascending values reach `half`, else the last.
fn at_half(ascending: impl Iterator<Item = (f64, f64)>, half: f64) -> Option<f64> {
    let mut below = 0.0;
    let mut last = None;
    for (value, weight) in ascending {
        below += weight;
        last = Some(value);
        if below >= half {
            break;
        }
    }
    last
}

/// The lower weighted median of values that ascend already, and that of their
/// distances from it.
///
/// Shape: pairs of value and weight, weights not negative. `None` when empty.
pub fn median_and_mad(ascending: &[(f64, f64)]) -> Option<(f64, f64)> {
    let half = ascending.iter().map(|p| p.1).sum::<f64>() / 2.0;
    let median = at_half(ascending.iter().copied(), half)?;
    // Outwards from the median the distances ascend on both sides.
    let (mut below, mut above) = ascending.split_at(ascending.partition_point(|p| p.0 < median));
    let outwards = std::iter::from_fn(|| {
        let (left, right) = (below.last().map(|p| median - p.0), above.first().map(|p| p.0 - median));
        match (left, right) {
            (Some(left), right) if right.is_none_or(|right| left < right) => {
                let (last, rest) = below.split_last()?;
                below = rest;
                Some((left, last.1))
            }
            (_, right) => {
                let (first, rest) = above.split_first()?;
                above = rest;
                Some((right?, first.1))
            }
        }
    });
    Some((median, at_half(outwards, half)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn medians_of_ordered_values_are_those_of_any_order(
            pairs in prop::collection::vec((0u8..30, 1u8..9), 0..40),
        ) {
            let mut pairs: Vec<(f64, f64)> =
                pairs.into_iter().map(|(v, w)| (f64::from(v) / 8.0, f64::from(w))).collect();
            let median = weighted_median(&mut pairs);
            let found = median_and_mad(&pairs);
            prop_assert_eq!(found.map(|f| f.0), median);
            if let Some((median, mad)) = found {
                let mut away: Vec<(f64, f64)> = pairs.iter().map(|p| ((p.0 - median).abs(), p.1)).collect();
                prop_assert_eq!(weighted_median(&mut away), Some(mad));
            }
            let mut plain: Vec<f64> = pairs.iter().map(|p| p.0).collect();
            let mut even: Vec<(f64, f64)> = plain.iter().map(|v| (*v, 1.0)).collect();
            prop_assert_eq!(lower_median(&mut plain), weighted_median(&mut even));
        }
    }
}
