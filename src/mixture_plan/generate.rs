//! The table that a plan asks for.
//!
//! Each cell begins with what its region wants, held below the ceiling of its place. Then the
//! table becomes the leanest one that is nowhere leaner than that and whose neighbours differ by at
//! most `lambda_per_cell` along either axis: each cell is the least, over all cells, of what those
//! want plus that slope times the number of steps to them (the lower Lipschitz envelope). So a
//! transition only ever makes cells richer. Last, from the load on at which power begins, no cell is
//! leaner than one with less load at the same speed.
//!
//! # Source
//! Envelope: McShane, Extension of range of functions, 1934 (from memory).

use super::keys::MixturePlan;
use super::limits::LEAN_LAMBDA_MAX;
use crate::blend::Blending;
use crate::table::{Grid, Table};
use crate::units;

/// A table made from a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct GeneratedMixture {
    /// The wanted lambda, on today's axes.
    pub table: Table,
    /// What is worth a look, in words.
    pub warnings: Vec<String>,
    /// What was done besides the regions, in words.
    pub notes: Vec<String>,
}

/// Lambda wanted where neither lean nor rich is asked for.
const STOICHIOMETRIC: f64 = 1.0;

/// Makes the table of a plan on the axes and in the steps of today's; `settings` says from where on
/// the load is high and how lean a target may be there.
pub fn generate(plan: &MixturePlan, today: &Table, settings: &Blending) -> GeneratedMixture {
    let grid = &today.grid;
    let cells = || 0..grid.cells();
    let wanted: Vec<f64> = cells().map(|cell| plan.wanted(grid.point(cell))).collect();
    let held: Vec<f64> = cells().map(|cell| wanted[cell].min(ceiling(plan, today, settings, cell))).collect();

    // In whole steps from here on, rounded to the rich side, so that every bound holds exactly.
    let step = today.resolution.step();
    let whole = |lambda: f64| (lambda / step + WHOLE_SLACK).floor() as i64;
    let per_cell = whole(plan.lambda_per_cell).max(1);
    let mut steps: Vec<i64> = held.iter().map(|lambda| whole(*lambda)).collect();
    envelope(&mut steps, grid, per_cell);
    never_leaner_with_load(&mut steps, grid, plan.power.from_load.range()[0]);

    let values: Vec<f64> = steps.iter().map(|steps| today.resolution.value(*steps)).collect();
    let (mut warnings, mut notes) = (plan.warnings.clone(), Vec::new());
    let is_high = |cell: &usize| settings.is_high_load(today.load_axis, grid.point(*cell).1);
    let lowered = cells().filter(|cell| wanted[*cell] - held[*cell] > step / 2.0);
    let (loaded, others): (Vec<usize>, Vec<usize>) = lowered.partition(is_high);
    let lean = others.iter().filter(|cell| wanted[**cell] > STOICHIOMETRIC).count();
    if lean > 0 {
        notes.push(format!(
            "{} of `economy` want{} no more than lambda 1: a neighbour lies beyond the limits of lean, and the \
             controller goes straight from cell to cell",
            units::counted(lean, "cell"),
            if lean == 1 { "s" } else { "" }
        ));
    }
    if !loaded.is_empty() {
        warnings.push(format!(
            "{} at high load would want more than lambda {}, since `power` begins so late: held there",
            units::counted(loaded.len(), "cell"),
            units::plain(settings.high_load_lambda_max)
        ));
    }
    // What lies above lambda 1 is told of already.
    let smoothed = cells().map(|cell| wanted[cell].min(STOICHIOMETRIC.max(held[cell])) - values[cell]);
    let smoothed: Vec<f64> = smoothed.filter(|by| *by > 1.5 * step).collect();
    if let Some(most) = smoothed.iter().copied().max_by(f64::total_cmp) {
        notes.push(format!(
            "{} {} richer than the region asks, by up to {}, for a smooth transition",
            units::counted(smoothed.len(), "cell"),
            if smoothed.len() == 1 { "is" } else { "are" },
            units::fixed(most, 3)
        ));
    }
    GeneratedMixture { table: Table { values, ..today.clone() }, warnings, notes }
}

