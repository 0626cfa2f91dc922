//! The delay from cylinder to logged lambda, found from the ride itself.
//!
//! A ride's rows enter, before any of them is dropped for its lambda; engine
//! cycles, pipe volume and sensor lag leave, with their uncertainty. While the
//! engine moves from cell to cell, the wrong delay puts the error of one cell on
//! another: the right one leaves the least that no table explains.

use super::lively::Lively;
use super::readings::Readings;
use super::response::{Course, Following};
use super::ridden::RiddenRows;
use super::rows::{RideContext, Rows, hold};
use super::stages::TEMP_LASTS_S;
use super::timing::{Timing, timing_of};
use super::unexplained::{FEWEST_ROWS, Speaker, without_table};
use crate::bike::FixedDelay;
use crate::evidence::{Banded, MAD_TO_SD, huber_weight, lower_median};
use crate::ride::Channel;
use crate::table::Grid;
use crate::units;
use serde::{Deserialize, Serialize};

/// A delay found from a ride.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FoundDelay {
    /// The delay that serves.
    pub delay: FixedDelay,
    /// Standard error of each of its parts.
    pub std_error: FixedDelay,
    /// Seconds from cylinder to reading at the ride's usual operating point.
    pub typical_s: f64,
    /// Standard error of that.
    pub typical_std_error_s: f64,
    /// The ride had too few transients to say more than is usual.
    pub usual_kept: bool,
    /// Why the finding should be doubted.
    pub doubt: Option<String>,
    /// The ride's lambda cannot be brought to its operating points at all.
    pub grave: bool,
    /// The ride's usual operating point.
    pub usual_point: DelayPoint,
    /// Covariance of cycles, volume and lag.
    pub covariance: [[f64; 3]; 3],
}

/// What an operating point makes of a delay's parts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DelayPoint {
    /// Time of one engine cycle, s.
    pub cycle_s: f64,
    /// Time through each cm³ of pipe, s.
    pub s_per_ml: f64,
}

impl DelayPoint {
    /// Seconds from cylinder to reading here.
    pub fn delay_s(&self, delay: &FixedDelay) -> f64 {
        delay.cycles * self.cycle_s + delay.transport_ml * self.s_per_ml + delay.lag_s
    }
}

impl FoundDelay {
    /// Variance of the delay at an operating point, s²: of what this ride tells,
    /// without what the model leaves out for all rides alike.
    pub fn variance_at(&self, point: &DelayPoint) -> f64 {
        variance_of(&self.covariance, point)
    }
}

/// The delay is linear in its parts, so its variance is that of a sum.
fn variance_of(covariance: &[[f64; 3]; 3], point: &DelayPoint) -> f64 {
    let slopes = [point.cycle_s, point.s_per_ml, 1.0];
    let row = |i: usize| (0..3).map(|j| slopes[i] * covariance[i][j] * slopes[j]).sum::<f64>();
    (0..3).map(row).sum()
}

