//! `diff` and `show`, as text.

use super::heat::{self, Heat, HeatCell, draw};
use super::history::head;
use super::run::legend;
use super::style::{Align, by_change, columns, strong};
use super::text_diff::text_diff;
use crate::bike::TableRole;
use crate::operations::{
    AXES_DIFFER, DiffReport, ShowReport, ShownEvidence, ShownTable, ShownTotal, TableChange,
};
use crate::table::{CellMark, DrawnCell, Layout, draw_changes_among};
use crate::units;
use std::fmt::Write as _;

/// The difference of two revisions.
pub fn diff(report: &DiffReport, width: usize) -> String {
    let mut text = String::new();
    if report.tables.is_empty() && report.settings.is_empty() && report.came_or_went.is_empty() {
        // Where slots are compared, settings are not.
        let what = if report.to.contains(':') { "tables" } else { "tables and settings" };
        return format!("{} and {} hold the same {what}.\n", report.from, report.to);
    }
    for line in &report.came_or_went {
        let _ = writeln!(text, "{line}\n");
    }
    for change in &report.tables {
        text.push_str(&table_change(change, &report.from, &report.to, width));
        text.push('\n');
    }
    for setting in &report.settings {
        let what = match (setting.before.is_empty(), setting.after.is_empty()) {
            (true, false) => " (new)",
            (false, true) => " (gone)",
            _ => "",
        };
        let _ = writeln!(text, "{}{what}", strong(&setting.path));
        text.push_str(&text_diff(&setting.before, &setting.after));
        text.push('\n');
    }
    text.truncate(text.trim_end().len());
    text.push('\n');
    text
}

fn table_change(change: &TableChange, from: &str, to: &str, width: usize) -> String {
    table_change_among(change, from, to, width, &|_, _| false)
}

/// How one table changed, with a sign for the cells that are locked.
pub(super) fn table_change_among(
    change: &TableChange,
    from: &str,
    to: &str,
    width: usize,
    is_locked: &dyn Fn(f64, f64) -> bool,
) -> String {
    let name = match &change.from_slot {
        Some(_) => format!("{} ({})", change.table.name(), change.unit),
        None => format!("{} ({}), {}", change.table.name(), change.unit, change.slot),
    };
    if change.axes_changed && change.cells.is_empty() {
        return format!("{}: {AXES_DIFFER}: no cell changes there\n", strong(&name));
    }
    let richer = change.cells.iter().filter(|c| c.change_pct > 0.0).count();
    let changed = units::counted(change.cells.len(), "cell");
    let (up, down) = match change.table {
        TableRole::Fuel => ("more fuel", "less fuel"),
        TableRole::Mixture => ("leaner wanted", "richer wanted"),
        TableRole::Spark => ("more advance", "less advance"),
    };
    let mut text = format!(
        "{} {from} → {to}\n  {changed} changed: {richer} {up}, {} {down}\n\n",
        strong(&name),
        change.cells.len() - richer
    );
    if change.axes_changed {
        let _ = writeln!(text, "  {AXES_DIFFER}\n");
    }
    // In a mixture table more lambda is less fuel.
    let sign = if change.table == TableRole::Mixture { -1.0 } else { 1.0 };
    let paint = |pct: f64, text: &str| by_change(pct * sign, text);
    let layout = Layout { decimals: change.decimals, load_axis: change.load_axis, width, paint: &paint };
    let drawn = change.drawn_cells();
    text.push_str(&draw_changes_among(&drawn, &layout, is_locked));
    match change.table {
        TableRole::Fuel => text.push_str(&legend(&drawn)),
        TableRole::Mixture | TableRole::Spark => {}
    }
    text
}

