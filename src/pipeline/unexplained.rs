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
pub fn without_table<S: Borrow<Speaker>>(
    grid: &Grid,
    speakers: &[S],
    robust: &[f64],
    columns: &[&[f64]],
) -> Option<Vec<Vec<f64>>> {
    let (mut matrix, _) = smoothness(grid, TABLE_CHANGE_PCT, TABLE_BEND_PCT, &vec![1.0; grid.cells()]);
    let mut rights = vec![vec![0.0; grid.cells()]; columns.len()];
    for (s, speaker) in speakers.iter().enumerate() {
        let speaker: &Speaker = speaker.borrow();
        let w = speaker.weight * robust[s];
        if w == 0.0 {
            continue;
        }
        for a in 0..4 {
            let weighted = w * speaker.shares[a];
            for b in 0..=a {
                matrix.add(speaker.cells[a], speaker.cells[b], weighted * speaker.shares[b]);
            }
            for (right, column) in rights.iter_mut().zip(columns) {
                right[speaker.cells[a]] += weighted * column[s];
            }
        }
    }
    let factor = matrix.factor()?;
    let left = rights.iter().zip(columns).map(|(right, column)| {
        let change = factor.solve(right);
        let explained =
            |speaker: &Speaker| (0..4).map(|k| speaker.shares[k] * change[speaker.cells[k]]).sum::<f64>();
        speakers
            .iter()
            .zip(column.iter())
            .map(|(speaker, value)| value - explained(speaker.borrow()))
            .collect()
    });
    Some(left.collect())
}
