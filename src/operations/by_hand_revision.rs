//! The revision that a change by hand makes: its files, its record, its message.

use super::by_hand::{HandReport, HandRequest, HandWork};
use super::diff::AXES_DIFFER;
use super::error::OperationError;
use super::open::OpenBike;
use super::start::with_start;
use super::write::{Writable, commit, tool_name};
use crate::bike::{REGISTER_FILE, TableRole};
use crate::ledger::{FileWrite, PipelineRef, RevisionRecord};
use crate::pipeline::Plan;
use crate::revision::revision_name;
use crate::table::{self, LOCKED, Layout, draw_changes_among};
use crate::units;
use std::path::Path;

/// The pipeline whose limits guarded a change.
pub(super) struct Guarded<'a> {
    pub plan: &'a Plan,
    /// What the history keeps of it, where it is not the shipped default.
    pub named: Option<PipelineRef>,
}

/// Makes the revision, and r1 before it in a folder that has none; the report gets its
/// name and commit.
pub(super) fn write_revision(
    root: &Path,
    bike: OpenBike,
    writable: Option<Writable>,
    guarded: &Guarded<'_>,
    request: &HandRequest,
    work: &HandWork,
    report: &mut HandReport,
) -> Result<(), OperationError> {
    let (writable, bike) = with_start(root, bike, writable, request.when)?;
    let number = bike.next_number();
    let name = revision_name(number);
    let mut register = bike.register.clone();
    bike.remember_waiting(&mut register)?;
    let mut files = work.files.clone();
    files.push(FileWrite { path: REGISTER_FILE.to_owned(), bytes: Some(register.to_text().into_bytes()) });
    for change in &work.slots {
        for role in TableRole::ALL {
            let before = change.before.as_ref().and_then(|tables| tables.table(role));
            let after = change.after.table(role);
            if before != after {
                let bytes = after.map(|after| table::write(after).into_bytes());
                files.push(FileWrite { path: role.path(&change.slot), bytes });
            }
        }
    }
    let head = writable.store.head()?;
    let mut settings = bike.settings_files(&writable.store, head.as_deref())?;
    settings.retain(|setting| !files.iter().any(|file| file.path == setting.path));
    files.extend(settings);
    let why = units::one_line(&request.why);
    let record = RevisionRecord {
        cells_changed: report.cells_changed.fuel,
        pipeline: guarded.named.clone(),
        edits: report.edits.clone(),
        imports: report.imports.clone(),
        despite: report.despite.clone(),
        why: Some(why.clone()),
        ..RevisionRecord::new(
            number,
            work.kind,
            report.slots.clone(),
            bike.folder.builds.current(),
            tool_name(),
        )
    };
    let summary = format!("{name} {}: {} {}: {why}", report.slots.join(", "), report.counts, work.done);
    report.commit =
        Some(commit(&writable, &record, &summary, &body(report, guarded.plan), files, request.when)?);
    report.revision = Some(name);
    Ok(())
}

/// The body of the commit message: the change grids and what guarded them.
fn body(report: &HandReport, plan: &Plan) -> String {
    // What `git log` shows indented by four on a terminal of eighty.
    const WIDTH: usize = 74;
    let plain = |_: f64, text: &str| text.to_owned();
    let mut text = String::new();
    for change in &report.tables {
        let name = format!("{} ({}), {}", change.table.name(), change.unit, change.slot);
        let layout =
            Layout { decimals: change.decimals, load_axis: change.load_axis, width: WIDTH, paint: &plain };
        let is_locked = |rpm: f64, load: f64| {
            report.locked.iter().any(|c| c.slot == change.slot && c.rpm == rpm && c.load == load)
        };
        let grid = draw_changes_among(&change.drawn_cells(), &layout, &is_locked);
        let axes = if change.axes_changed { format!("\n{AXES_DIFFER}") } else { String::new() };
        let from = &report.from_revision;
        text.push_str(&format!("{name}, against {from}; {LOCKED} locked{axes}\n\n{grid}\n"));
    }
    for line in report.edits.iter().filter(|_| report.tables.is_empty()).chain(&report.notes) {
        text.push_str(&format!("{line}\n"));
    }
    if report.tables.is_empty() {
        return text;
    }
    let stood_aside = match report.despite.is_empty() {
        true => String::new(),
        false => format!("; told to stand aside: {}", report.despite.join(", ")),
    };
    let hash = plan.sha256.get(..12).unwrap_or(&plan.sha256);
    text.push_str(&format!("Limits of pipeline {} (sha256 {hash}){stood_aside}.", plan.name));
    text
}
