//! Before and after, as text: in short; the page has it all.

use super::documentation::wrap;
use super::style::{faint, strong, warning};
use crate::operations::CompareReport;
use crate::units::{counted, fixed, signed};
use std::fmt::Write as _;

/// The report in few lines.
pub fn compare(report: &CompareReport, width: usize) -> String {
    let mut text = format!("{}: {} → {}\n", strong(&report.bike), report.from, report.to);
    for build in &report.builds {
        let _ = writeln!(text, "  {}: {}", build.build, build.what.as_deref().unwrap_or("not said"));
    }
    if report.builds.is_empty() {
        let _ = writeln!(text, "  no change of hardware is recorded between them");
    }
    let _ = write!(text, "\n{}\n", strong("maps"));
    for slot in &report.slots {
        let name = match &slot.from_slot {
            Some(before) => format!("{} against {before}", slot.slot),
            None => slot.slot.clone(),
        };
        let line = match &slot.fuel {
            None => format!("{name}: fuel cells hold other things before and after"),
            Some(fuel) if fuel.changed == 0 => format!("{name}: no fuel cell changed"),
            Some(fuel) => format!(
                "{name}: {} of {} changed, from {} % to {} %",
                fuel.changed,
                counted(fuel.cells, "fuel cell"),
                signed(fuel.leanest_pct, 1),
                signed(fuel.richest_pct, 1)
            ),
        };
        let _ = writeln!(text, "  {line}");
        if let Some(factor) = slot.other_hardware() {
            let factor = fixed(factor, 3);
            let line =
                format!("{name}: injectors, fuel pressure or fuel alone multiply the cells by {factor}");
            let _ = writeln!(text, "  {line}");
        }
        if let Some([first, last]) = slot.error_pct {
            let [first, last] = [first, last].map(|pct| fixed(pct, 1));
            let _ = writeln!(
                text,
                "  {name}: rides of {} were off by {first} % as ridden, by {last} % with the maps they led to",
                report.after.build
            );
        }
        for table in slot.tables.iter().filter(|t| t.table != crate::bike::TableRole::Fuel) {
            let changed = table.change.as_ref().map_or(0, |c| c.cells.len());
            if changed > 0 {
                let _ = writeln!(
                    text,
                    "  {name}: {} changed",
                    counted(changed, &format!("{} cell", table.table.name()))
                );
            }
        }
    }
    for what in &report.came_or_went {
        let _ = writeln!(text, "  {what}");
    }
    let runs = counted(report.revisions.len(), "revision");
    let _ = writeln!(text, "\n{runs} with {} behind them", counted(report.rides.len(), "ride"));
    for comparison in report.power.iter().flat_map(|power| &power.comparisons) {
        let says = &comparison.says;
        for (what, gain) in [("most power", &says.peak_power), ("mean power", &says.area)] {
            let words = gain.in_words();
            let _ = writeln!(
                text,
                "{what}: {} → {} kW, {} ± {} %, {words}",
                fixed(gain.before, 1),
                fixed(gain.after, 1),
                signed(gain.gain_pct, 1),
                fixed(gain.band_pct, 1)
            );
        }
    }
    for note in report.notes.iter().chain(report.power.iter().flat_map(|power| &power.notes)) {
        let _ = writeln!(text, "{}", wrap(&format!("note: {note}"), width));
    }
    for caution in report.power.iter().flat_map(|power| &power.cautions) {
        let _ = writeln!(text, "{}", wrap(&format!("{}: {caution}", warning("caution")), width));
    }
    let _ = writeln!(
        text,
        "{}",
        faint("--html FILE writes the page for the bike's owner, with maps, curves, rides and cautions")
    );
    text
}
