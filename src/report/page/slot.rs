//! One slot of the season's page: the map now, what changed, the cells to look at.

use super::colour::Scale;
use super::data::{CellColumns, SlotSource, StepSource, cell_words};
use super::explorer::Explorer;
use super::heat::{Axes, Heat, HeatCell, Mark, change_text};
use super::parts::{Column, folded, list, text};
use crate::operations::season::{CellKnowledge, SeasonCell, SlotSeason};
use crate::units;
use Column::{Number, Text};
use maud::{Markup, html};

/// Rows of the list of cells that moved most.
const MOST_MOVED: usize = 12;
/// Rows of the other short lists.
const LONGEST: usize = 20;

fn held(cell: &SeasonCell) -> Option<Mark> {
    Mark::named(cell.evidence.as_ref().and_then(|e| e.held_by.as_deref()))
}

/// A lock says more than what held the cell before it.
fn marks(cell: &SeasonCell) -> Option<Mark> {
    cell.locked.as_ref().map(|_| Mark::Locked).or_else(|| held(cell))
}

fn axes(slot: &SlotSeason) -> Axes<'_> {
    Axes { rpm: &slot.rpm, load: &slot.load, load_axis: slot.load_axis }
}

/// How well a cell is known, in words.
fn known(knowledge: CellKnowledge) -> &'static str {
    match knowledge {
        CellKnowledge::Well => "well",
        CellKnowledge::Roughly => "roughly",
        CellKnowledge::NotAtAll => "not at all",
    }
}

/// What the page's script gets of a slot.
pub(super) fn source<'a>(slot: &'a SlotSeason) -> SlotSource<'a> {
    let start = slot.steps.iter().position(|s| s.revision == slot.start_revision).unwrap_or(0);
    let evidence = slot.steps.iter().enumerate();
    let cells = &slot.cells;
    let tenth = |x: f64| (x * 10.0).round() / 10.0;
    let locked = cells.iter().enumerate().filter_map(|(i, c)| Some((i, c.locked.clone()?)));
    SlotSource {
        name: &slot.slot,
        fuel_table: slot.fuel_table,
        axes: axes(slot),
        decimals: slot.decimals,
        steps: slot
            .steps
            .iter()
            .map(|s| StepSource {
                revision: s.revision_index,
                cells: s.values.as_deref(),
                evidence_step: s.evidence_step,
            })
            .collect(),
        runs: slot.steps.iter().filter(|s| s.knowledge.is_some()).count(),
        start,
        evidence: evidence
            .filter_map(|(i, s)| Some((i, s.knowledge.as_ref()?.evidence.as_deref()?)))
            .collect(),
        about: CellColumns {
            wanted_lambda: cells.iter().map(|c| c.wanted_lambda).collect(),
            spark_deg: match cells.iter().any(|c| c.spark_deg.is_some()) {
                true => cells.iter().map(|c| c.spark_deg).collect(),
                false => Vec::new(),
            },
            travel_pct: cells.iter().map(|c| tenth(c.travel_pct)).collect(),
            turns: cells.iter().map(|c| c.turns).collect(),
            runs_at_limit: cells.iter().map(|c| c.runs_at_limit).collect(),
            known: cells.iter().map(|c| known(c.known)).collect(),
            locked: locked.collect(),
        },
    }
}

/// The map now and what changed since the build's start.
pub(super) fn maps(slot: &SlotSeason, id: usize) -> Markup {
    let cell = cell_words(slot.fuel_table);
    let table = |title: String, scale, cells| {
        let heat =
            Heat { title, axes: axes(slot), scale, cells, slot: (!slot.steps.is_empty()).then_some(id) };
        heat.render()
    };
    let now = slot.cells.iter().map(|c| HeatCell::value(c.now, slot.decimals).marked(marks(c)));
    let change = slot.cells.iter().map(|c| HeatCell::change(c.change_pct, 1).marked(marks(c)));
    let moved = slot.start_revision != slot.newest_revision;
    html! {
        div.pair {
            (table(
                match slot.steps.is_empty() {
                    true => format!("The map of {} now: {cell}", slot.slot),
                    false => format!("The map of {} now: {cell}, {}", slot.slot, slot.newest_revision),
                },
                Scale::of_values(slot.cells.iter().map(|c| c.now)),
                now.collect(),
            ))
            @if moved {
                (table(
                    format!("Change of fuel in {}, {} to {}, %", slot.slot, slot.start_revision, slot.newest_revision),
                    Scale::of_changes(slot.cells.iter().map(|c| c.change_pct)),
                    change.collect(),
                ))
            }
        }
        p.small {
            @if moved {
                "Taken together the map moved by " (units::fixed(slot.distance_rms_pct, 1)) " % (root mean square of all cells)."
            } @else if !slot.steps.is_empty() {
                "Nothing changed yet since " (slot.start_revision) "."
            }
        }
        @if !slot.steps.is_empty() {
            p.small.js-only { "Choose a cell of any table (click, or arrow keys and Enter) to see what stands behind it." }
        }
    }
}

/// The surface and the slider.
pub(super) fn explorer(slot: &SlotSeason, id: usize) -> Markup {
    let explorer = Explorer {
        slot: id,
        name: &slot.slot,
        axes: axes(slot),
        fuel_table: slot.fuel_table,
        steps: (slot.steps.len() > 1).then_some(slot.steps.len()),
        start: (slot.steps.len() > 1).then_some(&slot.start_revision),
    };
    explorer.render()
}