/// One revision: what changed first, then tables, evidence and settings.
pub fn show(report: &ShowReport, width: usize) -> String {
    let mut text = head(&report.entry);
    if let Some(changes) = &report.changes {
        let _ = write!(text, "\n{}\n{}", strong("changes"), diff(changes, width));
    }
    for table in &report.tables {
        let evidence =
            report.evidence.iter().find(|e| e.slot == table.slot && table.table == TableRole::Fuel);
        text.push_str(&table_text(
            table,
            &evidence.map(ShownEvidence::drawn_cells).unwrap_or_default(),
            width,
        ));
    }
    for total in &report.totals {
        text.push_str(&total_text(total, width));
    }
    for evidence in &report.evidence {
        text.push_str(&evidence_text(evidence, width));
    }
    if let Some(pipeline) = &report.pipeline_text {
        let lines: Vec<String> = pipeline.lines().map(|line| format!("  {line}")).collect();
        let _ = writeln!(text, "\n{}\n{}", strong("pipeline"), lines.join("\n"));
    }
    text
}

/// A table as a heat map; values that were only inferred carry a mark.
pub(super) fn table_text(table: &ShownTable, changed: &[DrawnCell], width: usize) -> String {
    let inferred: Vec<&DrawnCell> = changed.iter().filter(|c| c.mark == Some(CellMark::Inferred)).collect();
    let mark = |rpm: f64, load: f64| {
        let is_one = inferred.iter().any(|c| c.rpm == rpm && c.load == load);
        is_one.then(|| CellMark::Inferred.sign())
    };
    let heat = Heat { rpm: &table.rpm, load: &table.load, load_axis: table.load_axis, width };
    let title = format!("{}, {}", table.table.name(), table.slot);
    let text = heat_text(&title, &heat, (&table.values, table.decimals), &mark);
    match inferred.is_empty() {
        true => text,
        false => {
            text + &heat::legend(&format!("{} {}", CellMark::Inferred.sign(), CellMark::Inferred.about()))
        }
    }
}

/// What stock map and trim give together, as a heat map.
fn total_text(total: &ShownTotal, width: usize) -> String {
    let heat = Heat { rpm: &total.rpm, load: &total.load, load_axis: total.load_axis, width };
    let title = format!("stock map with the trim, {}", total.slot);
    heat_text(&title, &heat, (&total.values, total.decimals), &|_, _| None)
}

fn heat_text(
    title: &str,
    heat: &Heat<'_>,
    (values, decimals): (&[f64], usize),
    mark: &dyn Fn(f64, f64) -> Option<char>,
) -> String {
    let smallest = values.iter().copied().fold(f64::INFINITY, f64::min);
    let largest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let points = heat.rpm.iter().flat_map(|rpm| heat.load.iter().map(move |load| (*rpm, *load)));
    let cells: Vec<HeatCell> = points
        .zip(values)
        .map(|((rpm, load), value)| HeatCell::value(*value, decimals, (smallest, largest), mark(rpm, load)))
        .collect();
    format!("\n{}\n{}", strong(title), draw(heat, &cells))
}

fn evidence_text(evidence: &ShownEvidence, width: usize) -> String {
    let titles = ["rpm", "load", "before", "required", "±", "after", "s", "visits", "rides", "held by"];
    let mut rows = vec![titles.map(str::to_owned).to_vec()];
    for cell in evidence.cells.iter().filter(|c| c.required.is_some()) {
        let number = |v: Option<f64>| v.map(|v| units::fixed(v, 2)).unwrap_or_default();
        rows.push(vec![
            units::plain(cell.rpm),
            units::plain(cell.load),
            units::fixed(cell.before, 2),
            number(cell.required),
            number(cell.std_error),
            units::fixed(cell.after, 2),
            units::fixed(cell.weight_s, 1),
            cell.dwells.to_string(),
            cell.rides.to_string(),
            cell.held_by.clone().unwrap_or_default(),
        ]);
    }
    let mut aligns = vec![Align::Right; 9];
    aligns.push(Align::Left);
    // Names of holds are not broken: a terminal that is too narrow wraps the line.
    const WIDEST: usize = 96;
    let table = columns(rows, &aligns, width.max(WIDEST));
    format!("\n{}\n{table}", strong(&format!("evidence, {}", evidence.slot)))
}
