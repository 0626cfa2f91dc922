//! `run`: rides → evidence → the next revision.

use super::collected::{Collected, Origin};
use super::delay::RideDelay;
use super::error::OperationError;
use super::headroom::near_limit;
use super::liars::{keep_liars_out, refuse_liars};
use super::open::{AtHand, OpenBike};
use super::recall::{Recall, damage_note};
use super::rescale::not_rescaled;
use super::ride_record::{Recorded, RideDetails, RideRecord};
use super::rides::{Asked, RideStanding, StandingReason, UsableRide};
use super::run_revision::write_revision;
use super::run_statements::statements;
use super::run_sums::{fill_cells, propose_from, ridden_tables};
use super::write::{open_for_writing, refuse_nesting};
use crate::bike::{SlotTables, StockBelow};
use crate::blend::{CellProposal, Hold, Proposal, Refusal, refuse};
use crate::cache::{Cache, FileHashes};
use crate::evidence::{EvidenceRow, RideStatements};
use crate::findings::Finding;
use crate::ledger::{Moment, PipelineRef};
use crate::pipeline::{
    CommonDelay, FoundDelay, Funnel, Plan, RideChoice, RideContext, RideOutcome, Traces, common_delay,
    same_rides,
};
use crate::ride::{BadValue, LOGGED_SLOT, LoggerRef, RegisteredRide, RideState};
use crate::table::{self, CellMark, DrawnCell};
use crate::units;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What a run is asked to do.
#[derive(Debug, Clone)]
pub struct RunRequest {
    /// The pipeline's name.
    pub pipeline: String,
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// The slot that rides were made on of which neither log nor register tells it; only
    /// where slots share their breathing.
    pub ridden_on: Option<String>,
    /// Show it all and write nothing.
    pub dry_run: bool,
    /// Rides or folders of rides; empty for the bike's own.
    pub rides: Vec<PathBuf>,
    /// When the revision is made.
    pub when: Moment,
    /// Where what single rides said is kept; without it nothing is.
    pub cache: Option<PathBuf>,
}

/// Told of a run's progress, and asked whether it shall go on.
pub trait Progress: Sync {
    /// So many rides are about to be looked at.
    fn begin(&self, rides: usize);
    /// One with so many rows is done.
    fn ride_done(&self, name: &str, rows: usize);
    /// All are done.
    fn end(&self);
    /// Whether somebody asked to stop. Looked at between rides.
    fn is_stopped(&self) -> bool {
        false
    }
    /// Told right before something is written: from here on the work must not be broken
    /// off. False when somebody asked to stop before, and then nothing is written.
    fn may_write(&self) -> bool {
        true
    }
}

/// What became of one ride.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RideReport {
    /// Its name.
    pub file: String,
    /// Its hash.
    pub sha256: String,
    /// The logger it was read through; none where its titles are the channels' own.
    pub logger: Option<LoggerRef>,
    /// The revision it was made on.
    pub revision: String,
    /// The slot it was made on; `as_logged` where its log tells.
    pub slot: String,
    /// Rows before the log tells the first slot, which are on the one that was told.
    pub rows_on_told_slot: usize,
    /// The slot of those, where there are any.
    pub unlogged_slot: Option<String>,
    /// Samples in the log.
    pub samples: usize,
    /// Samples that reached the evidence.
    pub kept: usize,
    /// Dropped samples by reason.
    pub rejected: BTreeMap<String, usize>,
    /// The same stage by stage.
    pub funnel: Funnel,
    /// Values that could not be read, the first of them.
    pub unparsable: Vec<BadValue>,
    /// How many could not be read in all.
    pub unparsable_total: usize,
    /// The newest revision was taken, since its place does not tell.
    pub revision_presumed: bool,
    /// The lambda delay found from it, where bike.yaml leaves it to the rides.
    pub delay: Option<RideDelay>,
    /// Signs that a sensor or the log lies.
    pub findings: Vec<Finding>,
}

/// A ride the run passed over.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct SkippedRide {
    /// Its name.
    pub file: String,
    /// Its hash, when it could be read.
    pub sha256: Option<String>,
    /// Why.
    pub reason: StandingReason,
    /// The same in words.
    pub why: String,
    /// Signs that a sensor or the log lies, as far as it was looked at.
    pub findings: Vec<Finding>,
}

