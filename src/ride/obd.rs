//! The open parameters of SAE J1979, service 01: names, units, scalings.
//!
//! Source: scapy 2.8.0, `contrib/automotive/obd/pid` (read; its definitions quote the standard's
//! tables), where nothing else is said. From memory, for the standard itself was not read: what
//! the comments in the table say, and that its "equivalence ratio" is lambda (above 1 is lean).

/// One number in the answer to a parameter id; an answer may carry two.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameter {
    /// The parameter id (PID) of service 01.
    pub pid: u8,
    /// What it is, in the standard's words and lower case; no two are alike.
    pub name: &'static str,
    /// The unit of its values, `lambda` for the ratio; empty for a code.
    pub unit: &'static str,
    /// Where it starts among the answer's data bytes.
    first: u8,
    /// How many bytes hold it, the most significant first: 1 or 2.
    pub bytes: u8,
    factor: f64,
    offset: f64,
}

impl Parameter {
    /// The value in [`Parameter::unit`] of the answer's data bytes; `None` where they end too soon.
    pub fn value(&self, data: &[u8]) -> Option<f64> {
        let first = usize::from(self.first);
        let bytes = data.get(first..first + usize::from(self.bytes))?;
        let raw = bytes.iter().fold(0_u16, |raw, byte| raw << 8 | u16::from(*byte));
        Some(f64::from(raw) * self.factor + self.offset)
    }

    /// The value of its own bytes written as one whole number; `None` where they cannot hold it.
    pub fn value_of_number(&self, raw: f64) -> Option<f64> {
        let most = f64::from(u16::MAX >> (16 - 8 * u16::from(self.bytes)));
        let is_raw = raw.fract() == 0.0 && (0.0..=most).contains(&raw);
        is_raw.then_some(raw * self.factor + self.offset)
    }
}

/// What the data bytes after the parameter id say; empty for a parameter that is not listed.
///
/// Bytes beyond the parameter's own, as CAN frames are padded with, are not looked at.
pub fn decode(pid: u8, data: &[u8]) -> Vec<(&'static Parameter, f64)> {
    let of_pid = PARAMETERS.iter().filter(|parameter| parameter.pid == pid);
    of_pid.filter_map(|parameter| Some((parameter, parameter.value(data)?))).collect()
}

/// How many data bytes an answer about a parameter has; `None` for one that is not listed.
pub fn answer_bytes(pid: u8) -> Option<usize> {
    let of_pid = PARAMETERS.iter().filter(|parameter| parameter.pid == pid);
    of_pid.map(|parameter| usize::from(parameter.first + parameter.bytes)).max()
}

/// The parameter of this name, in any case.
pub fn by_name(name: &str) -> Option<&'static Parameter> {
    PARAMETERS.iter().find(|parameter| parameter.name.eq_ignore_ascii_case(name))
}

/// One byte over its whole range as 0 to 100 %.
const PERCENT: f64 = 100.0 / 255.0;
/// One byte as -100 to +99.2 %.
const TRIM: f64 = 100.0 / 128.0;
/// The lowest temperature, in °C.
const COLDEST: f64 = -40.0;
/// Two bytes as lambda 0 to 2; scapy rounds it to .0000305.
const LAMBDA: f64 = 2.0 / 65536.0;
/// Two bytes as 0 to 8 V; scapy rounds it to .000122.
const WIDE_RANGE_VOLTS: f64 = 8.0 / 65536.0;
/// Two bytes as -128 to +128 mA. The offset is from memory: scapy leaves it out.
const PUMP_MILLIAMPERES: f64 = 1.0 / 256.0;
const LEAST_PUMP_MILLIAMPERES: f64 = -128.0;

const fn byte(pid: u8, name: &'static str, unit: &'static str, factor: f64, offset: f64) -> Parameter {
    Parameter { pid, name, unit, first: 0, bytes: 1, factor, offset }
}

const fn word(pid: u8, name: &'static str, unit: &'static str, factor: f64, offset: f64) -> Parameter {
    Parameter { pid, name, unit, first: 0, bytes: 2, factor, offset }
}

const fn at(first: u8, parameter: Parameter) -> Parameter {
    Parameter { first, ..parameter }
}

