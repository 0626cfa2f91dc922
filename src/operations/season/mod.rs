//! `season`: how the map evolved, told whole.
//!
//! A bike with its history enters, a [`SeasonReport`] leaves: the same figures for
//! the terminal, for JSON and for the page. Nothing is read from rides; what they
//! said was written down by the runs that used them (`evidence/<slot>.rides.yaml`).

use crate::bike::FuelTableKind;
use crate::evidence::{EvidenceRow, LambdaError, PassedOver, StatedFinding};
use crate::operations::HistoryEntry;
use crate::ride::RideState;
use crate::table::LoadAxis;
use serde::Serialize;
use std::collections::BTreeMap;

/// The story of a bike's map.
#[derive(Debug, Clone, Serialize)]
pub struct SeasonReport {
    /// The bike's name.
    pub bike: String,
    /// The builds, oldest first.
    pub builds: Vec<SeasonBuild>,
    /// Every revision, oldest first, of all slots.
    pub revisions: Vec<HistoryEntry>,
    /// The slots that are told, in the order of bike.yaml.
    pub slots: Vec<SlotSeason>,
    /// The rides that the register knows, in order of registration.
    pub rides: Vec<SeasonRide>,
    /// Samples of the counted rides dropped, by reason, each ride once.
    pub rejected: BTreeMap<String, usize>,
    /// Samples of the counted rides, each ride once.
    pub samples: usize,
    /// Of these, how many reached the evidence.
    pub kept: usize,
    /// Warnings given, oldest first, each once.
    pub warnings: Vec<SeasonWarning>,
}

/// One hardware state of the bike.
#[derive(Debug, Clone, Serialize)]
pub struct SeasonBuild {
    /// Its name.
    pub build: String,
    /// The day it was first ridden; none where builds.yaml does not name it.
    pub since: Option<String>,
    /// What was changed.
    pub what: Option<String>,
    /// Its first revision.
    pub first: Option<String>,
    /// Its last revision.
    pub last: Option<String>,
    /// How many revisions it has.
    pub revisions: usize,
}

/// The story of one slot.
#[derive(Debug, Clone, Serialize)]
pub struct SlotSeason {
    /// Its name.
    pub slot: String,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// What a fuel cell holds.
    pub fuel_table: FuelTableKind,
    /// Decimals of a fuel cell.
    pub decimals: usize,
    /// Breakpoints, 1/min.
    pub rpm: Vec<f64>,
    /// Breakpoints of the load axis.
    pub load: Vec<f64>,
    /// The first revision of the build on the bike now.
    pub start_revision: String,
    /// The newest revision.
    pub newest_revision: String,
    /// Every revision of this slot, oldest first, builds before this one included.
    pub steps: Vec<SlotStep>,
    /// Every cell, row-major (rpm by load).
    pub cells: Vec<SeasonCell>,
    /// Root mean square of all cells' change since the build's start, %.
    pub distance_rms_pct: f64,
    /// How the last two runs compare, in words and figures.
    pub convergence: Convergence,
}

/// A slot in one revision.
#[derive(Debug, Clone, Serialize)]
pub struct SlotStep {
    /// The revision: its position in [`SeasonReport::revisions`].
    pub revision_index: usize,
    /// Its name.
    pub revision: String,
    /// The cells, row-major, when the axes are those of the slot now.
    pub values: Option<Vec<f64>>,
    /// Fuel cells that changed against the step before.
    pub cells_changed: usize,
    /// Root mean square of the fuel change of all cells against the step before, %.
    pub change_rms_pct: f64,
    /// The largest change of a cell, with its sign, %.
    pub change_most_pct: f64,
    /// What a run knew of the map; none for the other kinds.
    pub knowledge: Option<Knowledge>,
}

/// What a run knew of the map.
#[derive(Debug, Clone, Serialize)]
pub struct Knowledge {
    /// Rides that counted.
    pub rides: usize,
    /// Seconds of riding behind them.
    pub ridden_s: f64,
    /// Share of the cells with evidence, 0 to 1.
    pub cells_with_evidence: f64,
    /// Share of the ridden time spent near cells that are well known, 0 to 1.
    pub time_well_known: f64,
    /// Cells that stopped at a limit.
    pub cells_at_limit: usize,
    /// Mixture error of the rides that were new in this run, with the tables they
    /// were ridden on, weighted by their time, %.
    pub as_ridden: Option<LambdaError>,
    /// The same rides with the table this run made.
    pub after: Option<LambdaError>,
    /// The evidence of every cell, row-major, when the axes are those of the slot now.
    pub evidence: Option<Vec<EvidenceRow>>,
    /// What held cells, and how many, most first.
    pub held: Vec<(String, usize)>,
}

