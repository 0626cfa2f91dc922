//! Pressures in another unit, or counted from another zero.

use super::spread::Spread;
use crate::ride::{Channel, Ride, median};

/// How often an operating point must be there before it tells anything, samples.
const ENOUGH: usize = 20;

/// The air around, where its value says the unit: from sea level to the highest roads it is 55 to
/// 105 kPa, and no other unit's numbers for that lie there.
pub(super) fn baro_unit(ride: &Ride) -> Option<String> {
    const NO_AIR_KPA: f64 = 31.5;
    const NO_WEATHER_KPA: f64 = 400.0;
    let usual = Spread::of(ride, Channel::BaroKpa)?.median();
    if !usual.is_below(NO_AIR_KPA) && usual.is_below(NO_WEATHER_KPA) {
        return None;
    }
    let kpa = usual.value();
    let guess = match kpa {
        0.5..1.1 => "bar",
        7.5..15.5 => "psi",
        16.0..31.5 => "inches of mercury",
        400.0..550.0 => "mmHg or mbar",
        550.0..1100.0 => "mbar (hPa)",
        _ => return None,
    };
    Some(format!("`baro_kpa` has a median of {kpa:.1}: that looks like {guess}, not kPa"))
}

/// Manifold pressure that an engine cannot have in kPa, absolute.
pub(super) fn manifold_unit(ride: &Ride) -> Option<String> {
    let map = ride.values(Channel::MapKpa)?;
    open_throttle(ride, map).or_else(|| never_filled(map)).or_else(|| closed_throttle(ride, map))
}

/// With the throttle open the manifold is near the air around, which on the highest roads still has
/// 55 kPa; a throttle body that is too small takes a tenth of it.
fn open_throttle(ride: &Ride, map: &[f64]) -> Option<String> {
    const OPEN_PCT: f64 = 85.0;
    const LEAST_KPA: f64 = 40.0;
    let kpa = median_where(ride, map, |throttle_pct| throttle_pct >= OPEN_PCT)?;
    let guess = match kpa {
        _ if kpa >= LEAST_KPA => return None,
        _ if kpa < 2.0 => "bar, or pressure above the air around",
        _ if kpa < 17.0 => "psi",
        _ => "inches of mercury",
    };
    Some(format!("`map_kpa` is only {kpa:.1} with the throttle wide open: that looks like {guess}, not kPa"))
}

/// Even at idle an engine has more than 20 kPa for most of the time; less is for overrun.
fn never_filled(map: &[f64]) -> Option<String> {
    const LEAST_KPA: f64 = 20.0;
    let high = Spread::over(map)?.high();
    high.is_below(LEAST_KPA).then(|| {
        let high = high.value();
        let guess = if high < 2.0 { "bar" } else { "psi" };
        format!("`map_kpa` never exceeds {high:.1}: that looks like {guess}, not kPa, absolute")
    })
}

/// Behind a closed throttle there is never more than the air around, with or without a turbo.
fn closed_throttle(ride: &Ride, map: &[f64]) -> Option<String> {
    const CLOSED_PCT: f64 = 3.0;
    const MOST_KPA: f64 = 115.0;
    let kpa = median_where(ride, map, |throttle_pct| throttle_pct <= CLOSED_PCT)?;
    (kpa > MOST_KPA).then(|| {
        format!(
            "`map_kpa` is {kpa:.0} with the throttle closed, more than the air around: was the air's pressure \
             added to an absolute one, or is it no kPa?"
        )
    })
}

/// The median where the throttle is as told; `None` where that is too seldom.
fn median_where(ride: &Ride, values: &[f64], is_so: impl Fn(f64) -> bool) -> Option<f64> {
    let throttle = ride.values(Channel::ThrottlePct)?;
    let there: Vec<f64> = throttle
        .iter()
        .zip(values)
        .filter(|(throttle_pct, value)| is_so(**throttle_pct) && !value.is_nan())
        .map(|(_, value)| *value)
        .collect();
    if there.len() < ENOUGH { None } else { median(&there) }
}

/// A ride at low pressure throughout, which is possible at idle only.
pub(super) fn low_manifold(ride: &Ride) -> Option<String> {
    const LEAST_KPA: f64 = 33.0;
    const RIDDEN_RPM: f64 = 2500.0;
    let high = Spread::of(ride, Channel::MapKpa)?.high();
    let rpm = Spread::of(ride, Channel::Rpm)?.median();
    (high.is_below(LEAST_KPA) && rpm.is_above(RIDDEN_RPM)).then(|| {
        let (high, rpm) = (high.value(), rpm.value());
        format!("`map_kpa` never exceeds {high:.0} on a ride at {rpm:.0} rpm: are these inches of mercury?")
    })
}
