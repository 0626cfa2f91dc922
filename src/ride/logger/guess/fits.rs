//! Which unit lets a column be what its channel is: what an engine can show, and what not.
//!
//! The limits are common practice, no source. They are wide where a wrong unit would show anyway,
//! and two units that both fit are left to the person.

use super::super::units::{ToNative, Unit};
use super::column::{Column, Spread};
use crate::ride::Channel;

/// What is known of the ride when a column is looked at.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Ride {
    /// How long the engine ran, s.
    pub running_s: f64,
    /// Whether the engine was ever above idle.
    pub revved: bool,
}

/// The air around at sea level, for gauge pressures, kPa; a few kPa do not matter here.
const AIR_KPA: f64 = 100.0;
/// No motorcycle's manifold is charged beyond.
const MOST_CHARGED_KPA: f64 = 320.0;
/// The manifold of an engine without a charger, with a sensor's error.
const MOST_UNCHARGED_KPA: f64 = 115.0;
/// An engine that ran for so long is no longer cold.
const WARMS_UP_S: f64 = 300.0;
const RAN_WARM_C: f64 = 45.0;
/// Any AFR of a running engine, from methanol's rich to petrol's lean end.
const AFR: (f64, f64) = (4.5, 21.0);

/// The readings in the channel's own unit, low to high; AFR as it stands.
///
/// Units: those of the channel; gauge pressures above 100 kPa.
pub(super) fn in_native(spread: &Spread, unit: Unit) -> Spread {
    let line = if unit == Unit::Afr { Unit::Number.to_native(1.0) } else { unit.to_native(1.0) };
    let at = |value: f64| line.apply(value, AIR_KPA);
    let mut native = Spread {
        low: at(spread.low),
        q05: at(spread.q05),
        median: at(spread.median),
        q95: at(spread.q95),
        high: at(spread.high),
        ..spread.clone()
    };
    // What turns the scale round turns the ends round.
    let falls = matches!(line, ToNative::Inverse) || unit == Unit::InhgVacuum;
    if falls {
        std::mem::swap(&mut native.low, &mut native.high);
        std::mem::swap(&mut native.q05, &mut native.q95);
    }
    native
}

/// Whether a column can be this channel in this unit.
pub(super) fn fits(channel: Channel, unit: Unit, column: &Column, ride: &Ride) -> bool {
    let Some(raw) = &column.spread else { return false };
    let native = in_native(raw, unit);
    match channel {
        Channel::Rpm => native.low >= -1.0 && (900.0..25_000.0).contains(&native.high),
        Channel::ThrottlePct => throttle(unit, raw, &native, ride),
        Channel::MapKpa => manifold(unit, column, raw, &native),
        Channel::BaroKpa => !unit.is_gauge() && native.q05 > 70.0 && native.q95 < 109.0,
        Channel::Lambda | Channel::Lambda2 | Channel::LambdaTarget => mixture(unit, raw, &native),
        Channel::EngineTempC => engine_temp(column, &native, ride),
        Channel::AirTempC => native.median > -12.0 && native.median < 62.0 && native.low > -42.0,
        Channel::TrimPct => trim(unit, raw),
        Channel::PulseWidthMs => native.q05 >= 0.0 && (0.8..45.0).contains(&native.q95),
        Channel::SparkDeg => native.low > -40.0 && native.high < 70.0 && native.high > 2.0,
        Channel::SpeedKph => native.low >= -0.5 && (3.0..350.0).contains(&native.high),
        Channel::BatteryV => native.median > 7.0 && native.median < 17.0,
        Channel::Gear => column.is_whole() && raw.low >= -1.0 && raw.high <= 8.0,
        Channel::KnockCount => column.is_whole() && raw.low >= 0.0,
        Channel::FuelCut => column.is_whole() && raw.low >= 0.0 && raw.high <= 1.0,
        Channel::Slot => column.is_whole() && raw.low >= 0.0 && raw.high <= 16.0,
        Channel::TimeS => true,
    }
}

fn throttle(unit: Unit, raw: &Spread, native: &Spread, ride: &Ride) -> bool {
    const A_WHOLE: f64 = 1.2;
    let is_open = native.high > 3.0 || !ride.revved;
    let is_fraction = unit == Unit::Fraction;
    let is_share = native.low > -10.0 && native.high < 112.0 && is_open;
    is_share && (!is_fraction || raw.high <= A_WHOLE)
}