/// The answers of one oxygen sensor: narrow band, wide band by voltage, wide band by current.
macro_rules! oxygen_sensor {
    ($narrow:literal, $voltage:literal, $current:literal, $sensor:literal) => {
        [
            byte($narrow, concat!("oxygen sensor ", $sensor, " output voltage"), "V", 0.005, 0.0),
            at(
                1,
                byte($narrow, concat!("oxygen sensor ", $sensor, " short term fuel trim"), "%", TRIM, -100.0),
            ),
            word($voltage, concat!("oxygen sensor ", $sensor, " lambda with voltage"), "lambda", LAMBDA, 0.0),
            at(
                2,
                word(
                    $voltage,
                    concat!("oxygen sensor ", $sensor, " wide range voltage"),
                    "V",
                    WIDE_RANGE_VOLTS,
                    0.0,
                ),
            ),
            word($current, concat!("oxygen sensor ", $sensor, " lambda with current"), "lambda", LAMBDA, 0.0),
            at(
                2,
                word(
                    $current,
                    concat!("oxygen sensor ", $sensor, " pump current"),
                    "mA",
                    PUMP_MILLIAMPERES,
                    LEAST_PUMP_MILLIAMPERES,
                ),
            ),
        ]
    };
}

const OXYGEN_SENSORS: [[Parameter; 6]; 8] = [
    oxygen_sensor!(0x14, 0x24, 0x34, "1"),
    oxygen_sensor!(0x15, 0x25, 0x35, "2"),
    oxygen_sensor!(0x16, 0x26, 0x36, "3"),
    oxygen_sensor!(0x17, 0x27, 0x37, "4"),
    oxygen_sensor!(0x18, 0x28, 0x38, "5"),
    oxygen_sensor!(0x19, 0x29, 0x39, "6"),
    oxygen_sensor!(0x1A, 0x2A, 0x3A, "7"),
    oxygen_sensor!(0x1B, 0x2B, 0x3B, "8"),
];

const SINGLES: [Parameter; 48] = [
    // A code: 1 open loop, cold; 2 closed loop; 4 open loop, load or overrun; 8 open loop, fault;
    // 16 closed loop, fault. That the cold one is 1 is from memory: scapy has 0.
    byte(0x03, "fuel system 1 status", "", 1.0, 0.0),
    at(1, byte(0x03, "fuel system 2 status", "", 1.0, 0.0)),
    byte(0x04, "calculated engine load", "%", PERCENT, 0.0),
    byte(0x05, "engine coolant temperature", "°C", 1.0, COLDEST),
    // Positive adds fuel (from memory).
    byte(0x06, "short term fuel trim bank 1", "%", TRIM, -100.0),
    byte(0x07, "long term fuel trim bank 1", "%", TRIM, -100.0),
    byte(0x08, "short term fuel trim bank 2", "%", TRIM, -100.0),
    byte(0x09, "long term fuel trim bank 2", "%", TRIM, -100.0),
    byte(0x0A, "fuel pressure", "kPa", 3.0, 0.0),
    byte(0x0B, "intake manifold absolute pressure", "kPa", 1.0, 0.0),
    word(0x0C, "engine speed", "rpm", 0.25, 0.0),
    byte(0x0D, "vehicle speed", "km/h", 1.0, 0.0),
    byte(0x0E, "ignition timing advance", "deg", 0.5, -64.0),
    byte(0x0F, "intake air temperature", "°C", 1.0, COLDEST),
    // Two bytes from memory; scapy gives it one, which would end at 2.55 g/s.
    word(0x10, "mass air flow", "g/s", 0.01, 0.0),
    byte(0x11, "absolute throttle position", "%", PERCENT, 0.0),
    word(0x1F, "run time since engine start", "s", 1.0, 0.0),
    word(0x21, "distance with malfunction lamp on", "km", 1.0, 0.0),
    word(0x23, "fuel rail gauge pressure", "kPa", 10.0, 0.0),
    byte(0x2C, "commanded exhaust gas recirculation", "%", PERCENT, 0.0),
    byte(0x2E, "commanded evaporative purge", "%", PERCENT, 0.0),
    byte(0x2F, "fuel level", "%", PERCENT, 0.0),
    word(0x31, "distance since codes cleared", "km", 1.0, 0.0),
    byte(0x33, "barometric pressure", "kPa", 1.0, 0.0),
    word(0x3C, "catalyst temperature bank 1 sensor 1", "°C", 0.1, COLDEST),
    word(0x3D, "catalyst temperature bank 2 sensor 1", "°C", 0.1, COLDEST),
    word(0x3E, "catalyst temperature bank 1 sensor 2", "°C", 0.1, COLDEST),
    word(0x3F, "catalyst temperature bank 2 sensor 2", "°C", 0.1, COLDEST),
    word(0x42, "control module voltage", "V", 0.001, 0.0),
    word(0x43, "absolute load", "%", PERCENT, 0.0),
    word(0x44, "commanded lambda", "lambda", LAMBDA, 0.0),
    byte(0x45, "relative throttle position", "%", PERCENT, 0.0),
    byte(0x46, "ambient air temperature", "°C", 1.0, COLDEST),
    byte(0x47, "absolute throttle position B", "%", PERCENT, 0.0),
    byte(0x48, "absolute throttle position C", "%", PERCENT, 0.0),
    byte(0x49, "accelerator pedal position D", "%", PERCENT, 0.0),
    byte(0x4A, "accelerator pedal position E", "%", PERCENT, 0.0),
    byte(0x4B, "accelerator pedal position F", "%", PERCENT, 0.0),
    byte(0x4C, "commanded throttle actuator", "%", PERCENT, 0.0),
    byte(0x52, "ethanol in fuel", "%", PERCENT, 0.0),
    word(0x53, "absolute evaporative system vapor pressure", "kPa", 0.005, 0.0),
    word(0x59, "fuel rail absolute pressure", "kPa", 10.0, 0.0),
    byte(0x5A, "relative accelerator pedal position", "%", PERCENT, 0.0),
    byte(0x5C, "engine oil temperature", "°C", 1.0, COLDEST),
    word(0x5E, "engine fuel rate", "L/h", 0.05, 0.0),
    byte(0x61, "demanded engine torque", "%", 1.0, -125.0),
    byte(0x62, "actual engine torque", "%", 1.0, -125.0),
    word(0x63, "engine reference torque", "N m", 1.0, 0.0),
];

