//! `steady`: keeps samples while speed and load are steady by a statistic, not
//! by a rate.

use super::super::rows::{Reason, RideContext, Rows, hold};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use super::super::steadiness::{RatioFilters, variance_ratio};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What counts as steady.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Steady {
    /// Variance from deviations over variance from steps; about 1 is steady.
    #[schemars(range(min = 1.0, max = 100.0))]
    pub ratio_max: f64,
    /// Signals are looked at this often; neighbouring samples tell the same.
    #[schemars(range(min = 0.01, max = 5.0))]
    pub step_s: f64,
    /// Weight of the newest sample in the running mean.
    #[schemars(range(min = 0.01, max = 0.9))]
    pub mean_weight: f64,
    /// Weight of the newest sample in both variances.
    #[schemars(range(min = 0.01, max = 0.9))]
    pub variance_weight: f64,
    /// Movement of the speed below this is noise, 1/min.
    #[schemars(range(min = 0.1, max = 1000.0))]
    pub rpm_noise: f64,
    /// Movement of the throttle below this is noise.
    #[schemars(range(min = 0.01, max = 20.0))]
    pub throttle_noise_pct: f64,
    /// Movement of the manifold pressure below this is noise.
    #[schemars(range(min = 0.01, max = 20.0))]
    pub map_noise_kpa: f64,
    /// Dropped ahead of unsteady running: the statistic notices late.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it, until film and sensor have settled.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for Steady {
    fn default() -> Self {
        Self {
            ratio_max: 3.0,
            step_s: 0.2,
            mean_weight: 0.2,
            variance_weight: 0.2,
            rpm_noise: 60.0,
            throttle_noise_pct: 0.8,
            map_noise_kpa: 1.5,
            hold_before_s: 0.4,
            hold_after_s: 0.2,
        }
    }
}

static UNSTEADY: Reason =
    Reason { key: "unsteady", about: "speed or load is not steady by the ratio of variances" };
static NEAR: Reason = Reason { key: "near_unsteady", about: "just before or after unsteady running" };

impl StageSettings for Steady {
    const NAME: &'static str = "steady";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Keeps samples while engine speed, throttle and manifold pressure are steady by the ratio of \
         two variances: unlike a rate limit it tells slow drift from noise. Meant for points held on a dyno: on the road it keeps \
         too little, and `transients` serves better. It looks at the engine, never at the lagging lambda.";
    const SOURCE: &'static str = "Cao and Rhinehart, J. Process Control 5(6):363-374 (1995), recursions from memory; noise \
         levels and hold-offs are common practice, no source";
    const EXAMPLE: &'static str = "- steady: { ratio_max: 1.8, hold_after_s: 0.5 }";
    const REASONS: &'static [&'static Reason] = &[&UNSTEADY, &NEAR];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Steady {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let watched = [
            (Some(rows.rpm()), self.rpm_noise),
            (rows.channel(Channel::ThrottlePct), self.throttle_noise_pct),
            (rows.channel(Channel::MapKpa), self.map_noise_kpa),
        ];
        let mut unsteady = vec![false; rows.len()];
        for (values, noise) in watched {
            let Some(values) = values else { continue };
            self.mark(rows.time_s(), values, noise, &mut unsteady);
        }
        let near = hold(rows.time_s(), &unsteady, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&unsteady, &UNSTEADY);
        rows.drop_where(&near, &NEAR);
    }
}

impl Steady {
    /// Marks the rows during which a channel is unsteady.
    fn mark(&self, time_s: &[f64], values: &[f64], noise: f64, unsteady: &mut [bool]) {
        let mut looks = Vec::new();
        let mut next_s = f64::NEG_INFINITY;
        for (i, value) in values.iter().enumerate().filter(|(_, v)| v.is_finite()) {
            // Half a sample early is still this look's turn.
            if time_s[i] >= next_s - 1e-9 {
                looks.push((i, *value));
                next_s = time_s[i] + self.step_s;
            }
        }
        let filters = RatioFilters {
            mean: self.mean_weight,
            deviation: self.variance_weight,
            step: self.variance_weight,
        };
        let signal: Vec<f64> = looks.iter().map(|(_, value)| *value).collect();
        let ratios = variance_ratio(&signal, filters, noise);
        for (k, ratio) in ratios.iter().enumerate() {
            // What is steady now was so since the look before.
            let from = if k == 0 { 0 } else { looks[k - 1].0 + 1 };
            let gap = k > 0 && time_s[looks[k].0] - time_s[looks[k - 1].0] > LONGEST_GAP_S;
            if *ratio > self.ratio_max || gap {
                unsteady[from..=looks[k].0].fill(true);
            }
        }
    }
}

/// Beyond this between two readings nobody knows what happened. Common practice,
/// no source.
const LONGEST_GAP_S: f64 = 2.0;

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    #[test]
    fn noise_stays_and_movement_goes() {
        let wobble = |i: u32| if i.is_multiple_of(2) { 12.0 } else { -12.0 };
        let kept = |rpm: Vec<f64>| {
            let n = rpm.len();
            let ride = ride(&[
                (Channel::Rpm, rpm),
                (Channel::ThrottlePct, vec![20.0; n]),
                (Channel::Lambda, vec![0.95; n]),
            ]);
            apply("- steady: {}", &ride, |_| {}).0.iter().filter(|k| **k).count()
        };
        assert_eq!(kept((0..400).map(|i| 3000.0 + wobble(i)).collect()), 400);
        let jump: Vec<f64> = (0..400).map(|i| if i < 200 { 3000.0 } else { 4000.0 } + wobble(i)).collect();
        let left = kept(jump);
        assert!((250..390).contains(&left), "{left}");
        let slow: Vec<f64> = (0..400).map(|i| 3000.0 + 20.0 * f64::from(i) + wobble(i)).collect();
        assert!(kept(slow) < 120, "400 rpm a second");
    }
}
