//! `battery`: drops dips and surges of the battery voltage.

use super::super::rows::{Reason, RideContext, Rows, hold};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Which voltages are allowed, how far they may leave their running median, and
/// how long the effects last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Battery {
    /// Lowest and highest voltage, V, ends included; the default is for a bike of
    /// 12 V. The `battery_v` of `window` differs: it judges each sample by itself,
    /// drops nothing around it, and drops samples whose voltage is unknown, which
    /// stay here.
    pub allowed_v: [f64; 2],
    /// Further than this from the running median is a dip or a surge, V. The
    /// usual drop from charging to idle is to stay below it.
    #[schemars(range(min = 0.05, max = 10.0))]
    pub departs_v: f64,
    /// The running median is that of the samples of this time up to now, so that
    /// a new level is the usual one after half of it.
    #[schemars(range(min = 0.1, max = 60.0))]
    pub window_s: f64,
    /// Dropped ahead of it: the logger may tell late.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it, until the controller knows the voltage again and the
    /// mixture has recovered.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for Battery {
    fn default() -> Self {
        Self { allowed_v: [11.5, 15.5], departs_v: 0.8, window_s: 4.0, hold_before_s: 0.2, hold_after_s: 1.0 }
    }
}

/// A voltage that is logged seldom stays known for this long. Common practice,
/// no source.
const VOLTAGE_LASTS_S: f64 = 10.0;

static OUT_OF_RANGE: Reason =
    Reason { key: "battery_out_of_range", about: "battery voltage outside the allowed range" };
static JUMP: Reason =
    Reason { key: "battery_jump", about: "a dip or a surge: battery voltage far from its running median" };
static NEAR: Reason = Reason {
    key: "near_battery_jump",
    about: "just before or after a dip, a surge or a voltage out of range",
};

impl StageSettings for Battery {
    const NAME: &'static str = "battery";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Drops dips and surges of the battery voltage (starter, fan, failing charge): voltage outside \
         a range, or far from its running median, and some time around them, since the injectors then open for another \
         time than the controller reckons with. Does nothing where `battery_v` is not logged.";
    const SOURCE: &'static str = "dead time of usual injectors, 1.0 to 1.2 ms at 12 V and 0.7 to 0.9 ms at 14 V, from memory: \
         a jump of 0.8 V misses by about 0.1 ms; range, jump and hold-offs are common practice, no source";
    const EXAMPLE: &'static str = "- battery: { allowed_v: [12, 15], departs_v: 0.5 }";
    const REASONS: &'static [&'static Reason] = &[&OUT_OF_RANGE, &JUMP, &NEAR];

    fn check(&self) -> Result<(), (&'static str, String)> {
        match self.allowed_v {
            [low, high] if low < high => Ok(()),
            [low, high] => Err(("allowed_v", format!("`allowed_v` must ascend, got [{low}, {high}]"))),
        }
    }

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Battery {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let Some(volts) = rows.held(Channel::BatteryV, VOLTAGE_LASTS_S) else { return };
        let [low, high] = self.allowed_v;
        // Comparisons with a missing voltage are false: what is not known drops nothing.
        let out: Vec<bool> = volts.iter().map(|v| *v < low || *v > high).collect();
        let jump = self.jumps(rows.time_s(), &volts);
        let either: Vec<bool> = out.iter().zip(&jump).map(|(out, jump)| *out || *jump).collect();
        let near = hold(rows.time_s(), &either, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&out, &OUT_OF_RANGE);
        rows.drop_where(&jump, &JUMP);
        rows.drop_where(&near, &NEAR);
    }
}

impl Battery {
    /// Where the voltage is far from its running median.
    ///
    /// No voltage departs from the median further than the highest from the lowest of
    /// the same time, so the median is taken only where these lie apart.
    fn jumps(&self, time_s: &[f64], volts: &[f64]) -> Vec<bool> {
        const BLOCK: usize = 64;
        let ends = |volts: &[f64]| {
            volts.iter().fold((f64::NAN, f64::NAN), |(low, high), v| (low.min(*v), high.max(*v)))
        };
        let blocks: Vec<(f64, f64)> = volts.chunks(BLOCK).map(ends).collect();
        let mut jumps = vec![false; volts.len()];
        for block in 0..blocks.len() {
            let rows = block * BLOCK..volts.len().min((block + 1) * BLOCK);
            let first = time_s.partition_point(|t| time_s[rows.start] - t > self.window_s);
            let inside = &blocks[first / BLOCK..=block];
            let (low, high) =
                inside.iter().fold((f64::NAN, f64::NAN), |(low, high), b| (low.min(b.0), high.max(b.1)));
            if high - low <= self.departs_v {
                continue;
            }
            let usual = running_median(&time_s[first..rows.end], &volts[first..rows.end], self.window_s);
            for i in rows {
                jumps[i] = (volts[i] - usual[i - first]).abs() > self.departs_v;
            }
        }
        jumps
    }
}

