//! The units a foreign log may carry, and how each becomes the channel's own.
//!
//! A unit word of a mapping, or a unit as a title writes it, enters; a conversion to the
//! channel's unit leaves, or words on why the two do not fit.

use crate::ride::Channel;
use crate::units::{
    F_AT_0_C, F_PER_C, KPA_PER_BAR, KPA_PER_INHG, KPA_PER_MBAR, KPA_PER_MMHG, KPA_PER_PSI, KPH_PER_KNOT,
    KPH_PER_M_S, KPH_PER_MPH, ZERO_CELSIUS_K,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The unit of a column, where it is not the channel's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Lambda: above 1 is lean.
    Lambda,
    /// Equivalence ratio, 1/lambda: above 1 is rich.
    Phi,
    /// Air-fuel ratio by mass; `fuel` says of which fuel.
    Afr,
    /// °C.
    Celsius,
    /// °F.
    Fahrenheit,
    /// K.
    Kelvin,
    /// kPa, absolute.
    Kpa,
    /// kPa above the air around; needs `baro_kpa`.
    KpaGauge,
    /// psi, absolute.
    Psi,
    /// psi above the air around; needs `baro_kpa`.
    PsiGauge,
    /// bar, absolute.
    Bar,
    /// bar above the air around; needs `baro_kpa`.
    BarGauge,
    /// mbar, which is hPa, absolute.
    Mbar,
    /// hPa, absolute.
    Hpa,
    /// Inches of mercury, absolute.
    Inhg,
    /// Inches of mercury below the air around; needs `baro_kpa`.
    InhgVacuum,
    /// Millimetres of mercury, absolute.
    Mmhg,
    /// Percent.
    Percent,
    /// A fraction: 1 is 100 %.
    Fraction,
    /// km/h.
    Kph,
    /// Miles an hour.
    Mph,
    /// m/s.
    MetersPerSecond,
    /// Knots.
    Knots,
    /// ms.
    Milliseconds,
    /// µs.
    Microseconds,
    /// Turns a minute.
    PerMinute,
    /// Turns a second.
    PerSecond,
    /// V.
    Volts,
    /// mV.
    Millivolts,
    /// Degrees of crank angle.
    Degrees,
    /// A plain number: a gear, a count, 0 or 1.
    Number,
}

/// What a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Lambda, phi, AFR.
    Mixture,
    /// Temperature.
    Temperature,
    /// Pressure.
    Pressure,
    /// A share.
    Share,
    /// Road speed.
    Speed,
    /// A duration.
    Duration,
    /// Engine speed.
    EngineSpeed,
    /// Voltage.
    Voltage,
    /// Crank angle.
    Angle,
    /// A plain number.
    Number,
}

/// How a reading becomes the channel's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ToNative {
    /// `factor * x + offset`.
    Line { factor: f64, offset: f64 },
    /// `1 / x`.
    Inverse,
    /// `factor * x` above (below, where negative) the pressure around, kPa.
    AboveAmbient { factor: f64 },
}

const S_PER_MIN: f64 = 60.0;

impl Unit {
    const ALL: [(Unit, &'static str); 31] = [
        (Unit::Lambda, "lambda"),
        (Unit::Phi, "phi"),
        (Unit::Afr, "afr"),
        (Unit::Celsius, "celsius"),
        (Unit::Fahrenheit, "fahrenheit"),
        (Unit::Kelvin, "kelvin"),
        (Unit::Kpa, "kpa"),
        (Unit::KpaGauge, "kpa_gauge"),
        (Unit::Psi, "psi"),
        (Unit::PsiGauge, "psi_gauge"),
        (Unit::Bar, "bar"),
        (Unit::BarGauge, "bar_gauge"),
        (Unit::Mbar, "mbar"),
        (Unit::Hpa, "hpa"),
        (Unit::Inhg, "inhg"),
        (Unit::InhgVacuum, "inhg_vacuum"),
        (Unit::Mmhg, "mmhg"),
        (Unit::Percent, "percent"),
        (Unit::Fraction, "fraction"),
        (Unit::Kph, "kph"),
        (Unit::Mph, "mph"),
        (Unit::MetersPerSecond, "meters_per_second"),
        (Unit::Knots, "knots"),
        (Unit::Milliseconds, "milliseconds"),
        (Unit::Microseconds, "microseconds"),
        (Unit::PerMinute, "per_minute"),
        (Unit::PerSecond, "per_second"),
        (Unit::Volts, "volts"),
        (Unit::Millivolts, "millivolts"),
        (Unit::Degrees, "degrees"),
        (Unit::Number, "number"),
    ];

    /// The word in a mapping.
    pub fn word(self) -> &'static str {
        Self::ALL[self as usize].1
    }