/// Every parameter that is known, the oxygen sensors' first.
///
/// Parameter 4F, by which a control unit may widen the ranges of lambda, voltage and current, is
/// not heeded (from memory; most answer zeros, which leave the ranges as they are here).
pub static PARAMETERS: [Parameter; SINGLES.len() + OXYGEN_SENSORS.as_flattened().len()] = {
    let sensors = OXYGEN_SENSORS.as_flattened();
    let mut all = [SINGLES[0]; SINGLES.len() + OXYGEN_SENSORS.as_flattened().len()];
    let mut i = 0;
    while i < all.len() {
        all[i] = if i < sensors.len() { sensors[i] } else { SINGLES[i - sensors.len()] };
        i += 1;
    }
    all
};

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    fn of(pid: u8, data: &[u8]) -> Vec<(&'static str, f64)> {
        decode(pid, data).into_iter().map(|(parameter, value)| (parameter.name, value)).collect()
    }

    /// Computed by hand from the formulas in the standard's form, such as `(256 A + B) / 4`.
    #[test]
    fn answers_become_values_by_the_standards_formulas() {
        assert_eq!(of(0x0C, &[0x1A, 0xF8, 0, 0]), [("engine speed", 1726.0)]);
        assert_eq!(of(0x05, &[0x7B]), [("engine coolant temperature", 83.0)]);
        assert_eq!(of(0x06, &[0x70]), [("short term fuel trim bank 1", -12.5)]);
        assert_eq!(of(0x11, &[0xFF]), [("absolute throttle position", 100.0)]);
        assert_eq!(of(0x0E, &[0x98]), [("ignition timing advance", 12.0)]);
        assert_eq!(of(0x10, &[0x01, 0x2C]), [("mass air flow", 3.0)]);
        assert_eq!(of(0x42, &[0x36, 0xB0]), [("control module voltage", 14.0)]);
        assert_eq!(of(0x44, &[0x80, 0x00]), [("commanded lambda", 1.0)]);
        assert_eq!(of(0x5E, &[0x00, 0x64]), [("engine fuel rate", 5.0)]);
        assert_eq!(
            of(0x24, &[0x70, 0x00, 0x40, 0x00]),
            [("oxygen sensor 1 lambda with voltage", 0.875), ("oxygen sensor 1 wide range voltage", 2.0)]
        );
        assert_eq!(
            of(0x35, &[0x80, 0x00, 0x81, 0x00]),
            [("oxygen sensor 2 lambda with current", 1.0), ("oxygen sensor 2 pump current", 1.0)]
        );
    }

    #[test]
    fn too_few_bytes_and_unknown_parameters_say_nothing() {
        assert_eq!(of(0x0C, &[0x1A]), []);
        assert_eq!(of(0x00, &[0xFF, 0xFF, 0xFF, 0xFF]), []);
        assert_eq!(of(0x24, &[0x80, 0x00]), [("oxygen sensor 1 lambda with voltage", 1.0)]);
    }

    #[test]
    fn every_parameter_has_a_name_of_its_own_and_is_found_by_it() {
        let names: BTreeSet<_> = PARAMETERS.iter().map(|parameter| parameter.name.to_lowercase()).collect();
        assert_eq!(names.len(), PARAMETERS.len());
        let places: BTreeSet<_> =
            PARAMETERS.iter().map(|parameter| (parameter.pid, parameter.first)).collect();
        assert_eq!(places.len(), PARAMETERS.len());
        assert_eq!(by_name("Engine Speed").map(|parameter| parameter.pid), Some(0x0C));
    }
}
