//! `lambda_valid`: only what the sensor can tell, and only while it lives.

use super::super::rows::{Reason, RideContext, Rows};
use super::super::signs::{RailEnd, railed, still_for};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Which lambda readings count.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct LambdaValid {
    /// Lowest and highest lambda the sensor can tell; without it as bike.yaml says.
    pub valid: Option<[f64; 2]>,
    /// A reading that does not move at all for this long is frozen.
    #[schemars(range(min = 0.5, max = 600.0))]
    pub frozen_s: f64,
    /// How little counts as not moving, lambda.
    #[schemars(range(min = 0.0, max = 0.1))]
    pub frozen_span: f64,
    /// A reading at the ride's own highest or lowest value, or in a converter's noise there
    /// (0.006) though the rest of the ride is hardly ever that still, for this long is railed.
    #[schemars(range(min = 0.05, max = 60.0))]
    pub railed_s: f64,
}

impl Default for LambdaValid {
    fn default() -> Self {
        Self { valid: None, frozen_s: 4.0, frozen_span: 0.0005, railed_s: 0.4 }
    }
}

static MISSING: Reason = Reason { key: "lambda_missing", about: "no lambda reading" };
static OUT_OF_RANGE: Reason =
    Reason { key: "lambda_out_of_range", about: "lambda outside what the sensor can tell" };
static FROZEN: Reason = Reason { key: "lambda_frozen", about: "the lambda reading does not move" };
static RAILED_RICH: Reason =
    Reason { key: "lambda_railed_rich", about: "the lambda reading sticks at its rich end stop" };
static RAILED_LEAN: Reason =
    Reason { key: "lambda_railed_lean", about: "the lambda reading sticks at its lean end stop" };

impl StageSettings for LambdaValid {
    const NAME: &'static str = "lambda_valid";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str =
        "Keeps lambda readings inside the sensor's range that are neither frozen nor stuck at an end stop.";
    const SOURCE: &'static str = "common practice, no source";
    const EXAMPLE: &'static str = "- lambda_valid: { valid: [0.68, 1.36], frozen_s: 5 }";
    const REASONS: &'static [&'static Reason] =
        &[&MISSING, &OUT_OF_RANGE, &FROZEN, &RAILED_RICH, &RAILED_LEAN];

    fn check(&self) -> Result<(), (&'static str, String)> {
        match self.valid {
            Some([low, high]) if low >= high => {
                Err(("valid", format!("`valid` must ascend, got [{low}, {high}]")))
            }
            Some([low, _]) if low > 2.0 => Err(("valid", "`valid` is in lambda, not AFR".to_owned())),
            _ => Ok(()),
        }
    }

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for LambdaValid {
    fn apply(&self, rows: &mut Rows<'_>, context: &RideContext<'_>) {
        let valid = self.valid.unwrap_or(context.bike.lambda_sensor.valid);
        // Each sensor answers for itself, so that a dead one does not drag the
        // mean of both; a sample goes when no sensor is left.
        let troubles: Vec<Vec<Option<&'static Reason>>> =
            rows.sensors().iter().map(|sensor| self.troubles(rows.time_s(), sensor, valid)).collect();
        let checked = rows.sensors().iter().zip(&troubles).map(|(sensor, troubles)| {
            let reading = sensor.iter().zip(troubles);
            reading.map(|(value, trouble)| if trouble.is_some() { f64::NAN } else { *value }).collect()
        });
        let checked = checked.collect();
        for i in 0..rows.len() {
            if let (true, Some(reason)) = (troubles.iter().all(|t| t[i].is_some()), troubles[0][i]) {
                rows.drop_sample(i, reason);
            }
        }
        rows.set_sensors(checked);
    }
}

impl LambdaValid {
    /// What is wrong with each reading of one sensor.
    fn troubles(
        &self,
        time_s: &[f64],
        sensor: &[f64],
        [low, high]: [f64; 2],
    ) -> Vec<Option<&'static Reason>> {
        let still = still_for(time_s, sensor, self.frozen_span, self.frozen_s);
        let railed = railed(time_s, sensor, self.railed_s);
        let trouble = |i: usize| match sensor[i] {
            value if value.is_nan() => Some(&MISSING),
            value if !(low..=high).contains(&value) => Some(&OUT_OF_RANGE),
            _ if still[i] => Some(&FROZEN),
            _ => railed[i].map(|end| match end {
                RailEnd::Rich => &RAILED_RICH,
                RailEnd::Lean => &RAILED_LEAN,
            }),
        };
        (0..sensor.len()).map(trouble).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::apply;
    use crate::ride::Channel;