/// How far bikes lie from the usual delay. Common practice, no source.
const USUAL_SPREAD: FixedDelay = FixedDelay { cycles: 0.5, transport_ml: 400.0, lag_s: 0.03 };
/// How far they lie from the usual film and filling, fitted alongside so that
/// they are not taken for delay. Common practice, no source.
const FILM_SHARE_SPREAD: f64 = 0.08;
const FILLING_CYCLES_SPREAD: f64 = 0.5;
/// Cycles, volume, lag, film and filling.
const UNKNOWNS: usize = 5;
/// Spread of one independent reading about the fit, as a ratio.
const READING_SPREAD: f64 = 0.012;
/// The residuals of one transient belong together: one independent value in this
/// time, s. Measured on virtual bikes, whose rides then agree within their errors.
const MEMORY_S: f64 = 2.0;
/// What the response leaves out (metering once a cycle, rows that are not
/// instants) shifts the delay by about this much, s. Measured on virtual bikes.
pub(super) const MODEL_S: f64 = 0.015;
/// Noise of the reading is averaged over this time to each side before the error
/// bars are worked out; a transient lasts longer. Common practice, no source.
const NOISE_S: f64 = 0.15;
/// How far aside the slopes are taken, as a share of the usual spread: wide at
/// first, since a step of the hand is a cliff to a narrow look.
const REACHES: [f64; 7] = [3.0, 1.5, 0.8, 0.4, 0.2, 0.1, 0.05];
/// A step smaller than this share of the usual spread ends the search.
const SMALL_STEP: f64 = 0.02;
/// Rows in transients carry the estimate and fit badly until it is right: they
/// lose weight only far out, in robust standard deviations.
const OUTLIER_K: f64 = 4.0;
const ROBUST_PASSES: usize = 2;
/// A larger miss than this is not a matter of delay.
const LARGEST_MISS: f64 = 0.5;
/// Rows around a fuel cut say more about the film than about the delay, s.
const BEFORE_CUT_S: f64 = 0.2;
const AFTER_CUT_S: f64 = 0.5;
/// Film and filling start in balance at a stretch and must first find their state.
const FIND_STATE_S: f64 = 1.5;
/// Below this gain over what is usual the ride says nothing of its own.
const WORTH_SAYING: f64 = 0.5;
/// A longer lag, or more pipe, than any sound installation has. Common practice, no source.
const SLOW_SENSOR_S: f64 = 0.2;
const FAR_PROBE_ML: f64 = 3500.0;

/// Finds the delay by Gauss-Newton steps from the usual one, with the table
/// projected out and the usual values as a prior.
///
/// # Source
/// Separable least squares (variable projection): Golub and Pereyra, SIAM J.
/// Numer. Anal. 10 (1973), from memory. Checked against scipy in `tests/reference`.
pub(super) fn estimate_delay(rows: &Rows<'_>, context: &RideContext<'_>, course: &Course<'_>) -> FoundDelay {
    let usual = FixedDelay::USUAL;
    let prior_at = pack(&usual, &Following::default());
    let readings = Readings::new(rows.time_s(), rows.lambda());
    let mut at = prior_at;
    let temp = rows.held(Channel::EngineTempC, TEMP_LASTS_S).filter(|t| t.iter().any(|t| !t.is_nan()));
    let is_warm = |i: usize| temp.as_ref().is_none_or(|t| t[i] >= context.bike.warm.engine_temp_c);
    let lively = Lively::of(rows, course, is_warm);
    let whole = course;
    let course = &course.within(&lively.rows, &lively.mask);
    let ridden = rows.ridden(context);
    let grid = &ridden.most_ridden().fuel.grid;
    let speakers = choose(rows, (context, &ridden), (whole, course), &lively, &readings, is_warm);
    let timing = match speakers.len() < FEWEST_ROWS {
        true => Timing::Silent,
        false => timing_of(course, &readings, grid, &speakers),
    };
    // What the last step saw, and from where.
    let mut last = None;
    let steps = if matches!(timing, Timing::Usual) { &REACHES[..] } else { &[] };
    for (step, reach) in steps.iter().enumerate() {
        let columns = misses_and_slopes(course, &readings, &speakers, &at, *reach);
        let Some((delta, _)) = step_of(grid, &speakers, &columns, &at, &prior_at) else { break };
        let before = at;
        for k in 0..UNKNOWNS {
            at[k] = (at[k] + delta[k].clamp(-4.0 * spread(k), 4.0 * spread(k))).max(0.0);
        }
        last = Some((columns, before));
        if step > 4 && (0..UNKNOWNS).all(|k| (at[k] - before[k]).abs() < SMALL_STEP * spread(k)) {
            break;
        }
    }
    let quiet = last.and_then(|(columns, before)| {
        let quiet = smoothed(&columns, &speakers, rows.interval_s());
        step_of(grid, &speakers, &quiet, &before, &prior_at)
    });
    let inverse = quiet.map_or_else(prior_inverse, |(_, covariance)| covariance);
    let found = report(whole, rows, &at, &inverse, &usual);
    match timing {
        Timing::Wrong(why) => FoundDelay { doubt: Some(why), grave: true, ..found },
        Timing::Usual | Timing::Silent => found,
    }
}

