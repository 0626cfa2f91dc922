//! What a number measures, and the units it may be written in.
//!
//! A text such as `300` or `43.5psi` enters; the number in the quantity's own unit leaves, or
//! words on why it is none. The rule: a flag's name ends with its unit, a bare number is in that
//! unit, and another known unit of the same quantity may stand behind the number.

use crate::physics::air::doubtful_humidity;
use crate::units;

/// What a number measures.
#[derive(Debug)]
pub struct Quantity {
    /// Its name in messages.
    pub name: &'static str,
    /// Its units; the first is its own, in which bare numbers are.
    pub units: &'static [Unit],
    /// Asks about a number that was most likely meant in another unit, or of something else.
    doubt: fn(f64) -> Option<String>,
}

impl PartialEq for Quantity {
    fn eq(&self, other: &Self) -> bool {
        self.name == other.name
    }
}

/// A unit that may stand behind a number.
#[derive(Debug, PartialEq)]
pub struct Unit {
    /// As it is written; upper and lower case are alike.
    pub text: &'static str,
    /// Other ways to write it.
    also: &'static [&'static str],
    /// `factor * x + offset` is the number in the quantity's own unit.
    factor: f64,
    offset: f64,
}

const fn unit(text: &'static str, factor: f64) -> Unit {
    Unit { text, also: &[], factor, offset: 0.0 }
}

const fn alias(text: &'static str, also: &'static [&'static str], factor: f64) -> Unit {
    Unit { text, also, factor, offset: 0.0 }
}

macro_rules! quantities {
    ($($id:ident $name:literal [$($unit:expr),+ $(,)?] $(asks $doubt:expr)?;)+) => {
        $(#[doc = concat!("A ", $name, ".")]
        pub static $id: Quantity =
            Quantity { name: $name, units: &[$($unit),+], doubt: [$($doubt,)? no_doubt][0] };)+

        /// Every quantity, for the page of sums.
        pub fn quantities() -> Vec<&'static Quantity> {
            vec![$(&$id),+]
        }
    };
}

fn no_doubt(_: f64) -> Option<String> {
    None
}

