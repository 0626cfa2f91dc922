//! The page for whoever owns the bike: what was changed, the maps before and after, curves, rides, cautions.

use super::PageContext;
use super::changed_table::{axes, change_figure, heading};
use super::colour::Scale;
use super::heat::{Heat, HeatCell, Mark};
use super::parts::{Column, day, fact, list, text, told};
use super::power::power_figure;
use super::shell::{Contents, shell};
use crate::bike::TableRole;
use crate::operations::season::{RideSaid, SeasonRide};
use crate::operations::{CompareReport, PowerReport, ShownTable, SlotCompared, TableCompared};
use crate::power::Gain;
use crate::units::{count, counted, duration, fixed, plain, signed};
use Column::{Number, Text};
use maud::{Markup, html};

/// The page. It holds no script, so that it prints and mails as it is.
pub fn compare(report: &CompareReport, context: &PageContext<'_>) -> String {
    let mut contents: Contents =
        vec![("summary".to_owned(), "In short".to_owned()), ("done".to_owned(), "What was done".to_owned())];
    contents.extend(report.slots.iter().map(|s| (format!("slot-{}", s.slot), format!("Map {}", s.slot))));
    if report.power.is_some() {
        contents.push(("power".to_owned(), "Power".to_owned()));
    }
    contents.push(("rides".to_owned(), "Rides".to_owned()));
    contents.push(("cautions".to_owned(), "What to mind".to_owned()));
    let body = html! {
        section id="summary" { h2 { "In short" } (in_short(report)) }
        section id="done" { h2 { "What was done" } (hardware(report)) (revisions(report)) }
        @for slot in &report.slots { (slot_section(report, slot)) }
        @if let Some(power) = &report.power {
            section id="power" { h2 { "Power" } (power_section(power)) }
        }
        section id="rides" { h2 { "Rides behind it" } (rides(report)) }
        section id="cautions" { h2 { "What to mind" } (cautions(report)) }
    };
    shell(&format!("{}: before and after", report.bike), &head(report), &contents, &body, None, context)
}

fn head(report: &CompareReport) -> Markup {
    html! {
        dl.head {
            (fact("before", html! { b { (report.from) } small { "of " (day(&report.before)) } }))
            (fact("after", html! { b { (report.to) } small { "of " (day(&report.after)) } }))
            (fact("build", match report.before.build == report.after.build {
                true => text(&report.after.build),
                false => text(format!("{} to {}", report.before.build, report.after.build)),
            }))
            (fact("fuel", text(&report.fuel)))
            (fact("rides", html! { (report.rides.len()) }))
        }
    }
}

fn in_short(report: &CompareReport) -> Markup {
    html! {
        ul.plain {
            @match report.builds.as_slice() {
                [] => { li { "No change of hardware is recorded between them." } }
                builds => {
                    @for build in builds {
                        li { "Changed on the bike: " b { (build.what.as_deref().unwrap_or("not said")) } " (" (build.build) ")." }
                    }
                }
            }
            @for slot in &report.slots { (slot_sentence(slot, report.slots.len() > 1)) }
            (ride_sentence(report))
            @for comparison in report.power.iter().flat_map(|p| &p.comparisons) {
                li { "Most power: " (gain(&comparison.says.peak_power, "kW")) "; mean over the curve: " (gain(&comparison.says.area, "kW")) "." }
            }
            @for what in &report.came_or_went { li { (what) "." } }
            @for note in &report.notes { li { (sentence(note)) } }
        }
    }
}

/// A note as a sentence.
fn sentence(note: &str) -> String {
    let mut letters = note.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    format!("{first}{}.", letters.as_str())
}

fn slot_sentence(slot: &SlotCompared, several: bool) -> Markup {
    let known = slot.time_well_known.map(|share| fixed(share * 100.0, 0));
    html! {
        li {
            @if several { b { "Map " (slot.slot) ". " } }
            @match &slot.fuel {
                None => "The fuel maps hold different things before and after, so their cells cannot be compared.",
                Some(fuel) if fuel.changed == 0 => "No cell of the fuel map changed.",
                Some(fuel) => {
                    (fuel.changed) " of " (counted(fuel.cells, "cell")) " of the fuel map changed, from "
                    b { (signed(fuel.leanest_pct, 1)) "\u{a0}%" } " to " b { (signed(fuel.richest_pct, 1)) "\u{a0}%" } (of_fuel(slot)) "."
                }
            }
            @for (words, cells) in other_changes(slot) { " " (counted(cells, "cell")) " of " (words) " changed." }
            @if let Some(factor) = slot.other_hardware() {
                " Injectors, fuel pressure or fuel are others, which alone multiplies the cells by " (fixed(factor, 3))
                ": the same number is not the same fuel."
            }
            @if let Some(known) = known { " " (known) "\u{a0}% of the ridden time lies near cells that are well known." }
        }
    }
}