/// So that a whole step is one, whatever binary fractions say.
const WHOLE_SLACK: f64 = 1e-6;

impl MixturePlan {
    /// What the regions want at an operating point, before ceilings and transitions.
    fn wanted(&self, (rpm, load): (f64, f64)) -> f64 {
        let below = match (self.economy, self.idle) {
            (_, idle) if rpm <= idle.rpm && load <= idle.load => idle.lambda,
            (Some(economy), _)
                if (economy.rpm[0]..=economy.rpm[1]).contains(&rpm)
                    && (economy.load[0]..=economy.load[1]).contains(&load) =>
            {
                economy.lambda
            }
            _ => self.cruise_lambda,
        };
        let (from, full) = (self.power.from_load.at(rpm), self.power.full_load.at(rpm));
        let share = ((load - from) / (full - from)).clamp(0.0, 1.0);
        below + (self.power.lambda.at(rpm) - below) * share
    }
}

/// The leanest lambda a cell may want.
///
/// The controller goes straight from cell to cell, so a cell is lean only where all cells around
/// it lie within the limits of lean, and a cell just below high load counts as high.
fn ceiling(plan: &MixturePlan, today: &Table, settings: &Blending, cell: usize) -> f64 {
    if reaches_high(today, settings, cell) {
        return settings.high_load_lambda_max.min(STOICHIOMETRIC);
    }
    let grid = &today.grid;
    let (i, j) = grid.position(cell);
    // Beyond the edges of the table its cells go on for ever.
    if i == 0 || i + 1 == grid.rpm.len() {
        return STOICHIOMETRIC;
    }
    let around = |at: usize, len: usize| [at.saturating_sub(1), at, (at + 1).min(len - 1)];
    let mut block = around(i, grid.rpm.len())
        .into_iter()
        .flat_map(|i| around(j, grid.load.len()).map(|j| grid.point(grid.cell(i, j))));
    match block.all(|(rpm, load)| plan.lean.contain(rpm, load)) {
        true => LEAN_LAMBDA_MAX,
        false => STOICHIOMETRIC,
    }
}

/// Whether a cell has a say at high load; the last load of a table goes on for ever.
fn reaches_high(today: &Table, settings: &Blending, cell: usize) -> bool {
    let (_, j) = today.grid.position(cell);
    j + 1 == today.grid.load.len() || settings.reaches_high_load(&today.grid, today.load_axis, cell)
}

/// Lowers cells until neighbours differ by at most `per_cell`: two sweeps along each axis, which
/// is the whole distance since it is counted along the axes.
fn envelope(steps: &mut [i64], grid: &Grid, per_cell: i64) {
    let (rows, columns) = (grid.rpm.len(), grid.load.len());
    let mut reach = |from: usize, to: usize| steps[to] = steps[to].min(steps[from] + per_cell);
    for i in 0..rows {
        (1..columns).for_each(|j| reach(grid.cell(i, j - 1), grid.cell(i, j)));
        (1..columns).rev().for_each(|j| reach(grid.cell(i, j), grid.cell(i, j - 1)));
    }
    for j in 0..columns {
        (1..rows).for_each(|i| reach(grid.cell(i - 1, j), grid.cell(i, j)));
        (1..rows).rev().for_each(|i| reach(grid.cell(i, j), grid.cell(i - 1, j)));
    }
}

/// From a load on, no cell is leaner than one with less load at the same speed. It begins at the
/// same load in every row, which keeps the slope between rows.
fn never_leaner_with_load(steps: &mut [i64], grid: &Grid, from_load: f64) {
    let first = grid.load.breakpoints().partition_point(|load| *load < from_load);
    for i in 0..grid.rpm.len() {
        for j in first + 1..grid.load.len() {
            steps[grid.cell(i, j)] = steps[grid.cell(i, j)].min(steps[grid.cell(i, j - 1)]);
        }
    }
}

#[cfg(test)]
mod tests;
