//! The proposal read back and tried on the log it was made from.

use super::super::mapping::Mapping;
use super::super::{Logger, LoggerRef, Loggers};
use crate::ride::{Ride, hash};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// How a log reads through the proposal.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Trial {
    /// Rows of samples in the log.
    pub rows: usize,
    /// Samples that were read.
    pub samples: usize,
    /// Rows that were dropped, by reason.
    pub dropped: BTreeMap<&'static str, usize>,
    /// Values that could not be read, by channel.
    pub unreadable: BTreeMap<&'static str, usize>,
    /// What is worth a look.
    pub remarks: Vec<String>,
    /// Why it does not read the log; none where it does.
    pub error: Option<String>,
}

/// Reads the mapping's text, and the log through it.
pub(super) fn read_back(path: &Path, bytes: &[u8], name: &str, text: &str) -> Trial {
    let failed = |error: String| Trial { error: Some(error), ..Trial::default() };
    let file = format!("loggers/{name}.yaml");
    let mapping = match Mapping::parse(Path::new(&file), text) {
        Ok(mapping) => mapping,
        Err(problems) => return failed(problems.to_string()),
    };
    let reference = LoggerRef { name: name.to_owned(), sha256: hash(text.as_bytes()) };
    let loggers = Loggers { loggers: vec![Logger { reference, mapping }], ..Loggers::none() };
    match Ride::read(path, bytes, &loggers) {
        Err(error) => failed(error.to_string()),
        Ok(ride) => Trial {
            rows: ride.reading.rows,
            samples: ride.samples(),
            remarks: ride.remarks(),
            dropped: ride.reading.dropped,
            unreadable: ride.reading.unparsable_by_channel,
            error: None,
        },
    }
}