fn pack(delay: &FixedDelay, following: &Following) -> [f64; UNKNOWNS] {
    [delay.cycles, delay.transport_ml, delay.lag_s, following.film_share, following.filling_cycles]
}

fn unpack(at: &[f64; UNKNOWNS]) -> (FixedDelay, Following) {
    let delay = FixedDelay { cycles: at[0], transport_ml: at[1], lag_s: at[2] };
    (delay, Following { film_share: at[3].min(0.9), filling_cycles: at[4], ..Following::default() })
}

fn spread(k: usize) -> f64 {
    let all = pack(
        &USUAL_SPREAD,
        &Following { film_share: FILM_SHARE_SPREAD, filling_cycles: FILLING_CYCLES_SPREAD, film_s: 0.0 },
    );
    all[k]
}

fn prior_inverse() -> Vec<Vec<f64>> {
    let row = |i: usize| (0..UNKNOWNS).map(|j| if i == j { spread(i).powi(2) } else { 0.0 }).collect();
    (0..UNKNOWNS).map(row).collect()
}

/// A column for the miss and one for its slope against each unknown.
const COLUMNS: usize = UNKNOWNS + 1;

/// What the speakers read under a delay: when each shows, and what was measured then.
fn measured(
    course: &Course<'_>,
    readings: &Readings,
    delay: &FixedDelay,
    speakers: &[Speaker],
) -> Vec<(f64, f64)> {
    let measured = |speaker: &Speaker| {
        let shows_s = course.shows_at_s(speaker.row, delay);
        (shows_s, readings.at(shows_s, course.gap_s()))
    };
    speakers.iter().map(measured).collect()
}

/// Measured over predicted reading at each speaker's own time, less one; NaN where unknown.
fn misses(course: &Course<'_>, measured: &[(f64, f64)], lambda: &[f64], delay: &FixedDelay) -> Vec<f64> {
    let predicted = Readings::new(course.time_s(), &course.reading(lambda, delay));
    let miss = |(shows_s, read): &(f64, f64)| read / predicted.at(*shows_s, course.gap_s()) - 1.0;
    measured.iter().map(miss).collect()
}

/// The misses where the search stands, and their slopes over `reach` of the usual spreads.
fn misses_and_slopes(
    course: &Course<'_>,
    readings: &Readings,
    speakers: &[Speaker],
    at: &[f64; UNKNOWNS],
    reach: f64,
) -> Vec<[f64; COLUMNS]> {
    let (delay, following) = unpack(at);
    let lambda = course.cylinder_lambda(&following);
    let here = measured(course, readings, &delay, speakers);
    let miss = misses(course, &here, &lambda, &delay);
    let mut columns: Vec<[f64; COLUMNS]> = vec![[0.0; COLUMNS]; speakers.len()];
    for (columns, miss) in columns.iter_mut().zip(&miss) {
        columns[0] = *miss;
    }
    for k in 0..UNKNOWNS {
        let h = spread(k) * reach;
        let mut aside = at.to_owned();
        aside[k] += h;
        let (delay_aside, following_aside) = unpack(&aside);
        // Delay and lag do not touch what is in the cylinders, nor these what is measured.
        let there = match following_aside == following {
            true => {
                let measured = measured(course, readings, &delay_aside, speakers);
                misses(course, &measured, &lambda, &delay_aside)
            }
            false => misses(course, &here, &course.cylinder_lambda(&following_aside), &delay),
        };
        for ((columns, there), miss) in columns.iter_mut().zip(&there).zip(&miss) {
            columns[k + 1] = (there - miss) / h;
        }
    }
    columns
}

