//! What the rides say about each cell.
//!
//! Samples of kept rows enter, ride by ride; mergeable sums come out, and from
//! the sums the weighted mean, its standard error and how often the cell was
//! visited. Sums of different rides are added in the order of the rides'
//! hashes, so the same rides give the same bytes in any order and on any
//! number of threads. Beside the mean stands the surface: the table that
//! explains all samples together.

mod accumulate;
mod banded;
mod cell;
mod file;
mod knock;
mod lambda_error;
mod low_flow;
mod odd_ride;
mod parquet_file;
mod rides_file;
mod robust;
mod sums;
mod surface;

pub use accumulate::{OnGrid, RideSamples, Sample, accumulate};
pub use banded::{Banded, Factor};
pub use cell::CellEvidence;
pub use file::{EvidenceRow, evidence_path, parse, write};
pub use knock::{FEWEST_EVENTS, knock_near_cells, knocks_at_deg};
pub use lambda_error::LambdaError;
pub use low_flow::{LowFlowRise, low_flow_rise};
pub use odd_ride::{FalseAir, Measured, RideComparison, RideSums, Scales, compare_rides};
pub use parquet_file::{EvidenceFile, EvidenceFileError, StoredRide, is_evidence_file};
pub use rides_file::{PassedOver, RIDES_END, RideStatement, RideStatements, StatedFinding, rides_path};
pub use robust::{HUBER_K, MAD_TO_SD, huber_weight, lower_median, weighted_median};
pub use sums::{CellSums, Spread};
pub use surface::{
    RideEquations, SurfaceFit, SurfaceSolution, equations, equations_on_grid, evidence_of, smoothness, solve,
};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How samples become one value a cell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Averaging {
    /// Deviations beyond this many robust standard deviations lose weight (Huber).
    #[schemars(range(min = 0.5, max = 10.0))]
    pub outlier_k: f64,
    /// The smallest spread a cell's samples are believed to have, %.
    #[schemars(range(min = 0.01, max = 10.0))]
    pub noise_floor_pct: f64,
    /// A visit ends when the operating point stays away for this long.
    #[schemars(range(min = 0.0, max = 60.0))]
    pub dwell_gap_s: f64,
    /// How far one visit's mean lies from another's before the rides show it, %.
    #[schemars(range(min = 0.05, max = 20.0))]
    pub dwell_spread_pct: f64,
    /// How far one ride's mean lies from another's before the rides show it, %.
    #[schemars(range(min = 0.05, max = 20.0))]
    pub ride_spread_pct: f64,
    /// How many visits those two presumptions are worth.
    #[schemars(range(min = 0.1, max = 50.0))]
    pub presumed_visits: f64,
}

impl Default for Averaging {
    fn default() -> Self {
        Self {
            outlier_k: HUBER_K,
            noise_floor_pct: 0.5,
            dwell_gap_s: 1.0,
            dwell_spread_pct: 2.0,
            ride_spread_pct: 0.8,
            presumed_visits: 3.0,
        }
    }
}

/// How a pipeline turns samples into a value per cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Estimator {
    /// The weighted mean: simple, and easy to explain.
    Mean(Averaging),
    /// The surface that explains all samples together.
    Surface(SurfaceFit),
}

impl Estimator {
    /// How visits, seconds and rides are counted beside the value.
    pub fn averaging(&self) -> Averaging {
        match self {
            Estimator::Mean(averaging) => *averaging,
            Estimator::Surface(fit) => fit.averaging(),
        }
    }
}

impl Estimator {
    /// Whether its values have weighed today's table already.
    pub fn weighs_today(&self) -> bool {
        matches!(self, Estimator::Surface(_))
    }
}

impl Averaging {
    /// The presumptions about spread, as ratios.
    pub fn spread(&self) -> Spread {
        Spread {
            dwell: self.dwell_spread_pct / 100.0,
            ride: self.ride_spread_pct / 100.0,
            visits: self.presumed_visits,
        }
    }
}
