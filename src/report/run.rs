//! What `run` found, as text.

use super::delay::delay;
use super::style::{Align, by_change, columns, faint, strong, warning, wrapped};
use crate::blend::Refusal;
use crate::findings::{Finding, Severity};
use crate::operations::{RideReport, RunReport, StandingReason, held_counts};
use crate::pipeline::Funnel;
use crate::table::{CellMark, DrawnCell, Layout, draw_changes};
use crate::units;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// A run's report.
///
/// `command` is how the user called the program, so that advice can be copied.
pub fn run(report: &RunReport, width: usize, command: &str) -> String {
    let mut text = format!(
        "{}, pipeline {}, starting from {}\n",
        strong(&format!("slot {}", report.slot)),
        report.pipeline.name,
        report.from_revision
    );
    for note in &report.notes {
        let _ = writeln!(text, "  note: {note}");
    }
    text = wrapped(&text, width);
    text.push_str(&rides(report, width));
    if !report.funnel.steps.is_empty() {
        let _ = write!(text, "\n{}\n{}", strong("Samples"), funnel(&report.funnel, width));
    }
    if !report.cells.is_empty() {
        text.push_str(&cells(report, width));
    }
    let _ = writeln!(text, "\n{}", verdict(report, width, command));
    text
}

fn rides(report: &RunReport, width: usize) -> String {
    let mut rows = Vec::new();
    for ride in &report.rides {
        let presumed =
            if ride.revision_presumed { ", the newest, since its folder does not say" } else { "" };
        let told = match (&ride.unlogged_slot, ride.rows_on_told_slot) {
            (Some(slot), rows) => {
                format!("; the first {} on {slot}, as told, the rest as logged", units::counted(rows, "row"))
            }
            (None, _) => String::new(),
        };
        let share = ride.kept as f64 / ride.samples.max(1) as f64 * 100.0;
        rows.push(vec![
            ride.file.clone(),
            format!(
                "made on {}{presumed}; {} samples, {} kept ({share:.0} %){told}",
                ride.revision,
                units::count(ride.samples as u64),
                units::count(ride.kept as u64)
            ),
        ]);
    }
    let mut quiet: BTreeMap<&str, usize> = BTreeMap::new();
    for ride in &report.passed_over {
        match ride.reason {
            StandingReason::AlreadyUsed => *quiet.entry("already counted").or_default() += 1,
            StandingReason::SetAside => *quiet.entry("set aside").or_default() += 1,
            StandingReason::Lies => {
                rows.push(vec![
                    ride.file.clone(),
                    "not used: a sensor or the log lies, see below".to_owned(),
                ]);
            }
            _ => rows.push(vec![ride.file.clone(), format!("not used: {}", ride.why)]),
        }
    }
    let mut text = String::new();
    if !rows.is_empty() {
        let _ = write!(text, "\n{}\n{}", strong("Rides"), columns(rows, &[Align::Left, Align::Left], width));
    }
    for (what, n) in quiet {
        let _ = writeln!(text, "  {} {what}", units::counted(n, "ride"));
    }
    if let Some(common) = &report.delay {
        text.push_str(&wrapped(&format!("  {}\n", delay(common)), width));
    }
    for ride in &report.rides {
        text.push_str(&wrapped(&unparsable(ride), width));
    }
    let read = report.rides.iter().map(|r| (r.file.as_str(), r.findings.as_slice()));
    let passed = report.passed_over.iter().map(|r| (r.file.as_str(), r.findings.as_slice()));
    let all = std::iter::once(("all rides", report.findings.as_slice()));
    let every = read.chain(passed).chain(all);
    text.push_str(&findings("Signs that a sensor or a log lies", every, width));
    text
}

/// What the rides' sensors and logs show, most serious first.
pub(super) fn findings<'a>(
    title: &str,
    rides: impl Iterator<Item = (&'a str, &'a [Finding])>,
    width: usize,
) -> String {
    let mut all: Vec<(&str, &Finding)> =
        rides.flat_map(|(file, findings)| findings.iter().map(move |f| (file, f))).collect();
    all.sort_by_key(|(_, finding)| std::cmp::Reverse(finding.severity));
    let row = |(file, finding): &(&str, &Finding)| {
        let kept_out = if finding.severity == Severity::Serious { "; a run keeps this ride out" } else { "" };
        let place = finding.region.as_ref().map(|region| format!(" ({region})")).unwrap_or_default();
        vec![
            (*file).to_owned(),
            format!(
                "{} {}: {}{place}{kept_out}; look at {}",
                finding.severity.word(),
                finding.name,
                finding.saw,
                finding.look_at
            ),
        ]
    };
    match all.is_empty() {
        true => String::new(),
        false => format!(
            "\n{}\n{}",
            strong(title),
            columns(all.iter().map(row).collect(), &[Align::Left, Align::Left], width)
        ),
    }
}

