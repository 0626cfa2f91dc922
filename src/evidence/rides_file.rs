//! evidence/SLOT.rides.jsonl: what each ride behind the newest revision said.
//!
//! The rides themselves lie outside git; what a season wants to tell of them years
//! later lies here, one file a slot, written by the run that used them. One line a
//! ride (JSON Lines), so that a diff shows rides and a long season reads fast.

use super::LambdaError;
use crate::bike::EVIDENCE_FOLDER;
use crate::problem::{Problem, Problems};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// What a run says of its rides.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RideStatements {
    /// The rides that counted, in the order of their hashes.
    pub rides: Vec<RideStatement>,
    /// The rides that were passed over for what they hold, with the reason.
    pub passed_over: Vec<PassedOver>,
    /// Signs that only show in all rides together.
    pub findings: Vec<StatedFinding>,
}

/// A line of the file.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Line {
    Ride(RideStatement),
    PassedOver(PassedOver),
    Finding(StatedFinding),
}

/// What one ride said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RideStatement {
    /// SHA-256 of its bytes, in hex.
    pub sha256: String,
    /// Its name at the time.
    pub file: String,
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

/// How the file's name ends.
pub const RIDES_END: &str = ".rides.jsonl";

/// Where a slot's file lies.
pub fn rides_path(slot: &str) -> String {
    format!("{EVIDENCE_FOLDER}/{slot}{RIDES_END}")
}

impl RideStatements {
    /// Reads the file.
    ///
    /// # Errors
    /// Every line that is no statement.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Problems> {
        Self::parse_of(path, text, |_| true)
    }

    /// Reads the file, of its rides only those whose hash is wanted.
    ///
    /// # Errors
    /// Every line that is no statement.
    pub fn parse_of(path: &Path, text: &str, wanted: impl Fn(&str) -> bool) -> Result<Self, Problems> {
        let mut statements = Self::default();
        let mut found = Vec::new();
        for (number, line) in (1..).zip(text.lines()) {
            if hash_of(line).is_some_and(|sha256| !wanted(sha256)) {
                continue;
            }
            match serde_json::from_str(line) {
                Ok(Line::Ride(ride)) => statements.rides.push(ride),
                Ok(Line::PassedOver(ride)) => statements.passed_over.push(ride),
                Ok(Line::Finding(finding)) => statements.findings.push(finding),
                Err(error) => {
                    let column = error.column() as u64;
                    found.push(Problem::at(
                        path,
                        number,
                        column,
                        format!("is no statement of a ride: {error}"),
                    ));
                }
            }
        }
        Problems(found).into_result().map(|()| statements)
    }

    /// The file's text; the same statements give the same bytes.
    pub fn to_text(&self) -> String {
        let rounded = self.rounded();
        let rides = rounded.rides.into_iter().map(Line::Ride);
        let passed_over = rounded.passed_over.into_iter().map(Line::PassedOver);
        let findings = rounded.findings.into_iter().map(Line::Finding);
        let lines = rides.chain(passed_over).chain(findings);
        lines.map(|line| serde_json::to_string(&line).expect("plain data always serialises") + "\n").collect()
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

/// The hash of a ride's line, without reading the rest; it stands first.
fn hash_of(line: &str) -> Option<&str> {
    line.strip_prefix("{\"ride\":{\"sha256\":\"")?.get(..64)
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
        let text = statements.to_text();
        let path = Path::new("x.rides.jsonl");
        let read = RideStatements::parse(path, &text);
        assert_eq!(read.expect("own text"), statements.rounded());
        let other = RideStatements::parse_of(path, &text, |sha256| sha256 != "a".repeat(64));
        assert_eq!(other.expect("own text").rides, []);
        assert_eq!(RideStatements::parse(path, "").expect("no ride"), RideStatements::default());
        let broken = RideStatements::parse(path, &format!("{text}{{}}\n")).expect_err("no statement");
        assert_eq!(broken.0[0].line, 2, "{broken}");
    }
}
