//! `check`: reads everything, changes nothing, says what is wrong and where.

use super::check_ride::{CheckedRide, check_rides};
use super::delay::RideDelay;
use super::error::OperationError;
use super::open::OpenBike;
use super::recall::damage_note;
use super::rides::{RideStanding, StandingReason};
use crate::bike::{
    Bike, BikeFolder, FileSource, PIPELINES_FOLDER, SlotTables, StockInQuestion, WorkTree, fuel_path,
    mixture_path, read_stock, stock_path,
};
use crate::blend::Blending;
use crate::cache::{Cache, FileHashes};
use crate::evidence::evidence_path;
use crate::findings::{self, Finding};
use crate::ledger::Store;
use crate::pipeline::{CommonDelay, DEFAULT_PIPELINE, FoundDelay, Plan, RideChoice, common_delay};
use crate::problem::{Problem, Problems};
use crate::ride::{BadValue, FoundRide, LoggerRef, Loggers, find_in_folder};
use crate::units;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

/// What a check found.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct CheckReport {
    /// What must be put right, as `file:line:column: what`.
    pub problems: Vec<FoundProblem>,
    /// What is allowed but worth a look.
    pub warnings: Vec<String>,
    /// Every ride.
    pub rides: Vec<RideCheck>,
    /// How many revisions there are.
    pub revisions: usize,
    /// The lambda delay that the rides found together, where bike.yaml leaves it to them.
    pub delay: Option<CommonDelay>,
}

/// One thing that must be put right.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct FoundProblem {
    /// The file.
    pub path: String,
    /// One-based line, 0 when the whole file is meant.
    pub line: u64,
    /// One-based column, 0 when the whole line is meant.
    pub column: u64,
    /// What was found and what is allowed.
    pub what: String,
    /// What to do about it, where that is not obvious.
    pub hint: Option<String>,
    /// All of it in one line.
    pub text: String,
}

impl From<Problem> for FoundProblem {
    fn from(problem: Problem) -> Self {
        Self {
            text: problem.to_string(),
            path: problem.path.display().to_string(),
            line: problem.line,
            column: problem.column,
            what: problem.what,
            hint: problem.hint,
        }
    }
}

/// What a check says of one ride.
#[derive(Debug, Clone, Serialize, Deserialize, schemars::JsonSchema)]
pub struct RideCheck {
    /// Its name.
    pub file: String,
    /// Why it cannot be used, if it cannot.
    pub trouble: Option<String>,
    /// The logger it was read through; none where its titles are the channels' own.
    pub logger: Option<LoggerRef>,
    /// Samples that were read.
    pub samples: usize,
    /// How long it is, s.
    pub seconds: f64,
    /// Samples per second.
    pub rate_hz: f64,
    /// Rows lost at the door, by reason.
    pub dropped: BTreeMap<String, usize>,
    /// The first values that could not be read.
    pub unparsable: Vec<BadValue>,
    /// How many could not be read in all.
    pub unparsable_total: usize,
    /// Channels it has.
    pub channels: Vec<String>,
    /// Titles that are no channel.
    pub ignored_titles: Vec<String>,
    /// What is worth a look.
    pub remarks: Vec<String>,
    /// The lambda delay found from it, where bike.yaml leaves it to the rides.
    pub delay: Option<RideDelay>,
    /// Signs that a sensor or the log lies, as far as one ride shows them, and what
    /// the rides' delays say against each other.
    pub findings: Vec<Finding>,
}

impl RideCheck {
    /// Whether a run would use it, as far as the ride alone shows.
    pub fn is_usable(&self) -> bool {
        self.trouble.is_none() && !findings::is_serious(&self.findings)
    }
}

impl CheckReport {
    /// Whether nothing must be put right.
    pub fn is_clean(&self) -> bool {
        self.problems.is_empty() && self.rides.iter().all(RideCheck::is_usable)
    }
}