/// What a run found and did.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RunReport {
    /// The revision it made.
    pub revision: Option<String>,
    /// Its commit.
    pub commit: Option<String>,
    /// The revision it started from.
    pub from_revision: String,
    /// The slot.
    pub slot: String,
    /// Whether nothing was to be written.
    pub dry_run: bool,
    /// The pipeline and its hash.
    pub pipeline: PipelineRef,
    /// The load axis of the cells.
    pub load_axis: table::LoadAxis,
    /// What a fuel cell holds.
    pub fuel_table: crate::bike::FuelTableKind,
    /// Decimals of a fuel cell.
    pub decimals: usize,
    /// The rides that were read.
    pub rides: Vec<RideReport>,
    /// The rides that were passed over.
    pub passed_over: Vec<SkippedRide>,
    /// Signs that only show in all counted rides together.
    pub findings: Vec<Finding>,
    /// All samples, stage by stage.
    pub funnel: Funnel,
    /// Every cell of the fuel table.
    pub cells: Vec<EvidenceRow>,
    /// How many change.
    pub cells_changed: usize,
    /// How many were held, fully or at a limit.
    pub cells_held: usize,
    /// The lambda delay that the rides found together, where bike.yaml leaves it to them.
    pub delay: Option<CommonDelay>,
    /// Why nothing changed, when nothing did.
    pub nothing: Option<String>,
    /// What else is worth knowing.
    pub notes: Vec<String>,
    /// The guard that refused.
    pub refused: Option<Refusal>,
    /// What the rides said, as the revision keeps it.
    #[serde(skip)]
    pub(super) statements: RideStatements,
}

impl RunReport {
    /// How many of the cells that change only follow their neighbours.
    pub fn cells_inferred(&self) -> usize {
        self.drawn_cells().iter().filter(|c| c.mark == Some(CellMark::Inferred)).count()
    }

    /// The cells that change, ready to draw.
    pub fn drawn_cells(&self) -> Vec<DrawnCell> {
        drawn(&self.cells, self.fuel_table)
    }
}

/// The changed cells of an evidence table, ready to draw.
pub(super) fn drawn(rows: &[EvidenceRow], kind: crate::bike::FuelTableKind) -> Vec<DrawnCell> {
    let changed = rows.iter().filter(|r| r.before != r.after);
    changed
        .map(|row| DrawnCell {
            rpm: row.rpm,
            load: row.load,
            before: row.before,
            after: row.after,
            change_pct: kind.change_pct(row.before, row.after),
            mark: mark_of(row.held_by.as_deref()),
        })
        .collect()
}

/// The mark of a changed cell, by what held it.
pub(super) fn mark_of(held_by: Option<&str>) -> Option<CellMark> {
    held_by.map(|hold| if hold == Hold::Inferred.name() { CellMark::Inferred } else { CellMark::Limit })
}

/// Runs a pipeline over the rides and makes the next revision.
///
/// # Errors
/// Everything that stops a run before it has a report; refusals of its guards
/// are in the report itself.
pub fn run(root: &Path, request: &RunRequest, progress: &dyn Progress) -> Result<RunReport, OperationError> {
    run_among(root, request, AtHand::Logs, progress)
}

/// The same from evidence that was collected before, in the place of the logs: the same
/// rides make the same revision.
///
/// # Errors
/// Those of [`run`]; `other_evidence` where the file was collected under other settings.
pub fn run_on_evidence(
    root: &Path,
    request: &RunRequest,
    evidence: &Path,
    progress: &dyn Progress,
) -> Result<RunReport, OperationError> {
    let collected = Arc::new(Collected::read(evidence)?);
    // The cache holds what logs said, and no log is read.
    let request = RunRequest { cache: None, ..request.clone() };
    run_among(root, &request, AtHand::Collected(collected), progress)
}

