//! evidence/<slot>.rides.yaml: what each ride behind the newest revision said.
//!
//! The rides themselves lie outside git; what a season wants to tell of them years
//! later lies here, one file a slot, written by the run that used them.

use super::LambdaError;
use crate::bike::EVIDENCE_FOLDER;
use crate::problem::Problems;
use crate::yaml;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// What a run says of its rides.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RideStatements {
    /// The rides that counted, in the order of their hashes.
    #[serde(default)]
    pub rides: Vec<RideStatement>,
    /// The rides that were passed over for what they hold, with the reason.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub passed_over: Vec<PassedOver>,
    /// Signs that only show in all rides together.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<StatedFinding>,
}

/// What one ride said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RideStatement {
    /// Its name at the time.
    pub file: String,
    /// SHA-256 of its bytes, in hex.
    pub sha256: String,
    /// The revision it was made on.
    pub revision: String,
    /// Samples in the log.
    pub samples: usize,
    /// Samples that reached the evidence.
    pub kept: usize,
    /// Seconds the engine ran on this slot.
    pub ridden_s: f64,
    /// Dropped samples by reason.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub rejected: BTreeMap<String, usize>,
    /// Its mixture error with the table it was ridden on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub as_ridden: Option<LambdaError>,
    /// The same with the table this run began from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<LambdaError>,
    /// The same with the table this run made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<LambdaError>,
    /// Signs that its sensor or log lies.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<StatedFinding>,
}

/// A ride that was passed over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PassedOver {
    /// Its name at the time.
    pub file: String,
    /// SHA-256 of its bytes, in hex, where it could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
    /// The kind of reason.
    pub reason: String,
    /// The same in words.
    pub why: String,
}

/// A sign that a sensor or a log lies, as it was told then.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StatedFinding {
    /// Its name.
    pub name: String,
    /// `note`, `warning` or `serious`.
    pub severity: String,
    /// What was seen.
    pub saw: String,
}

/// Where a slot's file lies.
pub fn rides_path(slot: &str) -> String {
    format!("{EVIDENCE_FOLDER}/{slot}.rides.yaml")
}

const HEADER: &str = "\
# What each ride behind the newest revision of this slot said. Errors in %, positive is lean.
# Written by rideloop.
";

impl RideStatements {
    /// Reads the file.
    ///
    /// # Errors
    /// Every problem with line and column.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Problems> {
        let node = yaml::parse(path, text)?;
        yaml::read_node(path, &node)
    }

    /// The file's text; the same statements give the same bytes.
    pub fn to_text(&self) -> String {
        let body = serde_yaml::to_string(&self.rounded()).expect("plain data always serialises");
        let end = if body.ends_with('\n') { "" } else { "\n" };
        format!("{HEADER}{body}{end}")
    }

    /// With thousandths of a percent and tenths of a second, so that the last bits
    /// of a sum never change a file.
    fn rounded(&self) -> Self {
        let thousandths = |x: f64| (x * 1000.0).round() / 1000.0;
        let error = |e: LambdaError| LambdaError {
            lean_pct: thousandths(e.lean_pct),
            rms_pct: thousandths(e.rms_pct),
        };
        let ride = |ride: &RideStatement| RideStatement {
            ridden_s: (ride.ridden_s * 10.0).round() / 10.0,
            as_ridden: ride.as_ridden.map(error),
            before: ride.before.map(error),
            after: ride.after.map(error),
            ..ride.clone()
        };
        Self { rides: self.rides.iter().map(ride).collect(), ..self.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_back_what_it_writes() {
        let statements = RideStatements {
            rides: vec![RideStatement {
                file: "r1/odd: name # 'x'.csv".to_owned(),
                sha256: "a".repeat(64),
                revision: "r1".to_owned(),
                samples: 1200,
                kept: 700,
                ridden_s: 59.96,
                rejected: BTreeMap::from([("cold".to_owned(), 500)]),
                as_ridden: Some(LambdaError { lean_pct: 2.00049, rms_pct: 3.0 }),
                before: None,
                after: Some(LambdaError { lean_pct: -0.1, rms_pct: 1.25 }),
                findings: vec![StatedFinding {
                    name: "throttle_zero".to_owned(),
                    severity: "warning".to_owned(),
                    saw: "never below 2 %: \"odd\"".to_owned(),
                }],
            }],
            passed_over: Vec::new(),
            findings: Vec::new(),
        };
        let read = RideStatements::parse(Path::new("x.rides.yaml"), &statements.to_text());
        assert_eq!(read.expect("own text"), statements.rounded());
        let none = RideStatements::default();
        assert_eq!(RideStatements::parse(Path::new("x"), &none.to_text()).expect("own text"), none);
    }
}
