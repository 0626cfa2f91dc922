//! A mixture table made from its plan, as text.

use super::by_hand::by_hand;
use super::changes::table_text;
use super::style::{strong, warning};
use crate::operations::MixtureReport;
use std::fmt::Write as _;

/// The table that a plan makes, and the change against today's.
///
/// `command` is how the user called the program, so that advice can be copied.
pub fn mixture(report: &MixtureReport, width: usize, command: &str) -> String {
    let about = report.about.as_deref().map(|about| format!(": {about}")).unwrap_or_default();
    let mut text = format!("{}, use {}{about}\n", strong(&report.file), report.wanted);
    for region in &report.regions {
        let _ = writeln!(text, "  {region}");
    }
    text.push_str(&table_text(&report.table, &[], width));
    for told in &report.warnings {
        let _ = writeln!(text, "{}: {told}", warning("warning"));
    }
    let _ = write!(text, "\n{}", by_hand(&report.change, width, command));
    if report.change.dry_run && report.change.refused.is_none() && report.change.nothing.is_none() {
        let _ = writeln!(
            text,
            "{command} mixture --slot {} --write --why \"…\" makes the revision.",
            report.slot
        );
    }
    text
}
