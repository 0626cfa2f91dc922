//! A new bike, and what is to be thought of what was changed on it, as text.

use super::rescale::factors;
use super::style::{faint, strong, warning};
use crate::bike::ChangesJudged;
use crate::operations::NewReport;
use std::fmt::Write as _;

/// The new bike folder and what to do with it.
pub fn new(report: &NewReport) -> String {
    let folder = report.folder.display();
    let mut text = format!(
        "{} holds a new bike; its tables are {}: {}. They are a start, not a map to ride hard on.\n",
        strong(&folder.to_string()),
        report.revision,
        report.first_map,
    );
    if let Some(rescaling) = &report.rescaling {
        text.push_str(&factors(rescaling));
    }
    for note in &report.notes {
        let _ = writeln!(text, "{}: {note}", warning("note"));
    }
    if !report.presumed.is_empty() {
        let _ = writeln!(text, "not said, and presumed: {}", report.presumed.join(" "));
    }
    if let Some(judged) = &report.verdict {
        let _ = write!(text, "\n{}", changes_judged(judged));
    }
    let _ = write!(
        text,
        "\n{}\n  look through {folder}/bike.yaml, above all the injectors' dead time and the controller\n  \
         rideloop --bike {folder} check\n  \
         ride, put the log into {folder}/rides/r1/\n  \
         rideloop --bike {folder} run --pipeline first-ride --dry-run\n",
        strong("next"),
    );
    text
}

/// The verdict on what was changed, change by change.
pub(super) fn changes_judged(judged: &ChangesJudged) -> String {
    let mut text = format!("{}: {}.\n", strong("what was changed"), judged.verdict);
    for change in &judged.changes {
        let _ = writeln!(text, "  {}: {}. Next: {}.", strong(change.words), change.why, change.next);
    }
    let _ = writeln!(text, "  {}", faint(&format!("({})", judged.source)));
    text
}
