//! What a ride told of its lambda delay, as reports hold it.

use crate::bike::FixedDelay;
use crate::pipeline::FoundDelay;
use serde::{Deserialize, Serialize};

/// The lambda delay found from one ride.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct RideDelay {
    /// Engine cycles.
    pub cycles: f64,
    /// Pipe volume, cm³.
    pub transport_ml: f64,
    /// Sensor lag, s.
    pub lag_s: f64,
    /// Standard error of each of them.
    pub std_error: FixedDelay,
    /// Seconds from cylinder to reading at the ride's usual operating point.
    pub typical_s: f64,
    /// Standard error of that.
    pub typical_std_error_s: f64,
    /// The ride had too few transients, so the usual values served.
    pub usual_kept: bool,
    /// Why the finding should be doubted.
    pub doubt: Option<String>,
}

impl From<&FoundDelay> for RideDelay {
    fn from(found: &FoundDelay) -> Self {
        Self {
            cycles: found.delay.cycles,
            transport_ml: found.delay.transport_ml,
            lag_s: found.delay.lag_s,
            std_error: found.std_error,
            typical_s: found.typical_s,
            typical_std_error_s: found.typical_std_error_s,
            usual_kept: found.usual_kept,
            doubt: found.doubt.clone(),
        }
    }
}
