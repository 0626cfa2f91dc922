//! What changed between two tables, cell by cell.

use super::Table;
use serde::Serialize;

/// One cell that differs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct CellChange {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// The older value.
    pub before: f64,
    /// The newer value.
    pub after: f64,
}

/// The difference of two tables.
#[derive(Debug, Clone, PartialEq)]
pub enum TableDiff {
    /// Same axes: the cells that differ, in table order.
    Cells(Vec<CellChange>),
    /// The axes themselves changed: the newer table's cells that differ from the older
    /// table, read at the newer breakpoints and rounded to the newer step. None where
    /// the load axes are of another kind.
    Axes(Vec<CellChange>),
}

impl TableDiff {
    /// Compares two tables.
    pub fn between(before: &Table, after: &Table) -> Self {
        if before.load_axis != after.load_axis {
            return TableDiff::Axes(Vec::new());
        }
        if before.grid != after.grid {
            let cells = after.values.iter().enumerate().map(|(cell, new)| {
                let (rpm, load) = after.grid.point(cell);
                let old = after.resolution.snap(before.at(rpm, load));
                CellChange { rpm, load, before: old, after: *new }
            });
            // Half a step is rounding.
            let step = after.resolution.step();
            return TableDiff::Axes(cells.filter(|c| (c.after - c.before).abs() > step / 2.0).collect());
        }
        let pairs = before.values.iter().zip(&after.values).enumerate();
        let cells = pairs.filter(|(_, (old, new))| old != new).map(|(cell, (old, new))| {
            let (rpm, load) = before.grid.point(cell);
            CellChange { rpm, load, before: *old, after: *new }
        });
        TableDiff::Cells(cells.collect())
    }

    /// How many cells differ, as far as they can be compared.
    pub fn cells_changed(&self) -> usize {
        match self {
            TableDiff::Cells(cells) | TableDiff::Axes(cells) => cells.len(),
        }
    }
}
