//! `season`: how the map evolved, told whole.
//!
//! A bike with its history enters, a [`SeasonReport`] leaves: the same figures for
//! the terminal, for JSON and for the page. Nothing is read from rides; what they
//! said was written down by the runs that used them (`evidence/<slot>.rides.jsonl`).

mod slot;
mod told;

pub use slot::WELL_KNOWN_PCT;
pub(super) use slot::{is_spoken_of, relative_error_pct, standing_evidence, time_well_known};
pub(super) use told::together;

use super::error::OperationError;
use super::history::{HistoryEntry, history};
use super::open::OpenBike;
use super::past::Past;
use crate::bike::FuelTableKind;
use crate::evidence::{EvidenceRow, LambdaError, PassedOver, StatedFinding};
use crate::ride::RideState;
use crate::table::LoadAxis;
use serde::Serialize;
use std::collections::BTreeMap;

/// Tells the season of one slot, or of all.
///
/// # Errors
/// When there is no such slot, no revision yet, or one cannot be read any more.
pub fn season(bike: &OpenBike, slot: Option<&str>) -> Result<SeasonReport, OperationError> {
    if bike.revisions.is_empty() {
        return Err(OperationError::failed("this bike has no revisions yet", "`rideloop run` makes them"));
    }
    let names = match slot {
        Some(name) => vec![bike.slot(Some(name))?],
        None => bike.folder.bike.slots.clone(),
    };
    let past = Past::new(bike);
    let told = names.iter().map(|name| told::of_slot(bike, &past, name)).collect::<Result<Vec<_>, _>>()?;
    let slots = names
        .iter()
        .zip(&told)
        .map(|(name, told)| slot::slot_season(bike, &past, name, told))
        .collect::<Result<Vec<_>, _>>()?;
    let rides = told::rides(bike, &told);
    let totals = told::totals(&rides);
    let mut revisions = history(bike);
    revisions.reverse();
    let order = |name: &str| revisions.iter().position(|r| r.revision == name);
    let mut warnings: Vec<SeasonWarning> = told.iter().flat_map(|t| t.warnings.clone()).collect();
    warnings.sort_by_key(|warning| order(&warning.revision));
    Ok(SeasonReport {
        bike: bike.folder.bike.name.clone(),
        builds: builds(bike, &revisions),
        slots,
        rejected: totals.rejected,
        samples: totals.samples,
        kept: totals.kept,
        rides,
        warnings,
        revisions,
    })
}

/// The builds that builds.yaml or a revision names, in the order they came.
fn builds(bike: &OpenBike, revisions: &[HistoryEntry]) -> Vec<SeasonBuild> {
    let mut names: Vec<&str> = revisions.iter().map(|r| r.build.as_str()).collect();
    names.extend(bike.folder.builds.list().iter().map(|b| b.build.as_str()));
    let listed = |name: &str| bike.folder.builds.list().iter().position(|b| b.build == name);
    let mut builds: Vec<SeasonBuild> = Vec::new();
    for name in names {
        if builds.iter().any(|b| b.build == name) {
            continue;
        }
        let known = bike.folder.builds.list().iter().find(|b| b.build == name);
        let mut of_build = revisions.iter().filter(|r| r.build == name).map(|r| r.revision.clone());
        let count = revisions.iter().filter(|r| r.build == name).count();
        let first = of_build.next();
        builds.push(SeasonBuild {
            build: name.to_owned(),
            since: known.map(|b| b.since.clone()),
            what: known.map(|b| b.what.clone()),
            last: of_build.next_back().or_else(|| first.clone()),
            first,
            revisions: count,
        });
    }
    // builds.yaml knows the order; a build it does not name stays where it came.
    builds.sort_by_key(|b| listed(&b.build).unwrap_or(0));
    builds
}

/// The story of a bike's map.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
    /// How much the rides behind the map as it is know of it; none where no ride of
    /// this build stands behind it.
    pub known_now: Option<KnownNow>,
    /// Whether the map settles.
    pub convergence: Convergence,
}

