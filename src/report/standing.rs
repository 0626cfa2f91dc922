//! Where a bike stands, and what the smaller commands did, as text.

use super::delay::delay;
use super::run::findings;
use super::style::{Align, columns, strong, warning, wrapped};
use crate::operations::{
    CheckReport, DemoReport, DemoRound, RideCheck, RideFateReport, RollbackReport, SimulateReport, Status,
};
use crate::ride::{Register, RideState};
use crate::shell;
use crate::units;
use std::fmt::Write as _;

/// Where a bike stands.
///
/// `command` is how the user called the program, so that advice can be copied.
pub fn status(status: &Status, width: usize, command: &str) -> String {
    let mut text =
        format!("{}, build {}, slots {}\n", strong(&status.bike), status.build, status.slots.join(", "));
    match &status.newest {
        Some(newest) => {
            let day = newest.time.get(..10).unwrap_or(&newest.time);
            let told = newest.summary.strip_prefix(&newest.revision).unwrap_or(&newest.summary).trim_start();
            let _ = writeln!(text, "newest revision: {} of {day}, {told}", newest.revision);
        }
        None => text.push_str("no revision yet: the tables become r1 with the first run\n"),
    }
    if status.used > 0 {
        let _ = writeln!(text, "{} counted so far", units::counted(status.used, "ride"));
    }
    if let Some(tag) = &status.interrupted {
        let _ = writeln!(text, "{}: the work on {tag} was interrupted", warning("note"));
    }
    for blocked in &status.blocked {
        let _ = writeln!(text, "{}: {blocked}", warning("note"));
    }
    for note in &status.notes {
        let _ = writeln!(text, "{}: {}", warning("note"), note.replace("rideloop", command));
    }
    text = wrapped(&text, width);
    list(&mut text, "not used yet", status.new_rides.iter().map(|r| vec![r.clone()]).collect(), width);
    let troubled = status.troubled_rides.iter().map(|r| vec![r.file.clone(), r.why.clone()]).collect();
    list(&mut text, "cannot be used", troubled, width);
    let aside = status.set_aside.iter().map(|(file, why)| vec![file.clone(), why.clone()]).collect();
    list(&mut text, "set aside", aside, width);
    let _ = writeln!(text, "\n{}", strong("next"));
    for step in &status.next {
        text.push_str(&next_step(&step.replace("rideloop", command), width));
    }
    text
}

/// A command with what it does, or a sentence. The command is to be copied and stays whole.
fn next_step(step: &str, width: usize) -> String {
    let line = format!("  {step}\n");
    match step.split_once("    ") {
        Some((command, about)) if line.chars().count() > width => {
            format!("  {command}\n{}", wrapped(&format!("      {about}\n"), width))
        }
        Some(_) => line,
        None => wrapped(&line, width),
    }
}

fn list(text: &mut String, title: &str, rows: Vec<Vec<String>>, width: usize) {
    if !rows.is_empty() {
        let gap = if text.is_empty() { "" } else { "\n" };
        let _ = write!(text, "{gap}{}\n{}", strong(title), columns(rows, &[Align::Left, Align::Left], width));
    }
}

/// What a check found.
pub fn check(report: &CheckReport, width: usize) -> String {
    let mut text = String::new();
    for problem in &report.problems {
        let _ = writeln!(text, "{}: {}", warning("problem"), problem.text);
        if let Some(hint) = &problem.hint {
            let _ = writeln!(text, "  hint: {hint}");
        }
    }
    for warned in &report.warnings {
        let _ = writeln!(text, "worth a look: {warned}");
    }
    let rows: Vec<Vec<String>> = report.rides.iter().map(|r| vec![r.file.clone(), ride_line(r)]).collect();
    list(&mut text, "rides", rows, width);
    if let Some(common) = &report.delay {
        let _ = writeln!(text, "  {}", delay(common));
    }
    let shown = report.rides.iter().map(|r| (r.file.as_str(), r.findings.as_slice()));
    text.push_str(&findings("signs that a sensor or a log lies", shown, width));
    if !text.is_empty() {
        text.push('\n');
    }
    let troubled = report.rides.iter().filter(|r| !r.is_usable()).count();
    let rides = match (report.rides.len(), troubled) {
        (0, _) => "no rides".to_owned(),
        (n, 0) => format!("{}, all usable", units::counted(n, "ride")),
        (n, bad) => format!("{}, {bad} of which cannot be used", units::counted(n, "ride")),
    };
    let _ = writeln!(
        text,
        "{}; {rides}; {}",
        units::counted(report.problems.len(), "problem"),
        units::counted(report.revisions, "revision"),
    );
    text
}

