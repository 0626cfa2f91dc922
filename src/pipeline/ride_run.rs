//! One ride through the filters: funnel, kept samples, evidence.

use super::delay::FoundDelay;
use super::plan::Plan;
use super::ridden::{RiddenRows, on_known_slot};
use super::rows::{Reason, RideContext, Rows};
use super::same_ride::Traces;
use crate::bike::{Density, Mixture, SlotTables};
use crate::evidence::{
    CellSums, Estimator, OnGrid, RideEquations, RideSamples, Sample, equations_on_grid, knock_near_cells,
};
use crate::physics::air;
use crate::ride::{Channel, Ride, median};
use crate::table::{Grid, LoadAxis};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One step of the funnel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct FunnelStep {
    /// The stage, or `read` for the door.
    pub stage: String,
    /// Samples that came in.
    pub samples: usize,
    /// Samples that were kept.
    pub kept: usize,
    /// Samples dropped here, by reason.
    pub rejected: BTreeMap<String, usize>,
}

/// What became of the samples, stage by stage.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Funnel {
    /// The steps in order.
    pub steps: Vec<FunnelStep>,
}

impl Funnel {
    /// Samples in the log.
    pub fn samples(&self) -> usize {
        self.steps.first().map_or(0, |s| s.samples)
    }

    /// Samples that reached the evidence.
    pub fn kept(&self) -> usize {
        self.steps.last().map_or(0, |s| s.kept)
    }

    /// All dropped samples by reason.
    pub fn rejected(&self) -> BTreeMap<String, usize> {
        let mut all = BTreeMap::new();
        for (reason, n) in self.steps.iter().flat_map(|s| &s.rejected) {
            *all.entry(reason.clone()).or_default() += n;
        }
        all
    }

    /// The first stage that kept nothing.
    pub fn dry_at(&self) -> Option<&FunnelStep> {
        self.steps.iter().find(|s| s.kept == 0)
    }

    /// Adds the funnel of another ride, step by step.
    pub fn add(&mut self, other: &Funnel) {
        if self.steps.is_empty() {
            self.steps.clone_from(&other.steps);
            return;
        }
        for (mine, theirs) in self.steps.iter_mut().zip(&other.steps) {
            mine.samples += theirs.samples;
            mine.kept += theirs.kept;
            for (reason, n) in &theirs.rejected {
                *mine.rejected.entry(reason.clone()).or_default() += n;
            }
        }
    }
}

/// A ride that went through.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RideOutcome {
    /// Samples by stage.
    pub funnel: Funnel,
    /// What it is known again by in another file.
    pub traces: Traces,
    /// The log says that all of it was ridden on other slots.
    pub other_slot: bool,
    /// The sums of every cell of today's grid.
    pub sums: Vec<CellSums>,
    /// The amount of fuel that each cell of today's grid held when it was ridden: of
    /// several slots the mean, by how long the kept samples were on each.
    pub ridden_amounts: Vec<f64>,
    /// Seconds the engine ran near each cell on the slots that tell, by bilinear weight,
    /// whether the samples were kept or not.
    pub ridden_s: Vec<f64>,
    /// Events of knock near each cell of today's grid, on the slots that tell; empty where there were none.
    pub knocked: Vec<f64>,
    /// The air it breathed, the median of the log, °C.
    pub air_temp_c: Option<f64>,
    /// The ride's part of the surface's equations, when the pipeline fits one.
    pub equations: Option<RideEquations>,
    /// The lambda delay found from the ride, where bike.yaml leaves it to the rides.
    pub delay: Option<FoundDelay>,
}

/// A ride that lacks what the pipeline needs.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the log has no values for `{channel}`, needed by {needed_by}")]
pub struct RideTrouble {
    /// The channel.
    pub channel: &'static str,
    /// The stage that needs it.
    pub needed_by: String,
}

/// The step before the stages.
const SLOT_STEP: &str = "slot";

static OTHER_SLOT: Reason =
    Reason { key: "other_slot", about: "ridden on another slot, or it is not known on which" };