    /// What it measures.
    pub fn quantity(self) -> Quantity {
        match self {
            Unit::Lambda | Unit::Phi | Unit::Afr => Quantity::Mixture,
            Unit::Celsius | Unit::Fahrenheit | Unit::Kelvin => Quantity::Temperature,
            Unit::Kpa | Unit::KpaGauge | Unit::Psi | Unit::PsiGauge | Unit::Bar | Unit::BarGauge => {
                Quantity::Pressure
            }
            Unit::Mbar | Unit::Hpa | Unit::Inhg | Unit::InhgVacuum | Unit::Mmhg => Quantity::Pressure,
            Unit::Percent | Unit::Fraction => Quantity::Share,
            Unit::Kph | Unit::Mph | Unit::MetersPerSecond | Unit::Knots => Quantity::Speed,
            Unit::Milliseconds | Unit::Microseconds => Quantity::Duration,
            Unit::PerMinute | Unit::PerSecond => Quantity::EngineSpeed,
            Unit::Volts | Unit::Millivolts => Quantity::Voltage,
            Unit::Degrees => Quantity::Angle,
            Unit::Number => Quantity::Number,
        }
    }

    /// The unit a channel is in.
    pub fn native(channel: Channel) -> Self {
        match channel {
            Channel::Lambda | Channel::Lambda2 | Channel::LambdaTarget => Unit::Lambda,
            Channel::EngineTempC | Channel::AirTempC => Unit::Celsius,
            Channel::MapKpa | Channel::BaroKpa => Unit::Kpa,
            Channel::ThrottlePct | Channel::TrimPct => Unit::Percent,
            Channel::SpeedKph => Unit::Kph,
            Channel::PulseWidthMs => Unit::Milliseconds,
            Channel::Rpm => Unit::PerMinute,
            Channel::BatteryV => Unit::Volts,
            Channel::SparkDeg => Unit::Degrees,
            Channel::TimeS | Channel::KnockCount | Channel::FuelCut | Channel::Gear | Channel::Slot => {
                Unit::Number
            }
        }
    }

    /// The units that fit a channel.
    pub fn all_for(channel: Channel) -> impl Iterator<Item = Self> {
        let quantity = Self::native(channel).quantity();
        Self::ALL.iter().map(|(unit, _)| *unit).filter(move |unit| unit.quantity() == quantity)
    }

