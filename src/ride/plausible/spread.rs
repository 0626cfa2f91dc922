//! Where the values of a channel lie, asked for as cheaply as can be.

use crate::ride::{Channel, Ride};

/// Where the values that are there lie, each in its rank from the least to the
/// greatest. Most questions are of limits nobody comes near, and counting the
/// values beyond a limit answers them in a fraction of the time of sorting.
#[derive(Clone, Copy)]
pub(super) struct Spread<'v> {
    values: &'v [f64],
    there: usize,
}

impl<'v> Spread<'v> {
    /// `None` when no value is there.
    pub fn of(ride: &'v Ride, channel: Channel) -> Option<Self> {
        Self::over(ride.values(channel)?)
    }

    /// The same of values that are at hand.
    pub fn over(values: &'v [f64]) -> Option<Self> {
        let there = count(values, |v| !v.is_nan());
        (there > 0).then_some(Self { values, there })
    }

    /// The 1st percentile.
    pub fn low(self) -> Quantile<'v> {
        self.quantile(0.01)
    }

    /// The 99th percentile.
    pub fn high(self) -> Quantile<'v> {
        self.quantile(0.99)
    }

    fn quantile(self, share: f64) -> Quantile<'v> {
        Quantile { spread: self, rank: ((self.there - 1) as f64 * share).round() as usize }
    }

    /// Whether the 1st and 99th percentile are proven to lie more than `by` apart,
    /// which two counts around the middle row prove of nearly every living channel.
    pub fn surely_moves_by(self, by: f64) -> bool {
        let here = self.values[self.values.len() / 2..].iter().copied().find(|v| !v.is_nan());
        here.is_some_and(|here| {
            let apart = |low, high| !self.low().is_above(low) && !self.high().is_below(high);
            apart(here - 2.0 * by, here) || apart(here, here + 2.0 * by)
        })
    }

    pub fn median(self) -> Quantile<'v> {
        Quantile { spread: self, rank: self.there / 2 }
    }
}

/// A value known by its rank, and not looked for before it is needed.
#[derive(Clone, Copy)]
pub(super) struct Quantile<'v> {
    spread: Spread<'v>,
    rank: usize,
}

impl Quantile<'_> {
    pub fn is_below(self, limit: f64) -> bool {
        count(self.spread.values, |v| v < limit) > self.rank
    }

    pub fn is_above(self, limit: f64) -> bool {
        count(self.spread.values, |v| v > limit) >= self.spread.there - self.rank
    }

    pub fn value(self) -> f64 {
        let mut there: Vec<f64> = self.spread.values.iter().copied().filter(|v| !v.is_nan()).collect();
        *there.select_nth_unstable_by(self.rank, f64::total_cmp).1
    }
}

fn count(values: &[f64], counts: impl Fn(f64) -> bool) -> usize {
    values.iter().filter(|v| counts(**v)).count()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn counting_answers_as_sorting_does(
            values in prop::collection::vec(prop_oneof![(-4i8..4).prop_map(f64::from), Just(-0.0), Just(f64::NAN)], 1..60),
            limit in (-4i8..4).prop_map(f64::from),
        ) {
            let mut sorted: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
            prop_assume!(!sorted.is_empty());
            sorted.sort_by(f64::total_cmp);
            let spread = Spread { values: &values, there: sorted.len() };
            for quantile in [spread.low(), spread.median(), spread.high()] {
                let value = sorted[quantile.rank];
                prop_assert_eq!(quantile.value().to_bits(), value.to_bits());
                prop_assert_eq!(quantile.is_below(limit), value < limit);
                prop_assert_eq!(quantile.is_above(limit), value > limit);
            }
            let apart = spread.high().value() - spread.low().value();
            prop_assert!(!spread.surely_moves_by(0.7) || apart > 0.7);
        }
    }
}
