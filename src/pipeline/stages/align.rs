//! `align`: each lambda goes back to the operating point that made it.
//!
//! The gas leaves the cylinder some cycles after it was fuelled, travels to the
//! sensor, and the sensor lags. Both change with speed and load, so the delay
//! is computed for each sample.

use super::super::delay::estimate_delay;
use super::super::readings::Readings;
use super::super::response::{Alignment, Course};
use super::super::rows::{Reason, RideContext, Rows};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::bike::Delay;
use crate::table::Axis;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How the delay from cylinder to sensor reading is taken back.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Align {
    /// Mean temperature of the gas between valve and sensor; it sets the gas' volume.
    #[schemars(range(min = 100.0, max = 1100.0))]
    pub exhaust_temp_c: f64,
    /// Below this speed the engine is not running.
    #[schemars(range(min = 0.0, max = 2000.0))]
    pub running_rpm: f64,
}

impl Default for Align {
    fn default() -> Self {
        Self { exhaust_temp_c: 627.0, running_rpm: 400.0 }
    }
}

static NO_POINT: Reason = Reason { key: "no_operating_point", about: "rpm or load is missing" };
static STOPPED: Reason = Reason { key: "engine_stopped", about: "the engine is not running" };
static OFF_TABLE: Reason =
    Reason { key: "off_the_table", about: "speed or load lies far beyond the table's axes" };
static NO_LAMBDA: Reason =
    Reason { key: "lambda_not_aligned", about: "no lambda reading belongs to this operating point" };

impl StageSettings for Align {
    const NAME: &'static str = "align";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Moves each lambda back to the operating point that made it: engine cycles, plus exhaust \
         volume over gas flow, plus sensor lag. With `delay: estimate` in bike.yaml they are found from the ride's own \
         transients, as those that leave the least unexplained, and kept near the usual values as far as the ride \
         does not tell. With two sensors the mean of those that read counts.";
    const SOURCE: &'static str = "delay, lag and table fitted together by Gauss-Newton steps with the table projected out \
         (Golub and Pereyra 1973, from memory); first-order lag plus delay that depends on the operating point: Shafai, Roduner and \
         Geering, SAE 970613 (1997); delay formula and 900 K exhaust gas from memory; a first-order lag is taken as a \
         delay by its time constant, exact for ramps";
    const EXAMPLE: &'static str = "- align: { exhaust_temp_c: 600 }";
    const REASONS: &'static [&'static Reason] = &[&NO_POINT, &STOPPED, &OFF_TABLE, &NO_LAMBDA];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Align {
    fn apply(&self, rows: &mut Rows<'_>, context: &RideContext<'_>) {
        let (time, rpm, load) = (rows.time_s(), rows.rpm(), rows.load());
        let ridden = rows.ridden(context);
        for i in 0..rows.len() {
            let grid = &ridden.tables(i).fuel.grid;
            if rpm[i].is_nan() || load[i].is_nan() {
                rows.drop_sample(i, &NO_POINT);
            } else if rpm[i] < self.running_rpm.max(1.0) {
                rows.drop_sample(i, &STOPPED);
            } else if beyond(&grid.rpm, rpm[i]) || beyond(&grid.load, load[i]) {
                rows.drop_sample(i, &OFF_TABLE);
            }
        }
        let course = Course::new(rows, context, self.exhaust_temp_c, self.running_rpm);
        let found = match context.bike.lambda_sensor.delay {
            Delay::Fixed(_) => None,
            Delay::Estimate(_) => Some(estimate_delay(rows, context, &course)),
        };
        let delay = found.as_ref().map_or(context.bike.lambda_sensor.delay.value().0, |found| found.delay);
        let readings: Vec<Readings> = rows.sensors().iter().map(|s| Readings::new(time, s)).collect();
        let mut aligned = vec![vec![f64::NAN; rows.len()]; readings.len()];
        for i in 0..rows.len() {
            if !rows.is_kept(i) {
                continue;
            }
            let at_s = course.shows_at_s(i, &delay);
            for (aligned, readings) in aligned.iter_mut().zip(&readings) {
                aligned[i] = readings.at(at_s, course.gap_s());
            }
            if aligned.iter().all(|a| a[i].is_nan()) {
                rows.drop_sample(i, &NO_LAMBDA);
            }
        }
        rows.set_sensors(aligned);
        rows.set_alignment(Alignment { course, delay, found });
    }
}

/// Whether a value lies further outside an axis than one of its outer intervals.
///
/// A little outside the edge cells answer; far outside a sensor or a unit is wrong.
fn beyond(axis: &Axis, value: f64) -> bool {
    let b = axis.breakpoints();
    let last = b.len() - 1;
    value < b[0] - (b[1] - b[0]) || value > b[last] + (b[last] - b[last - 1])
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::{apply, bike};
    use super::*;
    use crate::bike::{Delay, FixedDelay};
    use crate::ride::Channel;

    #[test]
    fn lambda_returns_to_the_moment_it_was_made() {
        let n = 200;
        let step: Vec<f64> = (0..n).map(|i| if i < 100 { 0.9 } else { 1.1 }).collect();
        let ride = ride(&[
            (Channel::Rpm, vec![3000.0; n]),
            (Channel::ThrottlePct, vec![20.0; n]),
            (Channel::Lambda, step),
        ]);
        let (mut bike, tables) = bike();
        bike.lambda_sensor.delay = Delay::Fixed(FixedDelay { cycles: 2.5, transport_ml: 0.0, lag_s: 0.15 });
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let mut rows = Rows::new(&ride, bike.controller.load).expect("channels");
        Align::default().apply(&mut rows, &context);
        // 2.5 cycles of 40 ms plus 150 ms: five samples of 50 ms.
        assert!((rows.lambda()[94] - 0.9).abs() < 1e-9);
        assert!((rows.lambda()[95] - 1.1).abs() < 1e-9);
        // The last quarter of a second has no reading any more.
        assert_eq!(rows.dropped()["lambda_not_aligned"], 5);
    }

    #[test]
    fn a_lambda_in_every_second_row_reaches_all_rows() {
        let n = 100;
        let sparse: Vec<f64> = (0..n).map(|i| if i % 2 == 0 { 0.95 } else { f64::NAN }).collect();
        let ride = ride(&[
            (Channel::Rpm, vec![3000.0; n]),
            (Channel::ThrottlePct, vec![20.0; n]),
            (Channel::Lambda, sparse),
        ]);
        let kept = apply("- align: {}", &ride, |_| {}).0.iter().filter(|k| **k).count();
        assert!(kept > 90, "{kept}");
    }

    #[test]
    fn a_stopped_engine_and_missing_points_are_dropped() {
        let ride = ride(&[
            (Channel::Rpm, vec![0.0, f64::NAN, 3000.0, 3000.0, 3000.0]),
            (Channel::ThrottlePct, vec![2.0, 2.0, f64::NAN, 2.0, 2.0]),
            (Channel::Lambda, vec![1.0; 5]),
        ]);
        let (_, reasons) = apply("- align: {}", &ride, |_| {});
        assert_eq!(reasons, ["engine_stopped", "lambda_not_aligned", "no_operating_point"]);
    }
}
