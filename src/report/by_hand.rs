//! Changes by hand, exports and builds, as text.

use super::changes::table_change_among;
use super::documentation::wrap;
use super::new_bike::{changes_judged, indented};
use super::run::no_revision;
use super::style::{Align, columns, faint, strong, warning};
use crate::bike::ChangesJudged;
use crate::operations::{BuildReport, ExportReport, HandReport};
use crate::table::LOCKED;
use crate::units;
use std::fmt::Write as _;

/// What an edit or an import did.
///
/// `command` is how the user called the program, so that advice can be copied.
pub fn by_hand(report: &HandReport, width: usize, command: &str) -> String {
    let limits = match report.tables.is_empty() {
        true => String::new(),
        false => format!(", limits of pipeline {}", report.pipeline),
    };
    let slots = report.slots.join(", ");
    let mut text = match slots.is_empty() {
        true => format!("starting from {}\n", report.from_revision),
        false => {
            format!("{}, starting from {}{limits}\n", strong(&format!("slot {slots}")), report.from_revision)
        }
    };
    for edit in &report.edits {
        let _ = writeln!(text, "  {edit}");
    }
    for import in &report.imports {
        let hash = import.sha256.get(..12).unwrap_or(&import.sha256);
        let _ = writeln!(text, "  from {} {}", import.file, faint(&format!("sha256 {hash}…")));
    }
    for note in &report.notes {
        text.push_str(&indented(&format!("note: {note}"), width));
    }
    let to = report.revision.as_deref().unwrap_or("the next revision");
    for change in &report.tables {
        let locked = |rpm: f64, load: f64| {
            report.locked.iter().any(|c| c.slot == change.slot && c.rpm == rpm && c.load == load)
        };
        let _ = write!(text, "\n{}", table_change_among(change, &report.from_revision, to, width, &locked));
        // Only where the grid shows such a sign.
        let drawn = |rpm: f64, load: f64| {
            change.cells.iter().any(|c| c.rpm == rpm)
                && change.cells.iter().any(|c| c.load == load)
                && !change.cells.iter().any(|c| c.rpm == rpm && c.load == load)
        };
        if report.locked.iter().any(|c| c.slot == change.slot && drawn(c.rpm, c.load)) {
            let _ = writeln!(text, "{}", faint(&format!("{LOCKED} locked")));
        }
    }
    let _ = writeln!(text, "\n{}", verdict(report, width, command));
    text
}

fn verdict(report: &HandReport, width: usize, command: &str) -> String {
    if let Some(none) = no_revision(report.refused.as_ref(), report.nothing.as_deref()) {
        return none.lines().map(|line| wrap(line, width)).collect::<Vec<_>>().join("\n");
    }
    let caution = |caution: &String| wrap(&format!("{}: {caution}", warning("caution")), width);
    let mut lines: Vec<String> = report.cautions.iter().map(caution).collect();
    if !report.despite.is_empty() {
        lines.push(format!("{}: {} had objected", warning("note"), report.despite.join(", ")));
    }
    match (&report.revision, &report.commit) {
        (Some(revision), Some(commit)) => {
            let hash = commit.get(..10).unwrap_or(commit);
            lines.push(format!("{} is committed ({hash}): {}.", strong(revision), report.counts));
            // Locks and new slots are no matter of a rollback.
            if !report.tables.is_empty() {
                lines.push("Ride gently first, and watch lambda at load.".to_owned());
                lines.push(format!("To go back: {command} rollback {} --why \"…\"", report.from_revision));
            }
        }
        _ => lines.push(format!("Dry run: nothing was written. It would change {}.", report.counts)),
    }
    lines.join("\n")
}

/// What was exported: the table itself where it goes to no file.
pub fn export(report: &ExportReport) -> String {
    if let Some(text) = &report.text {
        return text.clone();
    }
    let file = report.file.as_deref().map(|f| f.display().to_string()).unwrap_or_default();
    let of = report.revision.as_deref().map(|r| format!(" of {r}")).unwrap_or_default();
    format!("{file}: the {} table{of}, slot {}\n", report.table.name(), report.slot)
}

/// The build that began.
pub fn build(report: &BuildReport, width: usize, command: &str) -> String {
    let mut text = format!(
        "{} begins build {} since {}: {}. Its tables are those of the revision before.\n\
         Rides of build {} say nothing about it. Put new rides into rides/{}/.\n",
        strong(&report.revision),
        report.build,
        report.since,
        report.what,
        report.before,
        report.revision,
    );
    if let Some(judged) = &report.verdict {
        let _ = write!(text, "\n{}", changes_judged(judged, width));
    }
    if let Some(bias) = &report.air_temp_bias {
        let words = format!("{}: {}.", strong("air temperature"), bias.in_words());
        let _ = write!(text, "\n{}\n", wrap(&words, width));
        for (kind, lines) in [("note", &bias.notes), ("caution", &bias.cautions)] {
            for line in lines {
                text.push_str(&indented(&format!("{}: {line}", warning(kind)), width));
            }
        }
    }
    for (kind, lines) in [("note", &report.notes), ("caution", &report.cautions)] {
        for line in lines {
            let _ = write!(text, "\n{}\n", wrap(&format!("{}: {line}", warning(kind)), width));
        }
    }
    if !report.silenced.is_empty() {
        let _ = writeln!(
            text,
            "\n{}: {} of build {} fed no revision and will not any more:",
            warning("note"),
            units::counted(report.silenced.len(), "ride"),
            report.before
        );
        let rows = report.silenced.iter().map(|ride| vec![ride.clone()]).collect();
        text.push_str(&columns(rows, &[Align::Left], width));
    }
    let asks_to_rescale = report.verdict.as_ref().is_some_and(ChangesJudged::asks_to_rescale);
    let first = match asks_to_rescale {
        true => format!("write it into bike.yaml and {command} rescale before it is ridden; then "),
        false => String::new(),
    };
    let _ = writeln!(text, "\nNext: {first}ride gently, then {command} run --pipeline first-ride --dry-run");
    text
}
