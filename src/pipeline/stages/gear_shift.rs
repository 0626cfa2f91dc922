//! `gear_shift`: drops the cut and the clutch around a change of gear.

use super::super::rows::{Reason, RideContext, Rows, hold, rate};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How a change of gear is noticed, and how long it lasts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct GearShift {
    /// Speed falling or rising faster than this is a clutch, not the road.
    #[schemars(range(min = 500.0, max = 50000.0))]
    pub clutch_rpm_per_s: f64,
    /// Dropped ahead of it.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for GearShift {
    fn default() -> Self {
        Self { clutch_rpm_per_s: 3500.0, hold_before_s: 0.3, hold_after_s: 0.8 }
    }
}

/// A gear that is logged seldom stays known for this long. Common practice, no source.
const GEAR_LASTS_S: f64 = 5.0;
/// Speed is watched over this time, so that noise is not taken for a clutch.
const CLUTCH_WINDOW_S: f64 = 0.15;

static SHIFT: Reason = Reason { key: "gear_shift", about: "the gear changes" };
static NEAR: Reason = Reason { key: "near_gear_shift", about: "just before or after a change of gear" };

impl StageSettings for GearShift {
    const NAME: &'static str = "gear_shift";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Drops changes of gear, told by the gear channel or by the speed jumping, with the ignition or fuel cut in them.";
    const SOURCE: &'static str = "common practice, no source";
    const EXAMPLE: &'static str = "- gear_shift: { hold_after_s: 1 }";
    const REASONS: &'static [&'static Reason] = &[&SHIFT, &NEAR];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for GearShift {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let (time, rpm) = (rows.time_s(), rows.rpm());
        let gear = rows.held(Channel::Gear, GEAR_LASTS_S);
        let slopes = rate(time, rpm, CLUTCH_WINDOW_S, f64::INFINITY);
        let mut shift: Vec<bool> = slopes.iter().map(|slope| *slope > self.clutch_rpm_per_s).collect();
        if let Some(gear) = gear {
            for i in 1..rows.len() {
                shift[i] |= (gear[i] - gear[i - 1]).abs() > 0.5;
            }
        }
        let near = hold(time, &shift, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&shift, &SHIFT);
        rows.drop_where(&near, &NEAR);
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    #[test]
    fn the_gear_or_the_jump_tells() {
        let n = 60;
        let gears: Vec<f64> = (0..n).map(|i| if i < 30 { 3.0 } else { 4.0 }).collect();
        let speeds: Vec<f64> = (0..n).map(|i| if i < 30 { 5000.0 } else { 4200.0 }).collect();
        for (rpm, gear) in [(vec![4000.0; 60], gears), (speeds, vec![f64::NAN; 60])] {
            let ride = ride(&[
                (Channel::Rpm, rpm),
                (Channel::ThrottlePct, vec![20.0; 60]),
                (Channel::Lambda, vec![0.95; 60]),
                (Channel::Gear, gear),
            ]);
            let (kept, reasons) =
                apply("- gear_shift: { hold_before_s: 0.21, hold_after_s: 0.21 }", &ride, |_| {});
            let dropped = kept.iter().filter(|k| !**k).count();
            assert!((9..=16).contains(&dropped), "{dropped}");
            assert_eq!(reasons, ["gear_shift", "near_gear_shift"]);
        }
    }

    #[test]
    fn noise_of_a_fast_log_is_no_clutch() {
        let mut text = String::from("time_s,rpm,throttle_pct,lambda\n");
        for i in 0..400 {
            text.push_str(&format!("{},{},20,0.95\n", f64::from(i) * 0.01, 4000 + 45 * (i % 2)));
        }
        let ride = crate::ride::Ride::read(
            std::path::Path::new("t.csv"),
            text.as_bytes(),
            &crate::ride::Loggers::none(),
        )
        .expect("a ride");
        assert!(apply("- gear_shift: {}", &ride, |_| {}).0.iter().all(|k| *k));
    }
}
