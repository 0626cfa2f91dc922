//! What is known of one cell.

use super::{CellSums, Spread};
use crate::bike::FuelTableKind;
use serde::Serialize;

/// The evidence about one cell, in the unit of the fuel table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct CellEvidence {
    /// Seconds of riding that speak for the cell, by bilinear weight.
    pub weight_s: f64,
    /// The value the cell should hold.
    pub required: f64,
    /// Standard error of that value.
    pub std_error: f64,
    /// How many independent samples that is worth.
    pub effective_samples: f64,
    /// How many separate visits.
    pub dwells: u64,
    /// How many rides.
    pub rides: u64,
    /// How many rides that is worth: one that only brushed the cell hardly counts.
    pub effective_rides: f64,
}

impl CellEvidence {
    /// From the sums; `None` when no ride came near the cell.
    pub fn from_sums(sums: &CellSums, spread: &Spread, kind: FuelTableKind) -> Option<Self> {
        let mean = sums.mean()?;
        let std_error = sums.std_error(spread)?;
        Some(Self {
            weight_s: sums.w,
            required: kind.cell(mean),
            std_error: (kind.cell(mean + std_error) - kind.cell(mean)).abs(),
            effective_samples: sums.effective_samples(),
            dwells: sums.dwells,
            rides: sums.rides,
            effective_rides: sums.effective_rides(),
        })
    }
}
