//! The charts beside the tables, each with its numbers as a table.
//!
//! A slot's steps or the page's rides enter, a description of each chart leaves for
//! `assets/page.js` to draw, and a folded table for everybody.

use super::parts::{Column, folded, text};
use crate::evidence::LambdaError;
use crate::operations::season::{Knowledge, SeasonReport, SlotSeason, SlotStep};
use crate::units;
use maud::{Markup, html};
use serde::Serialize;

/// A chart to draw.
#[derive(Serialize)]
pub(super) struct Chart {
    id: String,
    x: &'static str,
    y: &'static str,
    /// Where the axis of numbers ends, if not where the numbers do.
    #[serde(skip_serializing_if = "Option::is_none")]
    top: Option<f64>,
    traces: Vec<Trace>,
}

/// A row of points of a chart.
#[derive(Serialize)]
struct Trace {
    name: &'static str,
    draw: Draw,
    /// Which colour of the page's four.
    colour: usize,
    /// The words on the one axis.
    at: Vec<String>,
    /// The numbers on the other.
    values: Vec<Option<f64>>,
}

/// How a trace is drawn.
#[derive(Clone, Copy, Serialize)]
#[serde(rename_all = "snake_case")]
enum Draw {
    Line,
    Points,
    Bars,
    /// Bars that lie, the words at the left.
    Rows,
}

/// A chart with its heading and its numbers.
fn figure(chart: &Chart, title: &str, says: &str, table: Markup) -> Markup {
    html! {
        figure.chart {
            figcaption { b { (title) } " " (says) }
            div.plot.js-only id=(chart.id) role="img" aria-label={ (title) ". " (says) } {}
            (table)
        }
    }
}

/// Thousandths are enough for a drawing.
fn short(value: f64) -> Option<f64> {
    value.is_finite().then(|| (value * 1000.0).round() / 1000.0)
}

fn percent(share: f64) -> String {
    format!("{} %", units::fixed(share * 100.0, 0))
}

fn error(error: Option<LambdaError>) -> Markup {
    match error {
        Some(e) => text(format!("{} ({})", units::fixed(e.rms_pct, 2), units::signed(e.lean_pct, 2))),
        None => text(""),
    }
}

/// How the error fell and the map came to rest.
pub(super) fn convergence(report: &SeasonReport, slot: &SlotSeason, id: usize) -> (Vec<Chart>, Markup) {
    let runs = runs(slot);
    let names = |of: &dyn Fn(&Knowledge) -> Option<LambdaError>| -> (Vec<String>, Vec<Option<f64>>) {
        runs.iter().map(|(s, k)| (s.revision.clone(), of(k).and_then(|e| short(e.rms_pct)))).unzip()
    };
    let (at, as_ridden) = names(&|k| k.as_ridden);
    let (_, after) = names(&|k| k.after);
    let said = || {
        let all = report.rides.iter().flat_map(|r| r.said.iter());
        all.filter(|s| s.slot == slot.slot && at.contains(&s.run))
    };
    let (ride_at, ride_error) =
        said().map(|s| (s.run.clone(), s.as_ridden.and_then(|e| short(e.rms_pct)))).unzip();
    let errors = Chart {
        id: format!("errors-{id}"),
        x: "run",
        y: "mixture error, %",
        top: None,
        traces: vec![
            Trace { name: "as ridden", draw: Draw::Line, colour: 0, at: at.clone(), values: as_ridden },
            Trace { name: "with the new table", draw: Draw::Line, colour: 1, at, values: after },
            Trace {
                name: "each ride, as ridden",
                draw: Draw::Points,
                colour: 0,
                at: ride_at,
                values: ride_error,
            },
        ],
    };
    let steps = || slot.steps.iter().filter(|s| s.values.is_some());
    let step_names: Vec<String> = steps().map(|s| s.revision.clone()).collect();
    let moved = Chart {
        id: format!("moved-{id}"),
        x: "revision",
        y: "change of fuel, %",
        top: None,
        traces: vec![
            Trace {
                name: "all cells, root mean square",
                draw: Draw::Bars,
                colour: 2,
                at: step_names.clone(),
                values: steps().map(|s| short(s.change_rms_pct)).collect(),
            },
            Trace {
                name: "the cell that moved most",
                draw: Draw::Points,
                colour: 0,
                at: step_names,
                values: steps().map(|s| short(s.change_most_pct.abs())).collect(),
            },
        ],
    };
    use Column::{Number, Text};
    let error_rows = runs.iter().rev().map(|(step, k)| {
        vec![
            text(&step.revision),
            text(k.rides.to_string()),
            text(units::duration(k.ridden_s)),
            error(k.as_ridden),
            error(k.after),
        ]
    });
    let error_columns = [
        Text("run"),
        Number("rides behind it"),
        Number("ridden"),
        Number("new rides as ridden, % (lean)"),
        Number("with the new table, % (lean)"),
    ];
    let moved_rows = slot.steps.iter().rev().map(|step| {
        vec![
            text(&step.revision),
            text(step.cells_changed.to_string()),
            text(units::fixed(step.change_rms_pct, 2)),
            text(units::signed(step.change_most_pct, 1)),
        ]
    });
    let moved_columns =
        [Text("revision"), Number("cells changed"), Number("all cells, rms %"), Number("most, %")];
    let markup = html! {
        @if runs.is_empty() {
            p { "No run of this slot yet, so there is no error to show." }
        } @else {
            (figure(&errors, "Mixture error of the rides.", "Root mean square over the cells that a ride touched, by \
                its own sensor. Both lines should fall and stay low.",
                folded("The numbers", &error_columns, error_rows.collect())))
        }
        @if !slot.steps.is_empty() { (figure(&moved, "How much each revision changed.", "Bars that shrink mean that the map comes to rest.",
            folded("The numbers", &moved_columns, moved_rows.collect()))) }
    };
    let drawn = if runs.is_empty() { vec![moved] } else { vec![errors, moved] };
    (drawn, markup)
}