static TARGET_DISAGREES: Reason = Reason {
    key: "target_disagrees",
    about: "the logged lambda target is not what the mixture table asks for",
};
static NO_CORRECTION: Reason =
    Reason { key: "no_correction", about: "wanted lambda, air density or table value is missing here" };

/// Reasons of the steps that are no stage: `slot` and `correction`.
pub static STEP_REASONS: [&Reason; 3] = [&OTHER_SLOT, &TARGET_DISAGREES, &NO_CORRECTION];

/// How long slow channels of the air stay known. Common practice, no source.
const AIR_LASTS_S: f64 = 60.0;

/// A logged target further from the mixture table than this leaves open which
/// of the two the controller fuelled by. Common practice, no source.
const TARGET_AGREES: f64 = 0.04;

/// Sends one ride through the filters and sums up what is left.
///
/// # Errors
/// When the ride lacks a channel that the pipeline needs.
pub fn run_ride(plan: &Plan, ride: &Ride, context: &RideContext<'_>) -> Result<RideOutcome, RideTrouble> {
    for (channel, needed_by) in plan.needs(context.bike) {
        if !ride.has(channel) {
            let needed_by = match needed_by.starts_with("the ") {
                true => needed_by.to_owned(),
                false => format!("the stage `{needed_by}`"),
            };
            return Err(RideTrouble { channel: channel.name(), needed_by });
        }
    }
    let load = context.bike.controller.load;
    let mut rows = Rows::new(ride, load).expect("needed channels were just checked");
    let mut funnel = Funnel { steps: vec![door(ride)] };
    let mut seen = BTreeMap::new();
    drop_other_slots(&mut rows, ride, context);
    step(&mut funnel, SLOT_STEP, &rows, &mut seen);
    let other_slot = rows.kept() == 0;
    let ridden_s = ridden_s(&rows, context);
    let knocked = knocked(&rows, &context.today.fuel.grid);
    for stage in &plan.filters {
        stage.filter.apply(&mut rows, context);
        step(&mut funnel, stage.name, &rows, &mut seen);
    }
    let ridden = rows.ridden(context);
    let Corrections { samples, given, of_row } = corrections(&mut rows, &ridden, context);
    step(&mut funnel, "correction", &rows, &mut seen);
    let grid = &context.today.fuel.grid;
    let (usual, _) = context.bike.lambda_sensor.delay.value();
    let ride_samples = RideSamples {
        samples,
        interval_s: rows.interval_s(),
        memory_s: rows.alignment().map_or(usual.lag_s, |alignment| alignment.delay.lag_s),
        ridden_amounts: amounts_on(grid, ridden.most_ridden(), context),
    };
    let on_grid = OnGrid::new(&ride_samples, grid);
    let sums = on_grid.sums(&plan.estimator.averaging());
    let equations = match &plan.estimator {
        Estimator::Mean(_) => None,
        Estimator::Surface(fit) => Some(equations_on_grid(&on_grid, &given, fit)),
    };
    let ridden_amounts = mean_amounts(&on_grid, &ridden, &of_row, context);
    Ok(RideOutcome {
        funnel,
        traces: Traces::of(ride, &rows),
        other_slot,
        sums,
        ridden_amounts,
        ridden_s,
        knocked,
        air_temp_c: ride.values(Channel::AirTempC).and_then(median),
        equations,
        delay: rows.alignment().and_then(|alignment| alignment.found.clone()),
    })
}

/// Events of knock near each cell, whatever the filters think of the rows: knock is knock on a cold engine too.
fn knocked(rows: &Rows<'_>, grid: &Grid) -> Vec<f64> {
    let Some(counts) = rows.channel(Channel::KnockCount) else { return Vec::new() };
    let here = (0..rows.len()).filter(|i| rows.is_kept(*i) && counts[*i] > 0.0);
    let near = knock_near_cells(grid, here.map(|i| (rows.rpm()[i], rows.load()[i], counts[i])));
    if near.iter().any(|events| *events > 0.0) { near } else { Vec::new() }
}

