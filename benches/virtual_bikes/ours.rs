//! The tool itself: the same functions as a run, without git.

use crate::bikes::TestBike;
use crate::methods::Answer;
use crate::riding::Ridden;
use rideloop::bike::SlotTables;
use rideloop::blend::{BlendInput, propose, refuse};
use rideloop::pipeline::{Plan, RideContext, RideOutcome, evidence_of_rides, run_ride};
use std::path::Path;
use std::sync::Arc;

/// The road pipeline as shipped.
pub const ROAD: &str = include_str!("../../pipelines/road.yaml");

/// The same with something else in place of the stages that tell how far a moving
/// sample is believed, and of the estimator.
pub fn road_with(moving: &str, estimator: &str, blend: &str) -> String {
    let lines = ROAD.lines().map(|line| match line.trim_start() {
        stage if stage.starts_with("- settling:") => moving.to_owned(),
        stage if stage.starts_with("- surface:") => estimator.to_owned(),
        stage if stage.starts_with("- blend:") => blend.to_owned(),
        _ => line.to_owned(),
    });
    lines.collect::<Vec<String>>().join("\n")
}

/// Rides and today's tables → the next fuel table, with the evidence behind it.
pub fn pipeline(bike: &TestBike, text: &str, ridden: &[Arc<Ridden>], today: &SlotTables) -> Answer {
    let plan = Plan::parse("bench", Path::new("bench.yaml"), text).expect("a pipeline");
    let outcomes: Vec<RideOutcome> = ridden
        .iter()
        .map(|ridden| {
            let context = RideContext {
                bike: &bike.bike,
                ridden: rideloop::pipeline::Ridden::Slot(&ridden.tables),
                today,
                slot: "main",
            };
            run_ride(&plan, ridden.ride(), &context).expect("channels")
        })
        .collect();
    let kind = bike.kind();
    let aged: Vec<(&RideOutcome, f64)> = outcomes.iter().map(|outcome| (outcome, 1.0)).collect();
    let start = &bike.start.fuel;
    let together = evidence_of_rides(&plan, &aged, today, start, &bike.bike).expect("positive definite");
    let proposal = propose(&BlendInput {
        module_range: None,
        today,
        start,
        evidence: &together.cells,
        governed: &plan.governed(&bike.bike, today),
        kind,
        today_weighed: plan.estimator.weighs_today(),
        false_air: &together.false_air,
        knocked: &[],
        settings: &plan.blending,
    });
    let evidence = together.cells;
    let refused = refuse(&proposal, kind, &plan.blending).is_err();
    // A refused run leaves the map as it is.
    let fuel = if refused { today.fuel.clone() } else { proposal.table };
    Answer { fuel, evidence, refused }
}
