//! What the commands do: each file one operation, from a bike folder to a report.
//!
//! Operations read and write folders and repositories but never a terminal;
//! clock and progress are handed in.

mod air_temp_bias;
mod build;
mod by_hand;
mod by_hand_revision;
pub mod calc;
mod cell;
mod check;
mod check_ride;
mod collected;
mod compare;
mod delay;
mod demo;
mod diff;
mod edit;
mod error;
mod export;
mod find_rides;
mod gaps;
mod git_files;
mod guess_logger;
mod headroom;
mod history;
mod history_filter;
mod import;
mod knock;
mod liars;
mod made_on;
mod mixture;
mod new_bike;
mod open;
mod past;
mod point;
pub mod power;
mod read_rides;
mod recall;
mod replay;
mod rescale;
mod response;
mod ridden_on;
mod ride_key;
mod ride_record;
mod rides;
mod rollback;
mod rollback_look;
mod run;
mod run_end;
mod run_notes;
mod run_report;
mod run_revision;
mod run_statements;
mod run_sums;
pub mod season;
mod set_aside;
mod show;
mod simulate;
mod slot_past;
mod start;
mod status;
mod taken_along;
mod verify;
mod waiting_rides;
mod watch;
mod whole_file;
mod write;

pub use air_temp_bias::{AirTempBias, BiasAt};
pub use build::{BuildReport, BuildRequest, build_add};
pub use by_hand::{CellCounts, HandReport, HandRequest, LockedCell};
pub use cell::{CellReport, CellStep, cell};
pub use check::{CheckReport, FoundProblem, RideCheck, check};
pub use collected::{
    CollectReport, CollectRequest, CollectedRide, EvidenceWritten, MergeReport, collect_evidence,
    merge_evidence,
};
pub use compare::{CompareReport, CompareRequest, FuelChange, SlotCompared, TableCompared, compare};
pub use delay::RideDelay;
pub use demo::{DEMO_ROUNDS, DemoReport, DemoRound, demo};
pub use diff::{AXES_DIFFER, ChangedCell, DiffReport, SettingChange, TableChange, diff};
pub use edit::{EditRequest, edit};
pub use error::OperationError;
pub use export::{ExportReport, ExportRequest, export};
pub use gaps::{Gap, GapsReport, GapsRequest, Place, gaps};
pub use git_files::{GitSetupReport, git_setup};
pub use guess_logger::{GuessPlace, GuessReport, GuessRequest, guess_logger};
pub use headroom::{
    AirCase, CellDuty, DutyLimits, FullLoadPoint, HeadroomReport, HeadroomRequest, MapHeadroom, RideDuty,
    Supply, TargetPower, headroom,
};
pub use history::{HistoryEntry, history};
pub use history_filter::{AxisChoice, FilteredHistory, HistoryFilter, filtered_history};
pub use import::{ImportRequest, ImportSource, import};
pub use knock::{KnockCell, KnockReport, KnockRequest, KnockRide, knock};
pub use mixture::{MixtureReport, MixtureRequest, mixture};
pub use new_bike::{NewReport, NewRequest, StockTold, check_stock, new, new_bike};
pub use open::OpenBike;
pub use point::{Point, find_point, find_revision};
pub use power::{PowerReport, PowerRequest, power};
pub use rescale::{FromTold, RescaleReport, RescaleRequest, SlotRescaled, rescale};
pub use response::{DiscardedSteps, ResponseReport, ResponseRequest, RideResponse, response};
pub use rides::{RideStanding, StandingReason, UsableRide};
pub use rollback::{RollbackReport, RollbackRequest, rollback};
pub use run::{Progress, RunRequest, run, run_on_evidence};
pub use run_report::{RideReport, RunReport, SkippedRide};
pub use run_revision::held_counts;
pub use set_aside::{RideCorrection, RideFate, RideFateReport, decide_ride};
pub use show::{ShowReport, ShownEvidence, ShownTable, ShownTotal, show};
pub use simulate::{SimulateReport, SimulateRequest, Style, simulate};
pub use start::refuse_taken;
pub use status::{SlotToCorrect, Status, status};
pub use verify::{Difference, ReplayOutcome, Trouble, TroubleKind, VerifiedRevision, VerifyReport, verify};
pub use watch::{ListedRide, ReadyRides, Settling, is_busy, list_rides, watch_begin, watch_look};
pub use whole_file::WholeFile;
pub use write::tool_name;