/// The same with the rides that are at hand.
pub(super) fn run_among(
    root: &Path,
    request: &RunRequest,
    at_hand: AtHand,
    progress: &dyn Progress,
) -> Result<RunReport, OperationError> {
    let writable = match request.dry_run {
        true => None,
        false if crate::bike::BikeFolder::is_one(root) => open_for_writing(root)?,
        false => None,
    };
    let cache = request.cache.as_deref().map(|folder| Arc::new(Cache::at(folder)));
    let bike = OpenBike { at_hand, files: FileHashes::of(root, cache.clone()), ..OpenBike::open(root)? };
    if request.dry_run && bike.store.is_none() {
        refuse_nesting(root)?;
    }
    let slot = bike.slot(request.slot.as_deref())?;
    let ridden_on = bike.ridden_on(request.ridden_on.as_deref())?;
    let plan = Plan::find(&request.pipeline, &bike.folder.work_tree())?;
    plan.check_against(&bike.folder.bike)?;
    bike.refuse_broken_loggers()?;
    bike.refuse_edits()?;
    bike.refuse_lost_history()?;
    let mut report = empty_report(&bike, &plan, &slot, request);
    let found = match &bike.at_hand {
        AtHand::Collected(collected) => {
            collected.refuse_others(&Origin::of(&bike, &plan, &slot)?)?;
            collected.found(&bike)
        }
        AtHand::Logs | AtHand::Settled(_) => bike.hashed(bike.rides_for(&request.rides, plan.rides)?),
    };
    let none_found = found.is_empty();
    let mut usable = Vec::new();
    let standings =
        bike.standing_of(found, (&slot, Asked::Fuel { ridden_on: ridden_on.as_deref() }), plan.rides);
    refuse_unreadable(&bike, &plan, &standings)?;
    let notes = ride_notes(&bike, &plan, &standings);
    report.notes.extend(told_in_vain(&bike, ridden_on.as_deref(), &standings));
    for standing in standings {
        match standing {
            RideStanding::Usable(ride) => usable.push(ride),
            RideStanding::PassedOver { name, sha256, reason, why } => {
                report.passed_over.push(SkippedRide {
                    file: name,
                    sha256,
                    reason,
                    why,
                    findings: Vec::new(),
                });
            }
        }
    }
    if !worth_running(&bike, &plan, &slot, &usable) {
        return nothing_to_read(report, none_found, bike.register.rides().len());
    }
    // Of two files with the same samples the one that counted before speaks.
    usable.sort_by_key(|ride| ride.is_new);
    report.notes.extend(notes);
    report.notes.extend(bike.other_meaning()?);
    report.notes.extend(bike.stock_changes()?);
    report.notes.extend(bike.taken_along(&[])?);
    let ridden = ridden_tables(&bike, &slot, &mut usable, &mut report);
    let today = bike.today(&slot);
    let context = RideContext::of_one_slot(&bike.folder.bike, today, &slot);
    let read_by = (&bike.files, &bike.loggers);
    let recall = Recall::new(&plan, read_by, cache.as_deref(), &context, (&ridden, &usable));
    let at_hand = &bike.at_hand;
    progress.begin(usable.len());
    let recorded: Option<Vec<_>> = usable
        .par_iter()
        .map(|ride| {
            if progress.is_stopped() {
                return None;
            }
            let recorded = match at_hand {
                AtHand::Collected(collected) => collected.recorded(ride, recall.key_of_tables(ride)),
                AtHand::Logs | AtHand::Settled(_) => Ok(recall.ride(ride)),
            };
            let record = recorded.as_ref().ok().and_then(|recorded| recorded.as_ref().ok());
            progress.ride_done(&ride.name, record.map_or(0, |record| record.outcome.funnel.samples()));
            Some(recorded)
        })
        .collect();
    progress.end();
    if let Some(cache) = &cache {
        cache.tidy();
        report.notes.extend(damage_note(cache));
    }
    let outcomes: Vec<Recorded> =
        recorded.ok_or(OperationError::STOPPED)?.into_iter().collect::<Result<_, _>>()?;
    let traces: Vec<Option<&Traces>> =
        outcomes.iter().map(|recorded| recorded.as_ref().ok().map(|record| &record.outcome.traces)).collect();
    let same = same_rides(&traces);
    let mut good: Vec<(UsableRide, RideOutcome, bool)> = Vec::new();
    // Which of `good` a ride became.
    let mut became: Vec<Option<usize>> = vec![None; same.len()];
    let mut implausible = false;
    let mut new_failure = report.passed_over.iter().any(|r| r.reason == StandingReason::Unusable);
    for (number, (ride, outcome)) in usable.into_iter().zip(outcomes).enumerate() {
        match outcome {
            Ok(RideRecord { outcome, details }) if outcome.other_slot => {
                let (reason, why) = not_here(&bike, &ride, details.slot_logged, &slot);
                new_failure |= ride.is_new && reason == StandingReason::SlotUnknown;
                let (file, sha256) = (ride.name, Some(ride.sha256));
                report.passed_over.push(SkippedRide { file, sha256, reason, why, findings: Vec::new() });
            }
            Ok(RideRecord { outcome, details }) => {
                if let Some(first) = same[number].iter().find_map(|other| became[*other]) {
                    let (file, sha256, reason) = (ride.name, Some(ride.sha256), StandingReason::SameRide);
                    let why = format!("holds the same samples as {}", good[first].0.name);
                    report.passed_over.push(SkippedRide { file, sha256, reason, why, findings: Vec::new() });
                    continue;
                }
                report.notes.extend(details.remarks.iter().map(|remark| format!("{}: {remark}", ride.name)));
                report.rides.push(ride_report(&ride, &outcome, &details));
                became[number] = Some(good.len());
                let unlogged_slot = (details.rows_on_told_slot > 0).then(|| ride.slot.clone());
                good.push((UsableRide { unlogged_slot, ..ride }, outcome, details.slot_logged));
            }
            Err(trouble) => {
                implausible |= trouble.implausible;
                new_failure |= ride.is_new;
                let reason = StandingReason::Unusable;
                let (file, sha256) = (ride.name, Some(ride.sha256));
                report.passed_over.push(SkippedRide {
                    file,
                    sha256,
                    reason,
                    why: trouble.why,
                    findings: Vec::new(),
                });
            }
        }
    }
    let new_liar = keep_liars_out(&mut good, &mut report, &context, &plan);
    let news = good.iter().any(|(ride, ..)| ride.is_new);
    if (new_liar || new_failure) && !news {
        return no_ride_left(report, implausible);
    }
    let left: Vec<UsableRide> = good.iter().map(|(ride, ..)| ride.clone()).collect();
    if !worth_running(&bike, &plan, &slot, &left) {
        report.rides.clear();
        report.nothing = Some(format!("no ride is new for slot {slot}"));
        return Ok(report);
    }
    let delays: Vec<&FoundDelay> = good.iter().filter_map(|(_, outcome, _)| outcome.delay.as_ref()).collect();
    report.delay = common_delay(&delays);
    for ride in &report.rides {
        report.funnel.add(&ride.funnel);
    }
    // Rides that counted before do not hide that the new ones gave nothing.
    let mut new_funnel = Funnel::default();
    let judged: Vec<_> = good.iter().filter(|(ride, ..)| ride.is_new || !news).collect();
    for (_, outcome, _) in &judged {
        new_funnel.add(&outcome.funnel);
    }
    let new_rides = judged.len();
    if let Some(refusal) = nothing_survived(&new_funnel, new_rides) {
        report.refused = Some(refusal);
        return Ok(report);
    }
    good.retain(|(_, outcome, _)| outcome.funnel.kept() > 0);
    let (proposal, together_shows) = propose_from(&bike, &plan, &slot, &good, request.when)?;
    report.findings.extend(together_shows);
    fill_cells(&mut report, &proposal, &good, &bike);
    report.statements = statements(&report, &proposal, &good, &bike);
    report.notes.extend(left_to_controller(&proposal));
    report.notes.extend(not_rescaled(&bike, &slot));
    report.notes.extend(at_module_end(&proposal, bike.folder.bike.controller.trim_range_pct));
    let next = SlotTables { fuel: proposal.table.clone(), ..bike.today(&slot).clone() };
    let below = StockBelow::of(&slot, &bike.folder.bike, &bike.folder.work_tree());
    report.notes.extend(near_limit(&bike.folder.bike, &next, below.as_ref()));
    if let Err(refusal) = refuse(&proposal, bike.folder.bike.controller.fuel_table, &plan.blending) {
        report.refused = Some(refusal);
        return Ok(report);
    }
    if proposal.cells_changed() == 0 {
        report.nothing = Some(match report.cells_held - proposal.cells_governed() {
            0 => "the rides agree with the map within the controller's step".to_owned(),
            held => format!("no cell may move: {} held back", units::counted(held, "cell")),
        });
        return Ok(report);
    }
    if progress.is_stopped() {
        return Err(OperationError::STOPPED);
    }
    if !request.dry_run {
        if !progress.may_write() {
            return Err(OperationError::STOPPED);
        }
        write_revision(root, bike, writable, &plan, &proposal, &good, request.when, &mut report)?;
    }
    Ok(report)
}

