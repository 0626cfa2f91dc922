//! The lambda delays that rides found, held against each other.
//!
//! What each ride found enters; the delay of all together leaves, and how far each
//! ride lies off the others. Rides dwell at different speeds, so they are compared
//! at one operating point.

use super::delay::{DelayPoint, FoundDelay, MODEL_S};
use crate::bike::FixedDelay;
use crate::ride::median;
use serde::Serialize;

/// The delay that the rides found together.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct CommonDelay {
    /// Engine cycles.
    pub cycles: f64,
    /// Pipe volume, cm³.
    pub transport_ml: f64,
    /// Sensor lag, s.
    pub lag_s: f64,
    /// Seconds from cylinder to reading at the rides' usual operating point.
    pub typical_s: f64,
    /// Standard error of that.
    pub typical_std_error_s: f64,
    /// Rides that found it.
    pub rides: usize,
    /// Rides with too few transients, which kept the usual values.
    pub usual_kept: usize,
}

/// A ride's delay against that of the others, at one operating point, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ComparedDelay {
    /// What the ride found.
    pub own_s: f64,
    /// Standard error of it.
    pub own_std_error_s: f64,
    /// What the others found.
    pub others_s: f64,
    /// How many others.
    pub others: usize,
    /// Standard error of the difference.
    pub difference_std_error_s: f64,
}

impl ComparedDelay {
    /// How much later than the others it reads.
    pub fn difference_s(&self) -> f64 {
        self.own_s - self.others_s
    }

    /// The same in standard errors.
    pub fn sigmas(&self) -> f64 {
        self.difference_s() / self.difference_std_error_s
    }
}

/// The mean of what the rides found, each by its precision at the usual operating point.
///
/// The error takes each ride's as its own; what all took from the usual values
/// alike makes it a little too small. Gravely doubted rides have no say. `None`
/// without a ride that looked.
pub fn common_delay(found: &[&FoundDelay]) -> Option<CommonDelay> {
    let (kept, told): (Vec<&FoundDelay>, Vec<&FoundDelay>) =
        found.iter().copied().filter(|f| !f.grave).partition(|f| f.usual_kept);
    let speaking = if told.is_empty() { &kept } else { &told };
    let point = usual_point(speaking)?;
    let weights: Vec<f64> = speaking.iter().map(|f| 1.0 / f.variance_at(&point)).collect();
    let whole: f64 = weights.iter().sum();
    let mean = |part: fn(&FixedDelay) -> f64| {
        speaking.iter().zip(&weights).map(|(f, w)| w * part(&f.delay)).sum::<f64>() / whole
    };
    let delay = FixedDelay {
        cycles: mean(|d| d.cycles),
        transport_ml: mean(|d| d.transport_ml),
        lag_s: mean(|d| d.lag_s),
    };
    // Rides that only kept what is usual do not make it surer.
    let variance = if told.is_empty() { speaking.len() as f64 / whole } else { 1.0 / whole };
    Some(CommonDelay {
        cycles: delay.cycles,
        transport_ml: delay.transport_ml,
        lag_s: delay.lag_s,
        typical_s: point.delay_s(&delay),
        typical_std_error_s: (variance + MODEL_S * MODEL_S).sqrt(),
        rides: told.len(),
        usual_kept: kept.len(),
    })
}

