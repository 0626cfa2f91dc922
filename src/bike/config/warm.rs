//! When the engine counts as warm.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// When the engine counts as warm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WarmEngine {
    /// Engine temperature from which on the fuelling is the warm one, °C.
    #[schemars(range(min = -40.0, max = 200.0))]
    pub engine_temp_c: f64,
}

impl Default for WarmEngine {
    /// Common practice, no source: warm-up enrichment has ended at 75 °C.
    fn default() -> Self {
        Self { engine_temp_c: 75.0 }
    }
}
