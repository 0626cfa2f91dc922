//! The samples of one ride on their way through the filters.

use crate::bike::{Bike, SlotTables};
use crate::ride::{Channel, Ride};
use crate::table::LoadAxis;
use std::collections::BTreeMap;

/// Why a sample is dropped.
#[derive(Debug, PartialEq, Eq)]
pub struct Reason {
    /// The name in JSON and funnels.
    pub key: &'static str,
    /// What it means, for people.
    pub about: &'static str,
}

/// What a filter may look at besides the samples.
#[derive(Debug, Clone, Copy)]
pub struct RideContext<'a> {
    /// The bike.
    pub bike: &'a Bike,
    /// The tables the ride was made on.
    pub ridden: &'a SlotTables,
    /// The tables as they are today.
    pub today: &'a SlotTables,
    /// The slot the run is for.
    pub slot: &'a str,
}

/// One ride's samples. A sample is kept until a filter drops it, once, with one reason.
#[derive(Debug)]
pub struct Rows<'a> {
    ride: &'a Ride,
    time_s: &'a [f64],
    rpm: &'a [f64],
    load: &'a [f64],
    /// Lambda that belongs to the operating point of its row.
    lambda: Vec<f64>,
    /// What the controller's closed loop added, %.
    trim_pct: Vec<f64>,
    fate: Vec<Option<&'static Reason>>,
}

impl<'a> Rows<'a> {
    /// The rows of a ride; `None` when it lacks time, rpm, load or lambda.
    pub fn new(ride: &'a Ride, load: LoadAxis) -> Option<Self> {
        let lambda = ride.values(Channel::Lambda)?.to_vec();
        Some(Self {
            ride,
            time_s: ride.values(Channel::TimeS)?,
            rpm: ride.values(Channel::Rpm)?,
            load: ride.values(load_channel(load))?,
            trim_pct: vec![0.0; lambda.len()],
            fate: vec![None; lambda.len()],
            lambda,
        })
    }

    /// How many samples there are, kept or not.
    pub fn len(&self) -> usize {
        self.fate.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.fate.is_empty()
    }

    /// Time since the start, s; strictly ascending.
    pub fn time_s(&self) -> &'a [f64] {
        self.time_s
    }

    /// Engine speed, 1/min; NaN where missing.
    pub fn rpm(&self) -> &'a [f64] {
        self.rpm
    }

    /// Load in the unit of the bike's load axis; NaN where missing.
    pub fn load(&self) -> &'a [f64] {
        self.load
    }

    /// Lambda, aligned once `align` has run; NaN where missing.
    pub fn lambda(&self) -> &[f64] {
        &self.lambda
    }

    /// Puts the aligned lambda in place.
    pub fn set_lambda(&mut self, lambda: Vec<f64>) {
        debug_assert_eq!(lambda.len(), self.fate.len());
        self.lambda = lambda;
    }

    /// Trim of the closed loop, %; zero unless a filter put it in.
    pub fn trim_pct(&self) -> &[f64] {
        &self.trim_pct
    }

    /// Puts the closed loop's trim in place.
    pub fn set_trim_pct(&mut self, trim_pct: Vec<f64>) {
        debug_assert_eq!(trim_pct.len(), self.fate.len());
        self.trim_pct = trim_pct;
    }

    /// Any other channel; `None` when the log lacks it.
    pub fn channel(&self, channel: Channel) -> Option<&'a [f64]> {
        self.ride.values(channel)
    }

    /// The slot in use at each sample, when the log tells.
    pub fn slots(&self) -> Option<Vec<Option<&'a str>>> {
        self.ride.slots()
    }

    /// The usual time between samples, s.
    pub fn interval_s(&self) -> f64 {
        self.ride.sample_interval_s()
    }

    /// Whether a sample is still kept.
    pub fn is_kept(&self, i: usize) -> bool {
        self.fate[i].is_none()
    }

    /// Drops a sample; the first reason stays.
    pub fn drop_sample(&mut self, i: usize, reason: &'static Reason) {
        self.fate[i].get_or_insert(reason);
    }

    /// Drops every sample whose mask is set.
    pub fn drop_where(&mut self, mask: &[bool], reason: &'static Reason) {
        for (i, drop) in mask.iter().enumerate() {
            if *drop {
                self.drop_sample(i, reason);
            }
        }
    }

    /// How many are kept.
    pub fn kept(&self) -> usize {
        self.fate.iter().filter(|f| f.is_none()).count()
    }

    /// How many were dropped, by reason.
    pub fn dropped(&self) -> BTreeMap<&'static str, usize> {
        let mut counts = BTreeMap::new();
        for reason in self.fate.iter().flatten() {
            *counts.entry(reason.key).or_default() += 1;
        }
        counts
    }
}

/// The channel that carries the load.
pub(crate) fn load_channel(load: LoadAxis) -> Channel {
    match load {
        LoadAxis::ThrottlePct => Channel::ThrottlePct,
        LoadAxis::MapKpa => Channel::MapKpa,
    }
}