fn ride_line(ride: &RideCheck) -> String {
    const SHOWN: usize = 3;
    let mut parts = Vec::new();
    if ride.samples > 0 {
        parts.push(format!(
            "{} samples, {}, {} a second",
            units::count(ride.samples as u64),
            units::duration(ride.seconds),
            units::fixed(ride.rate_hz, 0)
        ));
    }
    if let Some(logger) = &ride.logger {
        parts.push(format!("read through loggers/{}.yaml", logger.name));
    }
    parts.extend(ride.trouble.iter().map(|trouble| format!("cannot be used: {trouble}")));
    for (reason, n) in &ride.dropped {
        parts.push(format!("{reason} {n}"));
    }
    if ride.unparsable_total > 0 {
        let shown = ride.unparsable.iter().take(SHOWN);
        let shown: Vec<String> = shown.map(|b| format!("{}:{} `{}`", b.line, b.column, b.value)).collect();
        let n = units::counted(ride.unparsable_total, "unreadable value");
        parts.push(format!("{n} (line:column {})", shown.join(", ")));
    }
    parts.extend(ride.remarks.iter().cloned());
    if !ride.ignored_titles.is_empty() {
        const TITLES: usize = 6;
        let more = ride.ignored_titles.len().saturating_sub(TITLES);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let shown = &ride.ignored_titles[..ride.ignored_titles.len().min(TITLES)];
        parts.push(format!("ignored: {}{more}", shown.join(", ")));
    }
    parts.join("; ")
}

/// What a rollback did.
pub fn rollback(report: &RollbackReport, command: &str) -> String {
    let Some(revision) = &report.revision else {
        return format!(
            "Nothing to do: the tables are those of {} already. No revision was made.\n",
            report.restores
        );
    };
    let mut text = format!(
        "{} holds the tables of {} again; {} changed{}; undone: {}\n",
        strong(revision),
        report.restores,
        units::counted(report.cells_changed, "fuel cell"),
        others(report),
        report.undoes.join(", "),
    );
    for caution in &report.cautions {
        let _ = writeln!(text, "{}: {caution}", warning("caution"));
    }
    for ride in &report.set_aside {
        let _ = writeln!(text, "set aside: {ride}");
    }
    for ride in &report.counted_again {
        let _ = writeln!(text, "counts again: {ride}");
    }
    let _ = writeln!(text, "To go forward again: {command} rollback {} --why \"…\"", report.from_revision);
    text
}

/// What a rollback changed besides fuel.
fn others(report: &RollbackReport) -> String {
    let counted =
        [(report.mixture_cells_changed, "mixture cell"), (report.spark_cells_changed, "spark cell")];
    counted
        .into_iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, what)| format!(", {}", units::counted(n, what)))
        .collect()
}

/// The ride that was simulated.
pub fn simulate(report: &SimulateReport) -> String {
    format!(
        "{}: {} samples, {}, ridden on {} by the virtual bike\n",
        report.file.display(),
        units::count(report.samples as u64),
        units::duration(report.seconds),
        report.revision
    )
}