/// A cell whose direction turned so often goes back and forth. Common practice, no source.
const MANY_TURNS: usize = 2;

impl SlotSeason {
    /// The cells that changed since the build's start, the one that moved most first.
    pub fn moved_most(&self) -> Vec<&SeasonCell> {
        let mut cells: Vec<&SeasonCell> =
            self.cells.iter().filter(|c| c.change_pct.is_finite() && c.change_pct != 0.0).collect();
        cells.sort_by(|a, b| b.change_pct.abs().total_cmp(&a.change_pct.abs()));
        cells
    }

    /// The cells that go back and forth, the one that turned most first; of equal ones
    /// the one that travelled furthest.
    pub fn turning(&self) -> Vec<&SeasonCell> {
        let mut cells: Vec<&SeasonCell> = self.cells.iter().filter(|c| c.turns >= MANY_TURNS).collect();
        cells.sort_by(|a, b| b.turns.cmp(&a.turns).then(b.travel_pct.total_cmp(&a.travel_pct)));
        cells
    }

    /// The cells that the newest run left at a limit, the one that stands there longest first.
    pub fn at_limit(&self) -> Vec<&SeasonCell> {
        let mut cells: Vec<&SeasonCell> = self.cells.iter().filter(|c| c.at_limit).collect();
        cells.sort_by_key(|c| std::cmp::Reverse(c.runs_at_limit));
        cells
    }
}

/// A slot in one revision.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
    /// The step whose evidence stands behind the map here: its own for a run, that of
    /// the restored revision after a rollback; none before the first run of a build.
    pub evidence_step: Option<usize>,
    /// What a run knew of the map; none for the other kinds.
    pub knowledge: Option<Knowledge>,
}

/// What a run knew of the map.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
    /// The evidence of every cell, row-major, when the axes are those of the slot now
    /// and the run is one of the newest; `show` and `cell` tell it of any run.
    #[serde(skip)]
    pub evidence: Option<Vec<EvidenceRow>>,
    /// What held cells, and how many, most first.
    pub held: Vec<(String, usize)>,
}

/// How much is known of a map.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct KnownNow {
    /// Share of the ridden time spent near cells that are well known, 0 to 1.
    pub time_well_known: f64,
    /// Share of the cells with evidence, 0 to 1.
    pub cells_with_evidence: f64,
}

/// One cell over the build on the bike now.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
    /// The standard error as a share of what it needs, %.
    pub std_error_pct: Option<f64>,
    /// Whether the newest run left it at a limit.
    pub at_limit: bool,
}

/// How well a cell is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
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
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Convergence {
    /// Runs of this slot on this build that stand: no rollback undid them.
    pub runs: usize,
    /// What it looks like.
    pub state: ConvergenceState,
    /// Root mean square error of the newest ride as it was ridden, %.
    pub newest_error_pct: Option<f64>,
    /// The same of the first ride of the build, %.
    pub first_error_pct: Option<f64>,
}

/// What the runs of a build look like so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
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
    /// The map was changed by hand or rolled back since its last run.
    ChangedSince,
}

/// One ride of the register with what it said.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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

impl SeasonRide {
    /// What it said, each sample once: where slots shared their breathing, each of them heard the whole ride.
    pub fn said_once(&self) -> &[RideSaid] {
        let whole = |said: &RideSaid| said.rejected.get(OTHER_SLOT).is_none_or(|rows| *rows == 0);
        if self.said.len() > 1 && self.said.iter().all(whole) { &self.said[..1] } else { &self.said }
    }
}

/// The reason of samples that belong to another slot's part of a ride.
const OTHER_SLOT: &str = "other_slot";

/// What a ride said of a slot.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct SeasonWarning {
    /// The run.
    pub revision: String,
    /// The slot.
    pub slot: String,
    /// What it is about.
    pub about: WarnedOf,
}

/// What a warning is about.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
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
