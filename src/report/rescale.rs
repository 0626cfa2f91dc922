//! Fuel tables scaled for another engine, as text.

use super::by_hand::by_hand;
use super::new_bike::indented;
use super::style::strong;
use crate::bike::Rescaling;
use crate::operations::RescaleReport;
use crate::units;
use std::fmt::Write as _;

/// The factors, where they come from, and the change.
///
/// `command` is how the user called the program, so that advice can be copied.
pub fn rescale(report: &RescaleReport, width: usize, command: &str) -> String {
    let mut text = String::new();
    for slot in &report.slots {
        let since = slot.from_revision.as_deref().map(|r| format!(" ({r})")).unwrap_or_default();
        let _ = writeln!(text, "{}", strong(&format!("slot {}", slot.slot)));
        text.push_str(&indented(&format!("made for{since}: {}", slot.from.in_words()), width));
        text.push_str(&indented(&format!("now: {}", report.to.in_words()), width));
        text.push_str(&factors(&slot.rescaling, width));
    }
    let _ = write!(text, "\n{}", by_hand(&report.change, width, command));
    if report.change.dry_run && report.change.refused.is_none() && report.change.nothing.is_none() {
        let _ = writeln!(text, "The same with --write --why \"…\" makes the revision.");
    }
    text
}

/// A factor, what it is made of, and what was presumed.
pub(super) fn factors(rescaling: &Rescaling, width: usize) -> String {
    let fixed = |factor: f64| units::fixed(factor, 4);
    let factor = format!(
        "fuel of every cell times {}: displacement {}, injectors and pressure {}, air the fuel needs {}, its density {}",
        strong(&fixed(rescaling.factor)),
        fixed(rescaling.displacement),
        fixed(rescaling.injectors),
        fixed(rescaling.fuel_mass),
        fixed(rescaling.fuel_density),
    );
    let mut text = indented(&factor, width);
    for presumed in &rescaling.presumed {
        text.push_str(&indented(&format!("presumed: {presumed}"), width));
    }
    text
}
