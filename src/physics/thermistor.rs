//! The thermistor that reads the air's temperature, and what a resistor beside it makes of it.

use crate::units::{ZERO_CELSIUS_K, kelvin};

/// Temperature at which a thermistor's nominal resistance holds, °C.
const NOMINAL_C: f64 = 25.0;

/// A thermistor whose resistance falls with temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thermistor {
    /// Resistance at 25 °C, Ω.
    pub at_25c_ohm: f64,
    /// How steeply it falls, K.
    pub beta_k: f64,
}

impl Thermistor {
    /// Resistance at a temperature.
    ///
    /// Units: °C in, Ω out.
    ///
    /// # Source
    /// The beta form that makers of thermistors give, from memory: R = R25 exp(β (1/T − 1/T25)).
    /// It errs by a few K far from 25 °C, where β itself changes.
    pub fn ohm(&self, temp_c: f64) -> f64 {
        self.at_25c_ohm * (self.beta_k * (1.0 / kelvin(temp_c) - 1.0 / kelvin(NOMINAL_C))).exp()
    }

    /// Temperature that a resistance is read as.
    ///
    /// Units: Ω in, °C out.
    ///
    /// # Source
    /// [`Thermistor::ohm`] turned round.
    pub fn temp_c(&self, ohm: f64) -> f64 {
        let per_kelvin = 1.0 / kelvin(NOMINAL_C) + (ohm / self.at_25c_ohm).ln() / self.beta_k;
        1.0 / per_kelvin - ZERO_CELSIUS_K
    }

    /// Temperature that is read with a resistor in series: colder than it is.
    ///
    /// Units: °C and Ω in, °C out.
    pub fn read_in_series_c(&self, temp_c: f64, series_ohm: f64) -> f64 {
        self.temp_c(self.ohm(temp_c) + series_ohm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_series_resistor_reads_colder_and_most_where_it_is_hot() {
        let sensor = Thermistor { at_25c_ohm: 2500.0, beta_k: 3500.0 };
        for temp_c in [-20.0, 0.0, 25.0, 60.0] {
            assert!((sensor.temp_c(sensor.ohm(temp_c)) - temp_c).abs() < 1e-9);
        }
        let bias = |temp_c: f64| sensor.read_in_series_c(temp_c, 500.0) - temp_c;
        assert!(bias(0.0) < 0.0 && bias(40.0) < bias(0.0));
    }
}
