//! The samples of one ride on their way through the filters.

use super::response::Alignment;
use super::ridden::{Ridden, RiddenRows};
use crate::bike::{Bike, SlotTables};
use crate::ride::{Channel, Ride};
use crate::table::{Grid, LoadAxis, Place};
use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

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
    pub ridden: Ridden<'a>,
    /// The tables as they are today.
    pub today: &'a SlotTables,
    /// The slot the ride was made on where its log does not tell.
    pub slot: &'a str,
}

impl<'a> RideContext<'a> {
    /// That of a ride on one slot, made on the tables of today.
    pub fn of_one_slot(bike: &'a Bike, tables: &'a SlotTables, slot: &'a str) -> Self {
        Self { bike, ridden: Ridden::Slot(tables), today: tables, slot }
    }
}

/// One ride's samples. A sample is kept until a filter drops it, once, with one reason.
#[derive(Debug)]
pub struct Rows<'a> {
    ride: &'a Ride,
    time_s: &'a [f64],
    rpm: &'a [f64],
    load: &'a [f64],
    interval_s: f64,
    /// What each lambda sensor read for the operating point of its row.
    sensors: Vec<Cow<'a, [f64]>>,
    /// The mean of the sensors that read, NaN where none does; `None` where one
    /// sensor is all there is.
    mean_lambda: Option<Vec<f64>>,
    /// What the controller's closed loop added, %; `None` while nothing did.
    trim_pct: Option<Vec<f64>>,
    /// How lambda was brought to the operating points, once it was.
    alignment: Option<Alignment<'a>>,
    /// How much a sample counts beside one of steady running, 0 to 1.
    certainty: Vec<f64>,
    /// Which of `reasons` dropped a sample, counted from one; 0 while it is kept.
    fate: Vec<u8>,
    /// The reasons met so far, each with how many samples it dropped.
    reasons: Vec<(&'static Reason, usize)>,
    /// Where the rows lie on each grid that was asked for.
    places: RefCell<Vec<(Grid, Rc<Vec<Place>>)>>,
}

impl<'a> Rows<'a> {
    /// The rows of a ride; `None` when it lacks time, rpm, load or lambda.
    pub fn new(ride: &'a Ride, load: LoadAxis) -> Option<Self> {
        let lambda = ride.values(Channel::Lambda)?;
        let second = ride.values(Channel::Lambda2).filter(|v| v.iter().any(|x| !x.is_nan()));
        let sensors = [Some(lambda), second].into_iter().flatten().map(Cow::Borrowed);
        let mut rows = Self {
            ride,
            time_s: ride.values(Channel::TimeS)?,
            rpm: ride.values(Channel::Rpm)?,
            load: ride.values(load_channel(load))?,
            interval_s: ride.sample_interval_s(),
            sensors: Vec::new(),
            mean_lambda: None,
            trim_pct: None,
            alignment: None,
            certainty: vec![1.0; lambda.len()],
            fate: vec![0; lambda.len()],
            reasons: Vec::new(),
            places: RefCell::default(),
        };
        rows.put_sensors(sensors.collect());
        Some(rows)
    }

    /// The same rows as they were read: nothing dropped, nothing aligned.
    pub fn as_read(&self) -> Self {
        Self {
            ride: self.ride,
            time_s: self.time_s,
            rpm: self.rpm,
            load: self.load,
            interval_s: self.interval_s,
            sensors: self.sensors.clone(),
            mean_lambda: self.mean_lambda.clone(),
            trim_pct: None,
            alignment: None,
            certainty: vec![1.0; self.len()],
            fate: vec![0; self.len()],
            reasons: Vec::new(),
            places: self.places.clone(),
        }
    }

