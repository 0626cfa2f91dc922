//! What of a ride's readings no table explains.
//!
//! Rows that speak and columns of numbers for them enter; what is left of the
//! columns when a smooth change of the ridden table is taken out leaves. The search
//! for the delay, and the look at a log's timing, both judge by it.

use crate::evidence::smoothness;
use crate::table::Grid;
use std::borrow::Borrow;

/// How far the table may be off, and bend, while the delay is sought, %.
const TABLE_CHANGE_PCT: f64 = 30.0;
const TABLE_BEND_PCT: f64 = 5.0;
/// Fewer rows than this cannot carry an estimate.
pub const FEWEST_ROWS: usize = 400;

/// One row that speaks.
pub struct Speaker {
    /// Its row.
    pub row: usize,
    /// The cells of its square.
    pub cells: [usize; 4],
    /// How much of its fuel each of them gives.
    pub shares: [f64; 4],
    /// Its information.
    pub weight: f64,
}

/// What a smooth change of the table cannot explain of each column.
///
/// Shape: one row a speaker, with its weight beside others in `robust`.
pub fn without_table<const K: usize, S: Borrow<Speaker>>(
    grid: &Grid,
    speakers: &[S],
    robust: &[f64],
    columns: &[[f64; K]],
) -> Option<Vec<[f64; K]>> {
    let (mut matrix, _) = smoothness(grid, TABLE_CHANGE_PCT, TABLE_BEND_PCT, &vec![1.0; grid.cells()]);
    let mut right = vec![[0.0; K]; grid.cells()];
    for ((speaker, robust), columns) in speakers.iter().zip(robust).zip(columns) {
        let speaker: &Speaker = speaker.borrow();
        let w = speaker.weight * robust;
        if w == 0.0 {
            continue;
        }
        for a in 0..4 {
            let weighted = w * speaker.shares[a];
            for b in 0..=a {
                matrix.add(speaker.cells[a], speaker.cells[b], weighted * speaker.shares[b]);
            }
            for (right, column) in right[speaker.cells[a]].iter_mut().zip(columns) {
                *right += weighted * column;
            }
        }
    }
    let change = matrix.factor()?.solve_together(right);
    let left = speakers.iter().zip(columns).map(|(speaker, columns)| {
        let speaker: &Speaker = speaker.borrow();
        let mut explained = [0.0; K];
        for (cell, share) in speaker.cells.iter().zip(speaker.shares) {
            for (explained, change) in explained.iter_mut().zip(&change[*cell]) {
                *explained += share * change;
            }
        }
        std::array::from_fn(|k| columns[k] - explained[k])
    });
    Some(left.collect())
}
