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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
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
    /// Seconds those rides spent near it, whether they could be used or not.
    #[serde(default)]
    pub ridden_s: f64,
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
        ridden_s: f64,
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
            ridden_s,
            held_by: held_by.map(str::to_owned),
        }
    }
}

/// Where a slot's evidence lies.
pub fn evidence_path(slot: &str) -> String {
    format!("{EVIDENCE_FOLDER}/{slot}.csv")
}

const TITLES: &str =
    "before,after,required,std_error,weight_s,effective_samples,dwells,rides,ridden_s,held_by";

/// The titles before the time ridden was written down.
const OLDER_TITLES: &str = "before,after,required,std_error,weight_s,effective_samples,dwells,rides,held_by";

/// Writes the evidence file. The same rows give the same bytes.
pub fn write(rows: &[EvidenceRow], load_axis: LoadAxis) -> String {
    let mut text = format!("rpm,{},{TITLES}\n", load_axis.name());
    let number = |value: Option<f64>| value.map(|v| units::fixed(v, 4)).unwrap_or_default();
    for row in rows {
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{},{},{},{},{}",
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
            units::fixed(row.ridden_s, 1),
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
    let titles = |cells: &str| format!("rpm,{},{cells}", load_axis.name());
    let (header, body) = text.split_once('\n').unwrap_or((text, ""));
    let Some(known) = [TITLES, OLDER_TITLES].into_iter().find(|cells| header.trim_end() == titles(cells))
    else {
        let what = format!("the titles must be `{}`", titles(TITLES));
        return Err(Problem::at(path, 1, 1, what).into());
    };
    let names: csv::StringRecord = "rpm,load".split(',').chain(known.split(',')).collect();
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(body.as_bytes());
    let rows = reader.records().enumerate();
    let rows = rows.map(|(i, row)| {
        let no_row = |why: String| Problem::at(path, i as u64 + 2, 0, format!("is no evidence row: {why}"));
        let row = row.and_then(|row| row.deserialize::<EvidenceRow>(Some(&names)));
        let row = row.map_err(|error| no_row(error.to_string()))?;
        match row.held_by.as_deref() {
            // Of another version perhaps, but a name: it is written back as it stands.
            Some(hold) if !hold.bytes().all(|b| b.is_ascii_lowercase() || b == b'_') => {
                Err(no_row(format!("`{}` is no name of a hold", units::one_line(hold))).into())
            }
            _ => Ok(row),
        }
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
            EvidenceRow::new((1000.0, 2.5), 50.0, 51.0, Some(&evidence), 12.5, Some("step_up")),
            EvidenceRow::new((1000.0, 5.0), 50.0, 50.0, None, 0.0, None),
        ];
        let text = write(&rows, LoadAxis::ThrottlePct);
        let read = parse(Path::new("e.csv"), &text, LoadAxis::ThrottlePct).expect("own text");
        assert_eq!(read, rows);
        let older = "rpm,throttle_pct,before,after,required,std_error,weight_s,effective_samples,dwells,rides,held_by\n\
                     1000,2.5,50.0,51.0,,,0.000,0.00,0,0,step_up\n";
        let read = parse(Path::new("e.csv"), older, LoadAxis::ThrottlePct).expect("an older file");
        assert_eq!((read[0].ridden_s, read[0].held_by.as_deref()), (0.0, Some("step_up")));
        assert!(parse(Path::new("e.csv"), "rpm,x\n", LoadAxis::MapKpa).is_err());
        // A name that could not be written back as it stands.
        let split = text.replace("step_up", "\"step\nup\"");
        let refused = parse(Path::new("e.csv"), &split, LoadAxis::ThrottlePct).expect_err("no name");
        assert!(refused.to_string().contains("`step up` is no name of a hold"), "{refused}");
    }
}