/// The lambda delay that a run would find from the ride; `None` where bike.yaml
/// gives it, where the pipeline does not align, or the ride lacks a channel.
pub fn found_delay(plan: &Plan, ride: &Ride, context: &RideContext<'_>) -> Option<FoundDelay> {
    aligned_rows(plan, ride, context)?.alignment()?.found.clone()
}

/// A ride's rows as far as the stage that aligns them; `None` where the pipeline does not
/// align, or the ride lacks a channel.
pub fn aligned_rows<'a>(plan: &Plan, ride: &'a Ride, context: &RideContext<'_>) -> Option<Rows<'a>> {
    let mut rows = Rows::new(ride, context.bike.controller.load)?;
    drop_other_slots(&mut rows, ride, context);
    for stage in &plan.filters {
        stage.filter.apply(&mut rows, context);
        if rows.alignment().is_some() {
            return Some(rows);
        }
    }
    None
}

/// Seconds near each cell of today's grid while the engine turned.
fn ridden_s(rows: &Rows<'_>, context: &RideContext<'_>) -> Vec<f64> {
    let grid = &context.today.fuel.grid;
    let mut seconds = vec![0.0; grid.cells()];
    let (rpm, load, interval_s) = (rows.rpm(), rows.load(), rows.interval_s());
    for (i, place) in rows.places(grid).iter().enumerate().filter(|(i, _)| rows.is_kept(*i)) {
        if rpm[i] > 0.0 && rpm[i].is_finite() && load[i].is_finite() {
            let corners = place.corners();
            for (cell, weight) in corners.cells.into_iter().zip(corners.weights) {
                seconds[cell] += weight * interval_s;
            }
        }
    }
    seconds
}

fn drop_other_slots(rows: &mut Rows<'_>, ride: &Ride, context: &RideContext<'_>) {
    let elsewhere: Vec<bool> = on_known_slot(ride, context).iter().map(|here| !here).collect();
    rows.drop_where(&elsewhere, &OTHER_SLOT);
}

/// The reading itself as the first step.
fn door(ride: &Ride) -> FunnelStep {
    let rejected = ride.reading.dropped.iter().map(|(reason, n)| ((*reason).to_owned(), *n));
    FunnelStep {
        stage: "read".to_owned(),
        samples: ride.reading.rows,
        kept: ride.samples(),
        rejected: rejected.collect(),
    }
}

fn step(funnel: &mut Funnel, stage: &str, rows: &Rows<'_>, seen: &mut BTreeMap<&'static str, usize>) {
    let dropped = rows.dropped();
    let new = dropped.iter().filter(|(reason, n)| seen.get(*reason) != Some(n));
    let rejected =
        new.map(|(reason, n)| ((*reason).to_owned(), n - seen.get(reason).unwrap_or(&0))).collect();
    funnel.steps.push(FunnelStep {
        stage: stage.to_owned(),
        samples: funnel.kept(),
        kept: rows.kept(),
        rejected,
    });
    *seen = dropped;
}

/// The amounts that a slot's fuel table holds at the cells of a grid.
fn amounts_on(grid: &Grid, tables: &SlotTables, context: &RideContext<'_>) -> Vec<f64> {
    let kind = context.bike.controller.fuel_table;
    let points = (0..grid.cells()).map(|cell| grid.point(cell));
    points.map(|(rpm, load)| kind.amount(tables.fuel.at(rpm, load))).collect()
}

/// The amount each cell held when it was ridden, of several slots the mean by the weight
/// of their samples; `of_row` has the row of each sample.
fn mean_amounts(
    on_grid: &OnGrid<'_>,
    ridden: &RiddenRows<'_>,
    of_row: &[usize],
    context: &RideContext<'_>,
) -> Vec<f64> {
    let grid = &context.today.fuel.grid;
    let mut mean = amounts_on(grid, ridden.most_ridden(), context);
    if ridden.is_one_slot() {
        return mean;
    }
    let kind = context.bike.controller.fuel_table;
    let mut sums = vec![(0.0, 0.0); grid.cells()];
    for (sample, row) in of_row.iter().enumerate() {
        let fuel = &ridden.tables(*row).fuel;
        for (cell, share) in on_grid.shares(sample) {
            let (rpm, load) = grid.point(cell);
            sums[cell].0 += share;
            sums[cell].1 += share * kind.amount(fuel.at(rpm, load));
        }
    }
    for (mean, (weight, amounts)) in mean.iter_mut().zip(sums).filter(|(_, (weight, _))| *weight > 0.0) {
        *mean = amounts / weight;
    }
    mean
}