pub(super) fn empty_report(bike: &OpenBike, plan: &Plan, slot: &str, request: &RunRequest) -> RunReport {
    RunReport {
        revision: None,
        commit: None,
        from_revision: bike.newest_name(),
        slot: slot.to_owned(),
        dry_run: request.dry_run,
        pipeline: PipelineRef { name: plan.name.clone(), sha256: plan.sha256.clone() },
        load_axis: bike.folder.bike.controller.load,
        fuel_table: bike.folder.bike.controller.fuel_table,
        decimals: bike.folder.bike.resolution.decimals(),
        rides: Vec::new(),
        passed_over: Vec::new(),
        findings: Vec::new(),
        funnel: Funnel::default(),
        cells: Vec::new(),
        cells_changed: 0,
        cells_held: 0,
        nothing: None,
        delay: None,
        notes: Vec::new(),
        refused: None,
        statements: RideStatements::default(),
    }
}

/// Why no sample of a ride was made on tables that tell something here.
fn not_here(bike: &OpenBike, ride: &UsableRide, slot_logged: bool, slot: &str) -> (StandingReason, String) {
    match (bike.folder.bike.shares_breathing(), slot_logged) {
        (false, _) => (StandingReason::OtherSlot, format!("its log says it was not ridden on slot {slot}")),
        (true, true) => {
            let why = format!("its log names no slot whose tables {} holds", ride.revision);
            (StandingReason::OtherSlot, why)
        }
        (true, false) => {
            let why = "neither its log nor the register tells on which slot it was ridden: say it once with \
                       --ridden-on SLOT";
            (StandingReason::SlotUnknown, why.to_owned())
        }
    }
}

