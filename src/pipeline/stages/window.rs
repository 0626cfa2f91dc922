//! `window`: keeps samples inside ranges of speed, load, voltage, temperature.

use super::super::rows::{Reason, RideContext, Rows};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Ranges, ends included; a range that is not given does not count.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Window {
    /// Lowest and highest engine speed, 1/min.
    pub rpm: Option<[f64; 2]>,
    /// Lowest and highest load, in the unit of the tables' load axis.
    pub load: Option<[f64; 2]>,
    /// Lowest and highest battery voltage, V.
    pub battery_v: Option<[f64; 2]>,
    /// Lowest and highest engine temperature.
    pub engine_temp_c: Option<[f64; 2]>,
    /// Lowest and highest temperature of the intake air.
    pub air_temp_c: Option<[f64; 2]>,
}

static RPM: Reason = Reason { key: "rpm_window", about: "engine speed outside the window" };
static LOAD: Reason = Reason { key: "load_window", about: "load outside the window" };
static BATTERY: Reason =
    Reason { key: "battery_window", about: "battery voltage outside the window, or unknown" };
static ENGINE: Reason =
    Reason { key: "engine_temp_window", about: "engine temperature outside the window, or unknown" };
static AIR: Reason =
    Reason { key: "air_temp_window", about: "air temperature outside the window, or unknown" };

/// A slow channel's value stays good for this long. Common practice, no source.
const SLOW_LASTS_S: f64 = 10.0;

impl StageSettings for Window {
    const NAME: &'static str = "window";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Keeps samples inside ranges of engine speed, load, battery voltage and temperatures. \
         A range on a channel the log does not have is passed over.";
    const SOURCE: &'static str = "common practice, no source";
    const EXAMPLE: &'static str = "- window: { rpm: [1000, 9000], battery_v: [11.5, 15.5] }";
    const REASONS: &'static [&'static Reason] = &[&RPM, &LOAD, &BATTERY, &ENGINE, &AIR];

    fn check(&self) -> Result<(), (&'static str, String)> {
        let ranges = [
            ("rpm", self.rpm),
            ("load", self.load),
            ("battery_v", self.battery_v),
            ("engine_temp_c", self.engine_temp_c),
            ("air_temp_c", self.air_temp_c),
        ];
        for (key, range) in ranges {
            if let Some([low, high]) = range
                && low > high
            {
                return Err((key, format!("`{key}` must ascend, got [{low}, {high}]")));
            }
        }
        Ok(())
    }

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Window {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let slow = |channel| rows.held(channel, SLOW_LASTS_S);
        let watched = [
            (self.rpm, Some(rows.rpm().into()), &RPM),
            (self.load, Some(rows.load().into()), &LOAD),
            (self.battery_v, slow(Channel::BatteryV), &BATTERY),
            (self.engine_temp_c, slow(Channel::EngineTempC), &ENGINE),
            (self.air_temp_c, slow(Channel::AirTempC), &AIR),
        ];
        for (range, values, reason) in watched {
            let (Some([low, high]), Some(values)) = (range, values) else { continue };
            for (i, value) in values.iter().enumerate() {
                if !(low..=high).contains(value) {
                    rows.drop_sample(i, reason);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    #[test]
    fn ends_belong_to_the_window_and_missing_channels_are_passed_over() {
        let ride = ride(&[
            (Channel::Rpm, vec![999.0, 1000.0, 2000.0, 2001.0]),
            (Channel::ThrottlePct, vec![10.0; 4]),
            (Channel::Lambda, vec![1.0; 4]),
            (Channel::BatteryV, vec![13.0, f64::NAN, 11.0, 13.0]),
        ]);
        let settings = "- window: { rpm: [1000, 2000], battery_v: [12, 15], air_temp_c: [0, 40] }";
        let (kept, reasons) = apply(settings, &ride, |_| {});
        assert_eq!(kept, [false, true, false, false]);
        assert_eq!(reasons, ["battery_window", "rpm_window"]);
    }
}
