//! What the commands do: each file one operation, from a bike folder to a report.
//!
//! Operations read and write folders and repositories but never a terminal;
//! clock and progress are handed in.

mod cell;
mod check;
mod delay;
mod demo;
mod diff;
mod error;
mod gaps;
mod history;
mod history_filter;
mod liars;
mod open;
mod past;
mod point;
mod rides;
mod rollback;
mod run;
mod run_revision;
mod run_statements;
pub mod season;
mod set_aside;
mod show;
mod simulate;
mod start;
mod status;
mod write;

pub use cell::{CellReport, CellStep, cell};
pub use check::{CheckReport, FoundProblem, RideCheck, check};
pub use delay::RideDelay;
pub use demo::{DEMO_ROUNDS, DemoReport, DemoRound, demo};
pub use diff::{ChangedCell, DiffReport, SettingChange, TableChange, diff};
pub use error::OperationError;
pub use gaps::{Gap, GapsReport, GapsRequest, Place, gaps};
pub use history::{HistoryEntry, history};
pub use history_filter::{AxisChoice, FilteredHistory, HistoryFilter, filtered_history};
pub use open::OpenBike;
pub use point::{Point, find_point, find_revision};
pub use rides::{RideStanding, StandingReason, UsableRide};
pub use rollback::{RollbackReport, RollbackRequest, rollback};
pub use run::{Progress, RideReport, RunReport, RunRequest, SkippedRide, run};
pub use run_revision::held_counts;
pub use set_aside::{RideFate, RideFateReport, decide_ride};
pub use show::{ShowReport, ShownEvidence, ShownTable, show};
pub use simulate::{SimulateReport, SimulateRequest, Style, simulate};
pub use start::{NewReport, new};
pub use status::{Status, status};
pub use write::tool_name;
