//! The revision a run makes: its files, its record, its message.

use super::error::OperationError;
use super::open::OpenBike;
use super::rides::UsableRide;
use super::run_report::RunReport;
use super::start::with_start;
use super::write::{Writable, commit, tool_name};
use crate::bike::{REGISTER_FILE, fuel_path};
use crate::blend::Proposal;
use crate::evidence::{self, EvidenceRow, evidence_path, rides_path};
use crate::ledger::{FileWrite, Moment, RevisionKind, RevisionRecord, RideRef};
use crate::pipeline::{Plan, RideOutcome};
use crate::revision::revision_name;
use crate::ride::{LOGGED_SLOT, RegisteredRide, RideState};
use crate::table::{self, CellMark, Layout, draw_changes};
use crate::units;
use std::collections::BTreeMap;
use std::path::Path;

/// Makes the revision, and r1 before it in a folder that has none; the report
/// gets its name and commit.
#[allow(clippy::too_many_arguments, reason = "everything a revision is made of")]
pub(super) fn write_revision(
    root: &Path,
    bike: OpenBike,
    writable: Option<Writable>,
    plan: &Plan,
    proposal: &Proposal,
    good: &[(UsableRide, RideOutcome, bool)],
    when: Moment,
    report: &mut RunReport,
) -> Result<(), OperationError> {
    let (writable, bike) = with_start(root, bike, writable, when)?;
    let number = bike.next_number();
    let name = revision_name(number);
    let mut register = bike.register.clone();
    bike.remember_waiting(&mut register)?;
    for (ride, _, slot_logged) in good {
        let slot = if *slot_logged { LOGGED_SLOT } else { &ride.slot };
        register.mark_used(registered(ride, slot), &name);
    }
    let head = writable.store.head()?;
    let mut files = bike.settings_files(&writable.store, head.as_deref())?;
    let mut put = |path: String, text: String| files.push(FileWrite { path, bytes: Some(text.into_bytes()) });
    for (path, text) in files_of_run(report, proposal) {
        put(path, text);
    }
    put(REGISTER_FILE.to_owned(), register.to_text());
    let mut rides: Vec<RideRef> =
        good.iter().map(|(r, ..)| RideRef { sha256: r.sha256.clone(), file: r.name.clone() }).collect();
    rides.sort_by(|a, b| a.sha256.cmp(&b.sha256));
    let slots = vec![report.slot.clone()];
    let record = RevisionRecord {
        cells_changed: report.cells_changed,
        pipeline: Some(report.pipeline.clone()),
        rides,
        ..RevisionRecord::new(number, RevisionKind::Run, slots, bike.folder.builds.current(), tool_name())
    };
    let summary = format!(
        "{name} {}: {} by {} ({})",
        report.slot,
        units::counted(report.cells_changed, "cell"),
        units::counted(record.rides.len(), "ride"),
        plan.name
    );
    let commit = commit(&writable, &record, &summary, &body(report, plan), files, when)?;
    report.revision = Some(name);
    report.commit = Some(commit);
    Ok(())
}

/// What a run writes of its slot's tables and evidence; a replay must come to the same bytes.
pub(super) fn files_of_run(report: &RunReport, proposal: &Proposal) -> Vec<(String, String)> {
    vec![
        (fuel_path(&report.slot), table::write(&proposal.table)),
        (evidence_path(&report.slot), evidence::write(&report.cells, report.load_axis)),
        (rides_path(&report.slot), report.statements.to_text()),
    ]
}

fn registered(ride: &UsableRide, slot: &str) -> RegisteredRide {
    RegisteredRide {
        file: ride.name.clone(),
        sha256: ride.sha256.clone(),
        revision: ride.revision.clone(),
        slot: slot.to_owned(),
        build: ride.build.clone(),
        state: RideState::Used,
        used_in: Vec::new(),
        why: None,
        set_aside_in: None,
        unlogged_slot: ride.unlogged_slot.clone(),
        corrected_in: None,
    }
}

/// How many cells each hold holds, most first.
pub fn held_counts(cells: &[EvidenceRow]) -> Vec<(&str, usize)> {
    let mut held: BTreeMap<&str, usize> = BTreeMap::new();
    for name in cells.iter().filter_map(|c| c.held_by.as_deref()) {
        *held.entry(name).or_default() += 1;
    }
    let mut held: Vec<(&str, usize)> = held.into_iter().collect();
    held.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    held
}

/// The body of the commit message: the change grid and what stands behind it.
fn body(report: &RunReport, plan: &Plan) -> String {
    // What `git log` shows indented by four on a terminal of eighty.
    const WIDTH: usize = 74;
    let plain = |_: f64, text: &str| text.to_owned();
    let layout =
        Layout { decimals: report.decimals, load_axis: report.load_axis, width: WIDTH, paint: &plain };
    let grid = draw_changes(&report.drawn_cells(), &layout);
    let marks = CellMark::ALL.map(|mark| format!("{} {}", mark.sign(), mark.about()));
    let held: Vec<String> =
        held_counts(&report.cells).iter().map(|(name, n)| format!("{name} {n}")).collect();
    let held = if held.is_empty() { "none".to_owned() } else { held.join(", ") };
    // The settings themselves: a shipped pipeline may read otherwise one day.
    let settings: Vec<String> =
        plan.text.lines().map(|line| format!("    {line}").trim_end().to_owned()).collect();
    format!(
        "fuel ({}), against {}; {}\n\n{grid}\nSamples kept: {} of {}\nCells held: {held}\n\nPipeline {}:\n\n{}",
        report.fuel_table.name(),
        report.from_revision,
        marks.join(", "),
        units::count(report.funnel.kept() as u64),
        units::count(report.funnel.samples() as u64),
        plan.name,
        settings.join("\n"),
    )
}