/// A slow channel filled up: each missing value takes the last known one, as
/// long as that is no older than `lasts_s`.
pub fn carry_forward(time_s: &[f64], values: &[f64], lasts_s: f64) -> Vec<f64> {
    let mut last = (f64::NEG_INFINITY, f64::NAN);
    let filled = time_s.iter().zip(values).map(|(t, value)| {
        if !value.is_nan() {
            last = (*t, *value);
        }
        if t - last.0 <= lasts_s { last.1 } else { f64::NAN }
    });
    filled.collect()
}

/// Widens a mask in time: every sample within `before_s` ahead of or `after_s`
/// behind a set one is set as well.
///
/// Shape: `time_s` strictly ascending, `mask` of the same length.
/// Units: s.
pub fn hold(time_s: &[f64], mask: &[bool], before_s: f64, after_s: f64) -> Vec<bool> {
    let mut wide = mask.to_vec();
    let mut last = f64::NEG_INFINITY;
    for i in 0..mask.len() {
        if mask[i] {
            last = time_s[i];
        }
        wide[i] |= time_s[i] - last <= after_s;
    }
    let mut next = f64::INFINITY;
    for i in (0..mask.len()).rev() {
        if mask[i] {
            next = time_s[i];
        }
        wide[i] |= next - time_s[i] <= before_s;
    }
    wide
}

/// The steepest rate of a channel around each sample: the larger size of the
/// slopes over a window that ends, and one that begins, at the sample.
///
/// Missing values give no rate; a window never reaches across a gap of more
/// than twice its length.
///
/// Units: the channel's unit per s.
pub fn rate(time_s: &[f64], values: &[f64], window_s: f64) -> Vec<f64> {
    let mut rates = vec![0.0f64; values.len()];
    let mut behind = 0;
    for i in 0..values.len() {
        while behind + 1 < i && time_s[i] - time_s[behind + 1] >= window_s {
            behind += 1;
        }
        let span = time_s[i] - time_s[behind];
        if behind == i || span > 2.0 * window_s.max(f64::MIN_POSITIVE) {
            behind = behind.max(i.saturating_sub(1));
            continue;
        }
        let slope = ((values[i] - values[behind]) / span).abs();
        if slope.is_finite() {
            rates[i] = rates[i].max(slope);
            rates[behind] = rates[behind].max(slope);
        }
    }
    rates
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::path::Path;

    /// A ride of the given channels at 20 Hz, for the stages' tests.
    pub(crate) fn ride(channels: &[(Channel, Vec<f64>)]) -> Ride {
        let rows = channels.first().map_or(0, |(_, v)| v.len());
        let mut text = String::from("time_s");
        for (channel, _) in channels {
            text.push_str(&format!(",{}", channel.name()));
        }
        text.push('\n');
        for i in 0..rows {
            text.push_str(&format!("{}", i as f64 * 0.05));
            for (_, values) in channels {
                text.push_str(&format!(",{}", values[i]));
            }
            text.push('\n');
        }
        Ride::read(Path::new("test.csv"), text.as_bytes()).expect("a valid ride")
    }

    #[test]
    fn holding_widens_a_mask_by_time_on_both_sides() {
        let time = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6];
        let mask = [false, false, false, true, false, false, false];
        let wide = hold(&time, &mask, 0.11, 0.21);
        assert_eq!(wide, [false, false, true, true, true, true, false]);
    }

    #[test]
    fn a_ramp_has_its_rate_and_noise_is_averaged_over_the_window() {
        let time: Vec<f64> = (0..100).map(|i| f64::from(i) * 0.05).collect();
        let ramp: Vec<f64> = time.iter().map(|t| 10.0 * t).collect();
        assert!(rate(&time, &ramp, 0.2).iter().all(|r| (r - 10.0).abs() < 1e-9));
        let flicker: Vec<f64> = (0..100).map(|i| f64::from(i % 2)).collect();
        let highest = rate(&time, &flicker, 0.5).into_iter().skip(12).fold(0.0, f64::max);
        assert!(highest <= 1.0 / 0.5 + 1e-9, "{highest}");
    }

    proptest! {
        #[test]
        fn rates_and_holds_are_finite_on_any_input(
            steps in prop::collection::vec((0.001..3.0f64, prop::num::f64::ANY), 0..60),
            window in 0.0..2.0f64,
        ) {
            let mut t = 0.0;
            let time: Vec<f64> = steps.iter().map(|(dt, _)| { t += dt; t }).collect();
            let values: Vec<f64> = steps.iter().map(|(_, v)| *v).collect();
            prop_assert!(rate(&time, &values, window).iter().all(|r| r.is_finite()));
            let mask: Vec<bool> = values.iter().map(|v| *v > 0.0).collect();
            let wide = hold(&time, &mask, window, window);
            prop_assert!(mask.iter().zip(&wide).all(|(m, w)| !m || *w));
        }
    }
}
