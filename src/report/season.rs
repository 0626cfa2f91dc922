//! The season, as text.

use super::heat::{Heat, HeatCell, draw, legend};
use super::history::kind;
use super::style::{Align, columns, strong, warning, wrapped};
use crate::evidence::{LambdaError, StatedFinding};
use crate::operations::season::{
    CellKnowledge, Convergence, ConvergenceState, SeasonCell, SeasonReport, SeasonRide, SlotSeason, SlotStep,
    WELL_KNOWN_PCT, WarnedOf,
};
use crate::ride::RideState;
use crate::units;
use std::fmt::Write as _;

/// Cells that a list names at most.
const LISTED: usize = 8;

/// The whole story.
pub fn season(report: &SeasonReport, width: usize) -> String {
    let mut text = wrapped(&head(report), width);
    for slot in &report.slots {
        text.push_str(&slot_text(report, slot, width));
    }
    text.push_str(&rides(report, width));
    text.push_str(&warnings(report, width));
    text.push_str(&rollbacks(report, width));
    text.push_str(&builds(report, width));
    text
}

fn day(time: &str) -> &str {
    time.get(..10).unwrap_or(time)
}

fn head(report: &SeasonReport) -> String {
    let (first, last) = (report.revisions.first(), report.revisions.last());
    let from_to = match (first, last) {
        (Some(first), Some(last)) => {
            format!("{} of {} to {} of {}", first.revision, day(&first.time), last.revision, day(&last.time))
        }
        _ => "no revision".to_owned(),
    };
    let aside = report.rides.iter().filter(|r| r.state == RideState::SetAside).count();
    let aside = if aside > 0 { format!(" ({aside} set aside)") } else { String::new() };
    format!(
        "{}: {from_to}; {}, {}{aside}\n",
        strong(&report.bike),
        units::counted(report.builds.len(), "build"),
        units::counted(report.rides.len(), "ride"),
    )
}

/// Whether the map settles, in words.
pub(super) fn convergence_words(convergence: &Convergence) -> &'static str {
    match convergence.state {
        ConvergenceState::NoRun => "no run on this build yet",
        ConvergenceState::TooEarly => "one run only: too early to tell whether it settles",
        ConvergenceState::Settling => "each run changes less: it settles",
        ConvergenceState::Settled => "the last run changed hardly anything: it has settled",
        ConvergenceState::ChangedSince => {
            "changed by hand or rolled back since its last run: the next ride will tell"
        }
        ConvergenceState::Moving => "the last run changed no less than the one before: it still moves",
    }
}

fn slot_text(report: &SeasonReport, slot: &SlotSeason, width: usize) -> String {
    let build = report.revisions.last().map_or("", |r| r.build.as_str());
    let mut text = format!(
        "\n{}\n  {}\n",
        strong(&format!("{}, build {build} since {}", slot.slot, slot.start_revision)),
        convergence_words(&slot.convergence)
    );
    if let (Some(first), Some(newest)) = (slot.convergence.first_error_pct, slot.convergence.newest_error_pct)
    {
        let _ = writeln!(
            text,
            "  mixture error of a ride as ridden: {} % RMS at first, {} % in the newest",
            units::fixed(first, 1),
            units::fixed(newest, 1)
        );
    }
    if let Some(known) = &slot.known_now {
        let _ = writeln!(
            text,
            "  {} % of the ridden time is near cells known to {} %; {} % of the cells have evidence; {} at a limit",
            units::fixed(known.time_well_known * 100.0, 0),
            units::fixed(WELL_KNOWN_PCT, 0),
            units::fixed(known.cells_with_evidence * 100.0, 0),
            slot.at_limit().len()
        );
    }
    let _ = writeln!(
        text,
        "  distance from {}: {} % RMS over all cells\n",
        slot.start_revision,
        units::fixed(slot.distance_rms_pct, 1)
    );
    text = wrapped(&text, width);
    text.push_str(&steps(report, slot, width));
    text.push_str(&maps(slot, width));
    text.push_str(&cell_lists(slot, width));
    text
}

fn error(error: Option<LambdaError>) -> String {
    error.map_or("-".to_owned(), |e| units::fixed(e.rms_pct, 1))
}