/// How many cells of the other tables changed.
fn other_changes(slot: &SlotCompared) -> Vec<(&'static str, usize)> {
    let changed = |table: &TableCompared| table.change.as_ref().map_or(0, |change| change.cells.len());
    let others = slot.tables.iter().filter_map(|table| match table.table {
        TableRole::Fuel => None,
        TableRole::Mixture => Some(("the wanted mixture", changed(table))),
        TableRole::Spark => Some(("the spark table", changed(table))),
    });
    others.filter(|(_, cells)| *cells > 0).collect()
}

/// What the percentages of a fuel table are percentages of: of fuel only where nothing else turns a cell into fuel
/// differently than before.
fn of_fuel(slot: &SlotCompared) -> &'static str {
    match slot.other_hardware().is_some() || !other_changes(slot).is_empty() {
        true => " of what they held",
        false => " of fuel",
    }
}

fn ride_sentence(report: &CompareReport) -> Markup {
    if report.rides.is_empty() {
        return html! {};
    }
    let several = report.slots.len() > 1;
    html! {
        li {
            (counted(report.rides.len(), "ride")) ", " (duration(report.ridden_s)) " of riding, "
            @if report.rides.len() == 1 { "stands" } @else { "stand" } " behind it."
            @for slot in &report.slots {
                @if let Some([first, last]) = slot.error_pct {
                    " On build " (report.after.build)
                    @if several { " and map " (slot.slot) }
                    " they were off the wanted mixture by " b { (fixed(first, 1)) "\u{a0}%" } " as they were ridden, and by "
                    b { (fixed(last, 1)) "\u{a0}%" } " with the maps they led to."
                }
            }
        }
    }
}

/// A gain in words.
fn gain(gain: &Gain, unit: &str) -> Markup {
    html! {
        (fixed(gain.before, 1)) " to " (fixed(gain.after, 1)) " " (unit) ", "
        b { (signed(gain.gain_pct, 1)) " ± " (fixed(gain.band_pct, 1)) "\u{a0}%" }
        ", " (gain.in_words()) @if !gain.is_more_than_uncertainty { ": no change is shown" }
    }
}

fn hardware(report: &CompareReport) -> Markup {
    if report.builds.is_empty() {
        return html! {};
    }
    let rows = report.builds.iter().map(|build| {
        vec![
            text(&build.build),
            html! { span.whole { (build.since.as_deref().unwrap_or("")) } },
            text(build.what.as_deref().unwrap_or("")),
        ]
    });
    html! {
        h3 { "On the bike" }
        (list("hardware", &[Text("build"), Text("since"), Text("what was changed")], rows.collect()))
    }
}

fn revisions(report: &CompareReport) -> Markup {
    let columns =
        [Text("revision"), Text("day"), Text("map"), Number("cells"), Number("rides"), Text("what and why")];
    let rows = report.revisions.iter().map(|entry| {
        vec![
            text(&entry.revision),
            html! { span.whole { (day(entry)) } },
            text(&entry.slot),
            text(entry.cells_changed.to_string()),
            text(if entry.rides.is_empty() { String::new() } else { entry.rides.len().to_string() }),
            html! { (told(entry)) @if let Some(why) = entry.why.as_ref().filter(|why| !entry.summary.contains(*why)) { p { "why: " (why) } } },
        ]
    });
    html! {
        h3 { "On the map" }
        (list("revisions", &columns, rows.collect()))
    }
}

fn slot_section(report: &CompareReport, slot: &SlotCompared) -> Markup {
    html! {
        section id={ "slot-" (slot.slot) } {
            h2 {
                "Map " (slot.slot)
                @if let Some(before) = &slot.from_slot { " against " (before) }
            }
            @for table in &slot.tables {
                h3 { (heading(slot.fuel_table, table.table)) }
                (table_section(report, slot, table))
            }
        }
    }
}

