//! How often each channel is logged, and what fills it up in between.
//!
//! Chosen columns with the times of their rows enter; `rows_of` and `sparse` of the mapping leave.

use super::super::mapping::Sparse;
use super::column::Column;
use crate::ride::Channel;
use std::collections::BTreeMap;

/// What the mapping says of channels that are logged less often than there are rows.
#[derive(Debug, Default)]
pub(super) struct Rhythm {
    pub rows_of: Option<Channel>,
    pub sparse: Option<Sparse>,
    /// What deviates from `sparse`.
    pub own: BTreeMap<Channel, Sparse>,
    pub reasons: Vec<String>,
}

/// What moves with the hand on the throttle is not drawn over longer gaps, s. Common practice, no source.
const LONGEST_OF_FAST_S: f64 = 1.0;
/// Temperatures and air pressure move slowly, s. Common practice, no source.
const LONGEST_OF_SLOW_S: f64 = 60.0;
/// With fewer rows than this share a channel is logged less often than there are rows.
const DENSE: f64 = 0.8;

fn is_fast(channel: Channel) -> bool {
    use Channel::{Lambda, Lambda2, LambdaTarget, MapKpa, PulseWidthMs, Rpm, SparkDeg, ThrottlePct, TrimPct};
    matches!(
        channel,
        Rpm | ThrottlePct | MapKpa | Lambda | Lambda2 | LambdaTarget | TrimPct | PulseWidthMs | SparkDeg
    )
}

/// Finds the rhythm of the chosen columns.
pub(super) fn find(chosen: &[(Channel, Vec<&Column>)], times: &[f64], is_long: bool) -> Rhythm {
    let seldom: Vec<(Channel, f64)> = chosen
        .iter()
        .filter_map(|(channel, columns)| {
            let column = columns.first()?;
            (is_long || share_inside(column) < DENSE).then(|| (*channel, usual_gap_s(column, times)))
        })
        .collect();
    if seldom.is_empty() {
        return Rhythm::default();
    }
    let has = |channel: Channel| seldom.iter().any(|(of, _)| *of == channel);
    let rows_of = [Channel::Lambda, Channel::Rpm].into_iter().find(|channel| has(*channel));
    let mut rhythm = Rhythm { rows_of, ..Rhythm::default() };
    let gaps = seldom.iter().filter(|(channel, gap)| is_fast(*channel) && gap.is_finite());
    let widest = gaps.map(|(_, gap)| *gap).fold(0.0, f64::max);
    let fast_s = round_up(2.0 * widest).clamp(0.1, LONGEST_OF_FAST_S);
    if widest > 0.0 {
        rhythm.sparse = Some(Sparse { interpolate_s: Some(fast_s), hold_s: None });
        rhythm.reasons.push(format!(
            "channels come at times of their own: between two values at most {fast_s} s apart the line holds; the \
             slowest that moves fast usually comes every {} s",
            crate::units::plain((widest * 100.0).round() / 100.0)
        ));
    }
    if let Some(channel) = rhythm.rows_of {
        rhythm
            .reasons
            .push(format!("samples are the times at which `{}` has a value of its own", channel.name()));
    }
    if widest > LONGEST_OF_FAST_S {
        rhythm.reasons.push(format!(
            "some channels come only every {} s: too seldom to know anything in between",
            crate::units::plain((widest * 10.0).round() / 10.0)
        ));
    }
    for (channel, gap) in &seldom {
        let wanted = round_up(2.0 * gap);
        if is_fast(*channel) || wanted <= fast_s || *channel == Channel::KnockCount {
            continue;
        }
        let wanted = Some(wanted.min(LONGEST_OF_SLOW_S));
        let sparse = match channel {
            Channel::Gear | Channel::FuelCut | Channel::Slot => {
                Sparse { hold_s: wanted, interpolate_s: None }
            }
            _ => Sparse { interpolate_s: wanted, hold_s: None },
        };
        rhythm.own.insert(*channel, sparse);
    }
    rhythm
}

/// The share of rows with a value, between the first and the last one.
fn share_inside(column: &Column) -> f64 {
    let rows: Vec<usize> = column.points().map(|(row, _)| row).collect();
    match (rows.first(), rows.last()) {
        (Some(first), Some(last)) => rows.len() as f64 / (last - first + 1) as f64,
        _ => 0.0,
    }
}

/// The usual time between two values, s.
fn usual_gap_s(column: &Column, times: &[f64]) -> f64 {
    let mut at: Vec<f64> = column.points().filter_map(|(row, _)| times.get(row).copied()).collect();
    at.retain(|time| !time.is_nan());
    let mut gaps: Vec<f64> = at.windows(2).map(|pair| pair[1] - pair[0]).filter(|gap| *gap > 0.0).collect();
    gaps.sort_by(f64::total_cmp);
    gaps.get(gaps.len() / 2).copied().unwrap_or(f64::NAN)
}

fn round_up(seconds: f64) -> f64 {
    (seconds * 10.0 - 1e-6).ceil() / 10.0
}
