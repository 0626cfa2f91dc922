//! `idle_hunting`: drops idle whose speed swings up and down; steady idle stays.

use super::super::rows::{Reason, RideContext, Rows, hold};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What counts as idle, and which swings of it are hunting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct IdleHunting {
    /// At or below this opening the throttle is closed; a plate that the controller
    /// holds open at idle needs more. On a log without throttle the engine speed
    /// alone tells idle.
    #[schemars(range(min = 0.0, max = 20.0))]
    pub closed_throttle_pct: f64,
    /// At or below this engine speed the engine idles, 1/min.
    #[schemars(range(min = 500.0, max = 10000.0))]
    pub idle_rpm: f64,
    /// A swing of more than this, from peak to peak, is hunting, 1/min.
    #[schemars(range(min = 20.0, max = 5000.0))]
    pub swing_rpm: f64,
    /// Such a swing must come back within this time: a speed that only falls, or
    /// only rises, or settles first, passes through and does not hunt.
    #[schemars(range(min = 0.5, max = 60.0))]
    pub window_s: f64,
    /// Dropped ahead of it.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it, until charge and film have settled.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for IdleHunting {
    fn default() -> Self {
        Self {
            closed_throttle_pct: 1.5,
            idle_rpm: 2200.0,
            swing_rpm: 250.0,
            window_s: 4.0,
            hold_before_s: 0.5,
            hold_after_s: 1.0,
        }
    }
}

/// A throttle that is logged seldom stays known for this long. Common practice,
/// no source.
const THROTTLE_LASTS_S: f64 = 1.0;
/// Beyond this between two readings nobody knows what the speed did. Common
/// practice, no source.
const LONGEST_GAP_S: f64 = 2.0;

static HUNTING: Reason = Reason { key: "idle_hunting", about: "the idle speed swings up and down" };
static NEAR: Reason = Reason { key: "near_idle_hunting", about: "just before or after the idle hunts" };

impl StageSettings for IdleHunting {
    const NAME: &'static str = "idle_hunting";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Drops stretches of idle in which engine speed swings there and back by more than a setting, \
         since neither the charge nor the wall film settles in them. Steady idle stays, and so does idle after a stop or \
         a blip of the throttle: speed that passes through does not come back.";
    const SOURCE: &'static str = "wall film: Aquino, SAE 810494 (1981), time constants 0.2 to 0.8 s warm from memory; \
         thresholds are common practice, no source";
    const EXAMPLE: &'static str = "- idle_hunting: { idle_rpm: 1800, swing_rpm: 200 }";
    const REASONS: &'static [&'static Reason] = &[&HUNTING, &NEAR];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for IdleHunting {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let (time, rpm) = (rows.time_s(), rows.rpm());
        let throttle =
            rows.held(Channel::ThrottlePct, THROTTLE_LASTS_S).filter(|t| t.iter().any(|v| !v.is_nan()));
        let is_idle = |i: usize| {
            let closed = throttle.as_ref().is_none_or(|t| t[i] <= self.closed_throttle_pct);
            closed && rpm[i] <= self.idle_rpm
        };
        let mut hunting = vec![false; rows.len()];
        let mut idle: Vec<usize> = Vec::new();
        for i in (0..rows.len()).filter(|i| !rpm[*i].is_nan()) {
            let gap = idle.last().is_some_and(|last| time[i] - time[*last] > LONGEST_GAP_S);
            if gap || !is_idle(i) {
                self.mark(time, rpm, &idle, &mut hunting);
                idle.clear();
            }
            if is_idle(i) {
                idle.push(i);
            }
        }
        self.mark(time, rpm, &idle, &mut hunting);
        let near = hold(time, &hunting, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&hunting, &HUNTING);
        rows.drop_where(&near, &NEAR);
    }
}

