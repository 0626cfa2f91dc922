//! Signs in the channels that both stages and findings look for: a reading that
//! does not move, one at its end stop, an engine without fuel.

use super::rows::Rows;
use crate::ride::{Channel, Ride};

/// End stops lie outside this band; a long steady hold inside it is no rail.
/// Common practice, no source.
const NEVER_A_RAIL: std::ops::RangeInclusive<f64> = 0.75..=1.25;

/// A cut that is logged seldom stays known for this long. Common practice, no source.
const CUT_LASTS_S: f64 = 2.0;

/// The stretches of at least `long_s` whose readings stay within `span`, as first
/// and last row; rows without a reading do not end a stretch.
///
/// Shape: `time_s` strictly ascending, `values` of the same length.
/// Units: s, and those of the channel.
pub fn still_stretches(time_s: &[f64], values: &[f64], span: f64, long_s: f64) -> Vec<(usize, usize)> {
    let mut stretches = Vec::new();
    let mut close = |(first, last): (usize, usize)| {
        if time_s[last] - time_s[first] >= long_s {
            stretches.push((first, last));
        }
    };
    let mut open: Option<(usize, usize)> = None;
    let (mut low, mut high) = (f64::NAN, f64::NAN);
    for (i, value) in values.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
        (low, high) = (low.min(*value), high.max(*value));
        open = match open {
            // Two infinite readings are not the same reading.
            Some((first, _)) if high - low <= span && (high - low).is_finite() => Some((first, i)),
            before => {
                before.into_iter().for_each(&mut close);
                (low, high) = (*value, *value);
                Some((i, i))
            }
        };
    }
    open.into_iter().for_each(&mut close);
    stretches
}

/// The samples inside those stretches.
pub fn still_for(time_s: &[f64], values: &[f64], span: f64, long_s: f64) -> Vec<bool> {
    let mut still = vec![false; values.len()];
    for (first, last) in still_stretches(time_s, values, span, long_s) {
        still[first..=last].fill(true);
    }
    still
}

/// Lambda readings that stick for at least `long_s` at the ride's own lowest or
/// highest value, where that can be an end stop.
///
/// Shape: `time_s` strictly ascending, `sensor` of the same length.
pub fn railed(time_s: &[f64], sensor: &[f64], long_s: f64) -> Vec<bool> {
    let mut railed = vec![false; sensor.len()];
    let mut close = |(first, last): (usize, usize)| {
        if time_s[last] - time_s[first] >= long_s {
            for (railed, value) in railed[first..=last].iter_mut().zip(&sensor[first..=last]) {
                *railed = !value.is_nan();
            }
        }
    };
    for rail in ends(sensor).into_iter().filter(|v| !NEVER_A_RAIL.contains(v) && v.is_finite()) {
        // Rows without a reading do not end a stretch at the rail.
        let mut open: Option<(usize, usize)> = None;
        for (i, value) in sensor.iter().enumerate() {
            if *value == rail {
                open = Some((open.map_or(i, |(first, _)| first), i));
            } else if open.is_some() && !value.is_nan() {
                open.take().into_iter().for_each(&mut close);
            }
        }
        open.into_iter().for_each(&mut close);
    }
    railed
}

/// The lowest and highest reading of a ride.
fn ends(lambda: &[f64]) -> Vec<f64> {
    // The least and the largest of numbers pass over what is none.
    let (low, high) = lambda.iter().fold((f64::NAN, f64::NAN), |(low, high), v| (low.min(*v), high.max(*v)));
    [low, high].into_iter().filter(|v| !v.is_nan()).collect()
}

/// Where the log itself says whether fuel is cut; `None` when it never says.
pub fn logged_cut(rows: &Rows<'_>) -> Option<Vec<bool>> {
    let cut = rows.held(Channel::FuelCut, CUT_LASTS_S)?;
    let known = cut.iter().any(|v| !v.is_nan());
    known.then(|| cut.iter().map(|v| *v > 0.5).collect())
}

/// Where fuel is cut: as the log says, or else where the throttle is closed at speed.
///
/// With `believe_log` false a closed throttle at speed counts in any case.
///
/// Units: % and 1/min.
pub fn overrun(rows: &Rows<'_>, closed_throttle_pct: f64, overrun_rpm: f64, believe_log: bool) -> Vec<bool> {
    let cut = logged_cut(rows);
    let throttle = rows.channel(Channel::ThrottlePct);
    let guess = !believe_log || cut.is_none();
    let closed = |i: usize| guess && throttle.is_some_and(|t| t[i] <= closed_throttle_pct);
    (0..rows.len())
        .map(|i| cut.as_ref().is_some_and(|c| c[i]) || (closed(i) && rows.rpm()[i] >= overrun_rpm))
        .collect()
}

/// Where a slot is in use; everywhere when the log does not tell slots.
///
/// Where the log does not say, the slot it said last is still in use; before it
/// says anything, nobody knows.
pub fn on_slot(ride: &Ride, slot: &str) -> Vec<bool> {
    let Some(slots) = ride.slots() else { return vec![true; ride.samples()] };
    let mut in_use = None;
    let told = slots.map(|told| {
        in_use = told.or(in_use);
        in_use == Some(slot)
    });
    told.collect()
}
