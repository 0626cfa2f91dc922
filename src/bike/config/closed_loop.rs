//! What the controller does to the mixture on its own.

use super::meaning::Meaning;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the controller does to the mixture on its own.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClosedLoop {
    /// Whether it trims, and whether the trim is in the log.
    pub mode: ClosedLoopMode,
    /// Where it trims; without it, where the wanted lambda is near 1.
    #[serde(default)]
    pub region: Option<Region>,
}

impl ClosedLoop {
    /// Whether the controller trims unseen at an operating point where this lambda
    /// is wanted: inside the region, or, where bike.yaml names none, within
    /// `near_stoich` of lambda 1.
    pub fn hides_trim_at(&self, rpm: f64, load: f64, wanted: f64, near_stoich: f64) -> bool {
        // So that 0.97 is within 0.03 of 1, whatever binary fractions say.
        const SLACK: f64 = 1e-9;
        self.mode == ClosedLoopMode::Unlogged
            && match self.region {
                Some(region) => region.contains(rpm, load),
                None => (wanted - 1.0).abs() <= near_stoich + SLACK,
            }
    }

    /// What is wrong with it beyond single values.
    pub(super) fn check(&self, meaning: &mut Meaning<'_>) {
        if let Some(region) = self.region {
            for (key, range) in [("rpm", region.rpm), ("load", region.load)] {
                if range[0] >= range[1] {
                    let what = format!("`{key}` must ascend, got [{}, {}]", range[0], range[1]);
                    meaning.say(&["closed_loop", "region", key], what);
                }
            }
        }
    }
}

/// Whether the controller trims by itself.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClosedLoopMode {
    /// It does not.
    #[default]
    None,
    /// It does, and the trim is in the log.
    TrimLogged,
    /// It does, and the log does not show by how much.
    Unlogged,
}

/// A rectangle of operating points.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Region {
    /// From and to, 1/min.
    pub rpm: [f64; 2],
    /// From and to, in the load axis' unit.
    pub load: [f64; 2],
}

impl Region {
    /// Whether an operating point lies inside, edges included.
    pub fn contains(&self, rpm: f64, load: f64) -> bool {
        (self.rpm[0]..=self.rpm[1]).contains(&rpm) && (self.load[0]..=self.load[1]).contains(&load)
    }
}
