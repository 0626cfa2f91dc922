//! What `verify` found, as text.

use super::style::{Align, columns, strong, warning};
use crate::operations::{Difference, ReplayOutcome, Trouble, VerifiedRevision, VerifyReport};
use crate::units;
use std::fmt::Write as _;

/// How many differing cells of a file are told one by one.
const CELLS_SHOWN: usize = 5;

/// Revisions with what came of each, then what does not fit.
///
/// `command` is how the user called the program, so that advice can be copied.
pub fn verify(report: &VerifyReport, width: usize, command: &str) -> String {
    let mut text = String::new();
    if !report.revisions.is_empty() {
        let rows = report.revisions.iter().map(revision).collect();
        let table = columns(rows, &[Align::Left; 4], width);
        let _ = writeln!(text, "{}\n{table}", strong("revisions"));
    }
    for found in &report.troubles {
        text.push_str(&trouble(found, command));
    }
    for note in &report.notes {
        let _ = writeln!(text, "{}: {note}", strong("note"));
    }
    if report.revisions.is_empty() && report.troubles.is_empty() {
        return text;
    }
    let looked = format!(
        "{}, {}, {}",
        units::counted(report.revisions.len(), "revision"),
        units::counted(report.rides, "ride"),
        units::counted(report.objects, "git object")
    );
    let _ = match report.troubles.len() {
        0 => writeln!(text, "{looked}: all fit together"),
        1 => writeln!(text, "{looked}: {}", warning("1 thing does not fit")),
        n => writeln!(text, "{looked}: {}", warning(&format!("{n} things do not fit"))),
    };
    text
}

fn revision(revision: &VerifiedRevision) -> Vec<String> {
    let signed = match (revision.commit_signed, revision.tag_signed) {
        (true, true) => "signed",
        (true, false) => "commit signed",
        (false, true) => "tag signed",
        (false, false) => "not signed",
    };
    let replay = match revision.replay {
        ReplayOutcome::Same => "replayed, the same bytes",
        ReplayOutcome::Differs => "replayed, other bytes",
        ReplayOutcome::DiffersFromOtherVersion => "replayed, other bytes",
        ReplayOutcome::CannotBeReplayed => "cannot be replayed",
        ReplayOutcome::NothingToReplay => "nothing to replay",
        ReplayOutcome::NotAsked => "not replayed",
    };
    let replay = match &revision.why {
        Some(why) => format!("{replay}: {why}"),
        None => replay.to_owned(),
    };
    vec![revision.revision.clone(), revision.kind.to_owned(), signed.to_owned(), replay]
}

fn trouble(trouble: &Trouble, command: &str) -> String {
    let place = [&trouble.revision, &trouble.path];
    let place: Vec<&str> = place.into_iter().flatten().map(String::as_str).collect();
    let place = if place.is_empty() { String::new() } else { format!("{}: ", place.join(", ")) };
    let mut text = format!("{} ({}): {place}{}\n", warning("trouble"), kind(trouble), trouble.what);
    for difference in trouble.differences.iter().take(CELLS_SHOWN) {
        let _ = writeln!(text, "  {}", cell(difference));
    }
    if trouble.differences.len() > CELLS_SHOWN {
        let _ = writeln!(text, "  and {} more", trouble.differences.len() - CELLS_SHOWN);
    }
    let to_do = trouble.to_do.replace("`rideloop ", &format!("`{command} "));
    let _ = writeln!(text, "  {}: {to_do}\n", strong("what to do"));
    text
}

/// The kind in the word that JSON has for it.
fn kind(trouble: &Trouble) -> String {
    let word = serde_json::to_value(trouble.kind).ok();
    word.as_ref().and_then(|w| w.as_str()).unwrap_or_default().to_owned()
}

fn cell(difference: &Difference) -> String {
    let Difference { line, row, column, expected, found } = difference;
    match row.is_empty() {
        true if expected.is_empty() => format!("line {line}: should not be there, is `{found}`"),
        true if found.is_empty() => format!("line {line}: should be `{expected}`, is missing"),
        true => format!("line {line}: should be `{expected}`, is `{found}`"),
        false => format!("line {line}, {row}, {column}: should be {expected}, is {found}"),
    }
}
