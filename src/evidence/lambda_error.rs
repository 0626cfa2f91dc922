//! How far a table is from what one ride asked for.

use super::CellSums;
use serde::{Deserialize, Serialize};

/// The mixture error one ride would have felt with a table, by its own sensor.
///
/// Each cell's mean is taken first, so that the noise of single samples does not
/// hide a map that is right; cells count by the seconds ridden near them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct LambdaError {
    /// Mean of measured over wanted lambda, less one, %; positive is lean.
    pub lean_pct: f64,
    /// Root mean square of the same over the cells, %.
    pub rms_pct: f64,
}

impl LambdaError {
    /// The error of a table against a ride's sums.
    ///
    /// `amounts` holds the fuel of each cell, in the order of `sums`. `None` when
    /// the ride said nothing of a cell that holds fuel.
    ///
    /// Units: `sums` and `amounts` in the same amount of fuel; result in %.
    pub fn of_ride(sums: &[CellSums], amounts: &[f64]) -> Option<Self> {
        let mut weight = 0.0;
        let (mut lean, mut square) = (0.0, 0.0);
        for (sum, amount) in sums.iter().zip(amounts) {
            let Some(asked) = sum.mean().filter(|_| *amount > 0.0) else { continue };
            let error = asked / amount - 1.0;
            weight += sum.w;
            lean += sum.w * error;
            square += sum.w * error * error;
        }
        (weight > 0.0)
            .then(|| Self { lean_pct: lean / weight * 100.0, rms_pct: (square / weight).sqrt() * 100.0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asks(seconds: f64, amount: f64) -> CellSums {
        CellSums { w: seconds, wy: seconds * amount, ..CellSums::default() }
    }

    #[test]
    fn cells_count_by_their_seconds_and_lean_is_positive() {
        let sums = [asks(3.0, 104.0), asks(1.0, 92.0), CellSums::default()];
        let error = LambdaError::of_ride(&sums, &[100.0, 100.0, 0.0]).expect("ridden cells");
        assert!((error.lean_pct - 1.0).abs() < 1e-9, "{error:?}");
        assert!((error.rms_pct - 28f64.sqrt()).abs() < 1e-9, "{error:?}");
        assert_eq!(LambdaError::of_ride(&sums, &[104.0, 92.0, 1.0]).map(|e| e.rms_pct), Some(0.0));
        assert_eq!(LambdaError::of_ride(&[CellSums::default()], &[1.0]), None);
    }
}
