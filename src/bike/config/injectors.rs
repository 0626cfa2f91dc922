//! The injectors.

use super::meaning::Meaning;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The injectors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Injectors {
    /// How many there are.
    #[schemars(range(min = 1, max = 32))]
    pub count: u32,
    /// Flow of one injector at the rated pressure, cm³/min.
    #[schemars(range(min = 10.0, max = 5000.0))]
    pub flow_cc_min: f64,
    /// Pressure difference at which the flow was rated, kPa.
    #[schemars(range(min = 50.0, max = 2000.0))]
    pub rated_kpa: f64,
    /// Pressure difference on the bike, kPa.
    #[schemars(range(min = 50.0, max = 2000.0))]
    pub rail_kpa: f64,
    /// Highest duty to plan for, %.
    #[serde(default = "usual_duty_limit")]
    #[schemars(range(min = 10.0, max = 100.0))]
    pub duty_limit_pct: f64,
    /// Dead time in ms by battery voltage.
    pub dead_time_ms: BTreeMap<String, f64>,
}

/// Common practice, no source: above about 85 % an injector may not close.
fn usual_duty_limit() -> f64 {
    85.0
}

impl Injectors {
    /// Dead times as (V, ms), ascending in V.
    pub fn dead_time_points(&self) -> Vec<(f64, f64)> {
        let parsed = self.dead_time_ms.iter().filter_map(|(v, ms)| Some((v.parse().ok()?, *ms)));
        let mut points: Vec<(f64, f64)> = parsed.collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points
    }

    /// What is wrong with them beyond single values.
    pub(super) fn check(&self, meaning: &mut Meaning<'_>) {
        const VOLTS: std::ops::RangeInclusive<f64> = 5.0..=20.0;
        const DEAD_MS: std::ops::RangeInclusive<f64> = 0.0..=10.0;
        if self.dead_time_ms.is_empty() {
            meaning.say(&["injectors", "dead_time_ms"], "`dead_time_ms` needs at least one voltage");
        }
        for (volts, ms) in &self.dead_time_ms {
            let at = ["injectors", "dead_time_ms", volts.as_str()];
            if !volts.parse::<f64>().is_ok_and(|v| VOLTS.contains(&v)) {
                meaning.say(&at, format!("a battery voltage must be between 5 and 20, got `{volts}`"));
            }
            if !DEAD_MS.contains(ms) {
                meaning.say(&at, format!("a dead time must be between 0 and 10 ms, got {ms}"));
            }
        }
    }
}
