//! Refuses channels whose unit or sensor cannot be what it says, before
//! anything is computed from them.
//!
//! The limits are common practice, no source: what no sensor of a motorcycle
//! shows for long.

use super::{Channel, Ride, RideError, median};
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
    let hottest = ride.values(Channel::EngineTempC).and_then(span).map(|(_, high)| high);
    let hot = hottest.filter(|high| *high > HOT_C).map(|high| {
        let celsius = (high - 32.0) / 1.8;
        format!("the engine gets {high:.0} °C hot; if the log is in °F, that is {celsius:.0} °C and the engine may be cold")
    });
    hot.into_iter().chain(seldom_logged(ride)).collect()
}

/// AFR under the name of lambda, or no lambda at all.
fn lambda_unit(ride: &Ride) -> Option<String> {
    // Petrol to ethanol span AFR 7 to 20 between very rich and free air; no
    // engine runs at a median lambda beyond 2.5 or below 0.4.
    let channels = [Channel::Lambda, Channel::Lambda2, Channel::LambdaTarget];
    channels.into_iter().find_map(|channel| {
        let name = channel.name();
        match ride.values(channel).and_then(median)? {
            middle @ 6.0..25.0 => {
                Some(format!("`{name}` has a median of {middle:.2}: that looks like AFR, not lambda"))
            }
            middle if !(0.4..2.5).contains(&middle) => Some(format!(
                "`{name}` has a median of {middle:.2}, which is not the lambda of a running engine"
            )),
            _ => None,
        }
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
    let (_, high) = span(ride.values(Channel::ThrottlePct)?)?;
    let rpm = ride.values(Channel::Rpm).and_then(median).unwrap_or_default();
    (high <= FRACTION && rpm > RUNNING_RPM)
        .then(|| format!("`throttle_pct` never exceeds {high:.2}: it looks like a fraction, not percent"))
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
        let (least, most) = span(ride.values(channel)?)?;
        let name = channel.name();
        (least < low || most > high).then(|| {
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
    let (low, high) = span(ride.values(Channel::Lambda)?)?;
    let (least, most) = span(ride.values(Channel::ThrottlePct).or(ride.values(Channel::MapKpa))?)?;
    // A reading that never moves at all is left to the stage that names it frozen.
    let deaf = high > low && high - low < MOVES && most - least > LOAD_MOVES && ride.samples() > ENOUGH;
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

/// The 1st and 99th percentile of the values that are there.
fn span(values: &[f64]) -> Option<(f64, f64)> {
    let mut there: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    there.sort_by(f64::total_cmp);
    let last = there.len().checked_sub(1)?;
    let at = |share: f64| there[(last as f64 * share).round() as usize];
    Some((at(0.01), at(0.99)))
}
