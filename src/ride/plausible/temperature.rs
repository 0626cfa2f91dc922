//! Temperatures in °F under the name of °C.
//!
//! A cylinder head that is cooled by air does reach 200 °C, so that a high temperature alone
//! proves nothing. What proves it is a cold start: engine and air begin alike.

use super::spread::Spread;
use crate::ride::{Channel, Ride, median};

/// How near each other two sensors of a cold bike are, °C.
const ALIKE_C: f64 = 4.0;
/// The hottest air there is, °C: 56.7 were measured once (Furnace Creek, 1913; from memory).
const HOTTEST_AIR_C: f64 = 50.0;

fn celsius(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

/// The usual value at the start of the ride.
fn at_start(ride: &Ride, channel: Channel) -> Option<f64> {
    const START_S: f64 = 5.0;
    let time = ride.values(Channel::TimeS)?;
    let begin = time.first()?;
    let rows = time.iter().take_while(|t| **t - begin <= START_S).count();
    median(&ride.values(channel)?[..rows])
}

/// An engine that began as cold as the air, if its numbers are °F, and got as hot as engines do.
pub(super) fn engine_unit(ride: &Ride) -> Option<String> {
    // 165 °F are 74 °C, about where an engine begins to be warm.
    const WARM_F: f64 = 165.0;
    // A head may be found at any temperature after a stop; that it is just that of the air in °F is
    // by chance only in this much of it, °C.
    const MATCH_C: f64 = 2.0;
    const HOTTER_THAN_AIR_C: f64 = 20.0;
    let engine = at_start(ride, Channel::EngineTempC)?;
    let air = at_start(ride, Channel::AirTempC)?;
    let coolest = Spread::of(ride, Channel::AirTempC)?.low();
    let hottest = Spread::of(ride, Channel::EngineTempC)?.high();
    // Both in °F: the air that the engine breathes never gets as cool as weather can be.
    if (engine - air).abs() <= ALIKE_C && coolest.is_above(HOTTEST_AIR_C) && hottest.is_above(WARM_F) {
        return Some(format!(
            "`engine_temp_c` and `air_temp_c` both begin at {engine:.0}: no weather is that hot in °C; they look like °F"
        ));
    }
    let is_fahrenheit = (celsius(engine) - air).abs() <= MATCH_C
        && engine - air > HOTTER_THAN_AIR_C
        && hottest.is_above(WARM_F)
        && coolest.is_below(HOTTEST_AIR_C);
    is_fahrenheit.then(|| {
        let hottest = hottest.value();
        format!(
            "`engine_temp_c` begins at {engine:.0} and ends at {hottest:.0}, with air of {air:.0} °C: that looks like \
             °F, an engine that began as cold as the air"
        )
    })
}

/// At speed the engine breathes air that is little warmer than the weather.
pub(super) fn air_unit(ride: &Ride) -> Option<String> {
    const AT_SPEED_KPH: f64 = 40.0;
    let (air, speed) = (ride.values(Channel::AirTempC)?, ride.values(Channel::SpeedKph)?);
    let at_speed: Vec<f64> =
        air.iter().zip(speed).filter(|(_, kph)| **kph > AT_SPEED_KPH).map(|(air_c, _)| *air_c).collect();
    // Half of the ride, so that heat from a stop has gone.
    let usual = median(&at_speed).filter(|_| at_speed.len() * 2 > air.len())?;
    (usual > HOT_AT_SPEED_C).then(|| {
        format!(
            "`air_temp_c` is {usual:.0} at speed: air is not that hot in °C; if the log is in °F, it is {:.0} °C",
            celsius(usual)
        )
    })
}

/// The hottest weather, and what the way to the engine adds at speed, °C. Common practice, no source.
const HOT_AT_SPEED_C: f64 = 62.0;

/// Hot air that may yet be true, such as behind a turbo or standing in traffic.
pub(super) fn hot_air(ride: &Ride) -> Option<String> {
    let usual = Spread::of(ride, Channel::AirTempC)?.median();
    let usual = usual.is_above(HOT_AT_SPEED_C).then(|| usual.value())?;
    Some(format!(
        "the engine breathes air of {usual:.0} °C; if the log is in °F, that is {:.0} °C",
        celsius(usual)
    ))
}
