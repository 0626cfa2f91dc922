//! `rev_limiter`: drops the limiter's cut and what comes just below it.

use super::super::rows::{Reason, RideContext, Rows, hold};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Where the limiter begins to work, and how long its effects last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct RevLimiter {
    /// Engine speed at which the limiter cuts, 1/min; without it `rev_limit_rpm` of bike.yaml.
    #[schemars(range(min = 1000.0, max = 25000.0))]
    pub rpm: Option<f64>,
    /// So far below it samples are dropped too, 1/min: a soft limiter begins
    /// early, and a slow log misses the peaks.
    #[schemars(range(min = 0.0, max = 900.0))]
    pub margin_rpm: f64,
    /// Dropped ahead of it.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it, until the walls of the intake are wet again and the
    /// unburnt charge has left the exhaust.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for RevLimiter {
    fn default() -> Self {
        Self { rpm: None, margin_rpm: 200.0, hold_before_s: 0.2, hold_after_s: 1.0 }
    }
}

static LIMITER: Reason = Reason { key: "rev_limiter", about: "engine speed at or near the rev limiter" };
static NEAR: Reason =
    Reason { key: "near_rev_limiter", about: "just before or after running into the rev limiter" };

impl StageSettings for RevLimiter {
    const NAME: &'static str = "rev_limiter";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Drops samples at or near the rev limiter, where fuel or spark is cut and lambda tells of the \
         cut, not of the table; and some time around them.";
    const SOURCE: &'static str = "wall film: Aquino, SAE 810494 (1981), time constants 0.2 to 0.8 s warm from memory; \
         margin and hold-offs are common practice, no source";
    const EXAMPLE: &'static str = "- rev_limiter: { margin_rpm: 300, hold_after_s: 1.5 }";
    const REASONS: &'static [&'static Reason] = &[&LIMITER, &NEAR];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for RevLimiter {
    fn apply(&self, rows: &mut Rows<'_>, context: &RideContext<'_>) {
        let from_rpm = self.rpm.unwrap_or(context.bike.engine.rev_limit_rpm) - self.margin_rpm;
        let limited: Vec<bool> = rows.rpm().iter().map(|rpm| *rpm >= from_rpm).collect();
        let near = hold(rows.time_s(), &limited, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&limited, &LIMITER);
        rows.drop_where(&near, &NEAR);
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    fn dropped(peak_rpm: f64, settings: &str) -> (usize, Vec<String>) {
        let rpm: Vec<f64> = (0..60).map(|i| if i == 30 { peak_rpm } else { 6000.0 }).collect();
        let ride = ride(&[
            (Channel::Rpm, rpm),
            (Channel::ThrottlePct, vec![80.0; 60]),
            (Channel::Lambda, vec![0.88; 60]),
        ]);
        let (kept, reasons) = apply(settings, &ride, |bike| bike.engine.rev_limit_rpm = 8200.0);
        (kept.iter().filter(|k| !**k).count(), reasons)
    }

    #[test]
    fn drops_from_the_margin_of_the_bikes_limiter_on_with_its_surroundings() {
        let settings = "- rev_limiter: { margin_rpm: 200, hold_before_s: 0.11, hold_after_s: 0.51 }";
        let around = 1 + 2 + 10;
        let (count, reasons) = dropped(8000.0, settings);
        assert_eq!((count, reasons), (around, vec!["near_rev_limiter".to_owned(), "rev_limiter".to_owned()]));
        assert_eq!(dropped(7999.0, settings).0, 0);
        assert_eq!(dropped(f64::NAN, settings).0, 0, "nothing is known of a missing speed");
    }

    #[test]
    fn a_limit_of_its_own_goes_before_that_of_the_bike() {
        let settings = "- rev_limiter: { rpm: 7000, margin_rpm: 0, hold_before_s: 0, hold_after_s: 0 }";
        assert_eq!(dropped(7000.0, settings).0, 1);
        assert_eq!(dropped(6999.0, settings).0, 0);
    }
}
