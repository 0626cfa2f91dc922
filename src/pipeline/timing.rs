//! Whether a log's lambda belongs to the engine's present at all.
//!
//! Channels that are not of the same instant, or a sensor that reads something
//! else, make a wrong map with small error bars. The reading is tried at other
//! times than a sensor's: there it must fit the ride less well.

use super::readings::Readings;
use super::response::{Course, Following};
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
    let shows_s: Vec<f64> = some.iter().map(|speaker| course.shows_at_s(speaker.row, &usual)).collect();
    let predicted: Vec<f64> = shows_s.iter().map(|at_s| predicted.at(*at_s, course.gap_s())).collect();
    let later_s: Vec<f64> = [&NEAR_S[..], &FAR_S, &ELSEWHERE_S].concat();
    let mut misses = vec![[f64::NAN; LOOKS]; some.len()];
    for (look, later_s) in later_s.iter().enumerate() {
        for ((misses, shows_s), predicted) in misses.iter_mut().zip(&shows_s).zip(&predicted) {
            let miss = readings.at(shows_s + later_s, course.gap_s()) / predicted - 1.0;
            misses[look] = miss.clamp(-CLIPPED_MISS, CLIPPED_MISS);
        }
    }
    let left = unexplained(grid, &some, &misses);
    let least = |times: &[f64]| {
        let of_time = |t: &f64| left[later_s.iter().position(|later_s| later_s == t)?];
        let each = times.iter().filter_map(|t| Some((of_time(t)?, *t)));
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

/// How often the reading is looked at.
const LOOKS: usize = NEAR_S.len() + FAR_S.len() + ELSEWHERE_S.len();
/// Rows that have a reading at all times are looked at alone while they are at least
/// this share of those that have it at one. Common practice, no source.
const MOST: f64 = 0.8;

/// The root mean square of what no table explains of each look's misses; `None` where
/// too few rows have a reading.
fn unexplained(grid: &Grid, some: &[&Speaker], misses: &[[f64; LOOKS]]) -> [Option<f64>; LOOKS] {
    let with_all = misses.iter().filter(|m| m.iter().all(|m| m.is_finite())).count() as f64;
    let with = |look: usize| misses.iter().filter(|m| m[look].is_finite()).count() as f64;
    if (0..LOOKS).all(|look| with_all >= MOST * with(look)) {
        return root_mean_squares(grid, some, misses).map_or([None; LOOKS], |left| left.map(Some));
    }
    std::array::from_fn(|look| {
        let alone: Vec<[f64; 1]> = misses.iter().map(|m| [m[look]]).collect();
        root_mean_squares(grid, some, &alone).map(|[left]| left)
    })
}

fn root_mean_squares<const K: usize>(
    grid: &Grid,
    some: &[&Speaker],
    misses: &[[f64; K]],
) -> Option<[f64; K]> {
    let is_there = |misses: &[f64; K]| f64::from(u8::from(misses.iter().all(|m| m.is_finite())));
    let there: Vec<f64> = misses.iter().map(is_there).collect();
    let known: Vec<[f64; K]> =
        misses.iter().map(|misses| misses.map(|m| if m.is_finite() { m } else { 0.0 })).collect();
    let left = without_table(grid, some, &there, &known)?;
    let mut squares = [0.0; K];
    for (left, there) in left.iter().zip(&there) {
        for (square, left) in squares.iter_mut().zip(left) {
            *square += there * left * left;
        }
    }
    let rows: f64 = there.iter().sum();
    (rows >= FEWEST_ROWS as f64 / 4.0).then(|| squares.map(|square| (square / rows).sqrt()))
}
