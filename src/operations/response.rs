//! `response`: how lambda follows the throttle, from the rides' own steps.
//!
//! Rides enter; what their steps of the throttle say region by region leaves. Nothing is
//! changed: acceleration fuel stands in the controller, and not in a table of the bike.

use super::error::OperationError;
use super::open::OpenBike;
use super::read_rides::{RiddenTables, RideRead, needed_standings_of_build, read_rides};
use super::run::Progress;
use crate::bike::{Bike, FuelTableKind, SlotTables};
use crate::findings;
use crate::pipeline::{DEFAULT_PIPELINE, Plan, Ridden, RideContext, aligned_rows, signs};
use crate::revision::revision_number;
use crate::ride::{Channel, Ride};
use crate::table::LoadAxis;
use crate::throttle_response::regions::{Region, RiddenStep, Way, regions};
use crate::throttle_response::{DISCARDS, RideSteps, Step, steps_of_ride};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// What is asked.
#[derive(Debug, Clone)]
pub struct ResponseRequest {
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// Rides or folders of rides; empty for the bike's own.
    pub rides: Vec<PathBuf>,
}

/// How lambda follows the throttle.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct ResponseReport {
    /// The slot.
    pub slot: String,
    /// What the steps say, region by region; openings first.
    pub regions: Vec<Region>,
    /// Steps that tell.
    pub steps: usize,
    /// Openings that do not, by reason.
    pub discarded_tip_ins: Vec<DiscardedSteps>,
    /// Closings that do not, by reason.
    pub discarded_tip_outs: Vec<DiscardedSteps>,
    /// The rides.
    pub rides: Vec<RideResponse>,
    /// What weakens the answer here.
    pub notes: Vec<String>,
}

/// Steps that do not tell.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct DiscardedSteps {
    /// Why.
    pub reason: &'static str,
    /// The same in words.
    pub about: &'static str,
    /// How many.
    pub steps: usize,
}

/// One ride's part.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct RideResponse {
    /// Its name.
    pub file: String,
    /// The revision it was made on.
    pub revision: Option<String>,
    /// Why it says nothing, where it does not.
    pub trouble: Option<String>,
    /// The sensor's lag that was taken out, s.
    pub lag_s: Option<f64>,
    /// Its steps that tell.
    pub steps: Vec<Step>,
}

/// Looks at the steps of the throttle in all rides of the build.
///
/// # Errors
/// When there is no such slot, or the rides cannot be listed; also when there is none.
pub fn response(
    bike: &OpenBike,
    request: &ResponseRequest,
    progress: &dyn Progress,
) -> Result<ResponseReport, OperationError> {
    let slot = bike.slot(request.slot.as_deref())?;
    let plan = Plan::find(DEFAULT_PIPELINE, &bike.folder.work_tree())?;
    let standings = needed_standings_of_build(bike, &slot, &request.rides)?;
    let ridden = RiddenTables::of(bike, &slot, &standings);
    let look = Look { plan: &plan, slot: &slot, bike: &bike.folder.bike, today: bike.today(&slot) };
    let read = read_rides(bike, &standings, progress, |ride, log| look.at(log, ridden.of_ride(ride)?))?;
    let (rides, steps): (Vec<RideResponse>, Vec<RideSteps>) = read.into_iter().map(told).unzip();
    let regions = sum_up(bike, &plan, &rides);
    let counted = |of: fn(&RideSteps) -> &BTreeMap<&'static str, usize>| -> Vec<DiscardedSteps> {
        let count = |key: &str| steps.iter().filter_map(|ride| of(ride).get(key)).sum::<usize>();
        let reasons = DISCARDS.iter().map(|reason| DiscardedSteps {
            reason: reason.key,
            about: reason.about,
            steps: count(reason.key),
        });
        reasons.filter(|discarded| discarded.steps > 0).collect()
    };
    Ok(ResponseReport {
        steps: rides.iter().map(|ride| ride.steps.len()).sum(),
        discarded_tip_ins: counted(|ride| &ride.discarded_openings),
        discarded_tip_outs: counted(|ride| &ride.discarded_closings),
        notes: notes(bike, &rides),
        slot,
        regions,
        rides,
    })
}