quantities! {
    PRESSURE "pressure" [
        unit("kPa", 1.0),
        unit("Pa", 1e-3),
        unit("bar", units::KPA_PER_BAR),
        alias("mbar", &["hPa"], units::KPA_PER_MBAR),
        unit("psi", units::KPA_PER_PSI),
        unit("inHg", units::KPA_PER_INHG),
        unit("mmHg", units::KPA_PER_MMHG),
    ];
    TEMPERATURE "temperature" [
        alias("C", &["°C"], 1.0),
        Unit {
            text: "F",
            also: &["°F"],
            factor: 1.0 / units::F_PER_C,
            offset: -units::F_AT_0_C / units::F_PER_C,
        },
        Unit { text: "K", also: &[], factor: 1.0, offset: -units::ZERO_CELSIUS_K },
    ];
    TEMPERATURE_STEP "difference of temperatures" [
        alias("K", &["C", "°C"], 1.0),
        alias("F", &["°F"], 1.0 / units::F_PER_C),
    ];
    SHARE "share" [alias("%", &["pct"], 1.0), unit("fraction", 100.0)];
    HUMIDITY "relative humidity" [alias("%", &["pct"], 1.0), unit("fraction", 100.0)] asks doubtful_humidity;
    CONCENTRATION "small share" [unit("ppm", 1.0), unit("%", 1e4)];
    VOLUME "volume" [
        alias("cc", &["cm3", "cm³", "ml"], 1.0),
        unit("l", units::CC_PER_L),
        alias("in3", &["ci", "cuin"], units::CC_PER_IN3),
    ];
    LENGTH "length" [unit("mm", 1.0), unit("cm", 10.0), unit("in", units::MM_PER_IN)];
    HEIGHT "height" [unit("m", 1.0), unit("km", 1000.0), unit("ft", units::M_PER_FT)];
    AREA "area" [alias("m2", &["m²"], 1.0), alias("ft2", &["ft²"], units::M_PER_FT * units::M_PER_FT)];
    FLOW "flow" [
        alias("cc/min", &["cm3/min", "ml/min"], 1.0),
        unit("l/min", units::CC_PER_L),
        unit("l/h", units::CC_PER_L / units::MIN_PER_H),
    ];
    DURATION "duration" [unit("ms", 1.0), alias("us", &["µs"], 1e-3), unit("s", 1e3)];
    MASS "mass" [unit("kg", 1.0), alias("lb", &["lbs"], units::KG_PER_LB)];
    DENSITY "density" [
        alias("kg/m3", &["kg/m³", "g/l"], 1.0),
        alias("g/cc", &["g/cm3", "kg/l", "g/ml"], 1000.0),
    ];
    SPEED "speed" [
        alias("km/h", &["kph"], 1.0),
        unit("m/s", units::KPH_PER_M_S),
        unit("mph", units::KPH_PER_MPH),
        alias("kn", &["kt"], units::KPH_PER_KNOT),
    ];
    ACCELERATION "acceleration" [alias("m/s2", &["m/s²"], 1.0), unit("g", units::M_S2_PER_G)];
    ENGINE_SPEED "engine speed" [alias("rpm", &["1/min"], 1.0)];
    POWER "power" [
        unit("kW", 1.0),
        unit("W", 1e-3),
        unit("hp", units::KW_PER_HP),
        alias("PS", &["cv"], units::KW_PER_PS),
    ];
    CONSUMPTION "specific consumption" [
        unit("g/kWh", 1.0),
        alias("lb/hph", &["lb/(hp*h)", "lb/hp/h"], 1000.0 * units::KG_PER_LB / units::KW_PER_HP),
    ];
    VOLTAGE "voltage" [unit("V", 1.0), unit("mV", 1e-3)];
    RESISTANCE "resistance" [alias("ohm", &["Ω"], 1.0), alias("kohm", &["kΩ"], 1e3)];
    RATIO "ratio" [unit(":1", 1.0)];
    NUMBER "plain number" [unit("", 1.0)];
}

impl Quantity {
    /// The unit of bare numbers.
    pub fn native(&self) -> &'static str {
        self.units.first().map_or("", |unit| unit.text)
    }

    /// The units as they are written, for messages.
    pub fn known(&self) -> String {
        let known: Vec<&str> = self.units.iter().map(|unit| unit.text).filter(|t| !t.is_empty()).collect();
        known.join(", ")
    }

    /// A number, with or without a unit, in the quantity's own one.
    ///
    /// # Errors
    /// Words, when it is no finite number, the unit is none of this quantity, or it is doubtful.
    pub fn read(&self, text: &str) -> Result<f64, String> {
        let (value, written) = split(text.trim())?;
        let unit = self.unit_of(written).ok_or_else(|| match self.known().as_str() {
            "" => format!("`{written}` behind a {} is not known: write it without a unit", self.name),
            known => match by_mass(self, value, written) {
                Some(said) => said,
                None => format!("`{written}` is no known unit of {}; known: {known}", self.name),
            },
        })?;
        let native = value * unit.factor + unit.offset;
        match (self.doubt)(native) {
            _ if !native.is_finite() => Err(format!("`{text}` is too large a number")),
            Some(doubt) => Err(doubt),
            None => Ok(native),
        }
    }

    fn unit_of(&self, written: &str) -> Option<&'static Unit> {
        let same = |text: &str| text.to_lowercase() == written.to_lowercase();
        if written.is_empty() {
            return self.units.first();
        }
        self.units.iter().find(|unit| same(unit.text) || unit.also.iter().any(|text| same(text)))
    }
}