/// Rows of a warm, fuelled engine whose reading the sensor can tell at the usual delay.
///
/// Of several slots the one that was ridden most speaks: its table is projected out.
/// A speaker's row is that of the lively course.
fn choose(
    rows: &Rows<'_>,
    (context, ridden): (&RideContext<'_>, &RiddenRows<'_>),
    (whole, course): (&Course<'_>, &Course<'_>),
    lively: &Lively,
    readings: &Readings,
    is_warm: impl Fn(usize) -> bool,
) -> Vec<Speaker> {
    let cut = hold(rows.time_s(), whole.cut(), BEFORE_CUT_S, AFTER_CUT_S);
    let unknown: Vec<bool> =
        whole.air().iter().zip(&lively.mask).map(|(air, lively)| air.is_nan() || !lively).collect();
    let finding = hold(rows.time_s(), &unknown, 0.0, FIND_STATE_S);
    let [low, high] = context.bike.lambda_sensor.valid;
    let (delay, following) = (FixedDelay::USUAL, Following::default());
    let fuel = &ridden.most_ridden().fuel;
    let places = rows.places(&fuel.grid);
    let fuelled =
        |i: usize| rows.is_kept(i) && ridden.is_most_ridden(i) && is_warm(i) && !cut[i] && !finding[i];
    let mut speakers: Vec<Speaker> = lively
        .rows
        .iter()
        .enumerate()
        .filter(|(_, i)| fuelled(**i))
        .filter(|(row, _)| {
            (low..=high).contains(&readings.at(course.shows_at_s(*row, &delay), course.gap_s()))
        })
        .map(|(row, i)| {
            let corners = places[*i].corners();
            let amount = |cell: usize| context.bike.controller.fuel_table.amount(fuel.values[cell]);
            let parts = corners.cells.map(amount);
            let whole: f64 = parts.iter().zip(corners.weights).map(|(p, w)| p * w).sum();
            let mut shares = [0.0; 4];
            for k in 0..4 {
                shares[k] = corners.weights[k] * parts[k] / whole;
            }
            Speaker { row, cells: corners.cells, shares, weight: 0.0 }
        })
        .filter(|speaker| speaker.shares.iter().all(|s| s.is_finite()))
        .collect();
    let measured = measured(course, readings, &delay, &speakers);
    let miss = misses(course, &measured, &course.cylinder_lambda(&following), &delay);
    let weight = rows.interval_s() / MEMORY_S / READING_SPREAD.powi(2);
    for (speaker, miss) in speakers.iter_mut().zip(&miss) {
        speaker.weight = if miss.abs() < LARGEST_MISS { weight } else { 0.0 };
    }
    speakers.retain(|speaker| speaker.weight > 0.0);
    speakers
}

/// The slopes over neighbouring rows, so that the noise of the reading, whose slope is
/// steep from row to row, is not counted as something the ride tells.
fn smoothed(columns: &[[f64; COLUMNS]], speakers: &[Speaker], interval_s: f64) -> Vec<[f64; COLUMNS]> {
    let reach = (NOISE_S / interval_s).round() as usize;
    let (mut first, mut end) = (0, 0);
    let mean = |(speaker, here): (&Speaker, &[f64; COLUMNS])| {
        while speakers[first].row + reach < speaker.row {
            first += 1;
        }
        while end < speakers.len() && speakers[end].row <= speaker.row + reach {
            end += 1;
        }
        let mut mean = [0.0; COLUMNS];
        for columns in &columns[first..end] {
            for (mean, column) in mean.iter_mut().zip(columns) {
                *mean += column;
            }
        }
        mean = mean.map(|sum| sum / (end - first) as f64);
        mean[0] = here[0];
        mean
    };
    speakers.iter().zip(columns).map(mean).collect()
}

