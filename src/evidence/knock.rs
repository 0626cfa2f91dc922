//! Where it knocked: a ride's knock events → events near each cell of the spark table, and
//! from those of several rides the advance at which a cell knocks.

use crate::table::Grid;

/// A sample speaks for a cell from this bilinear weight on: the four weights sum to one, so that
/// at least one cell is named, and none that is far. Common practice, no source.
const NEAR_WEIGHT: f64 = 0.25;

/// Fewer events than this near a cell may be noise of the sensor. Common practice, no source.
pub const FEWEST_EVENTS: u32 = 2;

/// Events of knock near each cell.
///
/// Shape: one entry a cell of `grid`; `samples` are 1/min, load and events since the sample before.
/// Samples without a number, and those without an event, are passed over.
pub fn knock_near_cells(grid: &Grid, samples: impl Iterator<Item = (f64, f64, f64)>) -> Vec<f64> {
    let mut near = vec![0.0; grid.cells()];
    for (rpm, load, events) in samples {
        if !(rpm.is_finite() && load.is_finite() && events.is_finite() && events > 0.0) {
            continue;
        }
        let corners = grid.corners(rpm, load);
        for (cell, weight) in corners.cells.into_iter().zip(corners.weights) {
            if weight >= NEAR_WEIGHT {
                near[cell] += events;
            }
        }
    }
    near
}

/// The least advance at which a cell is known to knock: `fewest` events at it or below.
///
/// What knocks at less advance knocks at more, so that events at less count for more as well.
/// `None` where there are too few.
///
/// Units: pairs of degrees before top dead centre, as the cell held them when it was ridden, and
/// events there.
pub fn knocks_at_deg(mut heard: Vec<(f64, f64)>, fewest: f64) -> Option<f64> {
    heard.retain(|(_, events)| *events > 0.0);
    heard.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut events = 0.0;
    heard.into_iter().find_map(|(advance_deg, more)| {
        events += more;
        (events >= fewest).then_some(advance_deg)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::Axis;
    use proptest::prelude::*;

    fn grid() -> Grid {
        let axis = |points: &[f64]| Axis::new(points.to_vec()).expect("ascending");
        Grid { rpm: axis(&[2000.0, 4000.0, 6000.0]), load: axis(&[20.0, 60.0, 100.0]) }
    }

    #[test]
    fn events_name_the_cells_around_them_and_no_others() {
        let near = knock_near_cells(
            &grid(),
            [(4000.0, 100.0, 2.0), (5000.0, 100.0, 1.0), (f64::NAN, 60.0, 3.0), (2000.0, 20.0, 0.0)]
                .into_iter(),
        );
        assert_eq!(near, [0.0, 0.0, 0.0, 0.0, 0.0, 3.0, 0.0, 0.0, 1.0]);
    }

    #[test]
    fn a_cell_knocks_at_the_least_advance_with_enough_events() {
        assert_eq!(knocks_at_deg(vec![(30.0, 5.0), (28.0, 1.0)], 2.0), Some(30.0));
        assert_eq!(knocks_at_deg(vec![(30.0, 5.0), (28.0, 1.0)], 1.0), Some(28.0));
        assert_eq!(knocks_at_deg(vec![(30.0, 1.0), (28.0, 0.0)], 2.0), None);
    }

    proptest! {
        #[test]
        fn every_event_is_heard_by_one_to_four_cells(
            samples in prop::collection::vec((500.0..9000.0f64, -10.0..120.0f64, 0.0..4.0f64), 0..40),
        ) {
            let near: f64 = knock_near_cells(&grid(), samples.iter().copied()).iter().sum();
            let all: f64 = samples.iter().map(|(_, _, events)| events).sum();
            prop_assert!(near >= all - 1e-9 && near <= 4.0 * all + 1e-9);
        }
    }
}
