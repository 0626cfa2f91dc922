//! The part of a ride that tells of the delay: where the engine moves.

use super::response::Course;
use super::rows::{Rows, hold};

/// The liveliest stretches of a ride, up to so many rows, tell what the whole of
/// it would: the table is pinned by them as well, and time is saved.
const STRETCH_S: f64 = 10.0;
const MOST_ROWS: usize = 6000;

/// The stretches of a ride in which the wanted air changes most.
pub(super) struct Lively {
    /// Whether a row of the ride lies in one.
    pub mask: Vec<bool>,
    /// Their rows, and those just behind each, where their gas still shows.
    pub rows: Vec<usize>,
}

impl Lively {
    /// Of the rows of a ride that are kept and warm.
    pub fn of(rows: &Rows<'_>, course: &Course<'_>, is_warm: impl Fn(usize) -> bool) -> Self {
        let (time_s, air) = (course.time_s(), course.air());
        let mut stretches: Vec<(f64, usize, usize)> = Vec::new();
        let mut from = 0;
        for i in 0..rows.len() {
            let ends = i + 1 == rows.len() || time_s[i + 1] - time_s[from] >= STRETCH_S;
            if ends {
                let warm = (from + 1..=i).filter(|k| is_warm(*k) && rows.is_kept(*k));
                let steps = warm.map(|k| (air[k] / air[k - 1]).ln().abs()).filter(|s| s.is_finite());
                stretches.push((steps.sum(), from, i));
                from = i + 1;
            }
        }
        stretches.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let mut mask = vec![false; rows.len()];
        let mut taken = 0;
        for (_, from, to) in stretches {
            if taken + to - from + 1 > MOST_ROWS && taken > 0 {
                break;
            }
            taken += to - from + 1;
            mask[from..=to].fill(true);
        }
        let with_tails = hold(time_s, &mask, 0.0, course.gap_s());
        Self { rows: (0..rows.len()).filter(|i| with_tails[*i]).collect(), mask }
    }
}
