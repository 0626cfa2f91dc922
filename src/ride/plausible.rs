//! Refuses channels whose unit or sensor cannot be what it says, before
//! anything is computed from them.
//!
//! The limits are common practice, no source: what no sensor of a motorcycle
//! shows for long.

use super::{Channel, Ride, RideError};
use crate::units;

/// Refuses a ride that would ruin a map.
///
/// # Errors
/// The first channel that cannot be true.
pub(super) fn refuse(ride: &Ride) -> Result<(), RideError> {
    let found = [lambda_unit(ride), time_unit(ride), throttle_unit(ride), ranges(ride), deaf_sensor(ride)];
    match found.into_iter().flatten().next() {
        Some(problem) => Err(RideError::Implausible(problem)),
        None => Ok(()),
    }
}

/// What is possible and yet often a mistake.
pub(super) fn remarks(ride: &Ride) -> Vec<String> {
    // Coolant stays below; only oil and cylinder heads get hotter.
    const HOT_C: f64 = 125.0;
    let hottest = Spread::of(ride, Channel::EngineTempC).map(Spread::high);
    let hot = hottest.filter(|high| high.is_above(HOT_C)).map(|high| {
        let high = high.value();
        let celsius = (high - 32.0) / 1.8;
        format!("the engine gets {high:.0} °C hot; if the log is in °F, that is {celsius:.0} °C and the engine may be cold")
    });
    hot.into_iter().chain(seldom_logged(ride)).collect()
}

/// AFR under the name of lambda, or no lambda at all.
fn lambda_unit(ride: &Ride) -> Option<String> {
    // Petrol to ethanol span AFR 7 to 20 between very rich and free air; no
    // engine runs at a median lambda beyond 2.5 or below 0.4.
    const RICHEST: f64 = 0.4;
    const LEANEST: f64 = 2.5;
    const AFR: std::ops::Range<f64> = 6.0..25.0;
    let channels = [Channel::Lambda, Channel::Lambda2, Channel::LambdaTarget];
    channels.into_iter().find_map(|channel| {
        let middle = Spread::of(ride, channel)?.median();
        if !middle.is_below(RICHEST) && middle.is_below(LEANEST) {
            return None;
        }
        let (name, middle) = (channel.name(), middle.value());
        Some(if AFR.contains(&middle) {
            format!("`{name}` has a median of {middle:.2}: that looks like AFR, not lambda")
        } else {
            format!("`{name}` has a median of {middle:.2}, which is not the lambda of a running engine")
        })
    })
}

fn time_unit(ride: &Ride) -> Option<String> {
    const SLOWEST_S: f64 = 5.0;
    let interval = ride.sample_interval_s();
    (interval > SLOWEST_S && ride.samples() > 2)
        .then(|| format!("`time_s` moves {interval:.1} s from sample to sample: is it in milliseconds?"))
}

/// A ride at speed that never opens the throttle is a ride in fractions.
fn throttle_unit(ride: &Ride) -> Option<String> {
    const FRACTION: f64 = 1.2;
    const RUNNING_RPM: f64 = 2000.0;
    let high = Spread::of(ride, Channel::ThrottlePct)?.high();
    let fraction = !high.is_above(FRACTION) && Spread::of(ride, Channel::Rpm)?.median().is_above(RUNNING_RPM);
    fraction.then(|| {
        let high = high.value();
        format!("`throttle_pct` never exceeds {high:.2}: it looks like a fraction, not percent")
    })
}

fn ranges(ride: &Ride) -> Option<String> {
    let limits = [
        (Channel::ThrottlePct, -5.0, 110.0, "is it in percent?"),
        (Channel::Rpm, 0.0, 25_000.0, "is it in 1/min?"),
        (Channel::MapKpa, 5.0, 400.0, "is it in kPa, absolute?"),
        (Channel::EngineTempC, -40.0, 220.0, "is it in °C?"),
        (Channel::AirTempC, -40.0, 90.0, "is it in °C?"),
        (Channel::BaroKpa, 50.0, 110.0, "is it in kPa?"),
        (Channel::BatteryV, 5.0, 20.0, "is it in volts?"),
    ];
    limits.into_iter().find_map(|(channel, low, high, question)| {
        let spread = Spread::of(ride, channel)?;
        (spread.low().is_below(low) || spread.high().is_above(high)).then(|| {
            let (least, most, name) = (spread.low().value(), spread.high().value(), channel.name());
            format!("`{name}` runs from {least:.1} to {most:.1}, beyond {low} to {high}: {question}")
        })
    })
}