    /// The tables that each row was made on.
    pub fn ridden<'t>(&self, context: &RideContext<'t>) -> RiddenRows<'t> {
        RiddenRows::of(self.ride, context)
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

    /// Where the rows lie on a grid.
    pub fn places(&self, grid: &Grid) -> Rc<Vec<Place>> {
        let mut known = self.places.borrow_mut();
        if let Some((_, places)) = known.iter().find(|(known, _)| known == grid) {
            return Rc::clone(places);
        }
        let points = self.rpm.iter().copied().zip(self.load.iter().copied());
        let places = Rc::new(grid.places(points));
        known.push((grid.clone(), Rc::clone(&places)));
        places
    }

    /// Lambda, aligned once `align` has run; the mean where two sensors read,
    /// NaN where none does.
    pub fn lambda(&self) -> &[f64] {
        self.mean_lambda.as_deref().unwrap_or(&self.sensors[0])
    }

    /// What each sensor read, the first cylinder's first.
    pub fn sensors(&self) -> &[Cow<'a, [f64]>] {
        &self.sensors
    }

    /// Puts aligned, or checked, readings in place: NaN where one does not count.
    pub fn set_sensors(&mut self, sensors: Vec<Vec<f64>>) {
        debug_assert!(sensors.iter().all(|s| s.len() == self.fate.len()));
        self.put_sensors(sensors.into_iter().map(Cow::Owned).collect());
    }

    fn put_sensors(&mut self, sensors: Vec<Cow<'a, [f64]>>) {
        self.mean_lambda = (sensors.len() > 1).then(|| mean_of(&sensors));
        self.sensors = sensors;
    }

    /// Trim of the closed loop at a sample, %; zero unless a filter put it in.
    pub fn trim_pct(&self, i: usize) -> f64 {
        self.trim_pct.as_ref().map_or(0.0, |trim| trim[i])
    }

    /// Puts the closed loop's trim in place.
    pub fn set_trim_pct(&mut self, trim_pct: Vec<f64>) {
        debug_assert_eq!(trim_pct.len(), self.fate.len());
        self.trim_pct = Some(trim_pct);
    }

    /// How lambda was brought to the operating points; `None` before `align`.
    pub fn alignment(&self) -> Option<&Alignment<'a>> {
        self.alignment.as_ref()
    }

    /// Remembers how lambda was brought to the operating points.
    pub fn set_alignment(&mut self, alignment: Alignment<'a>) {
        self.alignment = Some(alignment);
    }

    /// How much each sample counts beside one of steady running, 0 to 1.
    pub fn certainty(&self) -> &[f64] {
        &self.certainty
    }

    /// Puts the samples' certainty in place.
    pub fn set_certainty(&mut self, certainty: Vec<f64>) {
        debug_assert_eq!(certainty.len(), self.fate.len());
        self.certainty = certainty;
    }

    /// Any other channel; `None` when the log lacks it.
    pub fn channel(&self, channel: Channel) -> Option<&'a [f64]> {
        self.ride.values(channel)
    }

    /// A channel that changes seldom and may be logged seldom: each missing
    /// value takes the last known one while that is no older than `lasts_s`.
    pub fn held(&self, channel: Channel, lasts_s: f64) -> Option<Cow<'a, [f64]>> {
        self.channel(channel).map(|values| carry_forward(self.time_s, values, lasts_s))
    }

    /// The lambda that the log says is wanted at each sample, NaN where it does not
    /// say or says what is no lambda; `None` for a log that never says.
    pub fn logged_target(&self) -> Option<Vec<f64>> {
        let held = self.held(Channel::LambdaTarget, TARGET_LASTS_S)?;
        let target = |t: &f64| if TARGET_LAMBDA.contains(t) { *t } else { f64::NAN };
        Some(held.iter().map(target).collect())
    }

    /// The usual time between samples, s.
    pub fn interval_s(&self) -> f64 {
        self.interval_s
    }

    /// Whether a sample is still kept.
    pub fn is_kept(&self, i: usize) -> bool {
        self.fate[i] == 0
    }

    /// Drops a sample; the first reason stays.
    pub fn drop_sample(&mut self, i: usize, reason: &'static Reason) {
        if self.is_kept(i) {
            let number = self.number_of(reason);
            self.fate[i] = number;
            self.reasons[usize::from(number) - 1].1 += 1;
        }
    }

    /// Drops every sample whose mask is set.
    pub fn drop_where(&mut self, mask: &[bool], reason: &'static Reason) {
        let number = self.number_of(reason);
        let mut dropped = 0;
        // Most masks are set in few places.
        const BLOCK: usize = 64;
        for (fates, drops) in self.fate.chunks_mut(BLOCK).zip(mask.chunks(BLOCK)) {
            if !drops.contains(&true) {
                continue;
            }
            for (fate, _) in fates.iter_mut().zip(drops).filter(|(fate, drop)| **drop && **fate == 0) {
                *fate = number;
                dropped += 1;
            }
        }
        self.reasons[usize::from(number) - 1].1 += dropped;
    }

    /// The number by which a reason stands in `fate`. All stages together have
    /// far fewer reasons than a byte holds.
    fn number_of(&mut self, reason: &'static Reason) -> u8 {
        let known = self.reasons.iter().rposition(|(known, _)| std::ptr::eq(*known, reason));
        let at = known.unwrap_or_else(|| {
            self.reasons.push((reason, 0));
            self.reasons.len() - 1
        });
        u8::try_from(at + 1).expect("fewer reasons than a byte holds")
    }

    /// How many are kept.
    pub fn kept(&self) -> usize {
        self.len() - self.reasons.iter().map(|(_, n)| n).sum::<usize>()
    }

    /// How many were dropped, by reason.
    pub fn dropped(&self) -> BTreeMap<&'static str, usize> {
        let mut counts = BTreeMap::new();
        for (reason, n) in self.reasons.iter().filter(|(_, n)| *n > 0) {
            *counts.entry(reason.key).or_default() += n;
        }
        counts
    }
}