    /// The words that fit a channel, for messages.
    pub fn words_for(channel: Channel) -> Vec<&'static str> {
        Self::all_for(channel).map(Self::word).collect()
    }

    /// Whether it counts from the pressure of the air around.
    pub fn is_gauge(self) -> bool {
        matches!(self, Unit::KpaGauge | Unit::PsiGauge | Unit::BarGauge | Unit::InhgVacuum)
    }

    /// How it becomes the native unit of its quantity; `stoich_afr` is that of the fuel.
    pub fn to_native(self, stoich_afr: f64) -> ToNative {
        let times = |factor: f64| ToNative::Line { factor, offset: 0.0 };
        match self {
            Unit::Phi => ToNative::Inverse,
            Unit::Afr => times(1.0 / stoich_afr),
            Unit::Fahrenheit => ToNative::Line { factor: 1.0 / F_PER_C, offset: -F_AT_0_C / F_PER_C },
            Unit::Kelvin => ToNative::Line { factor: 1.0, offset: -ZERO_CELSIUS_K },
            Unit::Psi => times(KPA_PER_PSI),
            Unit::Bar => times(KPA_PER_BAR),
            Unit::Mbar | Unit::Hpa => times(KPA_PER_MBAR),
            Unit::Inhg => times(KPA_PER_INHG),
            Unit::Mmhg => times(KPA_PER_MMHG),
            Unit::KpaGauge => ToNative::AboveAmbient { factor: 1.0 },
            Unit::PsiGauge => ToNative::AboveAmbient { factor: KPA_PER_PSI },
            Unit::BarGauge => ToNative::AboveAmbient { factor: KPA_PER_BAR },
            Unit::InhgVacuum => ToNative::AboveAmbient { factor: -KPA_PER_INHG },
            Unit::Fraction => times(100.0),
            Unit::Mph => times(KPH_PER_MPH),
            Unit::MetersPerSecond => times(KPH_PER_M_S),
            Unit::Knots => times(KPH_PER_KNOT),
            Unit::Microseconds | Unit::Millivolts => times(1e-3),
            Unit::PerSecond => times(S_PER_MIN),
            Unit::Lambda
            | Unit::Celsius
            | Unit::Kpa
            | Unit::Percent
            | Unit::Kph
            | Unit::Milliseconds
            | Unit::PerMinute
            | Unit::Volts
            | Unit::Degrees
            | Unit::Number => times(1.0),
        }
    }

    /// Whether what a title or a unit row says (a unit of [`from_text`]) may be this unit:
    /// titles seldom tell gauge from absolute.
    pub fn agrees_with(self, told: Unit) -> bool {
        let plain = |unit: Unit| match unit {
            Unit::KpaGauge => Unit::Kpa,
            Unit::PsiGauge => Unit::Psi,
            Unit::BarGauge => Unit::Bar,
            Unit::InhgVacuum => Unit::Inhg,
            Unit::Hpa => Unit::Mbar,
            other => other,
        };
        // A title that writes `°` may mean °C.
        let is_degree = told == Unit::Degrees && self.quantity() == Quantity::Temperature;
        self == told || is_degree || (!told.is_gauge() && plain(self) == plain(told))
    }
}

/// Whether a text in a title's brackets or a unit row tells no unit: a dash, or that it is a plain
/// number.
pub fn is_of_no_unit(text: &str) -> bool {
    !text.chars().any(char::is_alphabetic) && from_text(text).is_none() && text.trim() != ":1"
}

/// The unit that a title's brackets or a unit row write, as far as it is known.
pub fn from_text(text: &str) -> Option<Unit> {
    let plain: String = text
        .to_lowercase()
        .chars()
        .filter(|c| !c.is_whitespace() && !matches!(c, '.' | '_' | '(' | ')' | '[' | ']'))
        .map(|c| if c == 'μ' { 'µ' } else { c })
        .collect();
    let found = match plain.as_str() {
        "lambda" | "λ" => Unit::Lambda,
        "phi" | "φ" | "1/lambda" | "1/λ" | "er" | "eqr" | "equivalenceratio" => Unit::Phi,
        "afr" | "a/f" => Unit::Afr,
        "°c" | "c" | "c°" | "degc" | "degreesc" | "celsius" | "ºc" | "℃" => Unit::Celsius,
        "°f" | "f" | "f°" | "degf" | "degreesf" | "fahr" | "fahrenheit" | "ºf" | "℉" => Unit::Fahrenheit,
        "k" | "kelvin" | "°k" => Unit::Kelvin,
        "kpa" | "kpaa" | "kpaabs" => Unit::Kpa,
        "kpag" | "kpagauge" => Unit::KpaGauge,
        "psi" | "psia" | "psiabs" | "lb/in2" | "lbf/in2" | "lb/in²" => Unit::Psi,
        "psig" | "psigauge" => Unit::PsiGauge,
        "bar" | "bara" | "barabs" => Unit::Bar,
        "barg" | "bargauge" => Unit::BarGauge,
        "mbar" => Unit::Mbar,
        "hpa" => Unit::Hpa,
        "inhg" | "\"hg" => Unit::Inhg,
        "mmhg" | "torr" => Unit::Mmhg,
        "%" | "pct" | "percent" => Unit::Percent,
        "kph" | "km/h" | "kmh" | "kmph" => Unit::Kph,
        "mph" | "mi/h" => Unit::Mph,
        "m/s" => Unit::MetersPerSecond,
        "kn" | "knots" | "kt" | "kts" => Unit::Knots,
        "ms" | "msec" => Unit::Milliseconds,
        "µs" | "us" | "usec" => Unit::Microseconds,
        "rpm" | "1/min" | "min-1" | "r/min" | "u/min" | "min^-1" => Unit::PerMinute,
        "hz" | "1/s" | "rps" => Unit::PerSecond,
        "v" | "volt" | "volts" => Unit::Volts,
        "mv" => Unit::Millivolts,
        "°" | "deg" | "degrees" | "°btdc" | "degbtdc" | "°ca" => Unit::Degrees,
        _ => return None,
    };
    Some(found)
}

