//! What a sum is given: inputs with their ranges, and the values read for them.

use super::fuel_text::Fuel;
use super::quantity::Quantity;
use serde_json::Value as Json;

/// Something a sum is given, a flag on the command line.
#[derive(Debug, Clone, Copy)]
pub struct Input {
    /// Its name with its unit, such as `pressure_kpa`.
    pub name: &'static str,
    /// What it is.
    pub about: &'static str,
    /// What it may be.
    pub kind: Kind,
    /// What is taken without it, as it would be typed.
    pub default: Option<&'static str>,
    /// It may be left out, and then nothing is taken for it.
    pub optional: bool,
    /// What to do when a value is beyond the range.
    pub beware: &'static str,
}

/// What a value may be.
#[derive(Debug, Clone, Copy)]
pub enum Kind {
    /// A number within a range, ends included, in the quantity's own unit.
    Number {
        /// What it measures.
        quantity: &'static Quantity,
        /// The least.
        low: f64,
        /// The most.
        high: f64,
    },
    /// A whole number within a range.
    Whole {
        /// The least.
        low: u32,
        /// The most.
        high: u32,
    },
    /// One of a few whole numbers.
    Choice(&'static [u32]),
    /// A fuel: see [`Fuel`].
    Fuel,
    /// Dead times by battery voltage, such as `10:1.35,12:1.02`.
    DeadTimes,
}

impl Input {
    /// A number that must be given.
    pub const fn number(
        name: &'static str,
        quantity: &'static Quantity,
        range: [f64; 2],
        about: &'static str,
    ) -> Self {
        let kind = Kind::Number { quantity, low: range[0], high: range[1] };
        Self::new(name, kind, about)
    }

    /// Anything that must be given.
    pub const fn new(name: &'static str, kind: Kind, about: &'static str) -> Self {
        Self { name, about, kind, default: None, optional: false, beware: "" }
    }

    /// The same with what is taken without it.
    pub const fn or(self, default: &'static str) -> Self {
        Self { default: Some(default), ..self }
    }

    /// The same, to be left out at will.
    pub const fn optional(self) -> Self {
        Self { optional: true, default: None, ..self }
    }

    /// The same with advice for values beyond the range.
    pub const fn beware(self, beware: &'static str) -> Self {
        Self { beware, ..self }
    }

    /// The flag, without its dashes.
    pub fn flag(&self) -> String {
        self.name.replace('_', "-")
    }

    /// What is allowed, in words.
    pub fn allowed(&self) -> String {
        match self.kind {
            Kind::Number { quantity, low, high } => {
                let unit = match quantity.native() {
                    "" | ":1" => String::new(),
                    unit => format!(" {unit}"),
                };
                format!("{low} to {high}{unit}")
            }
            Kind::Whole { low, high } => format!("{low} to {high}"),
            Kind::Choice(words) => words.iter().map(ToString::to_string).collect::<Vec<_>>().join(" or "),
            Kind::Fuel => "see Fuels".to_owned(),
            Kind::DeadTimes => "V:ms, ascending, separated by commas".to_owned(),
        }
    }

    /// A value as it is typed.
    ///
    /// # Errors
    /// Words on what was found, what is allowed and what to do.
    pub fn read(&self, text: &str) -> Result<Read, String> {
        let value = match self.kind {
            Kind::Number { quantity, low, high } => {
                let value = quantity.read(text)?;
                if !(low..=high).contains(&value) {
                    let bare = text.trim().parse::<f64>().is_ok();
                    let same = if bare {
                        String::new()
                    } else {
                        format!(", which is {}", (value * READABLE).round() / READABLE)
                    };
                    return Err(self.beyond(&format!("{}{same}", text.trim())));
                }
                Value::Number(value)
            }
            Kind::Whole { low, high } => match text.trim().parse::<u32>() {
                Ok(n) if (low..=high).contains(&n) => Value::Number(f64::from(n)),
                _ => return Err(format!("must be a whole number, {}, got {text}", self.allowed())),
            },
            Kind::Choice(words) => match text.trim().parse::<u32>() {
                Ok(n) if words.contains(&n) => Value::Number(f64::from(n)),
                _ => return Err(format!("must be {}, got {text}", self.allowed())),
            },
            Kind::Fuel => Value::Fuel(Fuel::read(text)?),
            Kind::DeadTimes => Value::Points(dead_times(text)?),
        };
        Ok(Read { text: text.trim().to_owned(), value })
    }