fn unparsable(ride: &RideReport) -> String {
    const SHOWN: usize = 3;
    if ride.unparsable_total == 0 {
        return String::new();
    }
    let shown = ride.unparsable.iter().take(SHOWN);
    let shown: Vec<String> = shown
        .map(|bad| format!("line {}, column {} (`{}`): `{}`", bad.line, bad.column, bad.channel, bad.value))
        .collect();
    let more = if ride.unparsable_total > SHOWN { "; …" } else { "" };
    format!(
        "  {}: {} could not be read and count as missing: {}{more}\n",
        ride.file,
        units::counted(ride.unparsable_total, "value"),
        shown.join("; ")
    )
}

/// The funnel: what came in, what was kept, and why the rest went.
pub fn funnel(funnel: &Funnel, width: usize) -> String {
    let mut rows = vec![vec!["stage".to_owned(), "in".to_owned(), "kept".to_owned(), "dropped".to_owned()]];
    for step in &funnel.steps {
        let mut rejected: Vec<(&String, &usize)> = step.rejected.iter().collect();
        rejected.sort_by(|a, b| b.1.cmp(a.1).then(a.0.cmp(b.0)));
        let rejected: Vec<String> =
            rejected.iter().map(|(reason, n)| format!("{reason} {}", units::count(**n as u64))).collect();
        rows.push(vec![
            step.stage.clone(),
            units::count(step.samples as u64),
            units::count(step.kept as u64),
            rejected.join(", "),
        ]);
    }
    columns(rows, &[Align::Left, Align::Right, Align::Right, Align::Left], width)
}

fn cells(report: &RunReport, width: usize) -> String {
    let held = held_counts(&report.cells);
    let inferred = match report.cells_inferred() {
        0 => String::new(),
        n => format!(" ({n} of them inferred)"),
    };
    let mut text = format!(
        "\n{}\n  {} of {} change{inferred}, {} held or limited",
        strong(&format!("Cells of fuel ({}), {}", report.fuel_table.name(), report.slot)),
        report.cells_changed,
        report.cells.len(),
        report.cells_held
    );
    if !held.is_empty() {
        let list: Vec<String> = held.iter().map(|(name, n)| format!("{name} {n}")).collect();
        let _ = write!(text, ": {}", list.join(", "));
    }
    text.push('\n');
    text = wrapped(&text, width);
    let drawn = report.drawn_cells();
    if !drawn.is_empty() {
        let layout =
            Layout { decimals: report.decimals, load_axis: report.load_axis, width, paint: &by_change };
        let _ = write!(text, "\n{}", draw_changes(&drawn, &layout));
        text.push_str(&wrapped(&legend(&drawn), width));
    }
    text
}

/// What the signs of a change grid mean.
pub(super) fn legend(cells: &[DrawnCell]) -> String {
    let shown = |mark: &CellMark| cells.iter().any(|c| c.mark == Some(*mark));
    let marks: String = CellMark::ALL
        .into_iter()
        .filter(shown)
        .map(|mark| format!("; {} {}", mark.sign(), mark.about()))
        .collect();
    format!("{}\n", faint(&format!("+ more fuel, - less fuel, . unchanged{marks}")))
}

/// Why there is no revision, where a guard refused or nothing changed.
pub(super) fn no_revision(refused: Option<&Refusal>, nothing: Option<&str>) -> Option<String> {
    let refused = refused.map(|refusal| {
        format!(
            "{} ({}): {}\nlook at: {}\nNothing was written.",
            warning("refused"),
            refusal.guard,
            refusal.saw,
            refusal.look_at
        )
    });
    refused.or_else(|| nothing.map(|nothing| format!("Nothing to do: {nothing}. No revision was made.")))
}

fn verdict(report: &RunReport, width: usize, command: &str) -> String {
    if let Some(none) = no_revision(report.refused.as_ref(), report.nothing.as_deref()) {
        return wrapped(&none, width);
    }
    match (&report.revision, &report.commit) {
        (Some(revision), Some(commit)) => {
            let told = format!(
                "{} is committed ({}). Before it goes into the controller: check the fuel pressure; then ride \
                 gently first and watch lambda at load.",
                strong(revision),
                commit.get(..10).unwrap_or(commit),
            );
            // The command is to be copied: no line break goes into it.
            let back = format!("To go back: {command} rollback {} --why \"…\"", report.from_revision);
            format!("{}\n{back}", wrapped(&told, width))
        }
        _ => format!("Dry run: nothing was written. `{command} run` makes the revision."),
    }
}