/// A lambda that takes no notice of the engine.
fn deaf_sensor(ride: &Ride) -> Option<String> {
    // A living sensor moves by more than 1 % while the load moves by 15 % points.
    const MOVES: f64 = 0.012;
    const LOAD_MOVES: f64 = 15.0;
    const ENOUGH: usize = 200;
    let lambda = Spread::of(ride, Channel::Lambda)?;
    let logs_throttle = ride.values(Channel::ThrottlePct).is_some();
    let load = Spread::of(ride, if logs_throttle { Channel::ThrottlePct } else { Channel::MapKpa })?;
    if ride.samples() <= ENOUGH || lambda.surely_moves_by(MOVES) {
        return None;
    }
    let (low, high) = (lambda.low().value(), lambda.high().value());
    // A reading that never moves at all is left to the stage that names it frozen.
    let deaf = high > low && high - low < MOVES && load.high().value() - load.low().value() > LOAD_MOVES;
    deaf.then(|| {
        format!(
            "`lambda` stays between {low:.3} and {high:.3} while the load moves: the sensor does not follow the engine"
        )
    })
}

/// What is worth saying of how often the ride was logged.
fn seldom_logged(ride: &Ride) -> Option<String> {
    // Below this the hand moves between two rows and nobody sees it. Common practice, no source.
    const SELDOM_S: f64 = 0.5;
    let interval_s = ride.sample_interval_s();
    (ride.samples() > 1 && interval_s > SELDOM_S).then(|| {
        format!(
            "logged only every {} s: what the engine does between two rows is not seen, so that film, delay and \
             transients are hardly known; five rows a second or more serve well",
            units::plain((interval_s * 100.0).round() / 100.0)
        )
    })
}

/// Where the values that are there lie, each in its rank from the least to the
/// greatest. Most questions are of limits nobody comes near, and counting the
/// values beyond a limit answers them in a fraction of the time of sorting.
#[derive(Clone, Copy)]
struct Spread<'v> {
    values: &'v [f64],
    there: usize,
}

impl<'v> Spread<'v> {
    /// `None` when no value is there.
    fn of(ride: &'v Ride, channel: Channel) -> Option<Self> {
        let values = ride.values(channel)?;
        let there = count(values, |v| !v.is_nan());
        (there > 0).then_some(Self { values, there })
    }

    /// The 1st percentile.
    fn low(self) -> Quantile<'v> {
        self.quantile(0.01)
    }

    /// The 99th percentile.
    fn high(self) -> Quantile<'v> {
        self.quantile(0.99)
    }

    fn quantile(self, share: f64) -> Quantile<'v> {
        Quantile { spread: self, rank: ((self.there - 1) as f64 * share).round() as usize }
    }

    /// Whether the 1st and 99th percentile are proven to lie more than `by` apart,
    /// which two counts around the middle row prove of nearly every living channel.
    fn surely_moves_by(self, by: f64) -> bool {
        let here = self.values[self.values.len() / 2..].iter().copied().find(|v| !v.is_nan());
        here.is_some_and(|here| {
            let apart = |low, high| !self.low().is_above(low) && !self.high().is_below(high);
            apart(here - 2.0 * by, here) || apart(here, here + 2.0 * by)
        })
    }

    fn median(self) -> Quantile<'v> {
        Quantile { spread: self, rank: self.there / 2 }
    }
}

/// A value known by its rank, and not looked for before it is needed.
#[derive(Clone, Copy)]
struct Quantile<'v> {
    spread: Spread<'v>,
    rank: usize,
}

impl Quantile<'_> {
    fn is_below(self, limit: f64) -> bool {
        count(self.spread.values, |v| v < limit) > self.rank
    }

    fn is_above(self, limit: f64) -> bool {
        count(self.spread.values, |v| v > limit) >= self.spread.there - self.rank
    }

    fn value(self) -> f64 {
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
