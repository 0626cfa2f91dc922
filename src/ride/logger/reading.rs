//! One field of a foreign log → a value in the unit that its mapping names.

use super::clock;
use super::mapping::{ChannelColumn, RawBytes, TimeForm};
use super::units::Unit;
use crate::ride::delimited;
use crate::ride::obd::{self, Parameter};

/// How the fields of a column are read.
#[derive(Debug, Clone)]
pub(in crate::ride) struct Reading<'m> {
    kind: Kind<'m>,
}

#[derive(Debug, Clone)]
enum Kind<'m> {
    /// A time.
    Time(TimeForm),
    /// A number.
    Number(Number<'m>),
    /// The name of a slot.
    Slot(&'m ChannelColumn),
}

#[derive(Debug, Clone)]
struct Number<'m> {
    column: &'m ChannelColumn,
    /// The line from reading to value; empty where they are the same.
    line: Vec<(f64, f64)>,
    /// The line holds beyond its ends too.
    goes_on: bool,
    parameter: Option<&'static Parameter>,
}

impl<'m> Reading<'m> {
    /// The column of the time.
    pub fn time(form: TimeForm) -> Self {
        Self { kind: Kind::Time(form) }
    }

    /// The column of a number.
    pub fn number(column: &'m ChannelColumn) -> Self {
        let parameter = column.obd.as_deref().and_then(obd::by_name);
        let line = column.calibration();
        let goes_on = column.volts.is_none();
        Self { kind: Kind::Number(Number { column, line, goes_on, parameter }) }
    }

    /// The column of the slot.
    pub fn slot(column: &'m ChannelColumn) -> Self {
        Self { kind: Kind::Slot(column) }
    }

    /// The form of a column of the time.
    pub fn time_form(&self) -> Option<TimeForm> {
        match self.kind {
            Kind::Time(form) => Some(form),
            _ => None,
        }
    }

    /// Whether it gives names and not numbers.
    pub fn is_slot(&self) -> bool {
        matches!(self.kind, Kind::Slot(_))
    }

    /// The value of a field without blanks and quotes around it; NaN when missing, `None` when it
    /// cannot be read or lies beyond the calibration.
    pub fn value(&self, text: &[u8], decimal: u8) -> Option<f64> {
        match &self.kind {
            Kind::Time(form) => clock::seconds(text, *form, decimal),
            Kind::Number(number) => number.of_text(text, decimal),
            Kind::Slot(_) => None,
        }
    }

    /// The same of a number that the format keeps as such.
    pub fn value_of(&self, number: f64) -> Option<f64> {
        match &self.kind {
            Kind::Time(form) => {
                let unit_s = clock::seconds(b"1", *form, b'.')?;
                Some(number * unit_s).filter(|value| !value.is_infinite())
            }
            Kind::Number(of) => of.of_number(number),
            Kind::Slot(_) => None,
        }
    }

    /// The slot that a field names.
    pub fn name(&self, text: &[u8]) -> Option<String> {
        let Kind::Slot(column) = &self.kind else { return None };
        if delimited::is_missing(text) {
            return None;
        }
        let name = String::from_utf8_lossy(text).into_owned();
        Some(column.slots.get(&name).cloned().unwrap_or(name))
    }
}

impl Number<'_> {
    fn of_text(&self, text: &[u8], decimal: u8) -> Option<f64> {
        let words = &self.column.words;
        if !words.is_empty()
            && let Some(value) = std::str::from_utf8(text).ok().and_then(|text| words.get(text))
        {
            return Some(*value);
        }
        if let (Some(parameter), RawBytes::Hex) = (self.parameter, self.column.bytes) {
            return match delimited::is_missing(text) {
                true => Some(f64::NAN),
                false => parameter.value(&hex_bytes(text)?),
            };
        }
        self.of_number(delimited::number(text, decimal)?)
    }

    fn of_number(&self, number: f64) -> Option<f64> {
        if number.is_nan() || self.column.missing.contains(&number) {
            return Some(f64::NAN);
        }
        if number.is_infinite() {
            return None;
        }
        if let Some(parameter) = self.parameter {
            return parameter.value_of_number(number);
        }
        let value = match self.line.as_slice() {
            [] => Some(number),
            line => on_line(line, number, self.goes_on),
        };
        // A mixture without fuel has no lambda: counted, and no silent gap.
        value.filter(|value| self.column.unit != Some(Unit::Phi) || *value > 0.0)
    }
}

