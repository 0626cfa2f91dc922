//! YAML → a checked plan → kept samples, evidence and a proposal.
//!
//! A pipeline file lists stages in order. Filters keep or drop samples of one
//! ride, `average` turns what is kept into evidence, `blend` turns evidence
//! into the proposed table. Adding a stage is one file in `stages/` and one
//! line in its registry.

mod delay;
pub(crate) mod delays;
mod gas_flow;
mod lag;
mod lively;
mod plan;
mod readings;
mod response;
mod ridden;
mod ride_run;
mod rows;
mod same_ride;
mod shipped;
pub mod signs;
mod stage;
pub mod stages;
mod steadiness;
mod timing;
mod together;
mod unexplained;

pub use delay::{DelayPoint, FoundDelay};
pub use delays::{CommonDelay, ComparedDelay, common_delay, compare_delays};
pub use gas_flow::{gas_flow_kg_s, gas_flow_of_cells};
pub use plan::{Plan, RideChoice, schema};
pub use response::{Alignment, Course, Following};
pub use ridden::{Ridden, RiddenRows};
pub(crate) use ridden::{on_known_slot, rows_before_first_slot, rows_on_told_slot};
pub use ride_run::{
    Funnel, FunnelStep, RideOutcome, RideTrouble, STEP_REASONS, aligned_rows, found_delay, run_ride,
};
pub(crate) use rows::load_channel;
pub use rows::{Reason, RideContext, Rows, hold, rate};
pub use same_ride::{Traces, same_rides};
pub use shipped::{DEFAULT_PIPELINE, SHIPPED, shipped};
pub use stage::{Filter, SettingDoc, Stage, StageEntry, StageKind, StageSettings, entry};
pub use steadiness::{RatioFilters, variance_ratio};
pub use together::{Together, evidence_of_rides};
