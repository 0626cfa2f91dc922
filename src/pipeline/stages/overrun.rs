//! `overrun`: drops fuel cut and the time the mixture needs to recover.

use super::super::rows::{Reason, RideContext, Rows, hold};
use super::super::signs;
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What counts as overrun, and how long its effects last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Overrun {
    /// At or below this opening the throttle is closed.
    #[schemars(range(min = 0.0, max = 20.0))]
    pub closed_throttle_pct: f64,
    /// A closed throttle above this speed is overrun.
    #[schemars(range(min = 500.0, max = 10000.0))]
    pub overrun_rpm: f64,
    /// A logged fuel cut is believed: a closed throttle alone then drops nothing,
    /// since the engine still burns what it is given.
    pub believe_fuel_cut: bool,
    /// From this lambda on the sensor reads air, not exhaust gas.
    #[schemars(range(min = 1.1, max = 5.0))]
    pub free_air_lambda: f64,
    /// Dropped ahead of it.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub hold_before_s: f64,
    /// Dropped behind it, until the walls of the intake are wet again.
    #[schemars(range(min = 0.0, max = 30.0))]
    pub hold_after_s: f64,
}

impl Default for Overrun {
    fn default() -> Self {
        Self {
            closed_throttle_pct: 1.5,
            overrun_rpm: 2200.0,
            believe_fuel_cut: true,
            free_air_lambda: 1.4,
            hold_before_s: 0.2,
            hold_after_s: 1.5,
        }
    }
}

static OVERRUN: Reason = Reason { key: "overrun", about: "fuel is cut, or the throttle is closed at speed" };
static NEAR: Reason = Reason { key: "near_overrun", about: "just before or after overrun" };

impl StageSettings for Overrun {
    const NAME: &'static str = "overrun";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Drops overrun: a logged fuel cut, a closed throttle at speed, or a sensor in free air; \
         and some time around it, since the wall film must build up again.";
    const SOURCE: &'static str = "wall film: Aquino, SAE 810494 (1981), time constants 0.2 to 0.8 s warm from memory; \
         thresholds are common practice, no source";
    const EXAMPLE: &'static str = "- overrun: { overrun_rpm: 2500, hold_after_s: 2 }";
    const REASONS: &'static [&'static Reason] = &[&OVERRUN, &NEAR];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Overrun {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let cut = signs::overrun(rows, self.closed_throttle_pct, self.overrun_rpm, self.believe_fuel_cut);
        let overrun: Vec<bool> = cut
            .iter()
            .zip(rows.lambda())
            .map(|(cut, lambda)| *cut || *lambda >= self.free_air_lambda)
            .collect();
        let near = hold(rows.time_s(), &overrun, self.hold_before_s, self.hold_after_s);
        rows.drop_where(&overrun, &OVERRUN);
        rows.drop_where(&near, &NEAR);
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    const SETTINGS: &str = "- overrun: { hold_before_s: 0.11, hold_after_s: 0.51 }";

    fn dropped(rpm: f64, throttle: f64, lambda: f64, cut: f64) -> usize {
        let at =
            |usual: f64, then: f64| (0..60).map(|i| if i == 30 { then } else { usual }).collect::<Vec<f64>>();
        let cut = if cut.is_nan() { vec![f64::NAN; 60] } else { at(0.0, cut) };
        let ride = ride(&[
            (Channel::Rpm, at(3000.0, rpm)),
            (Channel::ThrottlePct, at(10.0, throttle)),
            (Channel::Lambda, at(1.0, lambda)),
            (Channel::FuelCut, cut),
        ]);
        apply(SETTINGS, &ride, |_| {}).0.iter().filter(|k| !**k).count()
    }

    #[test]
    fn any_of_the_three_signs_drops_with_its_surroundings() {
        let around = 1 + 2 + 10;
        assert_eq!(dropped(3000.0, 10.0, 1.0, 1.0), around);
        assert_eq!(dropped(3000.0, 0.5, 1.0, f64::NAN), around);
        assert_eq!(dropped(3000.0, 0.5, 1.0, 0.0), 0, "the log says that fuel flows");
        assert_eq!(dropped(3000.0, 10.0, 1.45, 0.0), around);
        assert_eq!(dropped(3000.0, 10.0, 1.0, 0.0), 0);
        assert_eq!(dropped(1200.0, 0.5, 1.0, f64::NAN), 0, "idle is not overrun");
    }
}