/// One cell over the build on the bike now.
#[derive(Debug, Clone, Serialize)]
pub struct SeasonCell {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// What it holds now.
    pub now: f64,
    /// What it held at the build's first revision.
    pub start: f64,
    /// How much fuel it gained since, %.
    pub change_pct: f64,
    /// How far it travelled: the sum of all its changes without sign, %.
    pub travel_pct: f64,
    /// How often its direction turned.
    pub turns: usize,
    /// In how many runs it stopped at a limit.
    pub runs_at_limit: usize,
    /// The lambda wanted there now.
    pub wanted_lambda: f64,
    /// Ignition advance there now, degrees before top dead centre.
    pub spark_deg: Option<f64>,
    /// Why the tuner locked it.
    pub locked: Option<String>,
    /// What the newest run knew of it; none where the build has no run.
    pub evidence: Option<EvidenceRow>,
    /// Whether the evidence settles it.
    pub known: CellKnowledge,
}

/// How well a cell is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CellKnowledge {
    /// Its standard error is small.
    Well,
    /// There is evidence, not yet enough.
    Roughly,
    /// No ride said anything of it.
    NotAtAll,
}

/// Whether the map settles.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Convergence {
    /// Runs of this slot on this build.
    pub runs: usize,
    /// What it looks like.
    pub state: ConvergenceState,
    /// Root mean square error of the newest ride as it was ridden, %.
    pub newest_error_pct: Option<f64>,
    /// The same of the first ride of the build, %.
    pub first_error_pct: Option<f64>,
}

/// What the runs of a build look like so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ConvergenceState {
    /// No run yet.
    NoRun,
    /// Too few runs to tell.
    TooEarly,
    /// Each run changes less.
    Settling,
    /// The last run changed hardly anything.
    Settled,
    /// The last run changed no less than the one before.
    Moving,
}

/// One ride of the register with what it said.
#[derive(Debug, Clone, Serialize)]
pub struct SeasonRide {
    /// Its name.
    pub file: String,
    /// Its hash.
    pub sha256: String,
    /// The revision it was made on.
    pub revision: String,
    /// The slot it was made on.
    pub slot: String,
    /// The build it was made on.
    pub build: String,
    /// Whether it counts.
    pub state: RideState,
    /// The revisions it fed.
    pub used_in: Vec<String>,
    /// Why it was set aside.
    pub why: Option<String>,
    /// What it said, by slot, in the first run that used it there.
    pub said: Vec<RideSaid>,
}

/// What a ride said of a slot.
#[derive(Debug, Clone, Serialize)]
pub struct RideSaid {
    /// The slot.
    pub slot: String,
    /// The run that used it first.
    pub run: String,
    /// Samples in the log.
    pub samples: usize,
    /// Samples that reached the evidence.
    pub kept: usize,
    /// Seconds the engine ran on the slot.
    pub ridden_s: f64,
    /// Dropped samples by reason.
    pub rejected: BTreeMap<String, usize>,
    /// Its mixture error with the table it was ridden on.
    pub as_ridden: Option<LambdaError>,
    /// The same with the table of the run that used it first.
    pub after: Option<LambdaError>,
    /// The same with the table of the newest run that used it.
    pub now: Option<LambdaError>,
    /// Signs that its sensor or log lies.
    pub findings: Vec<StatedFinding>,
}

/// A warning a run gave.
#[derive(Debug, Clone, Serialize)]
pub struct SeasonWarning {
    /// The run.
    pub revision: String,
    /// The slot.
    pub slot: String,
    /// What it is about.
    pub about: WarnedOf,
}

/// What a warning is about.
#[derive(Debug, Clone, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WarnedOf {
    /// A sign in one ride that counted.
    Ride {
        /// The ride.
        file: String,
        /// The sign.
        finding: StatedFinding,
    },
    /// A sign in all rides together.
    AllRides(StatedFinding),
    /// A ride that was passed over.
    PassedOver(PassedOver),
}
