//! A value that may go with the engine speed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One value, or values by engine speed, as a file says it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub(super) enum ByRpm {
    /// The same at every engine speed.
    Same(f64),
    /// By engine speed, 1/min.
    ByRpm(BTreeMap<String, f64>),
}

/// A value over engine speed: points in ascending order; between them the line holds, beyond
/// the ends the nearest.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve(Vec<(f64, f64)>);

impl Curve {
    /// The same value at every engine speed.
    pub fn flat(value: f64) -> Self {
        Self(vec![(0.0, value)])
    }

    /// The curve of a file; the key that is no engine speed where one is not.
    pub(super) fn of(written: &ByRpm) -> Result<Self, String> {
        /// Engine speeds a plan may name, 1/min. Common practice, no source.
        const RPM: std::ops::RangeInclusive<f64> = 0.0..=30_000.0;
        match written {
            ByRpm::Same(value) => Ok(Self::flat(*value)),
            ByRpm::ByRpm(points) => {
                let read = points.iter().map(|(key, value)| match key.trim().parse::<f64>() {
                    Ok(rpm) if RPM.contains(&rpm) => Ok((rpm, *value)),
                    _ => Err(key.clone()),
                });
                let mut read: Vec<(f64, f64)> = read.collect::<Result<_, _>>()?;
                read.sort_by(|a, b| a.0.total_cmp(&b.0));
                if read.is_empty() { Err(String::new()) } else { Ok(Self(read)) }
            }
        }
    }

    /// The value at an engine speed, 1/min.
    pub fn at(&self, rpm: f64) -> f64 {
        let points = &self.0;
        let above = points.partition_point(|(at, _)| *at <= rpm);
        match (above.checked_sub(1).map(|i| points[i]), points.get(above)) {
            (Some(low), Some(high)) => low.1 + (high.1 - low.1) * (rpm - low.0) / (high.0 - low.0),
            (Some(only), None) => only.1,
            (None, Some(only)) => only.1,
            (None, None) => f64::NAN,
        }
    }

    /// The same curve with every value changed.
    pub(super) fn map(&self, change: impl Fn(f64) -> f64) -> Self {
        Self(self.0.iter().map(|(rpm, value)| (*rpm, change(*value))).collect())
    }

    /// Its values at its points, and the engine speeds of these, 1/min.
    pub(super) fn points(&self) -> &[(f64, f64)] {
        &self.0
    }

    /// The lowest and the highest value.
    pub fn range(&self) -> [f64; 2] {
        let values = self.0.iter().map(|(_, value)| *value);
        let fold = |[low, high]: [f64; 2], value: f64| [low.min(value), high.max(value)];
        values.fold([f64::INFINITY, f64::NEG_INFINITY], fold)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_straight_between_its_points_and_level_beyond_them() {
        let points = [("3000".to_owned(), 40.0), ("10000".to_owned(), 20.0), ("6000".to_owned(), 30.0)];
        let curve = Curve::of(&ByRpm::ByRpm(points.into_iter().collect())).expect("a curve");
        assert_eq!(
            [0.0, 3000.0, 4500.0, 8000.0, 12_000.0].map(|rpm| curve.at(rpm)),
            [40.0, 40.0, 35.0, 25.0, 20.0]
        );
        assert_eq!(curve.range(), [20.0, 40.0]);
        let odd = ByRpm::ByRpm([("fast".to_owned(), 1.0)].into_iter().collect());
        assert_eq!(Curve::of(&odd), Err("fast".to_owned()));
    }
}