/// What to write in the place of a flow by mass: which volume that is depends on a liquid nobody named.
fn by_mass(quantity: &Quantity, value: f64, written: &str) -> Option<String> {
    /// Density at which injectors are often rated, kg/l. Common practice, no source.
    const RATED_KG_L: f64 = 0.72;
    let kg_h = match written.to_lowercase().as_str() {
        "lb/h" | "lb/hr" | "lbs/h" | "lbs/hr" => units::KG_PER_LB,
        "kg/h" => 1.0,
        "g/min" => units::MIN_PER_H / 1000.0,
        "g/s" => units::MIN_PER_H * units::MIN_PER_H / 1000.0,
        _ => return None,
    };
    if *quantity != FLOW {
        return None;
    }
    let cc_min = value * kg_h / RATED_KG_L * units::CC_PER_L / units::MIN_PER_H;
    Some(format!(
        "`{written}` is a flow by mass, and this one is by volume: divide by the density of the liquid it was \
         measured with; at {} kg/l, as injectors are often rated (common practice, no source), it is {} cc/min",
        units::plain(RATED_KG_L),
        units::fixed(cc_min, 0)
    ))
}

/// The number at the front of a text, and what stands behind it.
fn split(text: &str) -> Result<(f64, &str), String> {
    let front = text.char_indices().map(|(i, _)| i).chain([text.len()]).rev();
    for end in front {
        if let Ok(value) = text[..end].parse::<f64>() {
            let behind = text[end..].trim();
            return match value.is_finite() {
                true if behind.starts_with(',') => {
                    Err(format!("`{text}` has a comma: write decimals with a point"))
                }
                true => Ok((value, behind)),
                false => Err(format!("`{text}` is not a number")),
            };
        }
    }
    Err(format!("`{text}` is not a number"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_numbers_with_and_without_a_unit() {
        for (quantity, text, want) in [
            (&PRESSURE, "300", 300.0),
            (&PRESSURE, "3 bar", 300.0),
            (&PRESSURE, "1013hPa", 101.3),
            (&PRESSURE, "1e2kPa", 100.0),
            (&TEMPERATURE, "-40F", -40.0),
            (&RATIO, "12.6:1", 12.6),
            (&FLOW, "30L/h", 500.0),
            (&SHARE, "0.5 fraction", 50.0),
        ] {
            let got = quantity.read(text).expect("a number");
            assert!((got - want).abs() < 1e-9, "{text}: {got}");
        }
    }

    #[test]
    fn refuses_what_is_no_number_and_units_of_something_else() {
        for bad in ["", "kPa", "nan", "inf", "-infinity", "1e999", "--", "98,5"] {
            assert!(PRESSURE.read(bad).is_err(), "{bad}");
        }
        assert!(PRESSURE.read("98,5").expect_err("comma").contains("point"));
        assert!(PRESSURE.read("43furlong").expect_err("unit").contains("known: kPa, Pa, bar"));
        assert!(TEMPERATURE.read("20psi").expect_err("unit").contains("known: C, F, K"));
        assert!(NUMBER.read("3kg").expect_err("unit").contains("without a unit"));
        // 24 lb/h: 10.886 kg/h, at 0.72 kg/l 15.12 l/h.
        assert!(FLOW.read("24lb/hr").expect_err("mass").contains("it is 252 cc/min"));
    }

    #[test]
    fn no_way_to_write_a_unit_is_there_twice() {
        for quantity in quantities() {
            let mut texts: Vec<String> = quantity
                .units
                .iter()
                .flat_map(|unit| unit.also.iter().chain([&unit.text]))
                .map(|text| text.to_lowercase())
                .collect();
            texts.sort();
            let all = texts.len();
            texts.dedup();
            assert_eq!(texts.len(), all, "{}", quantity.name);
        }
    }

    proptest! {
        #[test]
        fn no_text_panics_and_what_is_read_is_finite(text in "\\PC{0,12}|[-+0-9.e]{0,8}[a-zA-Z/%µ°]{0,5}") {
            for quantity in quantities() {
                if let Ok(value) = quantity.read(&text) {
                    prop_assert!(value.is_finite());
                }
            }
        }
    }
}