impl IdleHunting {
    /// Marks the swings within one stretch of idle, given by its rows.
    fn mark(&self, time_s: &[f64], rpm: &[f64], idle: &[usize], hunting: &mut [bool]) {
        let speeds: Vec<f64> = idle.iter().map(|i| rpm[*i]).collect();
        for turn in turns(&speeds, self.swing_rpm) {
            let away = |k: &usize| (speeds[*k] - speeds[turn]).abs() > self.swing_rpm;
            // The nearest rows that lie a whole swing away: a long steady stretch
            // ahead of a dip is no part of it.
            let (Some(from), Some(to)) = ((0..turn).rev().find(away), (turn + 1..speeds.len()).find(away))
            else {
                continue;
            };
            if time_s[idle[to]] - time_s[idle[from]] <= self.window_s {
                hunting[idle[from]..=idle[to]].fill(true);
            }
        }
    }
}

/// Where values turn: the places of the peaks and valleys that stand more than
/// `swing` above or below what comes on both sides.
fn turns(values: &[f64], swing: f64) -> Vec<usize> {
    let mut found = Vec::new();
    let (mut low, mut high) = (0, 0);
    // Which extreme the values come from; nothing before the first swing.
    let mut rising: Option<bool> = None;
    for (k, value) in values.iter().enumerate() {
        if *value > values[high] {
            high = k;
        }
        if *value < values[low] {
            low = k;
        }
        if rising != Some(true) && value - values[low] > swing {
            found.extend(rising.map(|_| low));
            (rising, high) = (Some(true), k);
        } else if rising != Some(false) && values[high] - value > swing {
            found.extend(rising.map(|_| high));
            (rising, low) = (Some(false), k);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use super::turns;
    use crate::bike::Bike;
    use crate::ride::Channel;
    use crate::table::LoadAxis;

    const SETTINGS: &str = "- idle_hunting: { closed_throttle_pct: 1.5, idle_rpm: 2000, swing_rpm: 250, window_s: 4, hold_before_s: 0, hold_after_s: 0 }";

    /// What stays of an engine speed at a throttle, 20 samples a second.
    fn kept_at(
        throttle: f64,
        rpm: Vec<f64>,
        settings: &str,
        change: fn(&mut Bike),
    ) -> (Vec<bool>, Vec<String>) {
        let n = rpm.len();
        let ride = ride(&[
            (Channel::Rpm, rpm),
            (Channel::ThrottlePct, vec![throttle; n]),
            (Channel::MapKpa, vec![36.0; n]),
            (Channel::Lambda, vec![0.95; n]),
        ]);
        apply(settings, &ride, change)
    }

    fn dropped(rpm: Vec<f64>) -> usize {
        kept_at(1.4, rpm, SETTINGS, |_| {}).0.iter().filter(|k| !**k).count()
    }

    /// 20 s of idle at 1250 1/min that swings with a period of 3 s.
    fn swings(peak_to_peak: f64) -> Vec<f64> {
        let swing = |i: u32| (f64::from(i) * 0.05 * std::f64::consts::TAU / 3.0).sin();
        (0..400).map(|i| 1250.0 + 0.5 * peak_to_peak * swing(i)).collect()
    }

    #[test]
    fn hunting_goes_and_steady_idle_stays() {
        assert_eq!(dropped(swings(50.0)), 0);
        assert_eq!(dropped(swings(245.0)), 0);
        let left = 400 - dropped(swings(400.0));
        assert!(left < 60, "only the outermost half swings: {left}");
        let settings = "- idle_hunting: { idle_rpm: 2000 }";
        let (kept, reasons) = kept_at(1.4, swings(400.0), settings, |_| {});
        assert!(kept.iter().filter(|k| **k).count() < 40);
        assert_eq!(reasons, ["idle_hunting", "near_idle_hunting"]);
    }

    #[test]
    fn a_swing_on_the_limit_stays_and_one_beyond_goes() {
        let dip =
            |by: f64| (0..400).map(|i| if (200..220).contains(&i) { 1250.0 - by } else { 1250.0 }).collect();
        assert_eq!(dropped(dip(250.0)), 0);
        assert_eq!(dropped(dip(251.0)), 22, "the dip and the sample on either side");
        let rise = (0..400).map(|i| if (200..220).contains(&i) { 1550.0 } else { 1250.0 }).collect();
        assert_eq!(dropped(rise), 22);
    }

    #[test]
    fn an_open_throttle_or_a_higher_speed_is_no_idle() {
        let all = |(kept, _): (Vec<bool>, Vec<String>)| kept.iter().all(|k| *k);
        assert!(!all(kept_at(1.5, swings(400.0), SETTINGS, |_| {})));
        assert!(all(kept_at(1.6, swings(400.0), SETTINGS, |_| {})));
        assert!(all(kept_at(1.4, swings(400.0).iter().map(|r| r + 1000.0).collect(), SETTINGS, |_| {})));
    }

    #[test]
    fn passing_through_idle_spoils_no_steady_idle_after_it() {
        // Coming to a stop: 2000 to 1250 within a second, then idle.
        let stop = (0..600).map(|i| (2000.0 - 37.5 * f64::from(i)).max(1250.0)).collect();
        assert_eq!(dropped(stop), 0);
        // Steady idle, a blip to 3500, steady idle with a little undershoot.
        let blip = |i: u32| match i {
            0..200 => 1250.0,
            200..220 => 3500.0,
            220..300 => (3500.0 - 60.0 * f64::from(i - 220)).max(1150.0),
            _ => 1250.0,
        };
        assert_eq!(dropped((0..600).map(blip).collect()), 0);
        // A deep undershoot is unsettled, but only for as long as it lasts.
        let deep = |i: u32| match i {
            0..20 => 2000.0 - 55.0 * f64::from(i),
            20..40 => 900.0,
            _ => 1250.0,
        };
        let lost = dropped((0..600).map(deep).collect());
        assert!((20..45).contains(&lost), "{lost}");
        // Two settled levels, with idle in between longer than the window.
        let levels = |i: u32| if (100..300).contains(&i) { 1250.0 } else { 1700.0 };
        assert_eq!(dropped((0..600).map(levels).collect()), 0);
    }

    #[test]
    fn without_a_throttle_the_speed_alone_tells() {
        let map = |bike: &mut Bike| bike.controller.load = LoadAxis::MapKpa;
        let (kept, reasons) = kept_at(f64::NAN, swings(400.0), SETTINGS, map);
        assert!(kept.iter().filter(|k| **k).count() < 60);
        assert_eq!(reasons, ["idle_hunting"]);
        assert!(kept_at(f64::NAN, swings(50.0), SETTINGS, map).0.iter().all(|k| *k));
    }

    #[test]
    fn rows_without_a_speed_and_gaps_are_no_swings() {
        let sparse: Vec<f64> =
            swings(400.0).iter().enumerate().map(|(i, r)| if i % 2 == 0 { *r } else { f64::NAN }).collect();
        assert!(dropped(sparse) > 340, "hunting is seen all the same");
        // Two steady stretches either side of a gap of 3 s.
        let gap = |i: u32| match i {
            0..100 => 1600.0,
            100..160 => f64::NAN,
            _ => 1250.0,
        };
        assert_eq!(dropped((0..400).map(gap).collect()), 0);
    }

    #[test]
    fn turns_are_the_peaks_and_valleys_between_two_swings() {
        assert_eq!(turns(&[5.0, 1.0, 6.0, 5.5, 2.0, 9.0], 3.0), [1, 2, 4]);
        assert!(turns(&[1.0, 4.0, 8.0], 3.0).is_empty());
        assert!(turns(&[9.0, 1.0], 3.0).is_empty());
        assert!(turns(&[1.0, 4.0, 1.0], 3.0).is_empty(), "on the limit");
        assert!(turns(&[], 3.0).is_empty());
    }
}
