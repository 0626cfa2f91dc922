//! The smallest step a cell can hold, and how it is written.

use crate::units;

/// A controller's step for the cells of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resolution {
    step: f64,
    decimals: usize,
}

impl Resolution {
    /// Most decimals a table file is written with.
    const MAX_DECIMALS: usize = 6;

    /// A resolution from a step such as 0.1, 0.5 or 1; `None` unless the step is
    /// positive and a decimal number of at most six places.
    pub fn new(step: f64) -> Option<Self> {
        if !(step.is_finite() && step > 0.0) {
            return None;
        }
        let decimals = (0..=Self::MAX_DECIMALS).find(|d| {
            let scaled = step * 10f64.powi(*d as i32);
            (scaled - scaled.round()).abs() < 1e-9 * scaled.max(1.0) && scaled.round() >= 1.0
        })?;
        Some(Self { step, decimals })
    }

    /// The step.
    pub fn step(&self) -> f64 {
        self.step
    }

    /// Decimals a cell is written with.
    pub fn decimals(&self) -> usize {
        self.decimals
    }

    /// A cell's value in whole steps, to the nearest.
    pub fn steps(&self, value: f64) -> i64 {
        (value / self.step).round() as i64
    }

    /// The value of whole steps, exactly as a file that holds it reads back.
    pub fn value(&self, steps: i64) -> f64 {
        let scale = 10f64.powi(self.decimals as i32);
        let per_step = (self.step * scale).round();
        steps as f64 * per_step / scale
    }

    /// The nearest value a cell can hold.
    pub fn snap(&self, value: f64) -> f64 {
        self.value(self.steps(value))
    }

    /// Whether a cell can hold this value.
    pub fn holds(&self, value: f64) -> bool {
        (self.snap(value) - value).abs() <= 1e-9 * value.abs().max(1.0)
    }

    /// The value as a table file writes it.
    pub fn text(&self, value: f64) -> String {
        units::fixed(value, self.decimals)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn finds_the_decimals_of_a_step() {
        let decimals = |step| Resolution::new(step).map(|r| r.decimals());
        assert_eq!(decimals(0.1), Some(1));
        assert_eq!(decimals(0.5), Some(1));
        assert_eq!(decimals(0.025), Some(3));
        assert_eq!(decimals(1.0), Some(0));
        assert_eq!(decimals(1.0 / 3.0), None);
        assert_eq!(decimals(0.0), None);
        assert_eq!(decimals(f64::NAN), None);
    }

    proptest! {
        #[test]
        fn a_snapped_value_survives_text(value in -500.0..500.0f64, step in prop::sample::select(vec![0.001, 0.01, 0.025, 0.1, 0.5, 1.0])) {
            let resolution = Resolution::new(step).expect("a decimal step");
            let snapped = resolution.snap(value);
            let read: f64 = resolution.text(snapped).parse().expect("a number");
            prop_assert_eq!(read, snapped + 0.0);
            prop_assert!(resolution.holds(snapped));
            prop_assert!((snapped - value).abs() <= step * 0.500001);
        }
    }
}