/// Reads a bike folder and everything in it. `cache` is where what was seen in single rides is kept.
///
/// # Errors
/// Only when the folder is none, or its rides cannot be listed; everything else
/// is in the report.
pub fn check(root: &Path, cache: Option<&Path>) -> Result<CheckReport, OperationError> {
    let mut found = Vec::new();
    let mut warnings = Vec::new();
    let mut revisions = 0;
    if !BikeFolder::is_one(root) {
        OpenBike::open(root)?;
    }
    let store = Store::open(root);
    if let Err(error) = &store {
        found.push(Problem::in_file(".git", error.to_string()));
    }
    let cache = cache.map(|folder| Arc::new(Cache::at(folder)));
    let hashes = FileHashes::of(root, cache.clone());
    let opened =
        OpenBike::with_store(root, store.ok().flatten()).map(|bike| OpenBike { files: hashes, ..bike });
    let plans = check_pipelines(root, &mut found);
    match &opened {
        Ok(bike) => {
            revisions = bike.revisions.len();
            found.extend(bike.loggers.refuse_broken().err().into_iter().flat_map(|problems| problems.0));
            for refused in
                [bike.refuse_edits(), bike.refuse_lost_history()].into_iter().filter_map(Result::err)
            {
                found.push(Problem::in_file(".git", format!("`run` will refuse: {refused}")));
            }
            for plan in &plans {
                if let Err(Problems(problems)) = plan.check_against(&bike.folder.bike) {
                    found.extend(problems);
                }
            }
            if let Some(newest) = bike.newest() {
                for slot in &bike.folder.bike.slots {
                    if let Err(error) = bike.evidence_at(&newest.commit, slot) {
                        found.push(Problem::in_file(evidence_path(slot), error.to_string()));
                    }
                }
            }
            bike.look_at_mixture_plans(&mut found, &mut warnings);
            look_at_settings(bike, &mut warnings);
            look_at_stock_maps(bike, &mut found, &mut warnings);
        }
        Err(OperationError::Problems(problems)) => found.extend(problems.0.clone()),
        Err(error) => found.push(Problem::in_file(".git", error.to_string())),
    }
    // What is wrong with them is told above.
    let loggers = Loggers::read_whole_ones(&WorkTree { root: root.to_path_buf() }).unwrap_or_default();
    let files = find_in_folder(root, &loggers).map_err(|error| OperationError::io("list", root, &error))?;
    let bike = opened.as_ref().ok();
    let plan = plans.iter().find(|p| p.name == DEFAULT_PIPELINE);
    // What a broken logger makes of a ride holds only until it is put right.
    let keeping = cache.as_deref().filter(|_| loggers.refuse_broken().is_ok());
    let checked = check_rides(root, &files, (bike, &loggers), plan, keeping);
    let (mut rides, delays): (Vec<RideCheck>, Vec<Option<FoundDelay>>) =
        checked.into_iter().map(|CheckedRide { check, delay }| (check, delay)).unzip();
    let mut delay = None;
    if let Ok(bike) = &opened {
        let counting = add_standing(bike, &files, &mut rides, &mut warnings);
        delay = compare_rides(&counting, &delays, &mut rides);
    }
    if let Some(cache) = &cache {
        cache.tidy();
        warnings.extend(damage_note(cache));
    }
    found.sort_by(|a, b| (&a.path, a.line, a.column).cmp(&(&b.path, b.line, b.column)));
    found.dedup();
    Ok(CheckReport {
        problems: found.into_iter().map(FoundProblem::from).collect(),
        warnings,
        rides,
        revisions,
        delay,
    })
}

/// What a run would say of the rides: an unknown revision, or one that is missing.
/// Says of each ride whether it counts, or would, for the first slot.
fn add_standing(
    bike: &OpenBike,
    files: &[FoundRide],
    rides: &mut [RideCheck],
    warnings: &mut Vec<String>,
) -> Vec<bool> {
    let mut counting = vec![false; rides.len()];
    let Ok(slot) = bike.slot(None) else { return counting };
    let standings = bike.standing(files, &slot, RideChoice::New);
    let missing = bike.missing_rides(&standings);
    if !missing.is_empty() {
        warnings.push(format!("rides that count are not in the folder any more: {}", missing.join(", ")));
    }
    for standing in standings {
        let (name, trouble) = match standing {
            RideStanding::Usable(ride) => (ride.name, None),
            RideStanding::PassedOver { name, reason: StandingReason::AlreadyUsed, .. } => (name, None),
            RideStanding::PassedOver { name, reason: StandingReason::UnknownRevision, why, .. } => {
                (name, Some(why))
            }
            RideStanding::PassedOver { .. } => continue,
        };
        if let Some(i) = rides.iter().position(|r| r.file == name) {
            counting[i] = trouble.is_none();
            if let Some(why) = trouble {
                rides[i].trouble.get_or_insert(why);
            }
        }
    }
    counting
}

