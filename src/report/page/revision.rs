//! The page of one revision: its tables, what changed, on which evidence.

use super::changed_table::{axes, change_figure, heading};
use super::colour::Scale;
use super::data::{
    CellColumns, EVIDENCE_BUDGET, PageData, Palettes, RevisionData, SlotData, SlotSource, StepSource, holds,
};
use super::explorer::Explorer;
use super::heat::{Heat, HeatCell, Mark};
use super::parts::{Column, day, fact, folded, list, short_hash, text, told, who};
use super::shell::{Contents, shell};
use super::{PageContext, season, summary};
use crate::bike::TableRole;
use crate::operations::{DiffReport, ShowReport, ShownEvidence, ShownTable, TableChange};
use crate::units;
use Column::{Number, Text};
use maud::{Markup, html};

/// The page; `bike` is the bike's name.
pub fn show(report: &ShowReport, bike: &str, context: &PageContext<'_>) -> String {
    let slots: Vec<&str> =
        report.tables.iter().filter(|t| t.table == TableRole::Fuel).map(|t| t.slot.as_str()).collect();
    let mut contents: Contents = vec![("summary".to_owned(), "In short".to_owned())];
    contents.extend(slots.iter().map(|s| (format!("slot-{s}"), format!("Slot {s}"))));
    contents.push(("settings".to_owned(), "Rides and settings".to_owned()));
    let body = html! {
        section id="summary" {
            h2 { "In short" }
            div.two { (sentences(report)) (summary::caution()) }
        }
        @for (id, slot) in slots.iter().enumerate() { (slot_section(report, slot, id)) }
        section id="settings" { h2 { "Rides and settings" } (settings(report)) }
    };
    let title = format!("{bike}: {}", report.entry.revision);
    shell(&title, &head(report), &contents, &body, Some(&data(report, &slots)), context)
}

fn head(report: &ShowReport) -> Markup {
    let entry = &report.entry;
    html! {
        dl.head {
            (fact("revision", html! { b { (entry.revision) } small { "of " (day(entry)) } }))
            (fact("kind", text(entry.kind.name())))
            (fact("slot", text(&entry.slot)))
            (fact("build", text(&entry.build)))
            (fact("made by", text(who(&entry.author))))
        }
    }
}

fn sentences(report: &ShowReport) -> Markup {
    let entry = &report.entry;
    html! {
        ul.plain {
            li { b { (entry.revision) } " " (told(entry)) "." }
            @if let Some(why) = &entry.why { li { "Why: " (why) "." } }
            @if let Some(restores) = &entry.restores {
                li { "It restores " (restores) " and undoes " (entry.undoes.join(", ")) "." }
            }
            li {
                (units::counted(entry.cells_changed, "fuel cell")) " changed"
                @if let Some(changes) = &report.changes { " against " (changes.from) }
                "."
            }
            @if !entry.rides.is_empty() { li { "It stands on " (units::counted(entry.rides.len(), "ride")) "." } }
        }
    }
}

fn evidence_of<'a>(report: &'a ShowReport, slot: &str) -> Option<&'a ShownEvidence> {
    report.evidence.iter().find(|e| e.slot == slot)
}

fn change_of<'a>(report: &'a ShowReport, table: &ShownTable) -> Option<&'a TableChange> {
    let changes = report.changes.as_ref()?;
    changes.tables.iter().find(|c| c.slot == table.slot && c.table == table.table)
}