/// A ride that counted before and lies there unreadable would fall silent unseen.
fn refuse_unreadable(bike: &OpenBike, plan: &Plan, found: &[RideStanding]) -> Result<(), OperationError> {
    let counted = |name: &str| {
        let of_name = |ride: &&RegisteredRide| ride.file == name && ride.state == RideState::Used;
        bike.register.rides().iter().find(of_name).is_some_and(|ride| {
            ride.build == bike.folder.builds.current()
                && bike.missing_rides(found).contains(&ride.file.as_str())
        })
    };
    let lost = found.iter().find_map(|standing| match standing {
        RideStanding::PassedOver { name, reason: StandingReason::Unreadable, why, .. } if counted(name) => {
            Some(format!("{name} counted before and {why}"))
        }
        _ => None,
    });
    match (plan.rides, lost) {
        (RideChoice::Build, Some(what)) => Err(OperationError::failed(
            what,
            "make it readable again, or set it aside with `rideloop rides set-aside FILE --why \"…\"`",
        )),
        _ => Ok(()),
    }
}

/// What is worth knowing of the rides as a whole.
fn ride_notes(bike: &OpenBike, plan: &Plan, found: &[RideStanding]) -> Vec<String> {
    let mut notes = Vec::new();
    let missing = bike.missing_rides(found);
    if plan.rides == RideChoice::Build && !missing.is_empty() {
        let place = match bike.at_hand {
            AtHand::Collected(_) => "are not in the evidence",
            AtHand::Logs | AtHand::Settled(_) => "are no longer in the folder",
        };
        notes.push(format!("rides that counted before {place} and no longer count: {}", missing.join(", ")));
    }
    if bike.folder.bike.shares_breathing() && bike.folder.bike.slots.len() > 1 {
        notes.push("slots share their breathing: rides of every slot count".to_owned());
    }
    if bike.build_start().is_none() && !bike.revisions.is_empty() {
        let build = bike.folder.builds.current();
        notes.push(format!("build {build} has no revision yet: new rides are taken as ridden on it"));
    }
    notes
}

