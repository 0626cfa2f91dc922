//! evidence/<slot>.csv: the evidence behind the newest revision.

use super::CellEvidence;
use crate::bike::EVIDENCE_FOLDER;
use crate::problem::{Problem, Problems};
use crate::table::LoadAxis;
use crate::units;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use std::path::Path;

/// One cell of the evidence file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EvidenceRow {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// The cell before the run.
    pub before: f64,
    /// The cell after the run.
    pub after: f64,
    /// What the rides ask for.
    pub required: Option<f64>,
    /// Its standard error.
    pub std_error: Option<f64>,
    /// Seconds of riding behind it.
    pub weight_s: f64,
    /// Independent samples behind it.
    pub effective_samples: f64,
    /// Separate visits behind it.
    pub dwells: u64,
    /// Rides behind it.
    pub rides: u64,
    /// What held the cell, if anything did.
    pub held_by: Option<String>,
}

impl EvidenceRow {
    /// A row from a cell's evidence.
    pub fn new(
        point: (f64, f64),
        before: f64,
        after: f64,
        evidence: Option<&CellEvidence>,
        held_by: Option<&str>,
    ) -> Self {
        Self {
            rpm: point.0,
            load: point.1,
            before,
            after,
            required: evidence.map(|e| e.required),
            std_error: evidence.map(|e| e.std_error),
            weight_s: evidence.map_or(0.0, |e| e.weight_s),
            effective_samples: evidence.map_or(0.0, |e| e.effective_samples),
            dwells: evidence.map_or(0, |e| e.dwells),
            rides: evidence.map_or(0, |e| e.rides),
            held_by: held_by.map(str::to_owned),
        }
    }
}

/// Where a slot's evidence lies.
pub fn evidence_path(slot: &str) -> String {
    format!("{EVIDENCE_FOLDER}/{slot}.csv")
}

const TITLES: &str = "before,after,required,std_error,weight_s,effective_samples,dwells,rides,held_by";

/// Writes the evidence file. The same rows give the same bytes.
pub fn write(rows: &[EvidenceRow], load_axis: LoadAxis) -> String {
    let mut text = format!("rpm,{},{TITLES}\n", load_axis.name());
    let number = |value: Option<f64>| value.map(|v| units::fixed(v, 4)).unwrap_or_default();
    for row in rows {
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{},{},{},{}",
            units::plain(row.rpm),
            units::plain(row.load),
            units::fixed(row.before, 4),
            units::fixed(row.after, 4),
            number(row.required),
            number(row.std_error),
            units::fixed(row.weight_s, 3),
            units::fixed(row.effective_samples, 2),
            row.dwells,
            row.rides,
            row.held_by.as_deref().unwrap_or_default(),
        );
    }
    text
}

/// Reads an evidence file.
///
/// # Errors
/// The first row that does not fit, with its line.
pub fn parse(path: &Path, text: &str, load_axis: LoadAxis) -> Result<Vec<EvidenceRow>, Problems> {
    let wanted = format!("rpm,{},{TITLES}", load_axis.name());
    let (header, body) = text.split_once('\n').unwrap_or((text, ""));
    if header.trim_end() != wanted {
        return Err(Problem::at(path, 1, 1, format!("the titles must be `{wanted}`")).into());
    }
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(body.as_bytes());
    let rows = reader.deserialize::<EvidenceRow>().enumerate();
    let rows = rows.map(|(i, row)| {
        row.map_err(|error| Problem::at(path, i as u64 + 2, 0, format!("is no evidence row: {error}")).into())
    });
    rows.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_back_what_it_writes() {
        let evidence = CellEvidence {
            weight_s: 3.25,
            required: 51.5,
            std_error: 0.5,
            effective_samples: 8.5,
            dwells: 4,
            rides: 1,
            effective_rides: 1.0,
        };
        let rows = vec![
            EvidenceRow::new((1000.0, 2.5), 50.0, 51.0, Some(&evidence), Some("step_up")),
            EvidenceRow::new((1000.0, 5.0), 50.0, 50.0, None, None),
        ];
        let text = write(&rows, LoadAxis::ThrottlePct);
        let read = parse(Path::new("e.csv"), &text, LoadAxis::ThrottlePct).expect("own text");
        assert_eq!(read, rows);
        assert!(parse(Path::new("e.csv"), "rpm,x\n", LoadAxis::MapKpa).is_err());
    }
}
