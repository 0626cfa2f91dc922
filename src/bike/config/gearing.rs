//! From crankshaft to road.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// From crankshaft to road.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gearing {
    /// Turns of the crankshaft for one turn of the gearbox's input.
    #[schemars(range(min = 0.5, max = 6.0))]
    pub primary: f64,
    /// The gears' ratios, first gear first.
    #[schemars(length(min = 1, max = 8), inner(range(min = 0.3, max = 6.0)))]
    pub gears: Vec<f64>,
    /// Turns of the gearbox's output for one turn of the wheel.
    #[serde(rename = "final")]
    #[schemars(range(min = 0.5, max = 8.0))]
    pub last: f64,
    /// How far one turn of the rear wheel goes, mm.
    #[schemars(range(min = 800.0, max = 3000.0))]
    pub wheel_circumference_mm: f64,
}

impl Gearing {
    /// Road speed at an engine speed in a gear.
    ///
    /// Units: 1/min, gear from 1; result km/h, without slip.
    pub fn speed_kph(&self, rpm: f64, gear: usize) -> f64 {
        const MM_MIN_PER_KM_H: f64 = 1e6 / 60.0;
        let ratio = self.primary * self.gears[gear - 1] * self.last;
        rpm / ratio * self.wheel_circumference_mm / MM_MIN_PER_KM_H
    }
}
