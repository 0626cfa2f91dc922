//! `transients`: drops what moves too fast for the mixture to follow.

use super::super::rows::{Reason, RideContext, Rows, hold, rate};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Which rates are too fast, and how long their effects last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Transients {
    /// Throttle faster than this.
    #[schemars(range(min = 0.5, max = 1000.0))]
    pub throttle_pct_per_s: f64,
    /// Engine speed faster than this.
    #[schemars(range(min = 10.0, max = 20000.0))]
    pub rpm_per_s: f64,
    /// Manifold pressure faster than this.
    #[schemars(range(min = 0.5, max = 2000.0))]
    pub map_kpa_per_s: f64,
    /// Rates are taken over this time, so that noise is not taken for movement.
    #[schemars(range(min = 0.0, max = 5.0))]
    pub window_s: f64,
    /// Dropped ahead of it: the sensor's lag mixes it in.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it, until film and sensor have settled.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for Transients {
    fn default() -> Self {
        Self {
            throttle_pct_per_s: 12.0,
            rpm_per_s: 900.0,
            map_kpa_per_s: 40.0,
            window_s: 0.25,
            hold_before_s: 0.25,
            hold_after_s: 0.8,
        }
    }
}

/// Beyond this between two readings nobody knows what the throttle did.
/// Common practice, no source.
const LONGEST_GAP_S: f64 = 2.0;

static MOVING: Reason = Reason {
    key: "transient",
    about: "throttle, speed or manifold pressure moves too fast, or is not known for too long",
};
static NEAR: Reason = Reason { key: "near_transient", about: "just before or after a transient" };

impl StageSettings for Transients {
    const NAME: &'static str = "transients";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Drops samples while throttle, engine speed or manifold pressure move too fast for the \
         mixture to be the steady one, and some time around them.";
    const SOURCE: &'static str = "hold-off of delay + 3 sensor time constants + film settling: film after Aquino, SAE 810494 \
         (1981), from memory; rates are common practice, no source";
    const EXAMPLE: &'static str = "- transients: { throttle_pct_per_s: 10, hold_after_s: 1 }";
    const REASONS: &'static [&'static Reason] = &[&MOVING, &NEAR];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Transients {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let watched = [
            (Some(rows.rpm()), self.rpm_per_s),
            (rows.channel(Channel::ThrottlePct), self.throttle_pct_per_s),
            (rows.channel(Channel::MapKpa), self.map_kpa_per_s),
        ];
        let mut moving = vec![false; rows.len()];
        for (values, limit) in watched {
            let Some(values) = values else { continue };
            for (moves, rate) in
                moving.iter_mut().zip(rate(rows.time_s(), values, self.window_s, LONGEST_GAP_S))
            {
                *moves |= rate > limit;
            }
        }
        let near = hold(rows.time_s(), &moving, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&moving, &MOVING);
        rows.drop_where(&near, &NEAR);
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    fn kept(throttle: Vec<f64>, rpm: Vec<f64>) -> usize {
        let n = rpm.len();
        let ride =
            ride(&[(Channel::Rpm, rpm), (Channel::ThrottlePct, throttle), (Channel::Lambda, vec![0.95; n])]);
        let settings = "- transients: { throttle_pct_per_s: 10, rpm_per_s: 500, window_s: 0.2, hold_before_s: 0.2, hold_after_s: 0.5 }";
        apply(settings, &ride, |_| {}).0.iter().filter(|k| **k).count()
    }

    #[test]
    fn slow_movement_stays_and_fast_movement_goes_with_its_surroundings() {
        let ramp = |per_s: f64| (0..160).map(|i| 10.0 + per_s * 0.05 * f64::from(i)).collect::<Vec<f64>>();
        assert_eq!(kept(ramp(8.0), vec![3000.0; 160]), 160);
        assert_eq!(kept(ramp(11.0), vec![3000.0; 160]), 0);
        let step: Vec<f64> = (0..200).map(|i| if i < 100 { 10.0 } else { 30.0 }).collect();
        let left = kept(step, vec![3000.0; 200]);
        assert!((175..195).contains(&left), "{left}");
        let fast: Vec<f64> = (0..200).map(|i| 3000.0 + 40.0 * f64::from(i)).collect();
        assert_eq!(kept(vec![20.0; 200], fast), 0);
    }
}
