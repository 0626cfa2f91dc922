//! YAML → a checked plan → kept samples, evidence and a proposal.
//!
//! A pipeline file lists stages in order. Filters keep or drop samples of one
//! ride, `average` turns what is kept into evidence, `blend` turns evidence
//! into the proposed table. Adding a stage is one file in `stages/` and one
//! line in its registry.

mod gas_flow;
mod plan;
mod ride_run;
mod rows;
mod shipped;
mod stage;
pub mod stages;
mod steadiness;

pub use gas_flow::gas_flow_kg_s;
pub use plan::{Plan, RideChoice, schema};
pub use ride_run::{Funnel, FunnelStep, RideOutcome, RideTrouble, STEP_REASONS, run_ride};
pub use rows::{Reason, RideContext, Rows, hold, rate};
pub use shipped::{DEFAULT_PIPELINE, SHIPPED, shipped};
pub use stage::{Filter, SettingDoc, Stage, StageEntry, StageKind, StageSettings, entry};
pub use steadiness::{RatioFilters, variance_ratio};
