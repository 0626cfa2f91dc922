//! Table lookup against scipy.
//!
//! Source: `scipy.interpolate.RegularGridInterpolator(method="linear")`, the weights by interpolating
//! tables that are 1 in one cell and 0 elsewhere.

use crate::compare::{assert_close, read};
use rideloop::table::{Axis, Grid, LoadAxis, Resolution, Table};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Relative. Both sides do the same few operations in double precision, in another order.
const ROUNDING: f64 = 1e-12;

#[derive(Deserialize)]
struct Reference {
    grids: Vec<ReferenceGrid>,
}

#[derive(Deserialize)]
struct ReferenceGrid {
    name: String,
    rpm: Vec<f64>,
    load: Vec<f64>,
    values: Vec<Vec<f64>>,
    points: Vec<Point>,
    weights: Vec<Weighted>,
}

#[derive(Deserialize)]
struct Point {
    kind: String,
    rpm: f64,
    load: f64,
    expected: f64,
}

#[derive(Deserialize)]
struct Weighted {
    kind: String,
    rpm: f64,
    load: f64,
    cells: Vec<Cell>,
}

#[derive(Deserialize)]
struct Cell {
    row: usize,
    col: usize,
    weight: f64,
}

fn reference() -> Vec<ReferenceGrid> {
    read::<Reference>(include_str!("bilinear.json")).grids
}

fn table(grid: &ReferenceGrid) -> Table {
    let axis = |breakpoints: &[f64]| Axis::new(breakpoints.to_vec()).expect("ascending breakpoints");
    Table {
        grid: Grid { rpm: axis(&grid.rpm), load: axis(&grid.load) },
        load_axis: LoadAxis::ThrottlePct,
        resolution: Resolution::new(0.01).expect("a decimal step"),
        values: grid.values.concat(),
    }
}

#[test]
fn values_agree_inside_on_breakpoints_and_outside() {
    let mut seen = BTreeMap::new();
    for grid in reference() {
        let table = table(&grid);
        for point in &grid.points {
            let what = format!("{}, {} at {}/{}", grid.name, point.kind, point.rpm, point.load);
            assert_close(&what, table.at(point.rpm, point.load), point.expected, ROUNDING);
            *seen.entry(point.kind.clone()).or_insert(0) += 1;
        }
    }
    let wanted = [("inside", 120), ("on_breakpoint", 120), ("outside", 60)];
    assert_eq!(seen, BTreeMap::from(wanted.map(|(kind, n)| (kind.to_owned(), n))));
}

#[test]
fn the_same_cells_carry_the_same_weights() {
    let mut seen = 0;
    for grid in reference() {
        let axes = table(&grid).grid;
        for point in &grid.weights {
            let what = format!("{}, {} at {}/{}", grid.name, point.kind, point.rpm, point.load);
            let corners = axes.corners(point.rpm, point.load);
            let carrying =
                corners.cells.into_iter().zip(corners.weights).filter(|(_, weight)| *weight != 0.0);
            let got: BTreeMap<usize, f64> = carrying.collect();
            let want: BTreeMap<usize, f64> =
                point.cells.iter().map(|c| (axes.cell(c.row, c.col), c.weight)).collect();
            assert!(got.keys().eq(want.keys()), "{what}: cells {got:?}, reference {want:?}");
            for (cell, weight) in &want {
                assert_close(&format!("{what}, cell {cell}"), got[cell], *weight, ROUNDING);
            }
            seen += 1;
        }
    }
    assert_eq!(seen, 50);
}