/// One Gauss-Newton step, and the covariance of the unknowns.
fn step_of(
    grid: &Grid,
    speakers: &[Speaker],
    columns: &[[f64; COLUMNS]],
    at: &[f64; UNKNOWNS],
    prior_at: &[f64; UNKNOWNS],
) -> Option<([f64; UNKNOWNS], Vec<Vec<f64>>)> {
    let usable = |columns: &[f64; COLUMNS]| columns.iter().all(|column| column.is_finite());
    let mut robust: Vec<f64> = columns.iter().map(|c| f64::from(u8::from(usable(c)))).collect();
    let mut answer = None;
    for _ in 0..ROBUST_PASSES {
        let left = without_table(grid, speakers, &robust, columns)?;
        let mut products = [[0.0; COLUMNS]; COLUMNS];
        for ((speaker, robust), left) in speakers.iter().zip(&robust).zip(&left) {
            let w = speaker.weight * robust;
            if w == 0.0 {
                continue;
            }
            for (products, a) in products.iter_mut().zip(left) {
                for (product, b) in products.iter_mut().zip(left) {
                    *product += w * a * b;
                }
            }
        }
        let mut matrix = Banded::zeros(UNKNOWNS, UNKNOWNS - 1);
        let mut right = vec![0.0; UNKNOWNS];
        for a in 0..UNKNOWNS {
            right[a] -= products[a + 1][0];
            for b in 0..=a {
                matrix.add(a, b, products[a + 1][b + 1]);
            }
        }
        for k in 0..UNKNOWNS {
            let information = spread(k).powi(-2);
            matrix.add(k, k, information);
            right[k] -= information * (at[k] - prior_at[k]);
        }
        let factor = matrix.factor()?;
        let delta = factor.solve(&right);
        let unit = |i: usize| (0..UNKNOWNS).map(|j| f64::from(u8::from(i == j))).collect::<Vec<f64>>();
        let covariance = (0..UNKNOWNS).map(|i| factor.solve(&unit(i))).collect();
        let residual =
            |left: &[f64; COLUMNS]| left[0] + (0..UNKNOWNS).map(|k| left[k + 1] * delta[k]).sum::<f64>();
        let residuals: Vec<f64> = left.iter().map(residual).collect();
        let counted = residuals.iter().zip(&robust).filter(|(_, weight)| **weight > 0.0);
        let mut sizes: Vec<f64> = counted.map(|(residual, _)| residual.abs()).collect();
        let scale = (lower_median(&mut sizes)? * MAD_TO_SD).max(READING_SPREAD);
        for (weight, residual) in robust.iter_mut().zip(&residuals).filter(|(w, _)| **w > 0.0) {
            *weight = huber_weight(residual / scale, OUTLIER_K);
        }
        let mut found = [0.0; UNKNOWNS];
        found.copy_from_slice(&delta);
        answer = Some((found, covariance));
    }
    answer
}

/// The finding with its error bars, and whether it should be doubted.
fn report(
    course: &Course<'_>,
    rows: &Rows<'_>,
    at: &[f64; UNKNOWNS],
    covariance: &[Vec<f64>],
    usual: &FixedDelay,
) -> FoundDelay {
    let (delay, _) = unpack(at);
    let mut delays: Vec<(f64, f64)> = (0..course.len())
        .filter(|i| rows.is_kept(*i))
        .map(|i| (course.delay_s(i, &delay), i as f64))
        .filter(|(d, _)| d.is_finite())
        .collect();
    let half = delays.len() / 2;
    let in_order = |a: &(f64, f64), b: &(f64, f64)| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1));
    let middle = (!delays.is_empty()).then(|| delays.select_nth_unstable_by(half, in_order).1.1 as usize);
    let none = FixedDelay { cycles: 0.0, transport_ml: 0.0, lag_s: 0.0 };
    let part = |only: FixedDelay| middle.map_or(f64::NAN, |row| course.delay_s(row, &only));
    let usual_point = DelayPoint {
        cycle_s: part(FixedDelay { cycles: 1.0, ..none }),
        s_per_ml: part(FixedDelay { transport_ml: 1.0, ..none }),
    };
    let upper = |all: &[Vec<f64>]| [0, 1, 2].map(|i| [0, 1, 2].map(|j| all[i][j]));
    let (covariance, before) = (upper(covariance), upper(&prior_inverse()));
    let (found, presumed) = (variance_of(&covariance, &usual_point), variance_of(&before, &usual_point));
    // A ride without a single running row is not worth saying either.
    let worth_saying = found < presumed * WORTH_SAYING * WORTH_SAYING;
    let usual_kept = !worth_saying;
    let doubt = if delay.lag_s > SLOW_SENSOR_S {
        Some(format!(
            "the sensor seems to lag by {} s; a sound one takes 0.05 to 0.1 s: it may be failing, or filtered by the logger",
            units::fixed(delay.lag_s, 2)
        ))
    } else if delay.transport_ml > FAR_PROBE_ML {
        Some(format!(
            "the gas seems to travel through {} cm³ of pipe: the sensor may sit far down the exhaust, or the log's channels are not of the same instant",
            units::fixed(delay.transport_ml, 0)
        ))
    } else {
        None
    };
    let error = |k: usize| covariance[k][k].max(0.0).sqrt();
    FoundDelay {
        typical_s: usual_point.delay_s(if usual_kept { usual } else { &delay }),
        delay: if usual_kept { *usual } else { delay },
        std_error: FixedDelay { cycles: error(0), transport_ml: error(1), lag_s: error(2) },
        typical_std_error_s: (found + MODEL_S * MODEL_S).sqrt(),
        doubt: doubt.filter(|_| !usual_kept),
        grave: false,
        usual_kept,
        usual_point,
        covariance,
    }
}

