//! The engine.

use super::meaning::Meaning;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The engine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Engine {
    /// Displacement of all cylinders, cm³.
    #[schemars(range(min = 20.0, max = 10000.0))]
    pub displacement_cc: f64,
    /// Number of cylinders.
    #[schemars(range(min = 1, max = 16))]
    pub cylinders: u32,
    /// Strokes of a cycle: 4, or 2.
    #[schemars(range(min = 2, max = 4))]
    pub strokes: u32,
    /// Where the limiter cuts, 1/min.
    #[schemars(range(min = 1000.0, max = 25000.0))]
    pub rev_limit_rpm: f64,
    /// What carries the heat away: it says how hot a reading can be.
    #[serde(default)]
    pub cooling: Option<Cooling>,
}

/// What carries an engine's heat away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Cooling {
    /// Coolant, which boils long before a cylinder head is at its hottest.
    Liquid,
    /// Air, perhaps with oil: the temperature is that of the head or the oil.
    Air,
}

impl Engine {
    /// Displacement of one cylinder, cm³.
    pub fn cylinder_cc(&self) -> f64 {
        self.displacement_cc / f64::from(self.cylinders)
    }

    /// What is wrong with it beyond single values.
    pub(super) fn check(&self, meaning: &mut Meaning<'_>) {
        if !matches!(self.strokes, 2 | 4) {
            let got = self.strokes;
            meaning.say(&["engine", "strokes"], format!("`strokes` must be 2 or 4, got {got}"));
        }
    }
}
