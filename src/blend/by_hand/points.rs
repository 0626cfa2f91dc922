//! Where tables differ, cell by cell, whatever their axes.

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

/// Where they differ: the cells, or, where the axes differ too, every place where a
/// breakpoint of either table crosses one of either. Between such places both tables
/// run straight along each axis, so they differ most at one of them. What only came
/// from rounding to the step does not count.
pub(super) fn compare(before: &Table, after: &Table, settings: &Blending) -> Vec<Point> {
    let rounding = rounding(before, after);
    let mut points: Vec<Point> = places(&[before, after], settings)
        .into_iter()
        .map(|(rpm, load, high_load)| Point {
            rpm,
            load,
            high_load,
            before: before.at(rpm, load),
            after: after.at(rpm, load),
        })
        .collect();
    points.retain(|p| (p.after - p.before).abs() > rounding);
    points
}

/// How far two tables may lie apart by rounding alone: other axes move values off the step.
pub(super) fn rounding(before: &Table, after: &Table) -> f64 {
    if before.grid == after.grid { 0.0 } else { after.resolution.step() / 2.0 + SLACK }
}

/// The fuel that the engine gets where the controller divides by the wanted lambda.
pub(super) fn fuel_amount(tables: &SlotTables, kind: FuelTableKind, rpm: f64, load: f64) -> f64 {
    kind.amount(tables.fuel.at(rpm, load)) / tables.mixture.at(rpm, load)
}

/// Where the engine gets another amount of fuel: the fuel table divided by the
/// wanted lambda, wherever breakpoints of the four tables cross.
pub(super) fn delivered(
    before: &SlotTables,
    after: &SlotTables,
    kind: FuelTableKind,
    settings: &Blending,
) -> Vec<Point> {
    let amount = |tables: &SlotTables, rpm: f64, load: f64| fuel_amount(tables, kind, rpm, load);
    let tables = [&after.fuel, &before.fuel, &after.mixture, &before.mixture];
    let mut points: Vec<Point> = places(&tables, settings)
        .into_iter()
        .map(|(rpm, load, high_load)| Point {
            rpm,
            load,
            high_load,
            before: amount(before, rpm, load),
            after: amount(after, rpm, load),
        })
        .collect();
    points.retain(|p| p.before != p.after);
    points
}

/// Every place where breakpoints of the tables cross, each once, and whether a cell
/// there has a say at high load.
pub(super) fn places(tables: &[&Table], settings: &Blending) -> Vec<(f64, f64, bool)> {
    let union = |axis: fn(&Table) -> &[f64]| {
        let mut all: Vec<f64> = tables.iter().flat_map(|t| axis(t)).copied().collect();
        all.sort_by(f64::total_cmp);
        all.dedup();
        all
    };
    let loads: Vec<(f64, bool)> = union(|t| t.grid.load.breakpoints())
        .into_iter()
        .map(|load| (load, tables.iter().any(|t| settings.load_reaches_high(&t.grid, t.load_axis, load))))
        .collect();
    let rpms = union(|t| t.grid.rpm.breakpoints());
    rpms.into_iter().flat_map(|rpm| loads.iter().map(move |(load, high)| (rpm, *load, *high))).collect()
}
