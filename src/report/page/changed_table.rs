//! How a table changed, as a heat table.

use super::colour::Scale;
use super::data::cell_words;
use super::heat::{Axes, Heat, HeatCell, Mark};
use crate::bike::{FuelTableKind, TableRole};
use crate::operations::{AXES_DIFFER, ShownTable, TableChange};
use maud::{Markup, html};

/// The axes of a table.
pub(super) fn axes(table: &ShownTable) -> Axes<'_> {
    Axes { rpm: &table.rpm, load: &table.load, load_axis: table.load_axis }
}

/// What a table holds, as a heading.
pub(super) fn heading(kind: FuelTableKind, table: TableRole) -> String {
    match table {
        TableRole::Fuel => format!("Fuel ({})", cell_words(kind)),
        TableRole::Mixture => "Mixture (wanted lambda)".to_owned(),
        TableRole::Spark => "Spark (degrees before top dead centre)".to_owned(),
    }
}

/// What changed in a table between two revisions, cell by cell; `marks` is empty or one a cell.
pub(super) fn change_figure(
    table: &ShownTable,
    change: &TableChange,
    [from, to]: [&str; 2],
    marks: &[Option<Mark>],
    slot: Option<usize>,
) -> Markup {
    // More wanted lambda is less fuel; spark is no matter of fuel, so its change stays uncoloured.
    let colour = match table.table {
        TableRole::Fuel => Some(1.0),
        TableRole::Mixture => Some(-1.0),
        TableRole::Spark => None,
    };
    let decimals = if table.table == TableRole::Fuel { 1 } else { table.decimals };
    let mut cells = vec![HeatCell::change(0.0, decimals); table.values.len()];
    for changed in &change.cells {
        let Some(cell) = axes(table).cell(changed.rpm, changed.load) else { continue };
        let shown = match table.table {
            TableRole::Fuel => changed.change_pct,
            TableRole::Mixture | TableRole::Spark => changed.after - changed.before,
        };
        cells[cell] = HeatCell {
            value: colour.map(|sign| sign * changed.change_pct),
            ..HeatCell::change(shown, decimals).marked(marks.get(cell).copied().flatten())
        };
    }
    let what = match table.table {
        TableRole::Fuel => "Change of fuel, %",
        TableRole::Mixture => "Change of wanted lambda",
        TableRole::Spark => "Change of advance, degrees",
    };
    let heat = Heat {
        title: format!("{what}, {from} to {to}"),
        axes: axes(table),
        scale: Scale::of_changes(change.cells.iter().map(|c| c.change_pct)),
        cells,
        slot,
    };
    html! {
        @if change.axes_changed { p.small { (AXES_DIFFER) } }
        (heat.render())
    }
}