/// A target that is logged seldom stays known for this long. Common practice, no source.
const TARGET_LASTS_S: f64 = 1.0;
/// A logged target outside this is no lambda; the mixture table answers then.
const TARGET_LAMBDA: std::ops::RangeInclusive<f64> = 0.5..=1.6;

/// The mean of the sensors that read.
fn mean_of(sensors: &[Cow<'_, [f64]>]) -> Vec<f64> {
    let rows = sensors.first().map_or(0, |s| s.len());
    let mean = |i: usize| {
        let there = sensors.iter().map(|s| s[i]).filter(|v| !v.is_nan());
        let (n, sum) = there.fold((0, 0.0), |(n, sum), v| (n + 1, sum + v));
        if n > 0 { sum / f64::from(n) } else { f64::NAN }
    };
    (0..rows).map(mean).collect()
}

/// The channel that carries the load.
pub(crate) fn load_channel(load: LoadAxis) -> Channel {
    match load {
        LoadAxis::ThrottlePct => Channel::ThrottlePct,
        LoadAxis::MapKpa => Channel::MapKpa,
    }
}

/// A slow channel filled up: each missing value takes the last known one, as
/// long as that is no older than `lasts_s`. A channel without gaps is itself.
fn carry_forward<'a>(time_s: &[f64], values: &'a [f64], lasts_s: f64) -> Cow<'a, [f64]> {
    if values.iter().all(|value| !value.is_nan()) {
        return Cow::Borrowed(values);
    }
    let mut last = (f64::NEG_INFINITY, f64::NAN);
    let filled = time_s.iter().zip(values).map(|(t, value)| {
        if !value.is_nan() {
            last = (*t, *value);
        }
        if t - last.0 <= lasts_s { last.1 } else { f64::NAN }
    });
    Cow::Owned(filled.collect())
}

/// Widens a mask in time: every sample within `before_s` ahead of or `after_s`
/// behind a set one is set as well.
///
/// Shape: `time_s` strictly ascending, `mask` of the same length.
/// Units: s, not negative.
pub fn hold(time_s: &[f64], mask: &[bool], before_s: f64, after_s: f64) -> Vec<bool> {
    let mut wide = mask.to_vec();
    // All before this row is done.
    let mut done = 0;
    while let Some(first) = mask[done..].iter().position(|set| *set).map(|ahead| done + ahead) {
        let ahead = (done..first).rev().take_while(|i| time_s[first] - time_s[*i] <= before_s).count();
        wide[first - ahead..first].fill(true);
        let end = mask[first..].iter().position(|set| !set).map_or(mask.len(), |length| first + length);
        let behind = mask[end..]
            .iter()
            .zip(&time_s[end..])
            .take_while(|(set, t)| !**set && **t - time_s[end - 1] <= after_s)
            .count();
        done = end + behind;
        wide[end..done].fill(true);
    }
    wide
}

/// The share of a window that tells a slope from noise.
const FULL_ENOUGH: f64 = 0.6;