/// What the kept samples ask for.
struct Corrections {
    samples: Vec<Sample>,
    /// The amount that the tables the most rows were made on hold at each sample.
    given: Vec<f64>,
    /// The row of each sample.
    of_row: Vec<usize>,
}

/// The correction each kept sample asks for, and beside it what the ridden table
/// gave there.
///
/// A sample of another slot than the one ridden most asks for the same fuel as it would
/// by its own table; only the table it is carried along to its cells is that of the most
/// rows, so that a ride has one.
///
/// # Source
/// Contract, section 3: `required = table_ridden · (1 + trim/100) ·
/// lambda_measured / lambda_wanted`, brought to the reference air where the
/// controller does not correct the density.
fn corrections(rows: &mut Rows<'_>, ridden: &RiddenRows<'_>, context: &RideContext<'_>) -> Corrections {
    let target = rows.logged_target();
    let air_temp_c = rows.held(Channel::AirTempC, AIR_LASTS_S);
    let baro_kpa = rows.held(Channel::BaroKpa, AIR_LASTS_S);
    let (time, rpm, load) = (rows.time_s(), rows.rpm(), rows.load());
    let controller = &context.bike.controller;
    let amount = |cell: f64| controller.fuel_table.amount(cell);
    let (fuel, asked) = (ridden.fuel(rows), ridden.wanted(rows));
    let along = &ridden.most_ridden().fuel;
    let along_places = rows.places(&along.grid);
    let today = &context.today.mixture;
    let today_places = rows.places(&today.grid);
    let mut found = Corrections {
        samples: Vec::with_capacity(rows.kept()),
        given: Vec::with_capacity(rows.kept()),
        of_row: Vec::new(),
    };
    for i in 0..rows.len() {
        if !rows.is_kept(i) {
            continue;
        }
        let table = match controller.mixture {
            Mixture::Controller => asked(i),
            Mixture::Table => today.at_place(&today_places[i]),
        };
        let wanted = match (controller.mixture, target.as_ref().map(|t| t[i]).filter(|t| !t.is_nan())) {
            (Mixture::Controller, Some(logged)) if (logged / table - 1.0).abs() > TARGET_AGREES => {
                rows.drop_sample(i, &TARGET_DISAGREES);
                continue;
            }
            (Mixture::Controller, Some(logged)) => logged,
            _ => table,
        };
        let density = match (controller.density, controller.load, &air_temp_c, &baro_kpa) {
            (Density::Controller, ..) => 1.0,
            (Density::None, LoadAxis::MapKpa, Some(t), _) => air::reference_over_ridden_at_pressure(t[i]),
            (Density::None, LoadAxis::ThrottlePct, Some(t), Some(p)) => {
                air::reference_over_ridden(p[i], t[i])
            }
            (Density::None, ..) => f64::NAN,
        };
        let asks = (1.0 + rows.trim_pct(i) / 100.0) * rows.lambda()[i] / wanted * density;
        let (factor, given) = match ridden.is_most_ridden(i) {
            true => (asks, amount(fuel(i))),
            false => {
                let given = amount(along.at_place(&along_places[i]));
                (amount(fuel(i)) / given * asks, given)
            }
        };
        // Where the ridden table holds no fuel no correction in percent says anything.
        if given > 0.0 && factor.is_finite() && factor > 0.0 && rpm[i].is_finite() && load[i].is_finite() {
            let certainty = rows.certainty()[i];
            found.samples.push(Sample { time_s: time[i], rpm: rpm[i], load: load[i], factor, certainty });
            found.given.push(given);
            found.of_row.push(i);
        } else {
            rows.drop_sample(i, &NO_CORRECTION);
        }
    }
    found
}