fn table_section(report: &CompareReport, slot: &SlotCompared, table: &TableCompared) -> Markup {
    let sides = [(&table.before, &report.from), (&table.after, &report.to)];
    let values = || sides.iter().filter_map(|(side, _)| side.as_ref()).flat_map(|t| &t.values).copied();
    // Both sides in the same colours, so that they can be held side by side.
    let scale = Scale::of_values(values());
    let figure = |shown: &ShownTable, point: &str| {
        let heat = Heat {
            title: format!("{}, {point}", shown.slot),
            axes: axes(shown),
            scale,
            cells: shown.values.iter().map(|v| HeatCell::value(*v, shown.decimals)).collect(),
            slot: None,
        };
        heat.render()
    };
    let unchanged = table.change.as_ref().is_some_and(|c| c.cells.is_empty() && !c.axes_changed);
    if let (true, Some(after)) = (unchanged, &table.after) {
        return html! { p.small { "Unchanged since " (report.from) "." } (figure(after, &report.to)) };
    }
    html! {
        div.pair {
            @for (side, point) in sides {
                @if let Some(shown) = side { (figure(shown, point)) } @else { p.small { "There was none in " (point) "." } }
            }
        }
        @match (&table.change, &table.after) {
            (Some(change), Some(after)) => {
                (change_figure(after, change, [&report.from, &report.to], &marks(table, after), None))
            }
            _ if table.table == TableRole::Fuel => {
                p.small { "The cells hold other things before and after, so no change is told (" (slot.slot) ")." }
            }
            _ => {}
        }
    }
}

/// What held the cells that changed.
fn marks(table: &TableCompared, after: &ShownTable) -> Vec<Option<Mark>> {
    let mut marks = vec![None; after.values.len()];
    for changed in table.change.iter().flat_map(|change| &change.cells) {
        if let Some(cell) = axes(after).cell(changed.rpm, changed.load) {
            marks[cell] = Mark::named(changed.held_by.as_deref());
        }
    }
    marks
}

fn power_section(power: &PowerReport) -> Markup {
    let columns =
        [Text("what"), Number("before"), Number("after"), Number("gain, %"), Number("±"), Text("says")];
    let row = |what: &str, gain: &Gain| {
        vec![
            text(what),
            text(fixed(gain.before, 1)),
            text(fixed(gain.after, 1)),
            text(signed(gain.gain_pct, 1)),
            text(fixed(gain.band_pct, 1)),
            text(gain.in_words()),
        ]
    };
    html! {
        (power_figure(power))
        @for comparison in &power.comparisons {
            h3 {
                (comparison.after.display()) " against " (comparison.before.display()) ", " (plain(comparison.says.from_rpm))
                " to " (plain(comparison.says.to_rpm)) " 1/min"
            }
            (list("gains", &columns, vec![
                row("most power, kW", &comparison.says.peak_power),
                row("most torque, Nm", &comparison.says.peak_torque),
                row("mean power (area), kW", &comparison.says.area),
            ]))
        }
        ul.plain.small {
            @for curve in &power.curves {
                @for note in &curve.notes { li { (curve.file.display()) ": " (note) "." } }
            }
            @for note in &power.notes { li { (sentence(note)) } }
        }
    }
}

fn rides(report: &CompareReport) -> Markup {
    if report.rides.is_empty() {
        return html! { p { "None." } };
    }
    let columns = [
        Text("ride"),
        Text("made on"),
        Text("map"),
        Number("ridden"),
        Number("samples"),
        Number("kept"),
        Number("mixture error as ridden, %"),
        Number("with the map it led to, %"),
        Text("remarks"),
    ];
    let row = |(ride, said): (&SeasonRide, &RideSaid)| {
        let error = |error: Option<crate::evidence::LambdaError>| {
            text(error.map(|e| fixed(e.rms_pct, 2)).unwrap_or_default())
        };
        let remarks: Vec<String> = said.findings.iter().map(|f| f.name.replace('_', " ")).collect();
        vec![
            text(&ride.file),
            text(&ride.revision),
            text(&said.slot),
            text(duration(said.ridden_s)),
            text(count(said.samples as u64)),
            text(count(said.kept as u64)),
            error(said.as_ridden),
            error(said.after),
            text(remarks.join(", ")),
        ]
    };
    let told = report.rides.iter().flat_map(|ride| ride.said.iter().map(move |said| (ride, said)));
    html! {
        (list("rides", &columns, told.map(row).collect()))
        p.small {
            "The error is the root mean square of measured against wanted lambda over the ridden time, as the ride's own sensor \
            saw it: an error that all rides share does not show."
        }
    }
}

fn cautions(report: &CompareReport) -> Markup {
    let of_power = report.power.iter().flat_map(|power| &power.cautions);
    html! {
        div.caution role="note" { ul.plain { @for caution in report.cautions.iter().chain(of_power) { li { (sentence(caution)) } } } }
    }
}