    fn beyond(&self, got: &str) -> String {
        let advice = if self.beware.is_empty() { String::new() } else { format!("; {}", self.beware) };
        format!("must be {}, got {got}{advice}", self.allowed())
    }
}

/// A value, with the text it was read from.
#[derive(Debug, Clone)]
pub struct Read {
    text: String,
    value: Value,
}

#[derive(Debug, Clone)]
enum Value {
    Number(f64),
    Fuel(Fuel),
    Points(Vec<(f64, f64)>),
}

impl Read {
    /// The text, as it was typed.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The number in the input's own unit, or the text of what is no number.
    pub fn json(&self) -> Json {
        match &self.value {
            Value::Number(value) => Json::from(*value),
            _ => Json::from(self.text.clone()),
        }
    }
}

/// Parts of one that a converted number is rounded to in messages.
const READABLE: f64 = 1e4;

/// What a sum was given.
#[derive(Debug, Default)]
pub struct Given {
    values: Vec<(&'static str, Read)>,
}

impl Given {
    /// Takes a value for an input.
    pub fn take(&mut self, input: &Input, read: Read) {
        self.values.push((input.name, read));
    }

    /// The value of an input of this name.
    pub fn find(&self, name: &str) -> Option<&Read> {
        self.values.iter().find(|(known, _)| *known == name).map(|(_, read)| read)
    }

    /// The number of an input that may have been left out.
    pub fn maybe(&self, input: &Input) -> Option<f64> {
        match self.find(input.name)?.value {
            Value::Number(value) => Some(value),
            _ => None,
        }
    }

    /// The number of an input that a sum asks for; NaN where the sum does not list it, which
    /// no result survives.
    pub fn number(&self, input: &Input) -> f64 {
        self.maybe(input).unwrap_or(f64::NAN)
    }

    /// A whole number that a sum asks for.
    pub fn whole(&self, input: &Input) -> u32 {
        // Read as u32 and held as f64, which is exact.
        self.number(input) as u32
    }

    /// The fuel.
    pub fn fuel(&self, input: &Input) -> Option<&Fuel> {
        match &self.find(input.name)?.value {
            Value::Fuel(fuel) => Some(fuel),
            _ => None,
        }
    }

    /// Points by battery voltage, V and ms.
    pub fn points(&self, input: &Input) -> &[(f64, f64)] {
        match self.find(input.name).map(|read| &read.value) {
            Some(Value::Points(points)) => points,
            _ => &[],
        }
    }
}

/// Voltages between which a dead time means something, V, and the longest, ms; beyond them a
/// pair was turned round or is in another unit.
const BATTERY_V: [f64; 2] = [5.0, 20.0];
const LONGEST_MS: f64 = 10.0;

/// Reads `10:1.35,12:1.02`.
fn dead_times(text: &str) -> Result<Vec<(f64, f64)>, String> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for pair in text.split(',') {
        let read = pair
            .split_once(':')
            .and_then(|(v, ms)| Some((v.trim().parse::<f64>().ok()?, ms.trim().parse::<f64>().ok()?)));
        let Some((v, ms)) = read else {
            return Err(format!("`{pair}` is not battery volts and ms, such as `12:1.02`"));
        };
        if !(BATTERY_V[0]..=BATTERY_V[1]).contains(&v) {
            return Err(format!("`{pair}`: volts must be {} to {}, got {v}", BATTERY_V[0], BATTERY_V[1]));
        }
        if !(0.0..=LONGEST_MS).contains(&ms) {
            return Err(format!("`{pair}`: a dead time must be 0 to {LONGEST_MS} ms, got {ms}"));
        }
        if points.last().is_some_and(|(before, _)| *before >= v) {
            return Err(format!(
                "`{pair}` stands behind {} V: volts must ascend",
                points[points.len() - 1].0
            ));
        }
        points.push((v, ms));
    }
    Ok(points)
}

#[cfg(test)]
mod tests {
    use super::super::quantity::{HUMIDITY, PRESSURE};
    use super::*;

    #[test]
    fn a_value_beyond_its_range_says_what_is_allowed_and_what_to_do() {
        let pressure = Input::number("pressure_kpa", &PRESSURE, [30.0, 110.0], "").beware("not gauge");
        assert_eq!(pressure.read("98").expect("fine").json(), 98.0);
        assert_eq!(pressure.read("-3").expect_err("low"), "must be 30 to 110 kPa, got -3; not gauge");
        assert_eq!(
            pressure.read("2 bar").expect_err("high"),
            "must be 30 to 110 kPa, got 2 bar, which is 200; not gauge"
        );
        let humidity = Input::number("humidity_pct", &HUMIDITY, [0.0, 100.0], "");
        assert!(humidity.read("0").is_ok());
        assert!(humidity.read("0.5").expect_err("a share").contains("did you mean 50?"));
        assert!(humidity.read("0.5 fraction").is_ok());
    }

    #[test]
    fn dead_times_must_ascend_and_be_in_their_order() {
        assert_eq!(dead_times("10:1.35, 12:1.02"), Ok(vec![(10.0, 1.35), (12.0, 1.02)]));
        for bad in ["", "10", "10:a", "1.35:10", "12:1,10:1.3", "12:1,12:1", "12:nan", "inf:1", "12:-1"] {
            assert!(dead_times(bad).is_err(), "{bad}");
        }
    }
}