fn slot_section(report: &ShowReport, slot: &str, id: usize) -> Markup {
    let tables = || report.tables.iter().filter(move |t| t.slot == slot);
    let fuel = tables().find(|t| t.table == TableRole::Fuel);
    html! {
        section id={ "slot-" (slot) } {
            h2 { "Slot " (slot) }
            @for table in tables() {
                @let shown = (table.table == TableRole::Fuel).then_some(id);
                h3 { (heading(report.fuel_table, table.table)) }
                (table_now(report, table, shown))
                (table_change(report, table, shown))
                @if shown.is_some() {
                    p.small.js-only {
                        "Choose a cell of these tables (click, or arrow keys and Enter) to see what stands behind it."
                    }
                }
            }
            @if let Some(fuel) = fuel {
                h3 { "Its surface" }
                p.scripted.small { "The surface needs a browser that runs scripts; the tables do not." }
                (Explorer {
                    slot: id,
                    name: slot,
                    axes: axes(fuel),
                    fuel_table: report.fuel_table,
                    steps: None,
                    start: before(report, fuel).and(report.changes.as_ref()).map(|c| c.from.as_str()),
                }.render())
            }
            @if let Some(evidence) = evidence_of(report, slot) {
                h3 { "What is known" }
                @if let Some(fuel) = fuel { (seconds(evidence, fuel, id)) }
                (evidence_list(evidence, fuel.map_or(1, |f| f.decimals)))
            }
        }
    }
}

/// What held the cells of the fuel table in this revision.
fn marks(report: &ShowReport, table: &ShownTable) -> Vec<Option<Mark>> {
    let mut marks = vec![None; table.values.len()];
    if let Some(evidence) = evidence_of(report, &table.slot).filter(|_| table.table == TableRole::Fuel) {
        for row in &evidence.cells {
            if let Some(cell) = axes(table).cell(row.rpm, row.load) {
                marks[cell] = Mark::named(row.held_by.as_deref());
            }
        }
    }
    marks
}

fn table_now(report: &ShowReport, table: &ShownTable, slot: Option<usize>) -> Markup {
    let marks = marks(report, table);
    let cells = table.values.iter().zip(marks);
    let heat = Heat {
        title: format!(
            "{} of {} in {}",
            heading(report.fuel_table, table.table),
            table.slot,
            report.entry.revision
        ),
        axes: axes(table),
        scale: Scale::of_values(table.values.iter().copied()),
        cells: cells.map(|(v, mark)| HeatCell::value(*v, table.decimals).marked(mark)).collect(),
        slot,
    };
    heat.render()
}

fn table_change(report: &ShowReport, table: &ShownTable, slot: Option<usize>) -> Markup {
    let Some(DiffReport { from, .. }) = &report.changes else { return html! {} };
    let Some(change) = change_of(report, table) else {
        return html! { p.small { "Unchanged since " (from) "." } };
    };
    change_figure(table, change, [from, &report.entry.revision], &marks(report, table), slot)
}

fn seconds(evidence: &ShownEvidence, table: &ShownTable, id: usize) -> Markup {
    let mut cells = vec![HeatCell { text: "·".to_owned(), ..HeatCell::default() }; table.values.len()];
    for row in evidence.cells.iter().filter(|r| r.required.is_some()) {
        if let Some(cell) = axes(table).cell(row.rpm, row.load) {
            cells[cell] = HeatCell::seconds(row.weight_s);
        }
    }
    let heat = Heat {
        title: format!("Seconds of riding behind each cell of {}; a dot: no ride spoke of it", evidence.slot),
        axes: axes(table),
        scale: Scale::of_amounts(evidence.cells.iter().map(|r| r.weight_s)),
        cells,
        slot: Some(id),
    };
    heat.render()
}

fn evidence_list(evidence: &ShownEvidence, decimals: usize) -> Markup {
    let columns = [
        Text("cell, rpm"),
        Number("load"),
        Number("before"),
        Number("asked for"),
        Number("±"),
        Number("after"),
        Number("riding, s"),
        Number("visits"),
        Number("rides"),
        Text("held by"),
    ];
    let number = |v: Option<f64>| text(v.map(|v| units::fixed(v, decimals + 1)).unwrap_or_default());
    let rows = evidence.cells.iter().filter(|row| row.required.is_some()).map(|row| {
        vec![
            text(units::plain(row.rpm)),
            text(units::plain(row.load)),
            text(units::fixed(row.before, decimals)),
            number(row.required),
            number(row.std_error),
            text(units::fixed(row.after, decimals)),
            text(units::fixed(row.weight_s, 1)),
            text(row.dwells.to_string()),
            text(row.rides.to_string()),
            text(row.held_by.as_deref().unwrap_or_default().replace('_', " ")),
        ]
    });
    folded(&format!("The evidence of {}, cell by cell", evidence.slot), &columns, rows.collect())
}

