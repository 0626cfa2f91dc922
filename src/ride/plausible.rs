//! Refuses channels whose unit or sensor cannot be what it says, before
//! anything is computed from them.
//!
//! The limits are common practice, no source: what no sensor of a motorcycle
//! shows for long.

mod pressure;
mod spread;
mod temperature;
#[cfg(test)]
mod tests;

use super::{Channel, Ride, RideError};
use crate::units;
use spread::Spread;

/// Refuses a ride that would ruin a map.
///
/// # Errors
/// The first channel that cannot be true.
pub(super) fn refuse(ride: &Ride) -> Result<(), RideError> {
    // What names the unit comes before what only names a range.
    type Check = fn(&Ride) -> Option<String>;
    let checks: [Check; 12] = [
        lambda_unit,
        time_unit,
        throttle_unit,
        trim_unit,
        rpm_unit,
        pulse_unit,
        pressure::baro_unit,
        pressure::manifold_unit,
        temperature::engine_unit,
        temperature::air_unit,
        ranges,
        deaf_sensor,
    ];
    match checks.iter().find_map(|check| check(ride)) {
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
    hot.into_iter()
        .chain(temperature::hot_air(ride))
        .chain(pressure::low_manifold(ride))
        .chain(seldom_logged(ride))
        .collect()
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
    // Seldom rows alone are only seldom rows; of a day's ride nobody logs so few.
    const SLOWEST_S: f64 = 5.0;
    const LONGEST_RIDE_S: f64 = 4.0 * 3600.0;
    // Faster than any logger of a road bike: seconds that were taken for milliseconds.
    const FASTEST_S: f64 = 0.0004;
    let interval = ride.sample_interval_s();
    let time = ride.values(Channel::TimeS)?;
    let ridden_s = time.last()? - time.first()?;
    match interval {
        _ if ride.samples() <= 2 => None,
        _ if interval > SLOWEST_S && ridden_s > LONGEST_RIDE_S => {
            Some(format!("`time_s` moves {interval:.1} s from sample to sample: is it in milliseconds?"))
        }
        _ if interval > 0.0 && interval < FASTEST_S => Some(format!(
            "`time_s` moves only {interval:.6} s from sample to sample: were seconds taken for milliseconds?"
        )),
        _ => None,
    }
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

/// A living closed loop swings by percents: one that never leaves half a percent is in fractions.
fn trim_unit(ride: &Ride) -> Option<String> {
    const FRACTION: f64 = 0.5;
    // As a fraction this is a swing of 4 %.
    const SWING: f64 = 0.04;
    // A trim that is switched off, or logged in coarse steps, has few values.
    const VALUES: usize = 20;
    let values = ride.values(Channel::TrimPct)?;
    let spread = Spread::over(values)?;
    if spread.low().is_below(-FRACTION) || spread.high().is_above(FRACTION) {
        return None;
    }
    let (low, high) = (spread.low().value(), spread.high().value());
    let mut distinct: Vec<u64> = values.iter().filter(|v| !v.is_nan()).map(|v| v.to_bits()).collect();
    distinct.sort_unstable();
    distinct.dedup();
    (high - low >= SWING && distinct.len() >= VALUES).then(|| {
        format!("`trim_pct` stays between {low:.2} and {high:.2}: it looks like a fraction, not percent")
    })
}

fn rpm_unit(ride: &Ride) -> Option<String> {
    // No engine idles that slowly.
    const SLOWEST_RPM: f64 = 400.0;
    let high = Spread::of(ride, Channel::Rpm)?.high();
    (high.is_above(0.0) && high.is_below(SLOWEST_RPM)).then(|| {
        let high = high.value();
        format!("`rpm` never exceeds {high:.0}: no engine turns so slowly; is it in turns a second?")
    })
}

fn pulse_unit(ride: &Ride) -> Option<String> {
    // No injector opens in so short a time; at idle no pulse is as long as the other.
    const SHORTEST_MS: f64 = 0.1;
    const LONGEST_MS: f64 = 100.0;
    let high = Spread::of(ride, Channel::PulseWidthMs)?.high();
    let guess = match () {
        () if high.is_above(0.0) && high.is_below(SHORTEST_MS) => "seconds",
        () if high.is_above(LONGEST_MS) => "microseconds",
        () => return None,
    };
    let high = high.value();
    Some(format!("`pulse_width_ms` goes up to {high:.3}: that looks like {guess}, not ms"))
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
        (Channel::SpeedKph, -5.0, 350.0, "is it in km/h?"),
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
    // No logger is meant to be so slow. Common practice, no source. A seldom logged ride on a motorway
    // moves as little from row to row as one in ms does: only long logs are refused.
    const DOUBTFUL_S: f64 = 5.0;
    let interval_s = ride.sample_interval_s();
    (ride.samples() > 1 && interval_s > SELDOM_S).then(|| {
        let shown = units::plain((interval_s * 100.0).round() / 100.0);
        match interval_s > DOUBTFUL_S {
            true => format!(
                "logged only every {shown} s: is the time in milliseconds? If it is in seconds, nothing is known \
                 between two rows"
            ),
            false => format!(
                "logged only every {shown} s: what the engine does between two rows is not seen, so that film, \
                 delay and transients are hardly known; five rows a second or more serve well"
            ),
        }
    })
}