/// How well the cells are known: the chart of coverage and the seconds behind each cell.
pub(super) fn knowledge(slot: &SlotSeason, id: usize, chart: Option<&Markup>) -> Markup {
    let seconds = |c: &SeasonCell| c.evidence.as_ref().map_or(0.0, |e| e.weight_s);
    let cells = slot.cells.iter().map(|c| match c.known {
        CellKnowledge::NotAtAll => HeatCell { text: "·".to_owned(), ..HeatCell::default() },
        CellKnowledge::Roughly => {
            let cell = HeatCell::seconds(seconds(c));
            HeatCell { text: format!("{}?", cell.text), ..cell }
        }
        CellKnowledge::Well => HeatCell::seconds(seconds(c)),
    });
    let heat = Heat {
        title: format!("Seconds of riding behind each cell of {}", slot.slot),
        axes: axes(slot),
        scale: Scale::of_amounts(slot.cells.iter().map(seconds)),
        cells: cells.collect(),
        slot: Some(id),
    };
    html! {
        @if let Some(chart) = chart { (chart) (heat.render())
            p.small { "A dot: no ride said anything of it. ?: known only roughly. Without a sign: well known." }
        } @else { p { "No run of this slot yet, so no cell is known." } }
    }
}

/// The cells to look at, and all of them.
pub(super) fn cells(slot: &SlotSeason) -> Markup {
    let mut moved = slot.moved_most();
    moved.truncate(MOST_MOVED);
    html! {
        h4 { "Cells that moved most" }
        (short_list(slot, "cells that moved most", &moved, "No cell moved yet."))
        h4 { "Cells that turn back and forth" }
        (short_list(slot, "cells that turn", &slot.turning(), "None: no cell changed its direction twice."))
        h4 { "Cells that stand at a limit" }
        (short_list(slot, "cells at a limit", &slot.at_limit(), "None in the newest run."))
        (folded("All cells that a ride spoke of, that moved or are locked", &all_columns(slot), spoken_of(slot)))
    }
}

fn spoken_of(slot: &SlotSeason) -> Vec<Vec<Markup>> {
    let asked = |c: &SeasonCell| c.evidence.as_ref().is_some_and(|e| e.required.is_some());
    let cells = slot.cells.iter().filter(|c| asked(c) || c.travel_pct > 0.0 || c.locked.is_some());
    cells.map(|c| row(slot, c, true)).collect()
}

fn short_list(slot: &SlotSeason, name: &str, cells: &[&SeasonCell], none: &str) -> Markup {
    if cells.is_empty() {
        return html! { p { (none) } };
    }
    let rows = cells.iter().take(LONGEST).map(|c| row(slot, c, false)).collect();
    html! {
        (list(&format!("{name}, {}", slot.slot), &columns(), rows))
        @if cells.len() > LONGEST {
            p.small { "and " (cells.len() - LONGEST) " more, which stand in the list of all cells below." }
        }
    }
}

fn columns() -> Vec<Column> {
    vec![
        Text("cell"),
        Number("now"),
        Number("at the start"),
        Number("change, %"),
        Number("travelled, %"),
        Number("turns"),
        Number("runs at a limit"),
        Text("known"),
        Number("asked for, ±"),
        Number("riding, s"),
        Number("visits"),
        Number("rides"),
        Text("held by"),
    ]
}

fn all_columns(slot: &SlotSeason) -> Vec<Column> {
    let mut all = columns();
    all.push(Number("wanted lambda"));
    if slot.cells.iter().any(|c| c.spark_deg.is_some()) {
        all.push(Number("spark, °"));
    }
    all
}

fn row(slot: &SlotSeason, cell: &SeasonCell, whole: bool) -> Vec<Markup> {
    let value = |v: f64| text(units::fixed(v, slot.decimals));
    let evidence = cell.evidence.as_ref();
    let asked = evidence.and_then(|e| Some((e.required?, e.std_error?)));
    let decimals = slot.decimals + 1;
    let mut row = vec![
        html! { span.whole { (units::plain(cell.rpm)) " rpm, " (units::plain(cell.load)) " " (slot.load_axis.unit()) } },
        value(cell.now),
        value(cell.start),
        text(change_text(cell.change_pct, 1)),
        text(if cell.travel_pct.is_finite() { units::fixed(cell.travel_pct, 1) } else { "–".to_owned() }),
        text(cell.turns.to_string()),
        text(cell.runs_at_limit.to_string()),
        text(known(cell.known)),
        text(
            asked
                .map(|(q, e)| format!("{} ± {}", units::fixed(q, decimals), units::fixed(e, decimals)))
                .unwrap_or_default(),
        ),
        text(evidence.map(|e| units::fixed(e.weight_s, 1)).unwrap_or_default()),
        text(evidence.map(|e| e.dwells.to_string()).unwrap_or_default()),
        text(evidence.map(|e| e.rides.to_string()).unwrap_or_default()),
        html! {
            (evidence.and_then(|e| e.held_by.as_deref()).unwrap_or_default().replace('_', " "))
            @if let Some(why) = &cell.locked { p { "locked: " (why) } }
        },
    ];
    if whole {
        row.push(text(units::fixed(cell.wanted_lambda, 3)));
        row.push(text(cell.spark_deg.map(|s| units::fixed(s, 1)).unwrap_or_default()));
    }
    row
}