/// The steepest rate of a channel around each sample.
///
/// Slopes are taken over windows that end at a reading and begin at the last
/// reading at least `window_s` before it. Each counts at both its ends, and at
/// the reading before the later one with all rows between; the largest counts.
/// A window that the start of a stretch cuts short counts from 60 % on.
/// Known weakness: on an uneven clock a reading may begin no window.
///
/// Readings are joined over rows where the channel is missing. Where two
/// readings lie more than `longest_gap_s` apart nothing is known of what
/// happened between them: the rate there is infinite.
///
/// Units: the channel's unit per s.
pub fn rate(time_s: &[f64], values: &[f64], window_s: f64, longest_gap_s: f64) -> Vec<f64> {
    let mut rates = vec![0.0f64; values.len()];
    let Some(mut from) = values.iter().position(|value| value.is_finite()) else { return rates };
    let mut before = from;
    for now in from + 1..values.len() {
        if !values[now].is_finite() {
            continue;
        }
        // The last reading that is a whole window away, or else the first that may serve.
        let mut later = from + 1;
        while later < now && time_s[now] - time_s[later] >= window_s {
            if values[later].is_finite() {
                from = later;
            }
            later += 1;
        }
        let gap = time_s[now] - time_s[before] > longest_gap_s;
        let span = time_s[now] - time_s[from];
        // At the start of a stretch the window is not full yet; a slope over a
        // fraction of it would be mostly noise.
        if gap || span >= window_s * FULL_ENOUGH || span.is_nan() {
            let slope = if gap { f64::INFINITY } else { ((values[now] - values[from]) / span).abs() };
            // Rows between two readings share what is known of both.
            for rate in &mut rates[before..=now] {
                *rate = rate.max(slope);
            }
            rates[from] = rates[from].max(slope);
        }
        if gap {
            from = now;
        }
        before = now;
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
        Ride::read(Path::new("test.csv"), text.as_bytes(), &crate::ride::Loggers::none())
            .expect("a valid ride")
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
        assert!(rate(&time, &ramp, 0.2, 2.0).iter().all(|r| (r - 10.0).abs() < 1e-9));
        let flicker: Vec<f64> = (0..100).map(|i| f64::from(i % 2)).collect();
        let highest = rate(&time, &flicker, 0.5, 2.0).into_iter().skip(12).fold(0.0, f64::max);
        assert!(highest <= 1.0 / 0.5 + 1e-9, "{highest}");
    }

    #[test]
    fn sparse_and_slow_logs_have_rates_too() {
        let time: Vec<f64> = (0..40).map(f64::from).collect();
        let flip: Vec<f64> = (0..40).map(|i| if i / 2 % 2 == 0 { 5.0 } else { 60.0 }).collect();
        let fast = rate(&time, &flip, 0.25, 2.0).iter().filter(|r| **r > 12.0).count();
        assert!(fast >= 38, "once a second: {fast}");
        let time: Vec<f64> = (0..40).map(|i| f64::from(i) * 0.05).collect();
        let gappy: Vec<f64> = (0..40).map(|i| if i % 2 == 0 { f64::from(i) } else { f64::NAN }).collect();
        let found = rate(&time, &gappy, 0.1, 2.0);
        assert!(found.iter().take(39).all(|r| (r - 20.0).abs() < 1e-9), "every second row: {found:?}");
        let lost = rate(&[0.0, 1.0, 9.0, 10.0], &[1.0; 4], 0.25, 2.0);
        assert_eq!(lost, [0.0, f64::INFINITY, f64::INFINITY, 0.0]);
    }

    #[test]
    fn each_sample_has_one_reason_and_each_reason_its_count() {
        static FIRST: Reason = Reason { key: "first", about: "" };
        static SECOND: Reason = Reason { key: "second", about: "" };
        let values = [(Channel::Rpm, 3000.0), (Channel::ThrottlePct, 10.0), (Channel::Lambda, 1.0)];
        let log = ride(&values.map(|(channel, value)| (channel, vec![value; 5])));
        let mut rows = Rows::new(&log, LoadAxis::ThrottlePct).expect("channels");
        rows.drop_sample(1, &FIRST);
        rows.drop_sample(1, &SECOND);
        rows.drop_where(&[false, true, true, true, false], &SECOND);
        rows.drop_where(&[false, false, false, true, true], &FIRST);
        assert_eq!(rows.dropped(), BTreeMap::from([("first", 2), ("second", 2)]));
        assert_eq!((rows.kept(), rows.is_kept(0), rows.is_kept(4)), (1, true, false));
        assert_eq!(rows.as_read().kept(), 5);
    }

    proptest! {
        #[test]
        fn a_hold_reaches_as_far_as_it_says(
            steps in prop::collection::vec((0.01..0.5f64, prop::bool::weighted(0.2)), 0..60),
            before_s in 0.0..1.0f64,
            after_s in 0.0..1.0f64,
        ) {
            let mut t = 0.0;
            let time: Vec<f64> = steps.iter().map(|(dt, _)| { t += dt; t }).collect();
            let mask: Vec<bool> = steps.iter().map(|(_, set)| *set).collect();
            let near = |i: usize, k: usize| if k >= i {
                time[k] - time[i] <= before_s
            } else {
                time[i] - time[k] <= after_s
            };
            let wanted: Vec<bool> =
                (0..mask.len()).map(|i| (0..mask.len()).any(|k| mask[k] && near(i, k))).collect();
            prop_assert_eq!(hold(&time, &mask, before_s, after_s), wanted);
        }

        #[test]
        fn rates_and_holds_are_finite_on_any_input(
            steps in prop::collection::vec((0.001..3.0f64, prop::num::f64::ANY), 0..60),
            window in 0.0..2.0f64,
        ) {
            let mut t = 0.0;
            let time: Vec<f64> = steps.iter().map(|(dt, _)| { t += dt; t }).collect();
            let values: Vec<f64> = steps.iter().map(|(_, v)| *v).collect();
            prop_assert!(rate(&time, &values, window, 1.0).iter().all(|r| !r.is_nan()));
            let mask: Vec<bool> = values.iter().map(|v| *v > 0.0).collect();
            let wide = hold(&time, &mask, window, window);
            prop_assert!(mask.iter().zip(&wide).all(|(m, w)| !m || *w));
        }
    }
}