    fn kept(lambda: Vec<f64>, settings: &str) -> (usize, Vec<String>) {
        let n = lambda.len();
        let ride = ride(&[
            (Channel::Rpm, vec![3000.0; n]),
            (Channel::ThrottlePct, vec![20.0; n]),
            (Channel::Lambda, lambda),
        ]);
        let (kept, reasons) = apply(settings, &ride, |_| {});
        (kept.iter().filter(|k| **k).count(), reasons)
    }

    fn alive(i: u32) -> f64 {
        0.95 + 0.002 * f64::from(i % 7)
    }

    #[test]
    fn keeps_a_sample_on_the_limit_and_drops_one_beyond() {
        let lambda = vec![0.65, 0.649, 0.9, 1.0, 1.549, 1.55];
        let (kept, reasons) = kept(lambda, "- lambda_valid: { valid: [0.65, 1.549] }");
        assert_eq!((kept, reasons.as_slice()), (4, ["lambda_out_of_range".to_owned()].as_slice()));
    }

    #[test]
    fn a_frozen_sensor_is_noticed_and_a_living_one_is_not() {
        let frozen: Vec<f64> = (0..300).map(|i| if i < 150 { alive(i) } else { 0.98 }).collect();
        let (count, reasons) = kept(frozen, "- lambda_valid: {}");
        assert_eq!((count, reasons.as_slice()), (150, ["lambda_frozen".to_owned()].as_slice()));
        assert_eq!(kept((0..300).map(alive).collect(), "- lambda_valid: {}").0, 300);
    }

    #[test]
    fn a_dead_second_sensor_does_not_drag_the_first() {
        let n = 300;
        let ride = ride(&[
            (Channel::Rpm, vec![3000.0; n]),
            (Channel::ThrottlePct, vec![20.0; n]),
            (Channel::Lambda, (0..300).map(alive).collect()),
            (Channel::Lambda2, vec![0.70; n]),
        ]);
        let (bike, tables) = super::super::tests::bike();
        let context = super::RideContext::of_one_slot(&bike, &tables, "main");
        let mut rows = super::Rows::new(&ride, bike.controller.load).expect("channels");
        assert!(
            (rows.lambda()[0] - (alive(0) + 0.70) / 2.0).abs() < 1e-12,
            "both count before they are checked"
        );
        super::Filter::apply(&super::LambdaValid::default(), &mut rows, &context);
        assert_eq!(rows.kept(), n);
        assert!((0..300).all(|i| (rows.lambda()[i as usize] - alive(i)).abs() < 1e-12));
    }

    #[test]
    fn a_frozen_sensor_with_blank_rows_is_frozen_all_the_same() {
        let blank: Vec<f64> = (0..300).map(|i| if i % 3 == 0 { 0.98 } else { f64::NAN }).collect();
        let (count, reasons) = kept(blank, "- lambda_valid: {}");
        assert_eq!((count, reasons.len()), (0, 2));
    }

    #[test]
    fn an_end_stop_inside_the_valid_range_is_a_rail() {
        let railed: Vec<f64> =
            (0..300).map(|i| if (100..120).contains(&i) { 1.5 } else { alive(i) }).collect();
        let (count, reasons) = kept(railed, "- lambda_valid: {}");
        assert_eq!((count, reasons.as_slice()), (280, ["lambda_railed_lean".to_owned()].as_slice()));
    }

    #[test]
    fn a_rich_end_stop_in_a_converters_noise_is_a_rail_and_a_steady_rich_pull_is_none() {
        let ride = |at: fn(u32) -> f64| -> Vec<f64> {
            (0..300).map(|i| if (100..160).contains(&i) { at(i) } else { alive(i) }).collect()
        };
        let (count, reasons) = kept(ride(|i| 0.70 + 0.001 * f64::from(i * 5 % 4)), "- lambda_valid: {}");
        assert_eq!((count, reasons.as_slice()), (240, ["lambda_railed_rich".to_owned()].as_slice()));
        assert_eq!(kept(ride(|i| 0.70 + 0.003 * f64::from(i * 5 % 7)), "- lambda_valid: {}").0, 300);
    }
}
