//! JSON: an object with axes and cells, or the bare rows of cells.

use super::{ExportLayout, Found, FoundGrid, ImportExpectation, Rows};
use crate::problem::{Problem, Problems};
use crate::table::{LoadAxis, Table};
use crate::units;
use schemars::JsonSchema;
use serde::Deserialize;
use std::path::Path;

/// A table as JSON.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct JsonTable {
    /// Which table it is: fuel, mixture, spark.
    #[serde(default)]
    table: Option<String>,
    /// What its cells hold; for people.
    #[serde(default)]
    #[allow(dead_code, reason = "for people")]
    unit: Option<String>,
    /// What the load axis measures.
    #[serde(default)]
    load_axis: Option<LoadAxis>,
    /// What a row of cells is.
    #[serde(default)]
    rows: Option<Rows>,
    /// Breakpoints, 1/min.
    #[serde(default)]
    rpm: Option<Vec<f64>>,
    /// Breakpoints of the load axis.
    #[serde(default)]
    load: Option<Vec<f64>>,
    /// The rows of cells.
    cells: Vec<Vec<f64>>,
}

pub(super) fn write(table: &Table, layout: &ExportLayout<'_>) -> String {
    let list = |values: &[f64]| values.iter().map(|b| units::plain(*b)).collect::<Vec<_>>().join(", ");
    let (rpms, loads) = (&table.grid.rpm, &table.grid.load);
    let (height, width) = match layout.rows {
        Rows::Rpm => (rpms.len(), loads.len()),
        Rows::Load => (loads.len(), rpms.len()),
    };
    let row = |row: usize| {
        let cell = |column: usize| match layout.rows {
            Rows::Rpm => table.resolution.text(table.cell(row, column)),
            Rows::Load => table.resolution.text(table.cell(column, row)),
        };
        format!("    [{}]", (0..width).map(cell).collect::<Vec<_>>().join(", "))
    };
    let cells = (0..height).map(row).collect::<Vec<_>>().join(",\n");
    let axes = match layout.axes {
        true => {
            format!(
                "  \"rpm\": [{}],\n  \"load\": [{}],\n",
                list(rpms.breakpoints()),
                list(loads.breakpoints())
            )
        }
        false => String::new(),
    };
    format!(
        "{{\n  \"table\": \"{}\",\n  \"unit\": \"{}\",\n  \"load_axis\": \"{}\",\n  \"rows\": \"{}\",\n{axes}  \"cells\": [\n{cells}\n  ]\n}}\n",
        layout.table,
        layout.unit,
        table.load_axis.name(),
        layout.rows.name(),
    )
}

pub(super) fn read(path: &Path, text: &str, expect: &ImportExpectation<'_>) -> Result<FoundGrid, Problems> {
    let located = |error: serde_json::Error| {
        let what = error.to_string();
        let what = what.split(" at line ").next().unwrap_or_default();
        Problem::at(
            path,
            error.line() as u64,
            error.column() as u64,
            format!("is not a table in JSON: {what}"),
        )
    };
    let plain = |values: Vec<f64>| -> Vec<Found> {
        values.into_iter().map(|value| Found { value, line: 0, column: 0 }).collect()
    };
    if text.trim_start().starts_with('[') {
        let cells: Vec<Vec<f64>> = serde_json::from_str(text).map_err(located)?;
        return Ok(FoundGrid { cells: cells.into_iter().map(plain).collect(), rows: None, axes: None });
    }
    let table: JsonTable = serde_json::from_str(text).map_err(located)?;
    if let Some(other) = table.table.filter(|name| name != expect.table) {
        let what = format!("holds a {other} table, and {} is wanted", expect.table);
        return Err(Problem::in_file(path, what).with_hint(format!("say --table {other}")).into());
    }
    if let Some(other) = table.load_axis.filter(|axis| *axis != expect.load_axis) {
        let what =
            format!("its load axis is {}, and bike.yaml says {}", other.name(), expect.load_axis.name());
        return Err(Problem::in_file(path, what).into());
    }
    let (rows, axes) = match (table.rpm, table.load) {
        (Some(rpm), Some(load)) => {
            let said = table.rows.or(expect.rows);
            let shape = [table.cells.len(), table.cells.first().map_or(0, Vec::len)];
            let fits = [shape == [rpm.len(), load.len()], shape == [load.len(), rpm.len()]];
            let rows = match (said, fits) {
                (Some(said), _) => said,
                (None, [true, false]) => Rows::Rpm,
                (None, [false, true]) => Rows::Load,
                (None, [true, true]) => {
                    let what = "its rows may be engine speeds or loads: nothing in the file tells which";
                    return Err(Problem::in_file(path, what)
                        .with_hint("write \"rows\": \"rpm\" or \"load\" into it, or say --rows")
                        .into());
                }
                (None, [false, false]) => Rows::Rpm,
            };
            let axes = if rows == Rows::Rpm { [rpm, load] } else { [load, rpm] };
            (Some(rows), Some(axes.map(plain)))
        }
        (None, None) => (table.rows, None),
        _ => return Err(Problem::in_file(path, "needs both `rpm` and `load`, or neither").into()),
    };
    let cells: Vec<Vec<Found>> = table.cells.into_iter().map(plain).collect();
    if let (Some(rows), None, Some(today)) = (rows, &axes, expect.today) {
        let (rpms, loads) = (today.grid.rpm.len(), today.grid.load.len());
        let wanted = if rows == Rows::Rpm { [rpms, loads] } else { [loads, rpms] };
        let shape = [cells.len(), cells.first().map_or(0, Vec::len)];
        if shape != wanted {
            let what = format!(
                "holds {} rows of {} cells, and today's table has {} of {}",
                shape[0], shape[1], wanted[0], wanted[1]
            );
            return Err(Problem::in_file(path, what).into());
        }
    }
    Ok(FoundGrid { cells, rows, axes })
}
