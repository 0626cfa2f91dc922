//! `check`: reads everything, changes nothing, says what is wrong and where.

use super::delay::RideDelay;
use super::error::OperationError;
use super::open::OpenBike;
use super::rides::{RideStanding, StandingReason};
use super::run_sums::tables_of;
use crate::bike::{Bike, BikeFolder, FileSource, PIPELINES_FOLDER, SlotTables, WorkTree, mixture_path};
use crate::blend::Blending;
use crate::evidence::evidence_path;
use crate::findings::{self, Finding};
use crate::ledger::Store;
use crate::pipeline::{
    CommonDelay, DEFAULT_PIPELINE, FoundDelay, Plan, RideChoice, RideContext, common_delay, found_delay,
};
use crate::problem::{Problem, Problems};
use crate::ride::{BadValue, Channel, FoundRide, Ride, find_in_folder};
use crate::units;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

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
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RideCheck {
    /// Its name.
    pub file: String,
    /// Why it cannot be used, if it cannot.
    pub trouble: Option<String>,
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

/// Reads a bike folder and everything in it.
///
/// # Errors
/// Only when the folder is none, or its rides cannot be listed; everything else
/// is in the report.
pub fn check(root: &Path) -> Result<CheckReport, OperationError> {
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
    let opened = OpenBike::with_store(root, store.ok().flatten());
    let plans = check_pipelines(root, &mut found);
    match &opened {
        Ok(bike) => {
            revisions = bike.revisions.len();
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
            look_at_settings(bike, &mut warnings);
        }
        Err(OperationError::Problems(problems)) => found.extend(problems.0.clone()),
        Err(error) => found.push(Problem::in_file(".git", error.to_string())),
    }
    let files = find_in_folder(root).map_err(|error| OperationError::io("list", root, &error))?;
    let bike = opened.as_ref().ok();
    let plan = plans.iter().find(|p| p.name == DEFAULT_PIPELINE);
    let checked = files.iter().map(|file| check_ride(file, bike, plan));
    let (mut rides, delays): (Vec<RideCheck>, Vec<Option<FoundDelay>>) = checked.unzip();
    let mut delay = None;
    if let Ok(bike) = &opened {
        let counting = add_standing(bike, &files, &mut rides, &mut warnings);
        delay = compare_rides(&counting, &delays, &mut rides);
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
    }
    let register_lacks = bike.folder.work_tree().bytes(crate::bike::REGISTER_FILE).is_ok_and(|b| b.is_none());
    if register_lacks && bike.revisions.len() > 1 {
        warnings.push("rides.yaml is missing; rides could be counted twice".to_owned());
    }
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

fn check_ride(
    file: &FoundRide,
    bike: Option<&OpenBike>,
    plan: Option<&Plan>,
) -> (RideCheck, Option<FoundDelay>) {
    let mut check = RideCheck {
        file: file.name.clone(),
        trouble: None,
        samples: 0,
        seconds: 0.0,
        rate_hz: 0.0,
        dropped: BTreeMap::new(),
        unparsable: Vec::new(),
        unparsable_total: 0,
        channels: Vec::new(),
        ignored_titles: Vec::new(),
        remarks: Vec::new(),
        delay: None,
        findings: Vec::new(),
    };
    let ride = match crate::bike::read_regular(&file.path) {
        Ok(bytes) => Ride::read(&file.path, &bytes).map_err(|error| match error.hint() {
            Some(hint) => format!("{error} ({hint})"),
            None => error.to_string(),
        }),
        Err(error) => Err(format!("cannot be read: {error}")),
    };
    let ride = match ride {
        Ok(ride) => ride,
        Err(trouble) => {
            check.trouble = Some(trouble);
            return (check, None);
        }
    };
    let time = ride.values(Channel::TimeS).unwrap_or_default();
    check.remarks = ride.remarks();
    check.samples = ride.samples();
    check.seconds = time.last().copied().unwrap_or_default() - time.first().copied().unwrap_or_default();
    let interval_s = ride.sample_interval_s();
    check.rate_hz = if interval_s > 0.0 { 1.0 / interval_s } else { 0.0 };
    check.dropped = ride.reading.dropped.iter().map(|(k, v)| ((*k).to_owned(), *v)).collect();
    check.unparsable_total = ride.reading.unparsable_total();
    check.unparsable.clone_from(&ride.reading.unparsable);
    check.ignored_titles.clone_from(&ride.reading.ignored_titles);
    check.channels =
        Channel::ALL.iter().filter(|(c, _)| ride.has(*c)).map(|(_, name)| (*name).to_owned()).collect();
    if let (Some(bike), Some(plan)) = (bike, plan) {
        let missing = plan.needs(&bike.folder.bike).into_iter().find(|(channel, _)| !ride.has(*channel));
        check.trouble =
            missing.map(|(channel, by)| format!("has no values for `{}`, needed by {by}", channel.name()));
    }
    let mut delay = None;
    if let (Some(bike), None) = (bike, &check.trouble)
        && let Some((slot, ridden)) = ridden_on(bike, file, &ride)
    {
        let today = bike.today(&slot);
        let context = RideContext { bike: &bike.folder.bike, ridden: &ridden, today, slot: &slot };
        check.findings = findings::of_one_ride(&ride, &context);
        delay = plan.and_then(|plan| found_delay(plan, &ride, &context));
        check.delay = delay.as_ref().map(RideDelay::from);
    }
    (check, delay)
}

/// The slot and the tables a ride was made on; the first slot where nobody knows.
fn ridden_on(bike: &OpenBike, file: &FoundRide, ride: &Ride) -> Option<(String, SlotTables)> {
    let known = bike.register.by_hash(&ride.sha256);
    let revision =
        known.map(|r| r.revision.clone()).or_else(|| Some(bike.made_on(file.ridden_on).ok()?.0))?;
    let registered =
        known.map(|r| r.slot.as_str()).filter(|slot| bike.folder.bike.slots.iter().any(|s| s == slot));
    let slot = bike.slot(registered).ok()?;
    let ridden = tables_of(bike, &slot, &revision).ok()?;
    Some((slot, ridden))
}
