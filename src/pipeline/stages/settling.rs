//! `settling`: takes out of each lambda what film, filling and lag put in.
//!
//! Where `transients` drops what moves, this stage keeps it: it predicts what the
//! sensor would have read on the way if the table were right, divides that out,
//! and lets a sample count the less the more there was to divide out.

use super::super::readings::Readings;
use super::super::response::{Alignment, Following};
use super::super::rows::{Reason, RideContext, Rows};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How fuel and air follow the hand, and how far that is believed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Settling {
    /// Share of the fuel that lands on the wall and that the controller does not make up for.
    #[schemars(range(min = 0.0, max = 0.8))]
    pub film_share: f64,
    /// Time constant with which the film leaves the wall, at 3000 1/min.
    #[schemars(range(min = 0.05, max = 5.0))]
    pub film_s: f64,
    /// Time constant of the manifold's filling, in engine cycles.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub filling_cycles: f64,
    /// Spread of a sample of steady running, %: one whose correction for settling
    /// is as large counts half.
    #[schemars(range(min = 0.1, max = 20.0))]
    pub steady_spread_pct: f64,
    /// Error of the timing: while the wanted fuel changes by so much, a sample is
    /// less sure.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub timing_s: f64,
    /// Reach of a movement into the samples before and after it.
    #[schemars(range(min = 0.01, max = 5.0))]
    pub reach_s: f64,
    /// Samples whose correction for settling is larger than this are dropped, %.
    #[schemars(range(min = 1.0, max = 100.0))]
    pub largest_pct: f64,
}

impl Default for Settling {
    fn default() -> Self {
        let usual = Following::default();
        Self {
            film_share: usual.film_share,
            film_s: usual.film_s,
            filling_cycles: usual.filling_cycles,
            steady_spread_pct: 1.2,
            timing_s: 0.06,
            reach_s: 0.2,
            largest_pct: 30.0,
        }
    }
}

static UNKNOWN: Reason =
    Reason { key: "settling_unknown", about: "the log is too sparse here to say what the mixture did" };
static TOO_LARGE: Reason = Reason {
    key: "settling_too_large",
    about: "film and filling disturb the mixture too much to be taken out",
};

impl StageSettings for Settling {
    const NAME: &'static str = "settling";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Predicts, from the ridden table, how wall film, manifold filling and the sensor's lag \
         disturb lambda while the engine moves, and divides that out; a sample counts the less the more there was to \
         divide out. Stands after `align`, and keeps what `transients` would drop. It needs `fuel_cut` in the log to \
         follow the film through overrun.";
    const SOURCE: &'static str = "film: Aquino, SAE 810494 (1981), equations from memory, and that share and time depend \
         strongly on speed: SAE 2009-01-0591 (abstract read); filling: Hendricks and Sorenson, SAE 900616 (1990); sizes are \
         from memory; the spreads were chosen on virtual bikes";
    const EXAMPLE: &'static str = "- settling: { film_share: 0.15, film_s: 0.5 }";
    const REASONS: &'static [&'static Reason] = &[&UNKNOWN, &TOO_LARGE];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for Settling {
    fn apply(&self, rows: &mut Rows<'_>, _context: &RideContext<'_>) {
        let Some(found) = rows.alignment().map(|alignment| self.disturbances(alignment)) else {
            rows.drop_where(&vec![true; rows.len()], &UNKNOWN);
            return;
        };
        let largest = (1.0 + self.largest_pct / 100.0).ln();
        let steady = self.steady_spread_pct / 100.0;
        let mut certainty = rows.certainty().to_vec();
        for (i, found) in found.iter().enumerate() {
            if !found.is_known() {
                rows.drop_sample(i, &UNKNOWN);
            } else if found.size > largest {
                rows.drop_sample(i, &TOO_LARGE);
            } else {
                certainty[i] *= 1.0 / (1.0 + found.doubt_squared / (steady * steady));
            }
        }
        let settled = |value: &f64, found: &Disturbance| match found.is_known() {
            true => value / found.ratio,
            false => f64::NAN,
        };
        let sensors = rows.sensors().iter();
        let sensors = sensors.map(|sensor| sensor.iter().zip(&found).map(|(v, f)| settled(v, f)).collect());
        let sensors = sensors.collect();
        rows.set_sensors(sensors);
        rows.set_certainty(certainty);
    }
}