fn steps(report: &SeasonReport, slot: &SlotSeason, width: usize) -> String {
    let titles = ["rev", "made", "kind", "build", "cells", "change", "most", "error", "known", "why"];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    let moved = |step: &SlotStep, number: f64, text: String| {
        if step.cells_changed > 0 && number != 0.0 { text } else { "-".to_owned() }
    };
    for step in &slot.steps {
        let entry = &report.revisions[step.revision_index];
        let (errors, known) = match &step.knowledge {
            Some(k) => (
                format!("{}→{}", error(k.as_ridden), error(k.after)),
                units::fixed(k.time_well_known * 100.0, 0),
            ),
            None => ("-".to_owned(), "-".to_owned()),
        };
        rows.push(vec![
            step.revision.clone(),
            day(&entry.time).to_owned(),
            kind(entry.kind),
            entry.build.clone(),
            step.cells_changed.to_string(),
            moved(step, step.change_rms_pct, units::fixed(step.change_rms_pct, 1)),
            moved(step, step.change_most_pct, units::signed(step.change_most_pct, 1)),
            errors,
            known,
            entry.why.clone().unwrap_or_default(),
        ]);
    }
    use Align::{Left, Right};
    let aligns = [Left, Left, Left, Left, Right, Right, Right, Right, Right, Left];
    let meaning = legend(
        "in %: change of all cells, RMS, and most of one; error of the new rides as ridden→with this table, RMS; \
         ridden time near well known cells",
    );
    columns(rows, &aligns, width) + &wrapped(&meaning, width)
}

fn maps(slot: &SlotSeason, width: usize) -> String {
    let heat = Heat { rpm: &slot.rpm, load: &slot.load, load_axis: slot.load_axis, width };
    let largest = slot.cells.iter().map(|c| c.change_pct.abs()).fold(0.0, f64::max);
    let changes: Vec<HeatCell> =
        slot.cells.iter().map(|c| HeatCell::change(c.change_pct, largest, mark(c))).collect();
    let known: Vec<HeatCell> = slot.cells.iter().map(coverage).collect();
    if largest == 0.0 && slot.cells.iter().all(|c| c.known == CellKnowledge::NotAtAll) {
        return String::new();
    }
    format!(
        "\n  {}\n{}{}\n  {}\n{}{}",
        strong(&format!("fuel since {}, %", slot.start_revision)),
        draw(&heat, &changes),
        legend("+ more fuel, - less fuel, . as it was; * stood at a limit in its last run, # locked"),
        strong("what is known"),
        draw(&heat, &known),
        legend(&format!(
            "standard error in %: {} and less is well known; ? no ride said anything",
            units::fixed(WELL_KNOWN_PCT, 0)
        )),
    )
}

fn mark(cell: &SeasonCell) -> Option<char> {
    match (&cell.locked, cell.at_limit) {
        (Some(_), _) => Some('#'),
        (None, true) => Some('*'),
        (None, false) => None,
    }
}

/// The standard error, dark where it is large.
fn coverage(cell: &SeasonCell) -> HeatCell {
    match (cell.known, cell.std_error_pct) {
        (CellKnowledge::NotAtAll, _) | (_, None) => HeatCell::sign("?", None),
        (_, Some(error)) => {
            let share = 1.0 - (error / (4.0 * WELL_KNOWN_PCT)).min(1.0);
            HeatCell::sign(units::fixed(error, 1), Some(share))
        }
    }
}

fn at(cell: &SeasonCell, slot: &SlotSeason) -> String {
    format!("rpm {}, {} {}", units::plain(cell.rpm), slot.load_axis.name(), units::plain(cell.load))
}

fn cell_lists(slot: &SlotSeason, width: usize) -> String {
    let list = |title: &str, cells: Vec<&SeasonCell>, tell: &dyn Fn(&SeasonCell) -> String| {
        if cells.is_empty() {
            return String::new();
        }
        let rows = cells.iter().take(LISTED).map(|c| vec![at(c, slot), tell(c)]).collect();
        let rest = match cells.len().saturating_sub(LISTED) {
            0 => String::new(),
            more => format!("  and {more} more\n"),
        };
        format!("\n  {}\n{}{rest}", strong(title), columns(rows, &[Align::Left, Align::Left], width))
    };
    let value = |v: f64| units::fixed(v, slot.decimals);
    let moved = list("moved most", slot.moved_most(), &|c| {
        format!("{} → {} ({} %)", value(c.start), value(c.now), units::signed(c.change_pct, 1))
    });
    let turning = list("moves back and forth", slot.turning(), &|c| {
        format!(
            "turned {}, travelled {} % to be {} % from its start",
            units::counted(c.turns, "time"),
            units::fixed(c.travel_pct, 1),
            units::signed(c.change_pct, 1)
        )
    });
    let limits = list("at a limit in its last run", slot.at_limit(), &|c| {
        let hold = c.evidence.as_ref().and_then(|e| e.held_by.clone()).unwrap_or_default();
        format!("{hold}; in {} so far", units::counted(c.runs_at_limit, "run"))
    });
    moved + &turning + &limits
}

