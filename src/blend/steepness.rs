//! Keeps a cell from running away from its neighbours.
//!
//! What is compared is the movement since the build's first revision, not the
//! values: real maps are steep where throttles open, and that is no fault.

use super::Hold;
use super::propose::BlendInput;

/// Pulls cells back towards today until no neighbours have
/// moved apart by more than the limit, or by no more than they had before.
///
/// Ends because every pass shortens at least one change; a pair in which
/// neither cell can be pulled is no further apart than it is today.
pub(super) fn flatten(input: &BlendInput<'_>, steps: &mut [i64], held: &mut [Option<Hold>]) {
    let fuel = &input.today.fuel;
    let resolution = fuel.resolution;
    let today: Vec<i64> = fuel.values.iter().map(|v| resolution.steps(*v)).collect();
    let starts: Vec<f64> = (0..today.len())
        .map(|cell| {
            let (rpm, load) = fuel.grid.point(cell);
            input.kind.amount(input.start.at(rpm, load))
        })
        .collect();
    // A cell that held nothing at the start has moved by no measure: NaN, which is never too steep.
    let moved = |cell: usize, steps: i64| match starts[cell] > 0.0 {
        true => (input.kind.amount(resolution.value(steps)) / starts[cell]).ln(),
        false => f64::NAN,
    };
    let in_steps = |cell: usize, moved: f64| input.kind.cell(starts[cell] * moved.exp()) / resolution.step();
    let limit = input.settings.steepness_limit();
    let mut settled = false;
    while !settled {
        settled = true;
        for cell in 0..today.len() {
            for other in fuel.grid.neighbours(cell) {
                let apart = moved(cell, steps[cell]) - moved(other, steps[other]);
                let before = moved(cell, today[cell]) - moved(other, today[other]);
                let allowed = limit.max(before);
                let too_steep = apart > allowed + 1e-12;
                // Leaning is taken back before enriching is.
                let moves = if too_steep && steps[other] < today[other] {
                    let lowest = in_steps(other, moved(cell, steps[cell]) - allowed).ceil() as i64;
                    steps[other] = lowest.clamp(steps[other] + 1, today[other]);
                    other
                } else if too_steep && steps[cell] > today[cell] {
                    let highest = in_steps(cell, moved(other, steps[other]) + allowed).floor() as i64;
                    steps[cell] = highest.clamp(today[cell], steps[cell] - 1);
                    cell
                } else {
                    continue;
                };
                // An inferred cell stays marked as one.
                if held[moves] != Some(Hold::Inferred) {
                    held[moves] = Some(Hold::Steepness);
                }
                settled = false;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::propose::tests::{run_from, sure, tables};
    use super::super::{Blending, Hold};

    #[test]
    fn a_lone_cell_does_not_become_a_spike() {
        let today = tables(vec![50.0; 9]);
        let mut evidence = vec![None; 9];
        evidence[4] = Some(sure(60.0));
        let settings = Blending { steepness_pct: 4.0, ..Blending::default() };
        let proposal = run_from(&today, &today.fuel, &evidence, &settings);
        let cell = proposal.cells[4];
        assert_eq!((cell.after, cell.held_by), (52.0, Some(Hold::Steepness)));
    }

    #[test]
    fn neighbours_that_move_together_are_not_steep() {
        let today = tables(vec![50.0; 9]);
        let evidence = vec![Some(sure(54.0)); 9];
        let settings = Blending { steepness_pct: 0.1, ..Blending::default() };
        let proposal = run_from(&today, &today.fuel, &evidence, &settings);
        assert!(proposal.cells.iter().all(|c| c.after == 54.0));
    }

    #[test]
    fn a_map_that_is_already_steep_may_still_improve() {
        let mut values = vec![50.0; 9];
        values[3] = 60.0;
        let today = tables(values);
        let start = tables(vec![50.0; 9]).fuel;
        let mut evidence = vec![None; 9];
        evidence[3] = Some(sure(58.0));
        let settings = Blending { steepness_pct: 5.0, ..Blending::default() };
        let proposal = run_from(&today, &start, &evidence, &settings);
        assert_eq!(proposal.cells[3].after, 58.0);
    }
}