/// Each ride against the others; `None` for one that kept the usual values, or is alone.
///
/// Shape: one entry a ride.
///
/// # Source
/// Leave-one-out comparison with the precision-weighted mean of the others: textbook.
pub fn compare_delays(found: &[Option<&FoundDelay>]) -> Vec<Option<ComparedDelay>> {
    let tells = |f: &Option<&FoundDelay>| f.is_some_and(|f| !f.usual_kept);
    let told: Vec<usize> = (0..found.len()).filter(|i| tells(&found[*i])).collect();
    let speaking: Vec<&FoundDelay> = told.iter().filter_map(|i| found[*i]).collect();
    let mut compared = vec![None; found.len()];
    let Some(point) = usual_point(&speaking).filter(|_| told.len() > 1) else { return compared };
    let value = |f: &FoundDelay| (point.delay_s(&f.delay), f.variance_at(&point) + MODEL_S * MODEL_S);
    let values: Vec<(f64, f64)> = speaking.iter().map(|f| value(f)).collect();
    for (own, ride) in told.iter().enumerate() {
        let others = || values.iter().enumerate().filter(|(i, _)| *i != own).map(|(_, v)| v);
        let whole: f64 = others().map(|(_, variance)| 1.0 / variance).sum();
        let mean = others().map(|(delay_s, variance)| delay_s / variance).sum::<f64>() / whole;
        let (own_s, variance) = values[own];
        compared[*ride] = Some(ComparedDelay {
            own_s,
            own_std_error_s: variance.sqrt(),
            others_s: mean,
            others: told.len() - 1,
            difference_std_error_s: (variance + 1.0 / whole).sqrt(),
        });
    }
    compared
}

/// The middle of the rides' usual operating points.
fn usual_point(found: &[&FoundDelay]) -> Option<DelayPoint> {
    let middle = |part: fn(&DelayPoint) -> f64| {
        let all: Vec<f64> = found.iter().map(|f| part(&f.usual_point)).filter(|v| v.is_finite()).collect();
        median(&all)
    };
    Some(DelayPoint { cycle_s: middle(|p| p.cycle_s)?, s_per_ml: middle(|p| p.s_per_ml)? })
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A ride that found this lag, with this error of it, at its own usual speed.
    pub(crate) fn found(lag_s: f64, error_s: f64, cycle_s: f64) -> FoundDelay {
        let delay = FixedDelay { lag_s, ..FixedDelay::USUAL };
        let usual_point = DelayPoint { cycle_s, s_per_ml: 2e-5 };
        let small = 1e-9;
        FoundDelay {
            delay,
            std_error: FixedDelay { cycles: small, transport_ml: small, lag_s: error_s },
            typical_s: usual_point.delay_s(&delay),
            typical_std_error_s: error_s,
            usual_kept: false,
            doubt: None,
            grave: false,
            usual_point,
            covariance: [[small, 0.0, 0.0], [0.0, small, 0.0], [0.0, 0.0, error_s * error_s]],
        }
    }

    #[test]
    fn rides_that_dwell_at_other_speeds_are_compared_at_one_point() {
        let rides = [found(0.08, 0.01, 0.03), found(0.08, 0.01, 0.12), found(0.08, 0.02, 0.06)];
        let all: Vec<Option<&FoundDelay>> = rides.iter().map(Some).collect();
        for compared in compare_delays(&all) {
            assert!(compared.is_some_and(|c| c.difference_s().abs() < 1e-9 && c.others == 2), "{compared:?}");
        }
        let common = common_delay(&rides.each_ref()).expect("rides");
        // 1.5 cycles of 0.06 s, 800 ml and the lag.
        assert!((common.typical_s - (0.09 + 0.016 + 0.08)).abs() < 1e-9, "{common:?}");
    }

    #[test]
    fn a_surer_ride_counts_more_and_one_that_kept_the_usual_not_at_all() {
        let kept = FoundDelay { usual_kept: true, ..found(0.3, 0.03, 0.04) };
        let (sure, unsure) = (found(0.06, 0.005, 0.04), found(0.11, 0.010, 0.04));
        let common = common_delay(&[&kept, &sure, &unsure]).expect("rides");
        assert!((common.lag_s - (4.0 * 0.06 + 0.11) / 5.0).abs() < 1e-5, "{common:?}");
        assert_eq!((common.rides, common.usual_kept), (2, 1));
        assert!(common.typical_std_error_s > MODEL_S, "what the model leaves out stays");
        let alone = common_delay(&[&kept, &kept]).expect("rides");
        assert_eq!((alone.rides, alone.usual_kept), (0, 2));
        assert!(alone.typical_std_error_s > 0.03, "two rides that do not know know no more than one");
        assert_eq!(common_delay(&[]), None);
        assert_eq!(compare_delays(&[Some(&kept), Some(&sure), None]), [None; 3]);
    }
}