/// What became of a ride.
pub fn ride_fate(report: &RideFateReport) -> String {
    let state = match report.state {
        RideState::Used => "counts",
        RideState::Waiting => "counts as new again",
        RideState::SetAside => "is set aside",
    };
    match &report.revision {
        Some(revision) if report.corrected.is_some() => {
            let rested = match report.rested_in.as_slice() {
                [] => String::new(),
                rested => format!(
                    "What was known before stands behind {}. Where that misled the map, `rideloop rollback` first and \
                     run then: a rollback after the run sets this ride aside with it.\n",
                    rested.join(", ")
                ),
            };
            format!(
                "{} was {}; that is known from {revision} on, and the next `rideloop run` of each slot counts it so, \
                 once\n{rested}",
                report.file,
                report.corrected.as_deref().unwrap_or_default()
            )
        }
        Some(revision) => format!(
            "{} {state} from {revision} on; the next `rideloop run` takes that into account\n",
            report.file
        ),
        None => format!(
            "Nothing to do: {} {state} already, as made on slot {}, {}. No revision was made.\n",
            report.file, report.slot, report.made_on
        ),
    }
}

/// The register.
pub fn register(register: &Register, width: usize) -> String {
    if register.rides().is_empty() {
        return "No ride is registered yet.\n".to_owned();
    }
    let titles = ["ride", "made on", "slot", "build", "state"];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    for ride in register.rides() {
        let state = match ride.state {
            RideState::Waiting => "waits for its first run".to_owned(),
            RideState::Used => format!("used in {}", ride.used_in.join(", ")),
            RideState::SetAside => format!("set aside: {}", ride.why.as_deref().unwrap_or("no reason given")),
        };
        let corrected = ride.corrected_in.as_deref().map(|by| format!("; corrected in {by}"));
        let state = state + &corrected.unwrap_or_default();
        rows.push(vec![
            ride.file.clone(),
            ride.revision.clone(),
            match &ride.unlogged_slot {
                Some(slot) => format!("{}, first rows {slot}", ride.slot),
                None => ride.slot.clone(),
            },
            ride.build.clone(),
            state,
        ]);
    }
    columns(rows, &[Align::Left; 5], width)
}

/// The head of the demo.
pub fn demo_head(folder: &str) -> String {
    format!(
        "{}: an invented bike with an open silencer, a map made for the standard one, and a true map only this demo knows\n\
         folder: {folder}\n\n{}\n",
        strong("Fernhill 700"),
        strong(
            "round  ride             samples of all    kept   cells changed, held   true error of the map, RMS"
        )
    )
}

/// One time round the loop.
pub fn demo_round(round: &DemoRound) -> String {
    format!(
        "{:>5}  {:<19} {:>11} {:>7}   {:>13}, {:<4}   {:>5} % → {:>5} %   {}\n",
        round.round,
        round.ride,
        units::count(round.samples as u64),
        units::count(round.kept as u64),
        round.cells_changed,
        round.cells_held,
        units::fixed(round.before.rms_pct, 2),
        units::fixed(round.after.rms_pct, 2),
        round.revision.as_deref().unwrap_or("no revision"),
    )
}

/// The end of the demo.
pub fn demo_end(report: &DemoReport, page: &str) -> String {
    let (first, last) = (report.rounds.first(), report.rounds.last());
    let (before, after) = match (first, last) {
        (Some(first), Some(last)) => (first.before.rms_pct, last.after.rms_pct),
        _ => (0.0, 0.0),
    };
    let folder = shell::path(&report.folder);
    let leaned = if report.high_load_leaned_pct > 0.0 {
        format!(
            "The high-load cell that lost most fuel lost {} %.",
            units::fixed(report.high_load_leaned_pct, 2)
        )
    } else {
        "No high-load cell lost fuel.".to_owned()
    };
    format!(
        "\nTrue error on a ride the map never learned from: {} % at first, {} % now: {} % of what it was.\n{leaned}\n\
         The season as a page for a browser: {page}\n\n{}\n  \
         rideloop --bike {folder} season\n  \
         rideloop --bike {folder} gaps\n  \
         rideloop --bike {folder} diff r1 {}\n  \
         rideloop --bike {folder} rollback r2 --why \"hesitates at small throttle\"\n",
        units::fixed(before, 2),
        units::fixed(after, 2),
        units::fixed(after / before * 100.0, 0),
        strong("try next"),
        last.and_then(|r| r.revision.as_deref()).unwrap_or("r2"),
    )
}
