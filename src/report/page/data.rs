//! The numbers that the page's script draws, as one JSON block.
//!
//! A slot with its revisions and evidence enters; cells leave as whole steps of the
//! table, each revision as what changed against the one before (`coding`). The
//! evidence goes from the newest run backwards until [`EVIDENCE_BUDGET`] is spent.

use super::charts::Chart;
use super::coding::changes;
use super::colour::{CHANGE_CLASSES, Scale, VALUE_CLASSES, stops};
use super::heat::{Axes, Mark};
use crate::bike::FuelTableKind;
use crate::blend::Hold;
use crate::evidence::EvidenceRow;
use serde::Serialize;
use std::collections::BTreeMap;

/// Bytes that the evidence of all runs of a page may take, all slots together. The
/// chart library takes 1.3 MB and a page should stay below 3 MB.
pub(super) const EVIDENCE_BUDGET: usize = 500_000;

/// All that a page's script gets.
#[derive(Serialize)]
pub(super) struct PageData {
    pub revisions: Vec<RevisionData>,
    pub slots: Vec<SlotData>,
    pub charts: Vec<Chart>,
    pub palettes: Palettes,
    /// What holds cells, by name: words and mark.
    pub holds: BTreeMap<&'static str, (&'static str, Option<char>)>,
}

/// The colours of the surface and how many classes the tables' colours have.
#[derive(Serialize)]
pub(super) struct Palettes {
    change: Vec<(f64, String)>,
    value: Vec<(f64, String)>,
    change_classes: usize,
    value_classes: usize,
}

impl Default for Palettes {
    fn default() -> Self {
        Self {
            change: stops(true),
            value: stops(false),
            change_classes: CHANGE_CLASSES,
            value_classes: VALUE_CLASSES,
        }
    }
}

/// A revision, as the slider names it.
#[derive(Serialize)]
pub(super) struct RevisionData {
    pub name: String,
    pub day: String,
    pub kind: &'static str,
    pub build: String,
    pub told: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// A slot through its revisions.
#[derive(Serialize)]
pub(super) struct SlotData {
    name: String,
    /// What its cells hold, with the unit.
    cell: &'static str,
    fuel_table: FuelTableKind,
    load_name: &'static str,
    load_unit: &'static str,
    decimals: usize,
    rpm: Vec<f64>,
    load: Vec<f64>,
    /// The step that changes are counted from.
    start: usize,
    steps: Vec<StepData>,
    /// Ends of the colour scales.
    values: (f64, f64),
    since_start_pct: f64,
    since_before_pct: f64,
    /// What the newest revision knows of every cell, as far as the report tells.
    about: CellColumns,
    evidence: Vec<EvidenceData>,
    /// Runs whose evidence was left out to keep the page small.
    left_out: usize,
}

/// A revision of a slot.
#[derive(Serialize)]
struct StepData {
    /// The revision.
    r: usize,
    /// Its cells; none where its axes were others.
    #[serde(skip_serializing_if = "Option::is_none")]
    v: Option<String>,
    /// The step whose evidence stands behind it.
    #[serde(skip_serializing_if = "Option::is_none")]
    e: Option<usize>,
}

/// What stands beside the value of every cell, row-major; empty where it is not told.
#[derive(Default, Serialize)]
pub(super) struct CellColumns {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub wanted_lambda: Vec<f64>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub spark_deg: Vec<Option<f64>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub travel_pct: Vec<f64>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub turns: Vec<usize>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub runs_at_limit: Vec<usize>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub known: Vec<&'static str>,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub locked: BTreeMap<usize, String>,
}

/// The evidence of a run, as differences against the run after it.
#[derive(Serialize)]
struct EvidenceData {
    step: usize,
    /// Known (0 or 1), required, its error, tenths of a second, visits, rides, what
    /// held it (its place in the sorted names of all holds, from 1).
    columns: [String; EVIDENCE_COLUMNS],
}

const EVIDENCE_COLUMNS: usize = 7;

/// What a slot's data are made from.
pub(super) struct SlotSource<'a> {
    pub name: &'a str,
    pub fuel_table: FuelTableKind,
    pub axes: Axes<'a>,
    pub decimals: usize,
    /// The steps, oldest first.
    pub steps: Vec<StepSource<'a>>,
    /// The step that changes are counted from.
    pub start: usize,
    /// How many of them are runs.
    pub runs: usize,
    /// Evidence of runs, by step, oldest first.
    pub evidence: Vec<(usize, &'a [EvidenceRow])>,
    pub about: CellColumns,
}

/// A revision of a slot.
pub(super) struct StepSource<'a> {
    pub revision: usize,
    /// Its cells; none where its axes were others.
    pub cells: Option<&'a [f64]>,
    /// The step whose evidence stands behind it.
    pub evidence_step: Option<usize>,
}

/// What a fuel cell holds, for people.
pub(super) fn cell_words(kind: FuelTableKind) -> &'static str {
    match kind {
        FuelTableKind::VePct => "VE, %",
        FuelTableKind::PulseWidthMs => "pulse width, ms",
        FuelTableKind::TrimPct => "trim, %",
    }
}

