//! Whether a log's lambda belongs to the engine's present at all.
//!
//! Channels that are not of the same instant, or a sensor that reads something
//! else, make a wrong map with small error bars. The reading is tried at other
//! times than a sensor's: there it must fit the ride less well.

use super::response::{Course, Following, Readings};
use super::unexplained::{FEWEST_ROWS, Speaker, without_table};
use crate::bike::FixedDelay;
use crate::table::Grid;
use crate::units;

/// How much later or sooner than usual the reading is tried, s, to tell a log whose
/// channels are not of the same instant.
const NEAR_S: [f64; 3] = [-0.1, 0.0, 0.1];
const FAR_S: [f64; 12] = [-0.6, -0.4, 0.5, 0.7, 0.9, 1.1, 1.3, 1.5, 1.75, 2.0, 2.5, 3.0];
/// Times at which the reading has nothing to do with the engine's present, s.
const ELSEWHERE_S: [f64; 4] = [-9.1, 7.3, 11.9, 17.7];
/// A far reading must leave so much less unexplained than a near one.
const FAR_IS_BETTER: f64 = 0.85;
/// A reading that leaves no less than this share of what one from elsewhere leaves
/// says nothing of the delay, and, from so much unexplained on, nothing of the engine.
const NO_BETTER: f64 = 0.95;
const UNEXPLAINED: f64 = 0.025;
/// Larger misses are counted as this; film after a cut is not the point here.
const CLIPPED_MISS: f64 = 0.1;

/// What the reading's time says of the log.
pub enum Timing {
    /// It may be what a sensor takes.
    Usual,
    /// The ride does not tell.
    Silent,
    /// The log cannot be right: why.
    Wrong(String),
}

/// Whether the reading fits the ride where a sensor can be, elsewhere, or nowhere.
pub fn timing_of(course: &Course<'_>, readings: &Readings, grid: &Grid, speakers: &[Speaker]) -> Timing {
    let usual = FixedDelay::USUAL;
    let predicted = course.reading(&course.cylinder_lambda(&Following::default()), &usual);
    let predicted = Readings::new(course.time_s(), &predicted);
    // Half of the rows will do.
    let some: Vec<&Speaker> = speakers.iter().step_by(2).collect();
    let left = |later_s: f64| {
        let miss = |speaker: &&Speaker| {
            let shows_s = course.shows_at_s(speaker.row, &usual);
            let read = readings.at(shows_s + later_s, course.gap_s());
            (read / predicted.at(shows_s, course.gap_s()) - 1.0).clamp(-CLIPPED_MISS, CLIPPED_MISS)
        };
        let misses: Vec<f64> = some.iter().map(miss).collect();
        let there: Vec<f64> = misses.iter().map(|m| f64::from(u8::from(m.is_finite()))).collect();
        let known: Vec<f64> = misses.iter().map(|m| if m.is_finite() { *m } else { 0.0 }).collect();
        let left = without_table(grid, &some, &there, &[&known])?;
        let squares: f64 = left[0].iter().zip(&there).map(|(l, t)| t * l * l).sum();
        let rows: f64 = there.iter().sum();
        (rows >= FEWEST_ROWS as f64 / 4.0).then(|| (squares / rows).sqrt())
    };
    let least = |times: &[f64]| {
        let each = times.iter().filter_map(|t| Some((left(*t)?, *t)));
        each.min_by(|a, b| a.0.total_cmp(&b.0))
    };
    let (Some((near, _)), Some((elsewhere, _))) = (least(&NEAR_S), least(&ELSEWHERE_S)) else {
        return Timing::Silent;
    };
    if let Some((far, later_s)) = least(&FAR_S)
        && far < FAR_IS_BETTER * near
        && far < NO_BETTER * elsewhere
    {
        return Timing::Wrong(format!(
            "lambda fits the engine best when it is read {} s {} than usual: the sensor sits far down the pipe, or the \
             channels of the log are not of the same instant",
            units::fixed(later_s.abs(), 1),
            if later_s > 0.0 { "later" } else { "sooner" }
        ));
    }
    if near < NO_BETTER * elsewhere {
        return Timing::Usual;
    }
    if near < UNEXPLAINED {
        return Timing::Silent;
    }
    Timing::Wrong(format!(
        "lambda does not follow the engine at any delay: {} % stay unexplained, no less than with readings of \
         another time",
        units::fixed(near * 100.0, 1)
    ))
}