/// What to say where the slot that was told is that of no ride, and some are known as made on
/// another.
fn told_in_vain(bike: &OpenBike, told: Option<&str>, found: &[RideStanding]) -> Option<String> {
    let told = told?;
    let known = |standing: &RideStanding| bike.register.by_hash(standing.sha256()?)?.told_slot();
    let taken = |standing: &RideStanding| match standing {
        RideStanding::Usable(ride) => ride.slot == told && known(standing).is_none(),
        RideStanding::PassedOver { .. } => false,
    };
    let others = || found.iter().filter(|standing| known(standing).is_some_and(|slot| slot != told));
    let first = others().next().filter(|_| !found.iter().any(taken))?;
    let name = match first {
        RideStanding::Usable(UsableRide { name, .. }) | RideStanding::PassedOver { name, .. } => name,
    };
    let more = match others().count() - 1 {
        0 => String::new(),
        n => format!(" and {}", units::counted(n, "other ride")),
    };
    Some(format!(
        "--ridden-on {told} is for rides of which nobody told the slot; {name}{more} counted as made on another: \
         `rideloop rides correct {name} --slot {told} --why \"…\"` corrects that"
    ))
}

/// Whether the rides can say anything the map does not hold already: a new
/// ride, or, where all rides of the build count, another set of them.
fn worth_running(bike: &OpenBike, plan: &Plan, slot: &str, usable: &[UsableRide]) -> bool {
    let other_set = || {
        let mut before = bike.rides_behind(slot);
        let mut now: Vec<&str> = usable.iter().map(|r| r.sha256.as_str()).collect();
        before.sort_unstable();
        now.sort_unstable();
        let fell_silent = |sha256| bike.is_set_aside(sha256) || bike.is_corrected_since(sha256, slot);
        before.iter().any(|sha256| !now.contains(sha256) && fell_silent(sha256))
            || now.iter().any(|sha256| !before.contains(sha256))
    };
    usable.iter().any(|ride| ride.is_new)
        || (plan.rides == RideChoice::Build && !usable.is_empty() && other_set())
}

/// No ride to read: nothing new, or nothing that works.
fn nothing_to_read(
    mut report: RunReport,
    none_found: bool,
    registered: usize,
) -> Result<RunReport, OperationError> {
    let broken =
        |r: &SkippedRide| matches!(r.reason, StandingReason::Unreadable | StandingReason::UnknownRevision);
    if report.passed_over.iter().any(broken) {
        return no_ride_left(report, false);
    }
    report.nothing = Some(match none_found {
        true if registered > 0 => format!(
            "no log lies in rides/, though {} registered: a clone does not bring them",
            if registered == 1 { "1 is".to_owned() } else { format!("{registered} are") }
        ),
        true => "there is no ride yet: put logs into rides/".to_owned(),
        false => "no ride is new".to_owned(),
    });
    Ok(report)
}

/// Every new ride failed.
fn no_ride_left(mut report: RunReport, implausible: bool) -> Result<RunReport, OperationError> {
    let failed = |r: &&SkippedRide| {
        matches!(
            r.reason,
            StandingReason::Unreadable
                | StandingReason::Unusable
                | StandingReason::UnknownRevision
                | StandingReason::SlotUnknown
                | StandingReason::Lies
        )
    };
    let whys: Vec<String> =
        report.passed_over.iter().filter(failed).map(|r| format!("{}: {}", r.file, r.why)).collect();
    if implausible {
        report.refused = Some(Refusal {
            guard: "implausible_channel",
            saw: whys.join("; "),
            look_at:
                "the unit the logger writes for the channel that is named, and its sensor; lambda is AFR \
                      divided by the fuel's stoichiometric ratio"
                    .to_owned(),
        });
        return Ok(report);
    }
    if report.passed_over.iter().any(|r| r.reason == StandingReason::Lies) {
        report.refused = Some(refuse_liars(&report, whys.join("; ")));
        return Ok(report);
    }
    Err(OperationError::failed(
        format!("no new ride can be used:\n  {}", whys.join("\n  ")),
        "repair these files, or set them aside with `rideloop rides set-aside FILE --why \"…\"`; the map was left as it is",
    ))
}

