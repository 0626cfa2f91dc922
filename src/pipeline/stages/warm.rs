//! `warm`: only a warm engine, settled, with a warm lambda sensor.

use super::super::rows::{Reason, RideContext, Rows};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::bike::Bike;
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// From when on the engine and the sensor count as warm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Warm {
    /// Engine temperature from which on the engine is warm; without it as bike.yaml says.
    #[schemars(range(min = -40.0, max = 200.0))]
    pub engine_temp_c: Option<f64>,
    /// How far it must fall below before the engine counts as cold again, °C.
    #[schemars(range(min = 0.0, max = 40.0))]
    pub hysteresis_c: f64,
    /// Time from becoming warm until samples count.
    #[schemars(range(min = 0.0, max = 1800.0))]
    pub settle_s: f64,
    /// Time from the start of the log until the lambda sensor is warm.
    #[schemars(range(min = 0.0, max = 600.0))]
    pub sensor_warmup_s: f64,
}

impl Default for Warm {
    fn default() -> Self {
        Self { engine_temp_c: None, hysteresis_c: 5.0, settle_s: 30.0, sensor_warmup_s: 25.0 }
    }
}

static COLD: Reason = Reason { key: "engine_cold", about: "the engine is not warm yet" };
static SETTLING: Reason = Reason { key: "warm_settling", about: "the engine has only just become warm" };
static NO_TEMP: Reason = Reason { key: "engine_temp_missing", about: "no engine temperature is known" };
static SENSOR_COLD: Reason = Reason { key: "sensor_warming", about: "the lambda sensor is still warming up" };

/// A slow channel's value stays good for this long. Common practice, no source.
pub(crate) const TEMP_LASTS_S: f64 = 10.0;

impl StageSettings for Warm {
    const NAME: &'static str = "warm";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Keeps samples of a warm, settled engine with a warm lambda sensor, so that warm-up \
         enrichment never becomes a correction.";
    const SOURCE: &'static str = "common practice, no source";
    const EXAMPLE: &'static str = "- warm: { engine_temp_c: 75, settle_s: 30 }";
    const REASONS: &'static [&'static Reason] = &[&COLD, &SETTLING, &NO_TEMP, &SENSOR_COLD];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Warm {
    fn needs(&self, _bike: &Bike) -> Vec<Channel> {
        vec![Channel::EngineTempC]
    }

    fn apply(&self, rows: &mut Rows<'_>, context: &RideContext<'_>) {
        let threshold_c = self.engine_temp_c.unwrap_or(context.bike.warm.engine_temp_c);
        let time = rows.time_s();
        let temps = rows.held(Channel::EngineTempC, TEMP_LASTS_S).unwrap_or_default();
        let mut warm_since: Option<f64> = None;
        for i in 0..rows.len() {
            let temp = temps.get(i).copied().unwrap_or(f64::NAN);
            if temp.is_nan() {
                rows.drop_sample(i, &NO_TEMP);
                continue;
            }
            if temp >= threshold_c {
                warm_since.get_or_insert(time[i]);
            } else if temp < threshold_c - self.hysteresis_c {
                warm_since = None;
            }
            match warm_since {
                None => rows.drop_sample(i, &COLD),
                Some(since) if time[i] - since < self.settle_s => rows.drop_sample(i, &SETTLING),
                Some(_) if time[i] - time[0] < self.sensor_warmup_s => rows.drop_sample(i, &SENSOR_COLD),
                Some(_) => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    fn kept(temps: Vec<f64>, settings: &str) -> (Vec<bool>, Vec<String>) {
        let n = temps.len();
        let ride = ride(&[
            (Channel::Rpm, vec![3000.0; n]),
            (Channel::ThrottlePct, vec![20.0; n]),
            (Channel::Lambda, vec![0.95; n]),
            (Channel::EngineTempC, temps),
        ]);
        apply(settings, &ride, |_| {})
    }

    #[test]
    fn counts_from_the_limit_on_after_settling() {
        let temps: Vec<f64> = (0..200).map(|i| 65.0 + 0.1 * f64::from(i)).collect();
        let (kept, reasons) = kept(temps, "- warm: { engine_temp_c: 75, settle_s: 2, sensor_warmup_s: 0 }");
        // 75 °C at sample 100, two seconds later at 140.
        assert_eq!(kept.iter().position(|k| *k), Some(140));
        assert_eq!(reasons, ["engine_cold", "warm_settling"]);
    }

    #[test]
    fn a_small_dip_does_not_start_the_wait_again() {
        let dip =
            |to: f64| (0..200).map(|i| if (100..110).contains(&i) { to } else { 80.0 }).collect::<Vec<f64>>();
        let settings = "- warm: { engine_temp_c: 75, hysteresis_c: 5, settle_s: 1, sensor_warmup_s: 0 }";
        let count = |temps| kept(temps, settings).0.iter().filter(|k| **k).count();
        assert_eq!(count(dip(71.0)), 180);
        assert_eq!(count(dip(69.0)), 150);
    }

    #[test]
    fn a_slow_channel_is_carried_and_a_missing_one_is_named() {
        let slow = (0..100).map(|i| if i % 20 == 0 { 80.0 } else { f64::NAN }).collect();
        let settings = "- warm: { engine_temp_c: 75, settle_s: 0, sensor_warmup_s: 1 }";
        let (mask, reasons) = kept(slow, settings);
        assert_eq!(mask.iter().filter(|k| **k).count(), 80);
        assert_eq!(reasons, ["sensor_warming"]);
        assert_eq!(kept(vec![f64::NAN; 10], settings).1, ["engine_temp_missing"]);
    }
}