/// The median of the values of the last `window_s` up to each sample, its own
/// included; of an even number the upper middle one. NaN where the value is missing.
///
/// It looks back only: a median with the sample in its middle follows a step at
/// once and would never see the fan switched on.
fn running_median(time_s: &[f64], values: &[f64], window_s: f64) -> Vec<f64> {
    let mut inside: VecDeque<usize> = VecDeque::new();
    let mut sorted: Vec<f64> = Vec::new();
    let place = |sorted: &[f64], value: f64| sorted.partition_point(|v| v.total_cmp(&value).is_lt());
    let medians = (0..values.len()).map(|i| {
        while let Some(&oldest) = inside.front()
            && time_s[i] - time_s[oldest] > window_s
        {
            sorted.remove(place(&sorted, values[oldest]));
            inside.pop_front();
        }
        if values[i].is_nan() {
            return f64::NAN;
        }
        sorted.insert(place(&sorted, values[i]), values[i]);
        inside.push_back(i);
        sorted[sorted.len() / 2]
    });
    medians.collect()
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use super::running_median;
    use crate::ride::Channel;

    const SETTINGS: &str = "- battery: { allowed_v: [11.5, 15.5], departs_v: 0.75, window_s: 2, hold_before_s: 0, hold_after_s: 0.51 }";

    fn after(volts: impl Fn(usize) -> f64) -> (usize, Vec<String>) {
        let ride = ride(&[
            (Channel::Rpm, vec![3000.0; 200]),
            (Channel::ThrottlePct, vec![20.0; 200]),
            (Channel::Lambda, vec![0.95; 200]),
            (Channel::BatteryV, (0..200).map(volts).collect()),
        ]);
        let (kept, reasons) = apply(SETTINGS, &ride, |_| {});
        (kept.iter().filter(|k| !**k).count(), reasons)
    }

    #[test]
    fn the_ends_of_the_range_stay_and_a_failing_charge_goes() {
        assert_eq!(after(|_| 11.5), (0, vec![]));
        assert_eq!(after(|_| 15.5), (0, vec![]));
        let falling = |i: usize| 12.5 - 0.01 * i as f64;
        let (count, reasons) = after(falling);
        assert_eq!((count, reasons), (99, vec!["battery_out_of_range".to_owned()]), "from sample 101 on");
    }

    #[test]
    fn a_dip_inside_the_range_goes_with_the_time_after_it() {
        let dip = |by: f64| move |i: usize| if (100..104).contains(&i) { 14.0 + by } else { 14.0 };
        for by in [-0.8, 0.8] {
            let (count, reasons) = after(dip(by));
            assert_eq!(
                (count, reasons),
                (4 + 10, vec!["battery_jump".to_owned(), "near_battery_jump".to_owned()])
            );
        }
        assert_eq!(after(dip(0.75)).0, 0, "on the limit");
    }

    #[test]
    fn a_new_level_becomes_the_usual_one_and_a_slow_change_stays() {
        let (count, _) = after(|i| if i < 100 { 14.0 } else { 13.0 });
        assert_eq!(count, 20 + 10, "half the window, then the hold");
        assert_eq!(after(|i| 14.0 - 0.01 * i as f64).0, 0, "0.2 V a second");
    }

    #[test]
    fn a_seldom_logged_voltage_is_carried_and_an_unknown_one_drops_nothing() {
        let seldom = |i: usize| match i % 20 {
            0 if i == 100 => 10.0,
            0 => 14.0,
            _ => f64::NAN,
        };
        assert_eq!(after(seldom).0, 20 + 10);
        assert_eq!(after(|_| f64::NAN), (0, vec![]));
    }

    #[test]
    fn the_median_is_that_of_the_window_up_to_now() {
        let time = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0];
        let medians = running_median(&time, &[5.0, 1.0, f64::NAN, 3.0, 9.0, 9.0], 2.0);
        assert_eq!(&medians[..2], [5.0, 5.0]);
        assert!(medians[2].is_nan());
        assert_eq!(&medians[3..], [3.0, 9.0, 9.0]);
    }
}