fn rides(report: &SeasonReport, width: usize) -> String {
    if report.rides.is_empty() {
        return String::new();
    }
    let titles = ["ride", "made on", "slot", "samples", "kept", "error % → now", "state"];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    for ride in &report.rides {
        let state = state(ride);
        if ride.said.is_empty() {
            let mut row = vec![ride.file.clone(), ride.revision.clone(), ride.slot.clone()];
            row.extend(["-".to_owned(), "-".to_owned(), "-".to_owned(), state]);
            rows.push(row);
            continue;
        }
        for said in &ride.said {
            rows.push(vec![
                ride.file.clone(),
                ride.revision.clone(),
                said.slot.clone(),
                units::count(said.samples as u64),
                units::count(said.kept as u64),
                format!("{} → {}", error(said.as_ridden), error(said.now)),
                state.clone(),
            ]);
        }
    }
    use Align::{Left, Right};
    let mut dropped: Vec<(&String, &usize)> = report.rejected.iter().collect();
    dropped.sort_by(|a, b| b.1.cmp(a.1).then(a.0.cmp(b.0)));
    let dropped: Vec<String> =
        dropped.iter().map(|(reason, n)| format!("{reason} {}", units::count(**n as u64))).collect();
    let losses = format!(
        "  samples of the rides that count: {}, kept {}; dropped: {}\n",
        units::count(report.samples as u64),
        units::count(report.kept as u64),
        if dropped.is_empty() { "none".to_owned() } else { dropped.join(", ") },
    );
    format!(
        "\n{}\n{}{}",
        strong("rides"),
        columns(rows, &[Left, Left, Left, Right, Right, Right, Left], width),
        wrapped(&losses, width)
    )
}

fn state(ride: &SeasonRide) -> String {
    match ride.state {
        RideState::Used => format!("used in {}", ride.used_in.join(", ")),
        RideState::Waiting => "waits for its first run".to_owned(),
        RideState::SetAside => format!("set aside: {}", ride.why.as_deref().unwrap_or("no reason given")),
    }
}

fn warnings(report: &SeasonReport, width: usize) -> String {
    if report.warnings.is_empty() {
        return String::new();
    }
    let sign = |finding: &StatedFinding| format!("{} {}: {}", finding.severity, finding.name, finding.saw);
    let rows = report.warnings.iter().map(|warned| {
        let (of, what) = match &warned.about {
            WarnedOf::Ride { file, finding } => (file.clone(), sign(finding)),
            WarnedOf::AllRides(finding) => ("all rides".to_owned(), sign(finding)),
            WarnedOf::PassedOver(ride) => {
                (ride.file.clone(), format!("passed over ({}): {}", ride.reason, ride.why))
            }
        };
        vec![warned.revision.clone(), warned.slot.clone(), of, what]
    });
    format!("\n{}\n{}", warning("warnings given"), columns(rows.collect(), &[Align::Left; 4], width))
}

fn rollbacks(report: &SeasonReport, width: usize) -> String {
    let rows: Vec<Vec<String>> = report
        .revisions
        .iter()
        .filter_map(|entry| {
            let restores = entry.restores.as_ref()?;
            let what = format!("back to {restores}, undoing {}", entry.undoes.join(", "));
            Some(vec![entry.revision.clone(), what, entry.why.clone().unwrap_or_default()])
        })
        .collect();
    match rows.is_empty() {
        true => String::new(),
        false => format!("\n{}\n{}", strong("rollbacks"), columns(rows, &[Align::Left; 3], width)),
    }
}

fn builds(report: &SeasonReport, width: usize) -> String {
    let row = |b: &crate::operations::season::SeasonBuild| {
        let range = match (&b.first, &b.last) {
            (Some(first), Some(last)) => format!("{first} to {last}"),
            _ => "no revision yet".to_owned(),
        };
        let since = b.since.clone().unwrap_or_else(|| "-".to_owned());
        vec![b.build.clone(), since, range, b.what.clone().unwrap_or_default()]
    };
    let rows = report.builds.iter().map(row).collect();
    format!("\n{}\n{}", strong("builds"), columns(rows, &[Align::Left; 4], width))
}