/// All holds by name, in the order that evidence counts them.
pub(super) fn holds() -> BTreeMap<&'static str, (&'static str, Option<char>)> {
    Hold::ALL.into_iter().map(|h| (h.name(), (h.about(), Mark::of(h).map(Mark::sign)))).collect()
}

impl SlotData {
    /// Codes a slot; `budget` is what its evidence may take and shrinks by what it took.
    pub fn new(source: SlotSource<'_>, budget: &mut usize) -> Self {
        let known = || source.steps.iter().filter_map(|step| step.cells);
        let (low, high) = match Scale::of_values(known().flatten().copied()) {
            Scale::Value(low, high) => (low, high),
            _ => (0.0, 1.0),
        };
        let kind = source.fuel_table;
        let end_of = |pairs: Vec<(&[f64], &[f64])>| {
            let changes = pairs
                .iter()
                .flat_map(|(before, after)| before.iter().zip(*after).map(|(b, a)| kind.change_pct(*b, *a)));
            match Scale::of_changes(changes) {
                Scale::Change(most) => most,
                _ => 1.0,
            }
        };
        let start = source.steps.get(source.start).and_then(|step| step.cells);
        let after_start = source.steps.iter().skip(source.start).filter_map(|step| step.cells);
        let since_start = start.map(|s| after_start.map(|v| (s, v)).collect()).unwrap_or_default();
        let rows: Vec<&[f64]> = known().collect();
        let since_before = rows.windows(2).map(|w| (w[0], w[1])).collect();
        let (since_start_pct, since_before_pct) = (end_of(since_start), end_of(since_before));
        let (evidence, left_out) = evidence(&source, budget);
        let mut before: Vec<i64> = Vec::new();
        let steps = source.steps.iter().map(|step| {
            let v = step.cells.map(|values| {
                let row = whole(values.iter().copied(), source.decimals);
                let text = changes(&before, &row);
                before = row;
                text
            });
            StepData { r: step.revision, v, e: step.evidence_step }
        });
        Self {
            steps: steps.collect(),
            name: source.name.to_owned(),
            cell: cell_words(kind),
            fuel_table: kind,
            load_name: source.axes.load_axis.words(),
            load_unit: source.axes.load_axis.unit(),
            decimals: source.decimals,
            rpm: source.axes.rpm.to_vec(),
            load: source.axes.load.to_vec(),
            start: source.start,
            values: (low, high),
            since_start_pct,
            since_before_pct,
            about: source.about,
            evidence,
            left_out,
        }
    }

    /// Runs whose evidence was left out.
    pub fn left_out(&self) -> usize {
        self.left_out
    }
}

/// Numbers as whole steps of the last decimal.
fn whole(values: impl Iterator<Item = f64>, decimals: usize) -> Vec<i64> {
    let scale = 10f64.powi(decimals as i32);
    values.map(|v| (v * scale).round() as i64).collect()
}

/// The evidence of the newest runs that fit, newest first, and how many runs did not.
fn evidence(source: &SlotSource<'_>, budget: &mut usize) -> (Vec<EvidenceData>, usize) {
    let names: Vec<&str> = holds().into_keys().collect();
    let mut later: [Vec<i64>; EVIDENCE_COLUMNS] = Default::default();
    let mut kept = Vec::new();
    for (step, rows) in source.evidence.iter().rev() {
        let mut by_cell: Vec<Option<&EvidenceRow>> = vec![None; source.axes.cells()];
        for row in *rows {
            if let Some(cell) = source.axes.cell(row.rpm, row.load) {
                by_cell[cell] = Some(row);
            }
        }
        let column = |of: &dyn Fn(&EvidenceRow) -> f64, decimals: usize| {
            whole(by_cell.iter().map(|row| row.map_or(0.0, of)), decimals)
        };
        let hold = |row: &EvidenceRow| {
            let place = names.iter().position(|n| row.held_by.as_deref() == Some(*n));
            place.map_or(0.0, |p| (p + 1) as f64)
        };
        let columns = [
            column(&|r| f64::from(u8::from(r.required.is_some())), 0),
            column(&|r| r.required.unwrap_or(0.0), source.decimals + 1),
            column(&|r| r.std_error.unwrap_or(0.0), source.decimals + 1),
            column(&|r| r.weight_s, 1),
            column(&|r| r.dwells as f64, 0),
            column(&|r| r.rides as f64, 0),
            column(&hold, 0),
        ];
        let texts: [String; EVIDENCE_COLUMNS] = std::array::from_fn(|i| changes(&later[i], &columns[i]));
        let bytes = texts.iter().map(String::len).sum::<usize>();
        if bytes > *budget {
            break;
        }
        *budget -= bytes;
        later = columns;
        kept.push(EvidenceData { step: *step, columns: texts });
    }
    let left_out = source.runs - kept.len();
    (kept, left_out)
}

/// JSON that cannot end the element it stands in.
pub(super) fn json(data: &PageData) -> String {
    serde_json::to_string(data).expect("plain data always serialises").replace('<', "\\u003c")
}