#[cfg(test)]
mod tests {
    use super::super::rows::tests::ride;
    use super::super::stages::tests::bike;
    use super::*;
    use crate::ride::Ride;

    /// A ride whose map is off by a factor that changes from cell to cell, read through `delay`.
    fn ridden(delay: &FixedDelay, n: usize, moves: bool) -> Ride {
        let t = |i: usize| i as f64 * 0.05;
        let swing = |i: usize, period: f64| if moves { (t(i) / period).sin() } else { 0.0 };
        let rpm: Vec<f64> =
            (0..n).map(|i| (3500.0 + 1500.0 * swing(i, 1.7) * swing(i, 23.0)).round()).collect();
        // The hand moves in steps, now wide and now small.
        let step = |i: usize| if moves && (i / 37).is_multiple_of(2) { 1.0 } else { -1.0 };
        let throttle: Vec<f64> =
            (0..n).map(|i| (20.0 + step(i) * (8.0 + 6.0 * swing(i, 11.0))).round()).collect();
        let plain = |lambda: Vec<f64>| {
            ride(&[
                (Channel::Rpm, rpm.clone()),
                (Channel::ThrottlePct, throttle.clone()),
                (Channel::Lambda, lambda),
                (Channel::LambdaTarget, vec![1.0; n]),
            ])
        };
        let log = plain(vec![1.0; n]);
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let rows = Rows::new(&log, bike.controller.load).expect("channels");
        let course = Course::new(&rows, &context, 627.0, 400.0);
        let error = |i: usize| 1.0 + 0.06 * ((rpm[i] / 500.0).sin() + (throttle[i] / 6.0).cos());
        let made = course.cylinder_lambda(&Following::default());
        let made: Vec<f64> = made.iter().enumerate().map(|(i, l)| l * error(i)).collect();
        let noise = |i: usize| 0.004 * (i as f64 * 12.9898).sin();
        let read = course.reading(&made, delay);
        plain(read.iter().enumerate().map(|(i, l)| l + noise(i)).collect())
    }

    fn found(log: &Ride) -> FoundDelay {
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let rows = Rows::new(log, bike.controller.load).expect("channels");
        let course = Course::new(&rows, &context, 627.0, 400.0);
        estimate_delay(&rows, &context, &course)
    }

    /// The largest difference between two delays over a ride, s.
    fn apart(log: &Ride, a: &FixedDelay, b: &FixedDelay) -> f64 {
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let rows = Rows::new(log, bike.controller.load).expect("channels");
        let course = Course::new(&rows, &context, 627.0, 400.0);
        let each = (0..rows.len()).map(|i| (course.delay_s(i, a) - course.delay_s(i, b)).abs());
        each.fold(0.0, f64::max)
    }

    #[test]
    fn a_delay_is_found_back_from_the_ride_s_own_transients() {
        let truth = FixedDelay { cycles: 0.9, transport_ml: 1300.0, lag_s: 0.065 };
        let log = ridden(&truth, 12_000, true);
        let found = found(&log);
        assert!(!found.usual_kept && found.doubt.is_none(), "{found:?}");
        let (before, after) = (apart(&log, &FixedDelay::USUAL, &truth), apart(&log, &found.delay, &truth));
        assert!(after < 0.012 && after < before / 3.0, "{before} {after} {found:?}");
    }