/// How the reading that belongs to a row is disturbed; NaN where nobody knows.
struct Disturbance {
    /// Predicted reading over the lambda that the controller meant to give.
    ratio: f64,
    /// Its logarithm, without sign.
    size: f64,
    /// How far the prediction may be off, as a ratio, squared.
    doubt_squared: f64,
}

impl Disturbance {
    fn is_known(&self) -> bool {
        self.ratio.is_finite() && self.doubt_squared.is_finite()
    }
}

impl Settling {
    fn disturbances(&self, alignment: &Alignment<'_>) -> Vec<Disturbance> {
        let (course, meant) = (&alignment.course, alignment.course.meant());
        let following = Following {
            film_share: self.film_share,
            film_s: self.film_s,
            filling_cycles: self.filling_cycles,
        };
        let cylinder = course.cylinder_lambda(&following);
        let reading = course.reading(&cylinder, &alignment.delay);
        let readings = Readings::new(course.time_s(), &reading);
        let mut sizes = Vec::with_capacity(course.len());
        let disturbance = |i: usize| {
            let shows_s = course.shows_at_s(i, &alignment.delay);
            let ratio = readings.at(shows_s, course.gap_s()) / meant[i];
            let size = ratio.ln().abs();
            sizes.push(size.max((cylinder[i] / meant[i]).ln().abs()));
            Disturbance { ratio, size, doubt_squared: f64::NAN }
        };
        let mut found: Vec<Disturbance> = (0..course.len()).map(disturbance).collect();
        let sizes = course.trails(&sizes, self.reach_s);
        let rates = course.trails(&rates(course.time_s(), course.air()), self.reach_s);
        for (found, (size, rate)) in found.iter_mut().zip(sizes.iter().zip(&rates)) {
            found.doubt_squared = size.powi(2) + (self.timing_s * rate).powi(2);
        }
        found
    }
}

/// Relative rate of change around each value, 1/s.
fn rates(time_s: &[f64], values: &[f64]) -> Vec<f64> {
    let slope = |a: usize, b: usize| ((values[b] / values[a]).ln() / (time_s[b] - time_s[a])).abs();
    let last = values.len().saturating_sub(1);
    (0..values.len())
        .map(|i| match (i > 0, i < last) {
            (true, true) => slope(i - 1, i + 1),
            (true, false) => slope(i - 1, i),
            (false, true) => slope(i, i + 1),
            (false, false) => 0.0,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::align::Align;
    use super::super::tests::{apply, bike};
    use super::*;
    use crate::ride::{Channel, Ride};

    fn stepping() -> Ride {
        let n = 600;
        ride(&[
            (Channel::Rpm, vec![3000.0; n]),
            (Channel::ThrottlePct, (0..n).map(|i| if i / 100 % 2 == 0 { 10.0 } else { 24.0 }).collect()),
            (Channel::Lambda, vec![0.95; n]),
            (Channel::LambdaTarget, vec![1.0; n]),
        ])
    }

    #[test]
    fn a_steady_sample_keeps_its_lambda_and_counts_in_full_and_a_moving_one_counts_less() {
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let log = stepping();
        let mut rows = Rows::new(&log, bike.controller.load).expect("channels");
        Align::default().apply(&mut rows, &context);
        Settling::default().apply(&mut rows, &context);
        assert!((rows.lambda()[170] - 0.95).abs() < 1e-3, "{}", rows.lambda()[170]);
        assert!(rows.certainty()[170] > 0.9, "{}", rows.certainty()[170]);
        // At the step itself the film makes the mixture lean: with a reading that shows none of
        // it the table must be rich there, and the sample says so only faintly.
        assert!(rows.certainty()[101] < 0.2, "{}", rows.certainty()[101]);
        assert!((0..500).all(|i| rows.is_kept(i)));
    }

    #[test]
    fn without_align_nothing_is_known() {
        let (kept, reasons) = apply("- settling: {}", &stepping(), |_| {});
        assert!(kept.iter().all(|k| !k));
        assert_eq!(reasons, ["settling_unknown"]);
    }
}
