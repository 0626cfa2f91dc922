//! Evidence that was collected and merged, as text.

use super::style::{Align, columns, strong, warning};
use crate::operations::{CollectReport, MergeReport};
use crate::units;
use std::fmt::Write as _;

/// What was collected.
pub fn collected(report: &CollectReport, width: usize) -> String {
    let mut text = format!(
        "{}, pipeline {}\n",
        strong(&format!("{} of slot {}", units::counted(report.rides.len(), "ride"), report.slot)),
        report.pipeline.name
    );
    let rows: Vec<Vec<String>> = report
        .rides
        .iter()
        .map(|ride| {
            let kept = units::count(ride.kept as u64);
            let samples = units::count(ride.samples as u64);
            let told = match &ride.trouble {
                Some(why) => format!("{}: a run passes it over: {why}", warning("note")),
                None => format!("{kept} of {samples} samples"),
            };
            vec![ride.file.clone(), ride.revision.clone(), told]
        })
        .collect();
    text.push_str(&columns(rows, &[Align::Left, Align::Left, Align::Left], width));
    text.push('\n');
    for file in &report.files {
        let _ = writeln!(
            text,
            "{}: {}, {} bytes",
            file.file.display(),
            units::counted(file.rides, "ride"),
            units::count(file.bytes as u64)
        );
    }
    text
}

/// What was merged.
pub fn merged(report: &MergeReport) -> String {
    let again = match report.again {
        0 => String::new(),
        1 => "; 1 ride came again and counts once".to_owned(),
        n => format!("; {n} rides came again and count once"),
    };
    format!(
        "{}: {} of {}, {} bytes{again}\n",
        report.written.file.display(),
        units::counted(report.written.rides, "ride"),
        units::counted(report.files, "file"),
        units::count(report.written.bytes as u64)
    )
}