    #[test]
    fn a_ride_without_transients_keeps_the_usual_delay() {
        let truth = FixedDelay { cycles: 0.9, transport_ml: 1300.0, lag_s: 0.065 };
        let steady = found(&ridden(&truth, 6000, false));
        assert!(steady.usual_kept, "{steady:?}");
        assert_eq!(steady.delay, FixedDelay::USUAL);
        let short = found(&ridden(&truth, 200, true));
        assert!(short.usual_kept, "{short:?}");
    }

    /// The same log with each lambda `rows` rows later.
    fn later(log: &Ride, rows: usize, scatter: bool) -> Ride {
        let values = |channel| log.values(channel).expect("channel").to_vec();
        let lambda = values(Channel::Lambda);
        let n = lambda.len();
        // 7919 is prime to the length: every reading once, none in its place.
        let from = |i: usize| if scatter { i * 7919 % n } else { i.saturating_sub(rows) };
        ride(&[
            (Channel::Rpm, values(Channel::Rpm)),
            (Channel::ThrottlePct, values(Channel::ThrottlePct)),
            (Channel::Lambda, (0..n).map(|i| lambda[from(i)]).collect()),
            (Channel::LambdaTarget, vec![1.0; n]),
        ])
    }

    #[test]
    fn a_log_whose_lambda_is_of_another_instant_or_of_none_is_gravely_doubted() {
        let log = ridden(&FixedDelay::USUAL, 12_000, true);
        assert!(!found(&log).grave);
        for rows in [10, 20, 30] {
            let late = found(&later(&log, rows, false));
            assert!(
                late.grave && late.doubt.as_ref().is_some_and(|d| d.contains("later")),
                "{rows}: {late:?}"
            );
        }
        let nowhere = found(&later(&log, 0, true));
        assert!(
            nowhere.grave && nowhere.doubt.as_ref().is_some_and(|d| d.contains("any delay")),
            "{nowhere:?}"
        );
    }

    #[test]
    fn honest_virtual_rides_are_not_doubted_gravely() {
        use crate::virtual_bike::{Ambient, BikeSpec, Character, RideRequest, RideStyle, VirtualBike};
        let (bike, tables) = bike();
        for seed in 1..7u64 {
            let twin = VirtualBike { spec: BikeSpec::of(&bike), character: Character::from_seed(seed) };
            let style = if seed % 2 == 0 { RideStyle::Spirited } else { RideStyle::Road };
            let request = RideRequest {
                seed,
                minutes: 15.0,
                rate_hz: 20.0,
                cold_start: false,
                ambient: Ambient::reference(),
                style,
            };
            let log = twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request);
            let log = Ride::read(
                std::path::Path::new("ride.csv"),
                log.to_csv(None).as_bytes(),
                &crate::ride::Loggers::none(),
            )
            .expect("a ride");
            let found = found(&log);
            assert!(!found.grave, "{seed}: {found:?}");
        }
    }

    #[test]
    fn noise_is_not_taken_for_a_delay() {
        let n = 6000;
        let noise = |i: usize| {
            ((i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40) as f64 / f64::from(1 << 24) - 0.5
        };
        let idle = ride(&[
            (Channel::Rpm, (0..n).map(|i| 1250.0 + 20.0 * noise(3 * i + 1)).collect()),
            (Channel::ThrottlePct, vec![2.0; n]),
            (Channel::Lambda, (0..n).map(|i| 0.97 + 0.04 * noise(i)).collect()),
            (Channel::LambdaTarget, vec![1.0; n]),
        ]);
        let found = found(&idle);
        assert!(found.usual_kept && !found.grave, "{found:?}");
    }

    #[test]
    fn a_slow_sensor_and_a_far_probe_are_doubted() {
        let slow = found(&ridden(&FixedDelay { cycles: 1.5, transport_ml: 800.0, lag_s: 0.4 }, 12_000, true));
        assert!(slow.doubt.as_ref().is_some_and(|d| d.contains("lag")), "{slow:?}");
        let far =
            found(&ridden(&FixedDelay { cycles: 1.5, transport_ml: 6000.0, lag_s: 0.08 }, 12_000, true));
        assert!(far.doubt.as_ref().is_some_and(|d| d.contains("pipe")), "{far:?}");
    }
}
