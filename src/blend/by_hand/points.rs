//! Where two tables differ, cell by cell, whatever their axes.

use super::{Blending, SLACK};
use crate::bike::{FuelTableKind, SlotTables};
use crate::table::{LoadAxis, Table};
use crate::units;

/// An operating point at which something changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub rpm: f64,
    pub load: f64,
    /// A cell of its table that has a say at high load.
    pub high_load: bool,
    pub before: f64,
    pub after: f64,
}

impl Point {
    /// The point for a person: where, old and new value.
    pub fn text(&self, axis: LoadAxis, decimals: usize) -> String {
        let value = |value: f64| units::fixed(value, decimals);
        let values = match self.before.is_nan() {
            true => value(self.after),
            false => format!("{}→{}", value(self.before), value(self.after)),
        };
        format!("{} rpm, {} {}: {values}", units::plain(self.rpm), units::plain(self.load), axis.unit())
    }
}

/// The cells that differ. Where the axes do too, both tables' breakpoints are
/// looked at, and what only came from rounding to the step does not count.
pub(super) fn compare(before: &Table, after: &Table, settings: &Blending) -> Vec<Point> {
    let same_axes = before.grid == after.grid;
    let rounding = if same_axes { 0.0 } else { after.resolution.step() / 2.0 + SLACK };
    let mut points = Vec::new();
    for table in if same_axes { vec![after] } else { vec![before, after] } {
        points.extend(places(table, settings).map(|(rpm, load, high_load)| Point {
            rpm,
            load,
            high_load,
            before: before.at(rpm, load),
            after: after.at(rpm, load),
        }));
    }
    points.retain(|p| (p.after - p.before).abs() > rounding);
    points
}

/// The fuel that the engine gets where the controller divides by the wanted lambda.
pub(super) fn fuel_amount(tables: &SlotTables, kind: FuelTableKind, rpm: f64, load: f64) -> f64 {
    kind.amount(tables.fuel.at(rpm, load)) / tables.mixture.at(rpm, load)
}

/// Where the engine gets another amount of fuel: the fuel table divided by the
/// wanted lambda, at the breakpoints of all four tables.
pub(super) fn delivered(
    before: &SlotTables,
    after: &SlotTables,
    kind: FuelTableKind,
    settings: &Blending,
) -> Vec<Point> {
    let amount = |tables: &SlotTables, rpm: f64, load: f64| fuel_amount(tables, kind, rpm, load);
    let mut tables = vec![&after.fuel];
    for table in [&before.fuel, &after.mixture, &before.mixture] {
        if !tables.iter().any(|other| other.grid == table.grid) {
            tables.push(table);
        }
    }
    let mut points = Vec::new();
    for table in tables {
        points.extend(places(table, settings).map(|(rpm, load, high_load)| Point {
            rpm,
            load,
            high_load,
            before: amount(before, rpm, load),
            after: amount(after, rpm, load),
        }));
    }
    points.retain(|p| p.before != p.after);
    points
}

/// A table's cells: where they lie, and whether they have a say at high load.
pub(super) fn places<'a>(
    table: &'a Table,
    settings: &'a Blending,
) -> impl Iterator<Item = (f64, f64, bool)> + 'a {
    (0..table.grid.cells()).map(move |cell| {
        let (rpm, load) = table.grid.point(cell);
        (rpm, load, settings.reaches_high_load(&table.grid, table.load_axis, cell))
    })
}
