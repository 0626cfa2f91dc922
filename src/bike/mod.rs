//! The bike folder: bike.yaml, builds.yaml, tables, locks.
//!
//! Files of a folder (or of a commit) enter; a checked [`Bike`] and its
//! [`SlotTables`] leave, or every problem at once.

mod builds;
mod config;
mod engine_data;
mod folder;
mod hand_change;
mod hardware;
mod locking;
mod module_range;
mod slot;
mod stock;
mod stock_doubts;
mod template;

pub use builds::{Build, Builds, FIRST_BUILD};
pub use config::{
    Bike, Breathing, Chassis, ClosedLoop, ClosedLoopMode, Controller, Cooling, Delay, Density, Engine,
    FixedDelay, FuelTableKind, Gearing, Injectors, LambdaSensor, Mixture, Region, WarmEngine,
};
pub use engine_data::{AirTaken, EngineData, InjectorData, Rescaling, rescaling};
pub use folder::{BikeFolder, FileSource, WorkTree, read_regular};
pub use hand_change::{CannotApply, CellEdit, HandChange, HandDeed, NotAChange, SMOOTH_PCT, apply_changes};
pub use hardware::{ChangesJudged, HARDWARE_CHANGES, HardwareChange, JudgedChange, judge_changes};
pub use locking::{lock_cells, locks_text, unlock_cells};
pub use module_range::is_further_out;
pub use slot::{Lock, SlotTables, TableRole, fuel_path, locks_path, mixture_path, spark_path};
pub use stock::{STOCK_CELLS, StockBelow, is_stock_path, read_stock, stock_and_trim, stock_path};
pub use stock_doubts::StockInQuestion;
pub use template::{RATED_KPA, StockMap, Template, TemplateFile};

/// The name of the bike's own file.
pub const BIKE_FILE: &str = "bike.yaml";
/// The name of the hardware history.
pub const BUILDS_FILE: &str = "builds.yaml";
/// Where the tables lie.
pub const MAPS_FOLDER: &str = "maps";
/// Where the user's pipelines lie.
pub const PIPELINES_FOLDER: &str = "pipelines";
/// Where descriptions of foreign logs lie.
pub const LOGGERS_FOLDER: &str = "loggers";
/// Where the plans of mixture tables lie.
pub const MIXTURES_FOLDER: &str = "mixtures";
/// Where rides lie.
pub const RIDES_FOLDER: &str = "rides";
/// The folder for pages that the tool writes; outside git.
pub const REPORTS_FOLDER: &str = "reports";
/// The register of rides.
pub const REGISTER_FILE: &str = "rides.yaml";
/// Where the evidence behind the newest revision lies.
pub const EVIDENCE_FOLDER: &str = "evidence";