fn manifold(unit: Unit, column: &Column, raw: &Spread, native: &Spread) -> bool {
    // At a fixed pressure no engine turns.
    const MOVES_KPA: f64 = 3.0;
    let says = |word: &str| column.words.iter().any(|w| w == word);
    let is_charged = column.told.is_some() || says("boost") || says("ladedruck");
    let most = if is_charged { MOST_CHARGED_KPA } else { MOST_UNCHARGED_KPA };
    let in_range = native.q05 > 8.0 && native.q95 < most && native.high > 60.0;
    let moves = native.high - native.low > MOVES_KPA;
    let counts_from_air = match unit {
        // A closed throttle lies far below the air around; a vacuum is counted downwards.
        Unit::InhgVacuum => raw.low > -1.0 && raw.low < 10.0 && raw.high < 30.0,
        _ if unit.is_gauge() => {
            raw.low < 0.0 || ((says("boost") || says("ladedruck")) && native.low < AIR_KPA + 1.0)
        }
        _ => raw.low >= 0.0,
    };
    in_range && moves && counts_from_air
}

fn mixture(unit: Unit, raw: &Spread, native: &Spread) -> bool {
    match unit {
        Unit::Afr => raw.q05 > AFR.0 && raw.median < AFR.1,
        // Free air in the exhaust, as on the overrun, shows any high lambda.
        Unit::Lambda => native.q05 > 0.4 && (0.55..1.7).contains(&native.median),
        _ => raw.low >= 0.0 && native.q05 > 0.4 && (0.55..1.7).contains(&native.median),
    }
}

/// Oil and cylinder heads get hotter than coolant can.
pub(super) fn is_oil_or_head(column: &Column) -> bool {
    let marks = ["oil", "ol", "oltemperatur", "oeltemperatur", "cht", "head", "huile", "aceite", "olio"];
    column.words.iter().any(|word| marks.contains(&word.as_str()))
}

fn engine_temp(column: &Column, native: &Spread, ride: &Ride) -> bool {
    const MOST_COOLANT_C: f64 = 130.0;
    const MOST_OIL_C: f64 = 230.0;
    let most = if is_oil_or_head(column) { MOST_OIL_C } else { MOST_COOLANT_C };
    let least = if column.told.is_none() && ride.running_s > WARMS_UP_S { RAN_WARM_C } else { -30.0 };
    native.low > -42.0 && native.q95 > least && native.q95 < most
}

fn trim(unit: Unit, raw: &Spread) -> bool {
    const MOST: f64 = 60.0;
    let largest = raw.high.abs().max(raw.low.abs());
    match unit {
        Unit::Fraction => largest < MOST / 100.0,
        _ => largest < MOST,
    }
}

/// Whether a trim stands as a factor about 1 or about 100.
pub(super) fn trim_factor(raw: &Spread) -> Option<f64> {
    [1.0, 100.0].into_iter().find(|whole| {
        let share = |value: f64| value / whole;
        (0.75..1.25).contains(&share(raw.median)) && share(raw.low) > 0.4 && share(raw.high) < 1.6
    })
}

/// The units of a channel that a column fits: of those that agree with what its title tells, or of all.
pub(super) fn fitting(channel: Channel, column: &Column, ride: &Ride) -> Vec<Unit> {
    let told = column.told.filter(|told| told.quantity() == Unit::native(channel).quantity());
    let agrees = |unit: &Unit| match told {
        Some(told) => unit.agrees_with(told),
        None => true,
    };
    let mut units: Vec<Unit> =
        Unit::all_for(channel).filter(agrees).filter(|unit| fits(channel, *unit, column, ride)).collect();
    // hPa is mbar.
    if units.contains(&Unit::Mbar) && units.contains(&Unit::Hpa) {
        let other = if told == Some(Unit::Mbar) { Unit::Hpa } else { Unit::Mbar };
        units.retain(|unit| *unit != other);
    }
    units
}

/// The channel's unit as people write it.
pub(super) fn sign(channel: Channel) -> &'static str {
    match Unit::native(channel) {
        Unit::Lambda => "lambda",
        Unit::Celsius => "°C",
        Unit::Kpa => "kPa",
        Unit::Percent => "%",
        Unit::Kph => "km/h",
        Unit::Milliseconds => "ms",
        Unit::PerMinute => "1/min",
        Unit::Volts => "V",
        Unit::Degrees => "°",
        _ => "",
    }
}