fn ride_report(ride: &UsableRide, outcome: &RideOutcome, details: &RideDetails) -> RideReport {
    RideReport {
        file: ride.name.clone(),
        sha256: ride.sha256.clone(),
        logger: details.logger.clone(),
        revision: ride.revision.clone(),
        slot: if details.slot_logged { LOGGED_SLOT.to_owned() } else { ride.slot.clone() },
        rows_on_told_slot: details.rows_on_told_slot,
        unlogged_slot: (details.rows_on_told_slot > 0).then(|| ride.slot.clone()),
        samples: outcome.funnel.samples(),
        kept: outcome.funnel.kept(),
        rejected: outcome.funnel.rejected(),
        funnel: outcome.funnel.clone(),
        unparsable: details.unparsable.clone(),
        unparsable_total: details.unparsable_total,
        revision_presumed: ride.revision_presumed,
        delay: outcome.delay.as_ref().map(RideDelay::from),
        findings: details.findings.clone(),
    }
}

fn nothing_survived(funnel: &Funnel, rides: usize) -> Option<Refusal> {
    let dry = funnel.dry_at()?;
    let mut reasons: Vec<(&String, &usize)> = dry.rejected.iter().collect();
    reasons.sort_by(|a, b| b.1.cmp(a.1).then(a.0.cmp(b.0)));
    let told: Vec<String> = reasons
        .iter()
        .map(|(key, n)| format!("{} ({key}: {})", about_reason(key), units::count(**n as u64)))
        .collect();
    Some(Refusal {
        guard: "nothing_survived",
        saw: format!(
            "no sample of {} survived the stage `{}`: {}",
            units::counted(rides, "ride"),
            dry.stage,
            told.join("; ")
        ),
        look_at: match crate::pipeline::stages::registry().iter().any(|s| s.name == dry.stage) {
            true => format!(
                "the channels that `rideloop stages {}` explains, and whether the ride was long enough; \
                 a ride that will never serve can be set aside with `rideloop rides set-aside`",
                dry.stage
            ),
            false => "what the log and bike.yaml say of slot, wanted lambda and air".to_owned(),
        },
    })
}

fn about_reason(key: &str) -> String {
    let known = crate::pipeline::stages::registry();
    let stage = known.iter().flat_map(|s| s.reasons.iter()).find(|r| r.key == key).map(|r| r.about);
    let step = crate::pipeline::STEP_REASONS.iter().find(|r| r.key == key).map(|r| r.about);
    let door = crate::ride::DOOR_REASONS.iter().find(|(k, _)| *k == key).map(|(_, about)| *about);
    stage.or(step).or(door).unwrap_or(key).to_owned()
}

/// What to say of the cells where the rides want more or less than the add-on module can hold.
fn at_module_end(proposal: &Proposal, range: Option<[f64; 2]>) -> Vec<String> {
    let Some([least, most]) = range else { return Vec::new() };
    let held = || proposal.cells.iter().filter(|cell| cell.held_by == Some(Hold::ModuleRange));
    let wants_more = |cell: &&CellProposal| cell.evidence.is_some_and(|e| e.required > cell.before);
    let more = held().filter(wants_more).count();
    let less = held().count() - more;
    let says = |n: usize, end: f64, can: &str| {
        (n > 0).then(|| {
            format!(
                "{} at the module's end of {} %: it can {can} there; the stock map, the injectors or the fuel \
                 pressure must change",
                if n == 1 { "1 cell stands".to_owned() } else { format!("{n} cells stand") },
                if end > 0.0 { format!("+{}", units::plain(end)) } else { units::plain(end) }
            )
        })
    };
    says(more, most, "add no more").into_iter().chain(says(less, least, "take no more away")).collect()
}

/// What to say of the cells that the controller trims by itself.
fn left_to_controller(proposal: &Proposal) -> Option<String> {
    let governed = proposal.cells_governed();
    (governed > 0).then(|| {
        format!(
            "{} left to the controller: bike.yaml says that it trims there by itself and does not log by how \
             much, so a change would be trimmed away again",
            match governed {
                1 => "1 cell is".to_owned(),
                n => format!("{n} cells are"),
            }
        )
    })
}
