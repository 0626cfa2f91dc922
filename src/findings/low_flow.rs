//! `false_air_suspected`: all rides ask for more fuel the less gas flows.
//!
//! A leak or strong reversion that is in every ride cannot show among rides. It
//! shows along the load: `evidence/low_flow.rs` measures it. No ride is kept out;
//! the blend holds the enrichment of these cells at a limit.

use super::{Finding, FindingEntry, Seen, Severity};
use crate::evidence::LowFlowRise;
use crate::table::{Grid, LoadAxis};
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "false_air_suspected",
    about: "All rides together ask for more fuel the less gas flows, at many rpm alike, as if the lambda sensor saw air \
            that did not go through the engine: a leaking joint, or pulses that draw air back to the sensor. A need \
            of the engine itself at a closed throttle looks the same.",
    severity: "warning from 2.5 % at the lowest flow and 2.5 standard errors, when 40 % of it remain without any two \
               neighbouring rpm; no ride is kept out, but `blend` enriches these cells by no more than \
               `low_flow_enrich_pct` of it",
    source: "false air of constant mass raises lambda by leak/flow: a mass balance; fit and errors as in \
             evidence/low_flow.rs, limits set on virtual bikes",
    look_at: "the exhaust joints and gaskets ahead of the lambda sensor and its thread, with a smoke test; whether an \
              air injection system is shut off; with much cam overlap or a short open pipe, compare with a four- or \
              five-gas analyser, and check the zero of the throttle sensor; when all is tight, set \
              `low_flow_enrich_pct: 100` in the pipeline's `blend`",
    look: None,
};

/// Cells where less than this is suspected are not named, as a share.
const WORTH_NAMING: f64 = 0.01;

/// What all rides of a run show together.
///
/// Shape: `false_air` is the suspected share of each cell of `grid`.
pub fn of_all_rides(
    rise: Option<&LowFlowRise>,
    false_air: &[f64],
    grid: &Grid,
    axis: LoadAxis,
) -> Option<Finding> {
    let rise = rise.filter(|rise| rise.is_suspect())?;
    let named = false_air.iter().enumerate().filter(|(_, share)| **share >= WORTH_NAMING);
    let points: Vec<(f64, f64)> = named.map(|(cell, _)| grid.point(cell)).collect();
    let range = |values: &dyn Fn(&(f64, f64)) -> f64| {
        let ends = points
            .iter()
            .map(values)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        format!("{} to {}", units::plain(ends.0), units::plain(ends.1))
    };
    let unit = match axis {
        LoadAxis::ThrottlePct => "% throttle",
        LoadAxis::MapKpa => "kPa",
    };
    let saw = format!(
        "asks for more fuel the less gas flows, {} ± {} % at the lowest flow ({} g/s), alike at {} with {} s of riding, \
         as a leak of {} g/s would",
        units::signed(rise.effect.value * 100.0, 1),
        units::fixed(rise.effect.std_error * 100.0, 1),
        units::fixed(rise.lowest_flow_kg_s * 1000.0, 1),
        units::counted(rise.rpms, "rpm row"),
        units::fixed(rise.seconds, 0),
        units::fixed(rise.leak_kg_s() * 1000.0, 2),
    );
    let region = format!(
        "more than {} % below {} g/s: {} 1/min, {} {unit}",
        units::plain(WORTH_NAMING * 100.0),
        units::fixed(rise.flow_of(WORTH_NAMING) * 1000.0, 1),
        range(&|point| point.0),
        range(&|point| point.1),
    );
    Some(ENTRY.finding(Seen::new(Severity::Warning, saw).at_points(region)))
}