/// One ride's part of the report, and its steps with those that do not tell.
fn told(ride: RideRead<(f64, RideSteps)>) -> (RideResponse, RideSteps) {
    let (lag_s, steps, trouble) = match ride.said {
        Ok((lag_s, steps)) => (Some(lag_s), steps, None),
        Err(why) => (None, RideSteps::default(), Some(why)),
    };
    let (file, revision) = (ride.file, ride.revision);
    (RideResponse { file, revision, trouble, lag_s, steps: steps.steps.clone() }, steps)
}

/// What all rides are looked at with.
struct Look<'a> {
    plan: &'a Plan,
    slot: &'a str,
    bike: &'a Bike,
    today: &'a SlotTables,
}

impl Look<'_> {
    /// One ride's lag and steps, or why it says nothing.
    fn at(&self, log: &Ride, ridden: &SlotTables) -> Result<(f64, RideSteps), String> {
        let needed = [Channel::Rpm, Channel::ThrottlePct, Channel::Lambda, Channel::EngineTempC];
        if let Some(missing) = needed.into_iter().find(|channel| !log.has(*channel)) {
            return Err(format!("has no values for `{}`", missing.name()));
        }
        let context =
            RideContext { bike: self.bike, ridden: Ridden::Slot(ridden), today: self.today, slot: self.slot };
        let lies = findings::of_one_ride(log, &context);
        if let Some(lie) = lies.iter().find(|finding| finding.severity == findings::Severity::Serious) {
            return Err(format!("{}: {}", lie.name, lie.saw));
        }
        let rows = aligned_rows(self.plan, log, &context)
            .ok_or_else(|| format!("the pipeline `{}` does not align lambda", self.plan.name))?;
        let steps = steps_of_ride(&rows, &signs::on_slot(log, self.slot), &context)
            .ok_or("its lambda cannot be brought to its operating points")?;
        let lag_s = rows.alignment().map_or(0.0, |alignment| alignment.delay.lag_s);
        Ok((lag_s, steps))
    }
}

fn sum_up(bike: &OpenBike, plan: &Plan, rides: &[RideResponse]) -> Vec<Region> {
    let high_load_pct = plan.blending.high_load_throttle_pct;
    let of_ride = |ride: &'_ RideResponse| -> Option<(u32, String)> {
        let name = ride.revision.clone()?;
        Some((revision_number(&name)?, name))
    };
    let ridden: Vec<((u32, String), &Step)> = rides
        .iter()
        .filter_map(|ride| Some((of_ride(ride)?, ride)))
        .flat_map(|(revision, ride)| ride.steps.iter().map(move |step| (revision.clone(), step)))
        .collect();
    let steps: Vec<RiddenStep<'_>> = ridden
        .iter()
        .map(|((number, name), step)| RiddenStep {
            step,
            revision: (*number, name),
            high_load: step.to_pct >= high_load_pct,
        })
        .collect();
    regions(&steps, bike.folder.bike.engine.rev_limit_rpm)
}

/// What weakens the answer on this bike and these rides.
fn notes(bike: &OpenBike, rides: &[RideResponse]) -> Vec<String> {
    let controller = &bike.folder.bike.controller;
    let mut notes = Vec::new();
    if controller.fuel_table == FuelTableKind::TrimPct && controller.load == LoadAxis::ThrottlePct {
        notes.push(
            "a trim table does not tell the air of a step: a usual throttle is taken, peaks are rougher and the \
             share on the wall means little"
                .to_owned(),
        );
    }
    // Beyond this the map's own error is larger than what most steps do. Ours.
    const MAP_OFF_PCT: f64 = 8.0;
    let steps: Vec<&Step> = rides.iter().flat_map(|ride| &ride.steps).collect();
    let off = steps.iter().filter(|step| step.map_error_pct.abs() > MAP_OFF_PCT).count();
    if off * 4 > steps.len() {
        notes.push(format!(
            "the map itself is off by more than {MAP_OFF_PCT} % behind {off} of {} steps, which is taken out of \
             their peaks: bring the map near first, then judge the throttle",
            steps.len()
        ));
    }
    notes
}

impl ResponseReport {
    /// How many openings tell.
    pub fn tip_ins(&self) -> usize {
        self.rides.iter().flat_map(|ride| &ride.steps).filter(|step| step.size_pct() > 0.0).count()
    }

    /// The regions of one way.
    pub fn of(&self, way: Way) -> impl Iterator<Item = &Region> {
        self.regions.iter().filter(move |region| region.way == way)
    }
}
