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
    /// The axes themselves changed; cells cannot be compared one by one.
    Axes,
}

impl TableDiff {
    /// Compares two tables.
    pub fn between(before: &Table, after: &Table) -> Self {
        if before.grid != after.grid || before.load_axis != after.load_axis {
            return TableDiff::Axes;
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
            TableDiff::Cells(cells) => cells.len(),
            TableDiff::Axes => 0,
        }
    }
}