fn runs(slot: &SlotSeason) -> Vec<(&SlotStep, &Knowledge)> {
    slot.steps.iter().filter_map(|s| Some((s, s.knowledge.as_ref()?))).collect()
}

/// How much of the map is known.
pub(super) fn coverage(slot: &SlotSeason, id: usize) -> Option<(Chart, Markup)> {
    let runs = runs(slot);
    if runs.is_empty() {
        return None;
    }
    let at: Vec<String> = runs.iter().map(|(s, _)| s.revision.clone()).collect();
    let share = |of: &dyn Fn(&Knowledge) -> f64| -> Vec<Option<f64>> {
        runs.iter().map(|(_, k)| short(of(k) * 100.0)).collect()
    };
    let chart = Chart {
        id: format!("coverage-{id}"),
        x: "run",
        y: "share, %",
        top: Some(100.0),
        traces: vec![
            Trace {
                name: "ridden time near well-known cells",
                draw: Draw::Line,
                colour: 1,
                at: at.clone(),
                values: share(&|k| k.time_well_known),
            },
            Trace {
                name: "cells with evidence",
                draw: Draw::Line,
                colour: 0,
                at,
                values: share(&|k| k.cells_with_evidence),
            },
        ],
    };
    use Column::{Number, Text};
    let rows = runs.iter().rev().map(|(step, k)| {
        let held = k.held.iter().map(|(what, n)| format!("{n} {what}")).collect::<Vec<_>>().join(", ");
        vec![
            text(&step.revision),
            text(percent(k.time_well_known)),
            text(percent(k.cells_with_evidence)),
            text(k.cells_at_limit.to_string()),
            text(held),
        ]
    });
    let columns = [
        Text("run"),
        Number("time well known"),
        Number("cells with evidence"),
        Number("cells at a limit"),
        Text("what held cells"),
    ];
    let markup = figure(
        &chart,
        "How much is known.",
        "Of the time ridden, the share near cells that are well known; and the share of all cells that any ride \
         speaks for.",
        folded("The numbers", &columns, rows.collect()),
    );
    Some((chart, markup))
}

/// Where the samples of the rides went.
pub(super) fn funnel(report: &SeasonReport) -> Option<(Chart, Markup)> {
    if report.samples == 0 {
        return None;
    }
    let mut dropped: Vec<(&str, usize)> = report.rejected.iter().map(|(r, n)| (r.as_str(), *n)).collect();
    dropped.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let spaced = |name: &str| name.replace('_', " ");
    let mut rows = vec![("in the logs".to_owned(), report.samples)];
    rows.extend(dropped.iter().map(|(reason, n)| (format!("dropped: {}", spaced(reason)), *n)));
    rows.push(("kept as evidence".to_owned(), report.kept));
    let chart = Chart {
        id: "funnel".to_owned(),
        x: "samples",
        y: "",
        top: None,
        traces: vec![Trace {
            name: "samples",
            draw: Draw::Rows,
            colour: 2,
            at: rows.iter().map(|(name, _)| name.clone()).collect(),
            values: rows.iter().map(|(_, n)| Some(*n as f64)).collect(),
        }],
    };
    let all = report.samples as f64;
    let table = rows.iter().map(|(name, n)| {
        vec![
            text(name),
            text(units::count(*n as u64)),
            text(format!("{} %", units::fixed(*n as f64 / all * 100.0, 1))),
        ]
    });
    use Column::{Number, Text};
    let columns = [Text("samples"), Number("how many"), Number("share")];
    let markup = figure(
        &chart,
        "Where the samples went.",
        "Of the rides that count, each ride once. A sample is dropped by the first stage that has a reason.",
        folded("The numbers", &columns, table.collect()),
    );
    Some((chart, markup))
}
