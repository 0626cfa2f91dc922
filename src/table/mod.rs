//! Tables: axes, cells, interpolation, the file, the cell-level diff.
//!
//! Text of a table file enters, a [`Table`] with checked axes leaves; and back
//! again to the same bytes.

mod axis;
mod cell_lines;
mod diff;
mod draw;
mod exchange;
mod file;
mod grid;
mod resolution;

pub use axis::{Axis, AxisError};
pub use cell_lines::cell_lines;
pub use diff::{CellChange, TableDiff};
pub use draw::{CellMark, DrawnCell, LOCKED, Layout, draw_changes, draw_changes_among};
pub use exchange::{ExportLayout, Format, ImportExpectation, Imported, Rows, export, import};
pub use file::{parse, write};
pub use grid::{Corners, Grid, Place};
pub use resolution::Resolution;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the load axis of a bike's tables measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LoadAxis {
    /// Throttle opening in %.
    ThrottlePct,
    /// Absolute manifold pressure in kPa.
    MapKpa,
}

impl LoadAxis {
    /// The name in files: the channel that carries it.
    pub fn name(self) -> &'static str {
        match self {
            LoadAxis::ThrottlePct => "throttle_pct",
            LoadAxis::MapKpa => "map_kpa",
        }
    }

    /// The unit for people.
    pub fn unit(self) -> &'static str {
        match self {
            LoadAxis::ThrottlePct => "%",
            LoadAxis::MapKpa => "kPa",
        }
    }

    /// A load in a sentence: a percentage alone could be one of anything.
    pub fn named(self, load: f64) -> String {
        format!("{} {} {}", crate::units::plain(load), self.unit(), self.words())
    }

    /// What the axis is called in a sentence.
    pub fn words(self) -> &'static str {
        match self {
            LoadAxis::ThrottlePct => "throttle",
            LoadAxis::MapKpa => "manifold pressure",
        }
    }
}

/// A grid of cells over rpm and load.
///
/// Shape: `values` is row-major, `rpm × load`, one per cell.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// The axes.
    pub grid: Grid,
    /// What the load axis measures.
    pub load_axis: LoadAxis,
    /// The smallest step a cell can hold.
    pub resolution: Resolution,
    /// The cells.
    pub values: Vec<f64>,
}

impl Table {
    /// The value at an operating point: bilinear inside, clamped at the edges.
    ///
    /// Units: 1/min and the load axis' unit in, the cells' unit out.
    pub fn at(&self, rpm: f64, load: f64) -> f64 {
        self.value_of(&self.grid.corners(rpm, load))
    }

    /// The value at a place of a grid with this table's axes.
    pub fn at_place(&self, place: &Place) -> f64 {
        self.value_of(&place.corners())
    }

    fn value_of(&self, corners: &Corners) -> f64 {
        let parts = corners.cells.iter().zip(corners.weights);
        parts.map(|(&cell, weight)| self.values[cell] * weight).sum()
    }

    /// The value of one cell by its axis positions.
    pub fn cell(&self, rpm_index: usize, load_index: usize) -> f64 {
        self.values[self.grid.cell(rpm_index, load_index)]
    }
}
