//! The lambda sensor and how late it tells.

use super::meaning::Meaning;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The lambda sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct LambdaSensor {
    /// How long the gas takes to show.
    pub delay: Delay,
    /// The lowest and highest lambda the sensor can tell.
    pub valid: [f64; 2],
}

impl Default for LambdaSensor {
    fn default() -> Self {
        Self {
            delay: Delay::Estimate(EstimateWord::Estimate),
            // Common practice, no source: what wideband sensors resolve well.
            valid: [0.65, 1.55],
        }
    }
}

impl LambdaSensor {
    /// What is wrong with it beyond single values.
    pub(super) fn check(&self, meaning: &mut Meaning<'_>) {
        let valid = self.valid;
        if !(0.3 <= valid[0] && valid[0] < valid[1] && valid[1] <= 30.0) {
            let what = format!(
                "`valid` must be two ascending lambdas such as [0.65, 1.55], got [{}, {}]",
                valid[0], valid[1]
            );
            meaning.say(&["lambda_sensor", "valid"], what);
        } else if valid[0] > 2.0 {
            meaning.say(&["lambda_sensor", "valid"], "`valid` is in lambda, not AFR");
        }
    }
}

/// How long the exhaust gas takes to show at the sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Delay {
    /// To be found from the rides.
    Estimate(EstimateWord),
    /// Known.
    Fixed(FixedDelay),
}

/// The word `estimate`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EstimateWord {
    /// Find the delay from the rides.
    Estimate,
}

/// A known delay: engine cycles, exhaust volume, sensor lag.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FixedDelay {
    /// Engine cycles from fuelling to the open exhaust valve.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub cycles: f64,
    /// Exhaust volume between valve and sensor, cm³.
    #[schemars(range(min = 0.0, max = 10000.0))]
    pub transport_ml: f64,
    /// First-order time constant of the sensor, s.
    #[schemars(range(min = 0.0, max = 2.0))]
    pub lag_s: f64,
}

impl FixedDelay {
    /// The usual delay of a motorcycle with the sensor behind the headers.
    ///
    /// # Source
    /// 1.5 cycles (published range 0.6 to 1.5 plus the intake stroke), 0.08 s
    /// sensor time constant (50 to 100 ms, Regitz and Collings 2008); from
    /// memory. 800 cm³ of pipe: common practice, no source.
    pub const USUAL: FixedDelay = FixedDelay { cycles: 1.5, transport_ml: 800.0, lag_s: 0.08 };
}

impl Delay {
    /// The delay to use, and whether it is only the usual one.
    pub fn value(&self) -> (FixedDelay, bool) {
        match self {
            Delay::Estimate(_) => (FixedDelay::USUAL, true),
            Delay::Fixed(fixed) => (*fixed, false),
        }
    }
}
