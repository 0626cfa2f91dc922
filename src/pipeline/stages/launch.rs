//! `launch`: drops launches, with a hard slipping clutch or a cut that holds the speed.

use super::super::rows::{Reason, RideContext, Rows, hold};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What counts as a launch, and how long its effects last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Launch {
    /// Below this road speed the bike stands or crawls, km/h. Where a pit-lane
    /// limiter is used, set it above the speed that one holds.
    #[schemars(range(min = 1.0, max = 120.0))]
    pub below_kph: f64,
    /// Beyond this opening a bike that stands or crawls is being launched. Pulling
    /// away gently shows less and stays, since a slipping clutch by itself does not
    /// change the mixture and some cells are ridden at no other time; 3 % drops
    /// that too.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub above_throttle_pct: f64,
    /// Above this engine speed it is being launched as well, 1/min; 2200 drops
    /// nearly every slipping clutch.
    #[schemars(range(min = 500.0, max = 20000.0))]
    pub above_rpm: f64,
    /// Dropped ahead of it.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it, from when the bike rolls faster: until the clutch
    /// grips and the walls of the intake have settled.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for Launch {
    fn default() -> Self {
        Self {
            below_kph: 10.0,
            above_throttle_pct: 20.0,
            above_rpm: 3500.0,
            hold_before_s: 0.2,
            hold_after_s: 1.0,
        }
    }
}

/// A road speed, or a throttle, that is logged seldom stays known for this long.
/// Common practice, no source.
const SPEED_LASTS_S: f64 = 2.0;
const THROTTLE_LASTS_S: f64 = 1.0;

static LAUNCH: Reason = Reason {
    key: "launch",
    about: "the bike stands or crawls with the throttle well open or the engine well above idle",
};
static NEAR: Reason = Reason { key: "near_launch", about: "just before or after a launch" };

impl StageSettings for Launch {
    const NAME: &'static str = "launch";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Drops launches: a bike that stands or crawls with the throttle well open or the engine well \
         above idle, where a launch limiter cuts or the clutch slips hard, until it rolls and a hold has passed. Idle at a \
         standstill stays, and so does pulling away gently. Does nothing on a log without `speed_kph`. Not for a dyno, \
         where the bike always stands.";
    const SOURCE: &'static str = "wall film: Aquino, SAE 810494 (1981), time constants 0.2 to 0.8 s warm from memory; \
         thresholds are common practice, no source";
    const EXAMPLE: &'static str = "- launch: { below_kph: 15, above_throttle_pct: 30 }";
    const REASONS: &'static [&'static Reason] = &[&LAUNCH, &NEAR];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Launch {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let Some(speed) = rows.held(Channel::SpeedKph, SPEED_LASTS_S) else { return };
        let throttle = rows.held(Channel::ThrottlePct, THROTTLE_LASTS_S);
        let launch: Vec<bool> = (0..rows.len())
            .map(|i| {
                let is_open = throttle.as_ref().is_some_and(|t| t[i] > self.above_throttle_pct);
                speed[i] < self.below_kph && (is_open || rows.rpm()[i] > self.above_rpm)
            })
            .collect();
        let near = hold(rows.time_s(), &launch, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&launch, &LAUNCH);
        rows.drop_where(&near, &NEAR);
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    const SETTINGS: &str = "- launch: { below_kph: 10, above_throttle_pct: 3, above_rpm: 2000, hold_before_s: 0.11, hold_after_s: 0.51 }";

    /// A standstill of two seconds, two at a throttle and an engine speed, then a
    /// road speed that rises by 1 km/h a sample.
    fn pulls_away(throttle: f64, rpm: f64, speed: fn(u32) -> f64) -> (Vec<bool>, Vec<String>) {
        let from = |i: u32, idle: f64, then: f64| if i < 40 { idle } else { then };
        let ride = ride(&[
            (Channel::Rpm, (0..160).map(|i| from(i, 1250.0, rpm)).collect()),
            (Channel::ThrottlePct, (0..160).map(|i| from(i, 1.4, throttle)).collect()),
            (Channel::Lambda, vec![0.95; 160]),
            (Channel::SpeedKph, (0..160).map(speed).collect()),
        ]);
        apply(SETTINGS, &ride, |_| {})
    }

    fn rolls_from_80(i: u32) -> f64 {
        f64::from(i.saturating_sub(80))
    }

    #[test]
    fn drops_from_the_open_throttle_until_the_bike_rolls_and_the_hold_has_passed() {
        // The throttle opens at sample 40; 10 km/h at sample 90.
        for (throttle, rpm) in [(15.0, 1250.0), (1.4, 5000.0), (f64::NAN, 5000.0)] {
            let (kept, reasons) = pulls_away(throttle, rpm, rolls_from_80);
            let dropped: Vec<usize> = (0..160).filter(|i| !kept[*i]).collect();
            assert_eq!(dropped, (38..100).collect::<Vec<_>>(), "{throttle} % {rpm} 1/min");
            assert_eq!(reasons, ["launch", "near_launch"]);
        }
    }

    #[test]
    fn idle_at_a_standstill_and_a_bike_that_rolls_stay() {
        let all = |(kept, _): (Vec<bool>, Vec<String>)| kept.iter().all(|k| *k);
        assert!(all(pulls_away(3.0, 2000.0, |_| 0.0)), "idle on the limits");
        assert!(all(pulls_away(40.0, 5000.0, |_| 10.0)), "rolls on the limit");
        assert!(all(pulls_away(1.4, 1250.0, rolls_from_80)));
    }

    #[test]
    fn pulling_away_gently_stays_by_default() {
        let ride = ride(&[
            (Channel::Rpm, vec![1800.0; 40]),
            (Channel::ThrottlePct, vec![6.0; 40]),
            (Channel::Lambda, vec![0.95; 40]),
            (Channel::SpeedKph, (0..40).map(|i| 0.3 * f64::from(i)).collect()),
        ]);
        assert!(apply("- launch: {}", &ride, |_| {}).0.iter().all(|k| *k));
        assert!(apply("- launch: { above_throttle_pct: 3 }", &ride, |_| {}).0.iter().all(|k| !*k));
    }

    #[test]
    fn a_seldom_logged_speed_is_carried_and_an_unknown_one_drops_nothing() {
        let seldom = |i: u32| if i.is_multiple_of(20) { rolls_from_80(i) } else { f64::NAN };
        let (kept, _) = pulls_away(15.0, 1250.0, seldom);
        assert_eq!(kept.iter().filter(|k| !**k).count(), 2 + 60 + 10, "20 km/h is told at sample 100");
        assert!(pulls_away(40.0, 5000.0, |_| f64::NAN).0.iter().all(|k| *k));
    }

    #[test]
    fn idle_after_a_blip_counts_again_once_the_hold_has_passed() {
        let blip = |i: usize| (40..50).contains(&i);
        let ride = ride(&[
            (Channel::Rpm, (0..160).map(|i| if blip(i) { 4000.0 } else { 1250.0 }).collect()),
            (Channel::ThrottlePct, vec![1.4; 160]),
            (Channel::Lambda, vec![0.95; 160]),
            (Channel::SpeedKph, vec![0.0; 160]),
        ]);
        let kept = apply(SETTINGS, &ride, |_| {}).0;
        assert_eq!(kept.iter().filter(|k| !**k).count(), 2 + 10 + 10);
    }
}