impl ToNative {
    /// One reading in the native unit; NaN where there is none, such as the inverse of 0.
    ///
    /// Units: `ambient_kpa` is the pressure of the air around.
    pub fn apply(self, reading: f64, ambient_kpa: f64) -> f64 {
        match self {
            ToNative::Line { factor, offset } => reading * factor + offset,
            ToNative::Inverse if reading > 0.0 => 1.0 / reading,
            ToNative::Inverse => f64::NAN,
            ToNative::AboveAmbient { factor } => ambient_kpa + reading * factor,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn native(unit: Unit, reading: f64) -> f64 {
        unit.to_native(14.7).apply(reading, 100.0)
    }

    #[test]
    fn readings_come_out_in_the_channels_own_units() {
        // One atmosphere and the boiling point of water, in the units of each country:
        // textbook pairs, from memory.
        for (unit, reading, wanted) in [
            (Unit::Fahrenheit, 212.0, 100.0),
            (Unit::Kelvin, 373.15, 100.0),
            (Unit::Psi, 14.696, 101.325),
            (Unit::Inhg, 29.921, 101.325),
            (Unit::Mmhg, 760.0, 101.325),
            (Unit::Bar, 1.01325, 101.325),
            (Unit::Hpa, 1013.25, 101.325),
            (Unit::PsiGauge, 14.696, 201.325),
            (Unit::InhgVacuum, 20.0, 32.272),
            (Unit::Mph, 60.0, 96.561),
            (Unit::Knots, 10.0, 18.52),
            (Unit::Afr, 14.7, 1.0),
            (Unit::Phi, 1.25, 0.8),
            (Unit::Fraction, 0.5, 50.0),
            (Unit::Microseconds, 2500.0, 2.5),
            (Unit::PerSecond, 50.0, 3000.0),
        ] {
            assert!((native(unit, reading) - wanted).abs() < 2e-3, "{unit:?}: {}", native(unit, reading));
        }
        assert!(native(Unit::Phi, 0.0).is_nan());
    }

    #[test]
    fn the_list_stands_in_the_order_of_the_words() {
        for (i, (unit, word)) in Unit::ALL.iter().enumerate() {
            assert_eq!(*unit as usize, i);
            assert_eq!(serde_json::to_value(unit).expect("a word"), *word);
        }
    }

    #[test]
    fn a_title_s_unit_is_known_in_its_usual_spellings() {
        assert_eq!(from_text(" °F "), Some(Unit::Fahrenheit));
        assert_eq!(from_text("[km/h]"), Some(Unit::Kph));
        assert_eq!(from_text("U/min"), Some(Unit::PerMinute));
        assert_eq!(from_text("furlongs"), None);
        assert_eq!((from_text("F°"), from_text("ER")), (Some(Unit::Fahrenheit), Some(Unit::Phi)));
        assert!(is_of_no_unit("-") && is_of_no_unit("1") && !is_of_no_unit("%") && !is_of_no_unit("atm"));
        assert!(Unit::PsiGauge.agrees_with(Unit::Psi) && Unit::Mbar.agrees_with(Unit::Hpa));
        assert!(Unit::Celsius.agrees_with(Unit::Degrees));
        assert!(!Unit::Psi.agrees_with(Unit::PsiGauge) && !Unit::Psi.agrees_with(Unit::Kpa));
    }
}
