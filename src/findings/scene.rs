//! One ride as the checks see it: which samples are of a running, warm, fuelled,
//! steady engine. The usual settings of the stages decide, whatever the pipeline.

use crate::bike::Bike;
use crate::pipeline::{RideContext, Rows, hold, on_known_slot, signs, stages};
use crate::ride::{Channel, Ride, median};

/// One ride and what its engine does.
#[derive(Debug)]
pub struct Scene<'a> {
    /// The log.
    pub ride: &'a Ride,
    /// The bike and the tables it was ridden on.
    pub context: &'a RideContext<'a>,
    /// Time, speed, load and lambda, as logged.
    pub rows: Rows<'a>,
    /// The engine turns.
    pub running: Vec<bool>,
    /// Fuel is cut: as the log says, or guessed from a closed throttle at speed.
    pub cut: Vec<bool>,
    /// The engine turns, and engine and sensor are warm.
    pub warm: Vec<bool>,
    /// Warm, and burning fuel for a while.
    pub fuelled: Vec<bool>,
    /// Fuelled, on a slot in question, and neither throttle nor speed moves much.
    pub steady: Vec<bool>,
}

/// Below this speed the engine is not running. Common practice, no source.
const RUNNING_RPM: f64 = 400.0;
/// Without a logged fuel cut a throttle closed this far above this speed is
/// taken for one, as the stage `overrun` does.
const CLOSED_THROTTLE_PCT: f64 = 1.5;
const OVERRUN_RPM: f64 = 2200.0;
/// Around a cut the sensor reads air that is still in the pipe. Common practice, no source.
const BEFORE_CUT_S: f64 = 0.3;
const AFTER_CUT_S: f64 = 2.0;
/// A slow channel's value stays good for this long. Common practice, no source.
pub(super) const SLOW_LASTS_S: f64 = 10.0;

impl<'a> Scene<'a> {
    /// `None` when the log lacks time, speed, load or lambda.
    pub fn new(ride: &'a Ride, context: &'a RideContext<'a>) -> Option<Self> {
        let load = context.bike.controller.load;
        let rows = Rows::new(ride, load)?;
        let running: Vec<bool> = rows.rpm().iter().map(|rpm| *rpm >= RUNNING_RPM).collect();
        let kept_by = |names: &[&str]| -> Option<Vec<bool>> {
            let mut rows = rows.as_read();
            for name in names {
                stages::usual_filter(name)?.apply(&mut rows, context);
            }
            Some((0..rows.len()).map(|i| rows.is_kept(i)).collect())
        };
        let warm = both(&running, &kept_by(&["warm"])?);
        let cut = signs::overrun(&rows, CLOSED_THROTTLE_PCT, OVERRUN_RPM, true);
        let near_cut = hold(rows.time_s(), &cut, BEFORE_CUT_S, AFTER_CUT_S);
        let fuelled: Vec<bool> = warm.iter().zip(&near_cut).map(|(warm, near)| *warm && !near).collect();
        let still = both(&fuelled, &kept_by(&["gear_shift", "transients"])?);
        let steady = both(&still, &on_known_slot(ride, context));
        Some(Self { ride, context, rows, running, cut, warm, fuelled, steady })
    }

    /// The bike.
    pub fn bike(&self) -> &'a Bike {
        self.context.bike
    }

    /// Time since the start, s.
    pub fn time_s(&self) -> &'a [f64] {
        self.rows.time_s()
    }

    /// How long a sample stands for, s.
    pub fn interval_s(&self) -> f64 {
        self.rows.interval_s()
    }

    /// How long the samples of a mask stand for, s.
    pub fn seconds(&self, mask: &[bool]) -> f64 {
        mask.iter().filter(|m| **m).count() as f64 * self.interval_s()
    }

    /// A channel with at least one value.
    pub fn channel(&self, channel: Channel) -> Option<&'a [f64]> {
        self.ride.values(channel).filter(|values| values.iter().any(|v| !v.is_nan()))
    }

    /// The values of a channel where a mask is set.
    pub fn values_where(&self, values: &[f64], mask: &[bool]) -> Vec<f64> {
        values.iter().zip(mask).filter(|(v, m)| **m && !v.is_nan()).map(|(v, _)| *v).collect()
    }
}

fn both(a: &[bool], b: &[bool]) -> Vec<bool> {
    a.iter().zip(b).map(|(a, b)| *a && *b).collect()
}

/// The stretches of a mask, as first and last row.
pub(super) fn stretches(mask: &[bool]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut start = None;
    for (i, set) in mask.iter().chain([&false]).enumerate() {
        match (set, start) {
            (true, None) => start = Some(i),
            (false, Some(first)) => {
                found.push((first, i - 1));
                start = None;
            }
            _ => {}
        }
    }
    found
}

/// The value below which a share of the values lies; `None` without values.
pub(super) fn percentile(values: &[f64], share: f64) -> Option<f64> {
    let mut there: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    let last = there.len().checked_sub(1)?;
    Some(*there.select_nth_unstable_by((last as f64 * share).round() as usize, f64::total_cmp).1)
}

/// The middle of the values; `None` without values.
pub(super) fn middle(values: &[f64]) -> Option<f64> {
    median(values)
}
