//! The history, as text.

use super::style::{Align, columns, faint, strong};
use crate::ledger::RevisionKind;
use crate::operations::{FilteredHistory, HistoryEntry};
use crate::units;

/// One line a revision, newest first, and how many are left out.
pub fn history(found: &FilteredHistory, width: usize) -> String {
    let left_out = left_out(found);
    match (found.entries.is_empty(), &left_out) {
        (true, None) => "This bike has no revisions yet; `rideloop run` makes them.\n".to_owned(),
        (true, Some(left_out)) => format!("No revision fits: {left_out}\n"),
        (false, None) => lines(&found.entries, width),
        (false, Some(left_out)) => format!("{}\n{}\n", lines(&found.entries, width), faint(left_out)),
    }
}

/// How many revisions are left out, when some are.
pub fn left_out(found: &FilteredHistory) -> Option<String> {
    let all = units::counted(found.entries.len() + found.left_out, "revision");
    (found.left_out > 0).then(|| format!("{} of {all} left out", found.left_out))
}

fn lines(entries: &[HistoryEntry], width: usize) -> String {
    let titles = ["rev", "made", "slot", "kind", "cells", "build", "summary"];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    for entry in entries {
        rows.push(vec![
            entry.revision.clone(),
            entry.time.get(..10).unwrap_or(&entry.time).to_owned(),
            if entry.slot.contains(", ") { "all".to_owned() } else { entry.slot.clone() },
            kind(entry.kind),
            entry.cells_changed.to_string(),
            entry.build.clone(),
            without_name(entry),
        ]);
    }
    use Align::{Left, Right};
    columns(rows, &[Left, Left, Left, Left, Right, Left, Left], width)
}

/// The word for what made a revision.
pub(super) fn kind(kind: RevisionKind) -> String {
    kind.name().to_owned()
}

/// The summary without the revision's name, which has its own column.
fn without_name(entry: &HistoryEntry) -> String {
    entry.summary.strip_prefix(&entry.revision).unwrap_or(&entry.summary).trim_start().to_owned()
}

/// The head of one revision.
pub(super) fn head(entry: &HistoryEntry) -> String {
    let mut lines = vec![
        strong(&entry.summary),
        format!("  made     {} by {}", entry.time, entry.author),
        format!("  commit   {}", entry.commit),
        format!("  kind     {}, slot {}, build {}", kind(entry.kind), entry.slot, entry.build),
    ];
    if let Some(why) = &entry.why {
        lines.push(format!("  why      {why}"));
    }
    if let Some(restores) = &entry.restores {
        lines.push(format!("  restores {restores}, undoes {}", entry.undoes.join(", ")));
    }
    if let Some(pipeline) = &entry.pipeline {
        let hash = pipeline.sha256.get(..12).unwrap_or(&pipeline.sha256);
        lines.push(format!("  pipeline {} {}", pipeline.name, faint(&format!("sha256 {hash}…"))));
    }
    for ride in &entry.rides {
        let hash = ride.sha256.get(..12).unwrap_or(&ride.sha256);
        lines.push(format!("  ride     {} {}", ride.file, faint(&format!("sha256 {hash}…"))));
    }
    lines.extend(entry.edits.iter().map(|edit| format!("  edit     {edit}")));
    for import in &entry.imports {
        let hash = import.sha256.get(..12).unwrap_or(&import.sha256);
        lines.push(format!("  import   {} {}", import.file, faint(&format!("sha256 {hash}…"))));
    }
    if !entry.despite.is_empty() {
        lines.push(format!("  despite  {}", entry.despite.join(", ")));
    }
    lines.push(format!("  tool     {}", entry.tool));
    lines.join("\n") + "\n"
}