fn settings(report: &ShowReport) -> Markup {
    let entry = &report.entry;
    let rides = entry.rides.iter().map(|ride| vec![text(&ride.file), html! { code { (ride.sha256) } }]);
    let changed = report.changes.iter().flat_map(|c| &c.settings);
    html! {
        @if !entry.rides.is_empty() {
            h3 { "Rides" }
            (list("rides of this revision", &[Text("ride"), Text("sha256")], rides.collect()))
        }
        h3 { "Commit" }
        dl.pairs {
            dt { "commit" } dd { code { (entry.commit) } }
            dt { "made" } dd { (entry.time) " by " (who(&entry.author)) }
            dt { "with" } dd { (entry.tool) }
            @if let Some(pipeline) = &entry.pipeline {
                dt { "pipeline" } dd { (pipeline.name) ", sha256 " code { (short_hash(&pipeline.sha256)) "…" } }
            }
        }
        @for what in report.changes.iter().flat_map(|c| &c.came_or_went) { p { (what) } }
        @for setting in changed {
            details {
                summary { "Changed: " (setting.path) }
                h4 { "before" } pre tabindex="0" { (setting.before) }
                h4 { "after" } pre tabindex="0" { (setting.after) }
            }
        }
        @if let Some(pipeline) = &report.pipeline_text {
            h3 { "Pipeline" }
            pre tabindex="0" { (pipeline) }
        }
    }
}

/// The fuel table one revision before, where its cells can be compared.
fn before(report: &ShowReport, table: &ShownTable) -> Option<Vec<f64>> {
    report.changes.as_ref()?;
    let mut values = table.values.clone();
    if let Some(change) = change_of(report, table) {
        if change.axes_changed {
            return None;
        }
        for changed in &change.cells {
            if let Some(cell) = axes(table).cell(changed.rpm, changed.load) {
                values[cell] = changed.before;
            }
        }
    }
    Some(values)
}

fn data(report: &ShowReport, slots: &[&str]) -> PageData {
    let older = report.changes.as_ref().map(|changes| RevisionData {
        name: changes.from.clone(),
        day: String::new(),
        kind: "",
        build: String::new(),
        told: String::new(),
        why: None,
    });
    let this = usize::from(older.is_some());
    let mut budget = EVIDENCE_BUDGET;
    let mut slot_data = Vec::new();
    for slot in slots {
        let find = |role| report.tables.iter().find(|t| t.slot == *slot && t.table == role);
        let Some(fuel) = find(TableRole::Fuel) else { continue };
        let before = before(report, fuel);
        let mut steps = Vec::new();
        if this > 0 {
            steps.push(StepSource { revision: 0, cells: before.as_deref(), evidence_step: None });
        }
        let evidence = evidence_of(report, slot);
        let own = evidence.is_some().then_some(this);
        steps.push(StepSource { revision: this, cells: Some(fuel.values.as_slice()), evidence_step: own });
        let same = |t: &&ShownTable| t.rpm == fuel.rpm && t.load == fuel.load;
        let source = SlotSource {
            name: slot,
            fuel_table: report.fuel_table,
            axes: axes(fuel),
            decimals: fuel.decimals,
            start: 0,
            runs: usize::from(evidence.is_some()),
            evidence: evidence.iter().map(|e| (this, e.cells.as_slice())).collect(),
            about: CellColumns {
                wanted_lambda: find(TableRole::Mixture)
                    .filter(same)
                    .map(|t| t.values.clone())
                    .unwrap_or_default(),
                spark_deg: find(TableRole::Spark)
                    .filter(same)
                    .map(|t| t.values.iter().map(|v| Some(*v)).collect())
                    .unwrap_or_default(),
                ..CellColumns::default()
            },
            steps,
        };
        slot_data.push(SlotData::new(source, &mut budget));
    }
    let revisions = older.into_iter().chain([season::revision(&report.entry)]);
    PageData {
        revisions: revisions.collect(),
        slots: slot_data,
        charts: Vec::new(),
        palettes: Palettes::default(),
        holds: holds(),
    }
}