/// The value on a line through points that ascend in the reading; `None` beyond its ends, unless
/// it goes on.
fn on_line(line: &[(f64, f64)], reading: f64, goes_on: bool) -> Option<f64> {
    let ends = [line[0].0, line[line.len() - 1].0];
    if !goes_on && !(ends[0]..=ends[1]).contains(&reading) {
        return None;
    }
    let pair = line.windows(2).find(|pair| reading <= pair[1].0).unwrap_or(&line[line.len() - 2..]);
    let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
    Some(y0 + (reading - x0) * (y1 - y0) / (x1 - x0))
}

fn hex_bytes(text: &[u8]) -> Option<Vec<u8>> {
    let text = std::str::from_utf8(text).ok()?;
    let text = text.strip_prefix("0x").or(text.strip_prefix("0X")).unwrap_or(text);
    let digits: Vec<char> = text.chars().filter(|c| !c.is_whitespace()).collect();
    if !digits.len().is_multiple_of(2) {
        return None;
    }
    let byte = |pair: &[char]| Some((pair[0].to_digit(16)? << 4 | pair[1].to_digit(16)?) as u8);
    digits.chunks(2).map(byte).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn column(yaml: &str) -> ChannelColumn {
        crate::yaml::read(std::path::Path::new("l.yaml"), yaml).expect("a column")
    }

    fn value(column: &ChannelColumn, text: &str) -> Option<f64> {
        Reading::number(column).value(text.as_bytes(), b'.')
    }

    #[test]
    fn volts_are_read_off_the_line_and_nothing_beyond_it() {
        let sensor = column("volts: { 0.5: 0.7, 1: 0.8, 4.5: 1.5 }");
        assert_eq!(value(&sensor, "0.75"), Some(0.75));
        assert_eq!(value(&sensor, "4.5"), Some(1.5));
        assert_eq!((value(&sensor, "0.49"), value(&sensor, "4.51")), (None, None));
        assert!(value(&sensor, "").expect("missing").is_nan());
    }

    #[test]
    fn scaled_and_inverted_readings_go_on_beyond_their_two_points() {
        let throttle = column("{ from: [229, 29], to: [0, 100], missing: [255] }");
        assert_eq!(value(&throttle, "229"), Some(0.0));
        assert_eq!(value(&throttle, "129"), Some(50.0));
        assert_eq!(value(&throttle, "231"), Some(-1.0));
        assert!(value(&throttle, "255").expect("missing").is_nan());
    }

    #[test]
    fn raw_bytes_are_scaled_as_the_standard_says() {
        // (256 A + B) / 4, SAE J1979.
        let speed = column("obd: engine speed");
        assert_eq!(value(&speed, "6904"), Some(1726.0));
        assert_eq!((value(&speed, "65536"), value(&speed, "0.5")), (None, None));
        let speed = column("{ obd: engine speed, bytes: hex }");
        assert_eq!(value(&speed, "1A F8"), Some(1726.0));
        assert_eq!(value(&speed, "0x1af8"), Some(1726.0));
        assert_eq!((value(&speed, "1A F"), value(&speed, "zz")), (None, None));
    }

    #[test]
    fn words_stand_for_numbers_and_readings_for_slots() {
        let cut = column("words: { 'ON': 1, 'OFF': 0 }");
        assert_eq!((value(&cut, "ON"), value(&cut, "0"), value(&cut, "on")), (Some(1.0), Some(0.0), None));
        let slot = column("slots: { 1: power }");
        assert_eq!(Reading::slot(&slot).name(b"1").as_deref(), Some("power"));
        assert_eq!(Reading::slot(&slot).name(b"rain").as_deref(), Some("rain"));
        assert_eq!(Reading::slot(&slot).name(b""), None);
    }
}
