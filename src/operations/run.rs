//! `run`: rides → evidence → the next revision.

use super::collected::{Collected, Origin};
use super::error::OperationError;
use super::headroom::near_limit;
use super::liars::keep_liars_out;
use super::open::{AtHand, OpenBike};
use super::recall::{Recall, damage_note};
use super::rescale::not_rescaled;
use super::ride_record::{Recorded, RideRecord};
use super::rides::{Asked, RideStanding, StandingReason, UsableRide};
use super::run_end::{
    no_ride_left, nothing_survived, nothing_to_read, refuse_unreadable, refuse_unscaled, worth_running,
};
use super::run_notes::{at_module_end, left_to_controller, ride_notes, told_in_vain};
use super::run_report::{RunReport, SkippedRide, empty_report, ride_report};
use super::run_revision::write_revision;
use super::run_statements::statements;
use super::run_sums::{fill_cells, propose_from, ridden_tables};
use super::write::{open_for_writing, refuse_nesting};
use crate::bike::{SlotTables, StockBelow};
use crate::blend::refuse;
use crate::cache::{Cache, FileHashes};
use crate::ledger::Moment;
use crate::pipeline::{FoundDelay, Funnel, Plan, RideContext, RideOutcome, Traces, common_delay, same_rides};
use crate::units;
use rayon::prelude::*;
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
    /// Run though the fuel table waits for a rescale: bike.yaml was only put right.
    pub unscaled: bool,
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
    if !request.dry_run && !request.unscaled {
        refuse_unscaled(&bike, &slot)?;
    }
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
