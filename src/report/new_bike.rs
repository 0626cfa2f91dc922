//! A new bike, and what is to be thought of what was changed on it, as text.

use super::documentation::wrap;
use super::rescale::factors;
use super::style::{faint, strong, warning};
use crate::bike::ChangesJudged;
use crate::operations::NewReport;
use crate::shell;
use crate::units;
use std::fmt::Write as _;

/// The new bike folder and what to do with it.
pub fn new(report: &NewReport, width: usize) -> String {
    let (folder, bike) = (report.folder.display(), shell::path(&report.folder));
    let mut text = format!(
        "{}\n",
        wrap(
            &format!(
                "{} holds a new bike; its tables are {}: {}. They are a start, not a map to ride hard on.",
                strong(&folder.to_string()),
                report.revision,
                report.first_map,
            ),
            width
        )
    );
    if let Some(rescaling) = &report.rescaling {
        text.push_str(&factors(rescaling, width));
        if rescaling.factor < 1.0 {
            let less = units::fixed((1.0 - rescaling.factor) * 100.0, 1);
            let (lean_if, look_at) = rescaling.lean_if();
            let leaner = format!(
                "{}: every cell gets {less} % less than the stock map, full load too: it is lean there if {lean_if}. \
                 Look at {look_at}",
                warning("caution")
            );
            let _ = writeln!(text, "{}", wrap(&leaner, width));
        }
    }
    for note in &report.notes {
        let _ = writeln!(text, "{}", wrap(&format!("{}: {note}", warning("note")), width));
    }
    if !report.presumed.is_empty() {
        let presumed = format!("not said, and presumed: {}", report.presumed.join(" "));
        let _ = writeln!(text, "{}", wrap(&presumed, width));
    }
    if let Some(judged) = &report.verdict {
        let _ = write!(text, "\n{}", changes_judged(judged, width));
    }
    let _ = write!(
        text,
        "\n{}\n  look through {folder}/bike.yaml, above all the injectors' dead time and the controller\n  \
         rideloop --bike {bike} check\n  \
         ride, put the log into {folder}/rides/r1/\n  \
         rideloop --bike {bike} run --pipeline first-ride --dry-run\n",
        strong("next"),
    );
    let _ = writeln!(text, "{}", wrap(&format!("{}: {FIRST_RIDE}", warning("caution")), width));
    text
}

/// Common practice, no source.
const FIRST_RIDE: &str = "a first map can be lean where it breaks an engine. Warm it up outdoors and watch lambda at idle \
    and light load; no high load before a run has corrected it there, best on a dyno. On the road the log rides along \
    and is read afterwards: no eyes on a screen";

/// The verdict on what was changed, change by change.
pub(super) fn changes_judged(judged: &ChangesJudged, width: usize) -> String {
    let verdict = format!("{}: {}.", strong("what was changed"), judged.verdict);
    let mut text = format!("{}\n", wrap(&verdict, width));
    let of_change = judged
        .changes
        .iter()
        .map(|change| format!("{}: {}. Next: {}.", strong(change.words), change.why, change.next));
    for line in of_change.chain([faint(&format!("({})", judged.source))]) {
        text.push_str(&indented(&line, width));
    }
    text
}

/// Lines of text, each two blanks in.
pub(super) fn indented(text: &str, width: usize) -> String {
    wrap(text, width.saturating_sub(2)).lines().map(|line| format!("  {line}\n")).collect()
}