/// Holds the delays of the rides that count against each other.
fn compare_rides(
    counting: &[bool],
    delays: &[Option<FoundDelay>],
    rides: &mut [RideCheck],
) -> Option<CommonDelay> {
    let counts = |i: usize| counting[i] && rides[i].is_usable();
    let compared: Vec<Option<&FoundDelay>> =
        (0..rides.len()).map(|i| delays[i].as_ref().filter(|_| counts(i))).collect();
    let common = common_delay(&compared.iter().copied().flatten().collect::<Vec<_>>());
    let among = findings::of_delays(&compared);
    for (i, found) in among.into_iter().enumerate() {
        // A ride that does not count may still be doubted by itself.
        rides[i].findings.extend(findings::of_delay(delays[i].as_ref()));
        rides[i].findings.extend(found);
    }
    common
}

/// Every pipeline of the bike's own, and the default one.
fn check_pipelines(root: &Path, found: &mut Vec<Problem>) -> Vec<Plan> {
    let files = WorkTree { root: root.to_path_buf() };
    let mut names = vec![DEFAULT_PIPELINE.to_owned()];
    if let Ok(entries) = std::fs::read_dir(root.join(PIPELINES_FOLDER)) {
        let own = entries.flatten().map(|e| e.file_name().to_string_lossy().into_owned());
        names.extend(own.filter_map(|n| n.strip_suffix(".yaml").map(str::to_owned)));
    }
    names.sort();
    names.dedup();
    let mut plans = Vec::new();
    for name in names {
        match Plan::find(&name, &files) {
            Ok(plan) => plans.push(plan),
            Err(Problems(problems)) => found.extend(problems),
        }
    }
    plans
}

fn look_at_settings(bike: &OpenBike, warnings: &mut Vec<String>) {
    for (slot, tables) in &bike.folder.slots {
        warnings.extend(lean_targets(slot, tables, &bike.folder.bike));
        warnings.extend(beyond_module(slot, tables, &bike.folder.bike));
    }
    let register_lacks = bike.folder.work_tree().bytes(crate::bike::REGISTER_FILE).is_ok_and(|b| b.is_none());
    if register_lacks && bike.revisions.len() > 1 {
        warnings.push("rides.yaml is missing; rides could be counted twice".to_owned());
    }
}

/// Stock maps that the engine data speak against, or that changed below rides that count.
fn look_at_stock_maps(bike: &OpenBike, found: &mut Vec<Problem>, warnings: &mut Vec<String>) {
    for slot in &bike.folder.bike.slots {
        // One that cannot be read keeps the folder from being opened.
        let Ok(Some(stock)) = read_stock(slot, &bike.folder.bike, &bike.folder.work_tree()) else { continue };
        let doubts = StockInQuestion::below_trims(&stock, &bike.folder.bike).doubts();
        warnings.extend(doubts.into_iter().map(|doubt| format!("{}: {doubt}", stock_path(slot))));
    }
    match bike.stock_changes() {
        Ok(changes) => warnings.extend(changes),
        Err(error) => found.push(Problem::in_file(".git", error.to_string())),
    }
}

/// Cells that the add-on module cannot hold, whatever the table says.
fn beyond_module(slot: &str, tables: &SlotTables, bike: &Bike) -> Option<String> {
    let [least, most] = bike.controller.trim_range_pct?;
    let beyond =
        tables.fuel.values.iter().filter(|trim| bike.controller.is_beyond_module(None, **trim)).count();
    (beyond > 0).then(|| {
        format!(
            "{}: {} beyond what the module can hold, {} to {} %: the bike was not ridden with what the table says",
            fuel_path(slot),
            units::counted(beyond, "cell"),
            units::plain(least),
            units::plain(most)
        )
    })
}

/// High load with a lean target burns pistons. Common practice, no source: 12 to
/// 13.5:1 on petrol is lambda 0.82 to 0.92; what lies clearly beyond is named.
fn lean_targets(slot: &str, tables: &SlotTables, bike: &Bike) -> Option<String> {
    let limits = Blending::default();
    let grid = &tables.mixture.grid;
    let axis = tables.mixture.load_axis;
    let lean: Vec<usize> = (0..grid.cells())
        .filter(|c| limits.is_high_load(axis, grid.point(*c).1))
        .filter(|c| tables.mixture.values[*c] > limits.high_load_lambda_max)
        .collect();
    let (rpm, load) = grid.point(*lean.first()?);
    let lambda = tables.mixture.values[lean[0]];
    Some(format!(
        "{}: {} at high load ask for more than lambda {}, first {lambda} ({}:1) at {} rpm, {} {}; power needs about 12 to 13.5:1 on petrol",
        mixture_path(slot),
        units::counted(lean.len(), "cell"),
        limits.high_load_lambda_max,
        units::fixed(bike.afr(lambda), 1),
        units::plain(rpm),
        units::plain(load),
        axis.unit()
    ))
}
