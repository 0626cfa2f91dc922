//! The table that fits amounts of fuel best, in relative terms: plain weighted
//! least squares, apart from the estimators that the benchmark judges.
//!
//! Unknowns are the relative changes `c` of the cells against a centre; a row
//! says `Σ φ_j centre_j (1 + c_j) / required = 1`.

use rideloop::evidence::Banded;
use rideloop::table::Grid;

pub struct LeastSquares<'a> {
    grid: &'a Grid,
    centre: &'a [f64],
    ridge_s: f64,
    matrix: Banded,
    right: Vec<f64>,
}

pub struct Fit {
    /// Amount of fuel of each cell.
    pub amounts: Vec<f64>,
    /// Share of each cell's value that comes from the rows and not from the ridge:
    /// the diagonal of the resolution matrix. Right only without `smooth`.
    pub resolution: Vec<f64>,
}

impl<'a> LeastSquares<'a> {
    /// Every cell is held at its centre as if by `ridge_s` seconds of riding there.
    pub fn new(grid: &'a Grid, centre: &'a [f64], ridge_s: f64) -> Self {
        let mut matrix = Banded::zeros(grid.cells(), 2 * grid.load.len());
        for cell in 0..grid.cells() {
            matrix.add(cell, cell, ridge_s);
        }
        Self { grid, centre, ridge_s, matrix, right: vec![0.0; grid.cells()] }
    }

    /// Holds the change of every cell to the line between its neighbours' changes.
    pub fn smooth(&mut self, seconds: f64) {
        let (rows, columns) = (self.grid.rpm.len(), self.grid.load.len());
        let (rpm, load) = (self.grid.rpm.breakpoints(), self.grid.load.breakpoints());
        let mut bend = |cells: [usize; 3], at: &[f64]| {
            let share = (at[1] - at[0]) / (at[2] - at[0]);
            let row = [1.0 - share, -1.0, share];
            for a in 0..3 {
                for b in 0..=a {
                    self.matrix.add(cells[a], cells[b], seconds * row[a] * row[b]);
                }
            }
        };
        for i in 0..rows {
            for j in 0..columns {
                let at = |i: usize, j: usize| i * columns + j;
                if j + 2 < columns {
                    bend([at(i, j), at(i, j + 1), at(i, j + 2)], &load[j..j + 3]);
                }
                if i + 2 < rows {
                    bend([at(i, j), at(i + 1, j), at(i + 2, j)], &rpm[i..i + 3]);
                }
            }
        }
    }

    /// `seconds` of riding at a point that wants this amount.
    pub fn add(&mut self, rpm: f64, load: f64, required: f64, seconds: f64) {
        let corners = self.grid.corners(rpm, load);
        let row: [f64; 4] =
            std::array::from_fn(|k| corners.weights[k] * self.centre[corners.cells[k]] / required);
        let wanted = 1.0 - row.iter().sum::<f64>();
        for a in 0..4 {
            self.right[corners.cells[a]] += seconds * row[a] * wanted;
            for b in 0..=a {
                self.matrix.add(corners.cells[a], corners.cells[b], seconds * row[a] * row[b]);
            }
        }
    }

    pub fn solve(self) -> Fit {
        let factor = self.matrix.factor().expect("the ridge makes it positive definite");
        let change = factor.solve(&self.right);
        Fit {
            amounts: self.centre.iter().zip(change).map(|(centre, c)| centre * (1.0 + c)).collect(),
            resolution: factor.inverse_diagonal().iter().map(|v| 1.0 - self.ridge_s * v).collect(),
        }
    }
}
