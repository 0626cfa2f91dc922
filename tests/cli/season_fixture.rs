//! Season reports made by hand: two builds, two slots, every kind of revision.

use rideloop::bike::FuelTableKind;
use rideloop::evidence::{EvidenceRow, LambdaError, PassedOver, StatedFinding};
use rideloop::ledger::{PipelineRef, RevisionKind, RideRef};
use rideloop::operations::HistoryEntry;
use rideloop::operations::season::{
    CellKnowledge, Convergence, ConvergenceState, Knowledge, KnownNow, RideSaid, SeasonBuild, SeasonCell,
    SeasonReport, SeasonRide, SeasonWarning, SlotSeason, SlotStep, WarnedOf,
};
use rideloop::ride::RideState;
use rideloop::table::LoadAxis;
use std::collections::BTreeMap;

/// What somebody may have typed as a reason or named a file.
pub const HOSTILE: &str = "<script>alert(1)</script><!-- \"'&";

/// How large a season is.
pub struct Size {
    pub revisions: usize,
    pub rpm: usize,
    pub load: usize,
}

impl Size {
    /// A first season.
    pub const SMALL: Size = Size { revisions: 12, rpm: 8, load: 10 };
    /// The most that a page must bear.
    pub const LARGE: Size = Size { revisions: 500, rpm: 24, load: 24 };
}

const DECIMALS: usize = 1;
const DAY_S: i64 = 86_400;
/// 2026-04-04 10:30 UTC.
const FIRST_S: i64 = 1_775_298_600;

/// A number between -1 and 1 that looks like chance and is always the same.
fn chance(a: usize, b: usize) -> f64 {
    let mut x =
        (a as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (b as u64).wrapping_mul(0xD1B5_4A32_D192_ED03);
    x ^= x >> 29;
    x = x.wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x ^= x >> 32;
    (x % 20_001) as f64 / 10_000.0 - 1.0
}

fn kind(revision: usize, of: usize) -> RevisionKind {
    match revision {
        0 => RevisionKind::Start,
        r if r == of / 3 => RevisionKind::Build,
        r if r == of / 2 => RevisionKind::Rollback,
        r if r == of - 2 => RevisionKind::Edit,
        _ => RevisionKind::Run,
    }
}

/// Every tenth revision is of the other slot.
fn slots_of(revision: usize, of: usize) -> &'static str {
    match kind(revision, of) {
        RevisionKind::Start | RevisionKind::Build => "road, rain",
        RevisionKind::Run if revision % 5 == 4 => "rain",
        _ => "road",
    }
}

fn build_of(revision: usize, of: usize) -> &'static str {
    if revision < of / 3 { "stock" } else { "open-pipe" }
}

fn entry(revision: usize, of: usize) -> HistoryEntry {
    let name = format!("r{}", revision + 1);
    let kind = kind(revision, of);
    let time = jiff::Timestamp::from_second(FIRST_S + 3 * DAY_S * revision as i64).expect("in range");
    let (summary, why) = match kind {
        RevisionKind::Start => ("the tables as they were found".to_owned(), None),
        RevisionKind::Rollback => ("back to the revision before".to_owned(), Some(HOSTILE.to_owned())),
        RevisionKind::Edit => {
            ("road: 4 cells by hand".to_owned(), Some("smoother off idle, felt in town".to_owned()))
        }
        RevisionKind::Build => ("build open-pipe".to_owned(), Some("open end pipe, new filter".to_owned())),
        _ => (format!("{}: cells by 2 rides (road)", slots_of(revision, of)), None),
    };
    let ride = |i| RideRef { sha256: sha(revision * 2 + i), file: ride_name(revision, i) };
    let is_run = kind == RevisionKind::Run;
    HistoryEntry {
        summary: format!("{name} {summary}"),
        commit: sha(9_000 + revision)[..40].to_owned(),
        time: time.to_string(),
        slot: slots_of(revision, of).to_owned(),
        kind,
        cells_changed: if kind == RevisionKind::Start { 0 } else { 10 + revision % 17 },
        build: build_of(revision, of).to_owned(),
        author: "Bench Tuner".to_owned(),
        why,
        pipeline: is_run.then(|| PipelineRef { name: "road".to_owned(), sha256: sha(1) }),
        rides: if is_run { vec![ride(0), ride(1)] } else { Vec::new() },
        edits: Vec::new(),
        imports: Vec::new(),
        despite: Vec::new(),
        restores: (kind == RevisionKind::Rollback).then(|| format!("r{}", revision - 1)),
        undoes: if kind == RevisionKind::Rollback { vec![format!("r{revision}")] } else { Vec::new() },
        tool: "rideloop 0.1.0".to_owned(),
        revision: name,
    }
}

fn sha(seed: usize) -> String {
    (0..64).map(|i| char::from_digit(((chance(seed, i) + 1.0) * 7.9) as u32, 16).expect("a digit")).collect()
}

fn ride_name(revision: usize, i: usize) -> String {
    if revision == 1 && i == 1 {
        format!("r{revision}/{HOSTILE}.csv")
    } else {
        format!(
            "r{revision}/2026-{:02}-{:02}-{}.csv",
            4 + revision / 9 % 8,
            1 + revision * 3 % 28,
            ["out", "back"][i]
        )
    }
}

/// A season of that size.
pub fn season(size: &Size) -> SeasonReport {
    let of = size.revisions;
    let revisions: Vec<HistoryEntry> = (0..of).map(|r| entry(r, of)).collect();
    let runs: Vec<usize> = (0..of).filter(|r| kind(*r, of) == RevisionKind::Run).collect();
    let rides: Vec<SeasonRide> = runs.iter().flat_map(|r| [0, 1].map(|i| ride(*r, i, of))).collect();
    let counted = rides.iter().filter(|r| r.state == RideState::Used).count();
    let build = |name: &str, what: &str, since: &str, range: std::ops::Range<usize>| SeasonBuild {
        build: name.to_owned(),
        since: Some(since.to_owned()),
        what: Some(what.to_owned()),
        first: Some(format!("r{}", range.start + 1)),
        last: Some(format!("r{}", range.end)),
        revisions: range.len(),
    };
    SeasonReport {
        bike: "Fernhill 650 <twin>".to_owned(),
        builds: vec![
            build("stock", "as bought", "2026-04-01", 0..of / 3),
            build("open-pipe", "open end pipe, new filter", "2026-04-16", of / 3..of),
        ],
        slots: ["road", "rain"].map(|slot| slot_season(slot, size, &revisions)).into(),
        samples: counted * 30_000,
        kept: counted * 9_400,
        rejected: [
            ("cold", 3_200),
            ("overrun", 5_100),
            ("settling", 7_900),
            ("lambda_out_of_range", 1_150),
            ("gear_shift", 3_250),
        ]
        .map(|(reason, n)| (reason.to_owned(), n * counted))
        .into(),
        warnings: vec![
            SeasonWarning {
                revision: "r2".to_owned(),
                slot: "road".to_owned(),
                about: WarnedOf::PassedOver(PassedOver {
                    file: "r1/leaky.csv".to_owned(),
                    sha256: Some(sha(77)),
                    reason: "false_air".to_owned(),
                    why: "false air ahead of the sensor: reads 6 % leaner at idle than the other rides"
                        .to_owned(),
                }),
            },
            SeasonWarning {
                revision: "r4".to_owned(),
                slot: "road".to_owned(),
                about: WarnedOf::Ride { file: ride_name(3, 0), finding: throttle() },
            },
        ],
        rides,
        revisions,
    }
}

fn throttle() -> StatedFinding {
    StatedFinding {
        name: "throttle_zero".to_owned(),
        severity: "warning".to_owned(),
        saw: "the throttle never closes below 2.4 %".to_owned(),
    }
}

fn ride(run: usize, i: usize, of: usize) -> SeasonRide {
    let aside = run == 2 && i == 0;
    let run_name = format!("r{}", run + 1);
    let slot = slots_of(run, of);
    let error = |scale: f64| {
        let rms_pct = scale * (6.5 / (1.0 + run.min(40) as f64 * 0.5) + 0.5 + 0.2 * chance(run, i));
        Some(LambdaError { lean_pct: rms_pct * 0.4, rms_pct })
    };
    SeasonRide {
        file: ride_name(run, i),
        sha256: sha(run * 2 + i),
        revision: format!("r{run}"),
        slot: slot.to_owned(),
        build: build_of(run, of).to_owned(),
        state: if aside { RideState::SetAside } else { RideState::Used },
        used_in: if aside { Vec::new() } else { vec![run_name.clone()] },
        why: aside.then(|| HOSTILE.to_owned()),
        said: vec![RideSaid {
            slot: slot.to_owned(),
            run: run_name,
            samples: 30_000,
            kept: 9_400,
            ridden_s: 1_500.0,
            rejected: BTreeMap::new(),
            as_ridden: error(1.0),
            after: error(0.4),
            now: error(0.35),
            findings: if run == 3 && i == 0 { vec![throttle()] } else { Vec::new() },
        }],
    }
}

fn truth(cell: usize, size: &Size) -> f64 {
    let (i, j) = ((cell / size.load) as f64 / size.rpm as f64, (cell % size.load) as f64 / size.load as f64);
    42.0 + 48.0 * j.powf(0.7) * (0.55 + 0.6 * i) - 18.0 * (i - 0.6).powi(2) + 2.5 * chance(cell, 3)
}

fn slot_season(slot: &str, size: &Size, revisions: &[HistoryEntry]) -> SlotSeason {
    let of = size.revisions;
    let cells = size.rpm * size.load;
    let round = |v: f64| (v * 10.0).round() / 10.0;
    let rpm: Vec<f64> = (0..size.rpm).map(|i| 1000.0 + (i * 8_000 / size.rpm) as f64).collect();
    let load: Vec<f64> = (0..size.load)
        .map(|j| {
            [0.0, 2.5, 5.0, 8.0, 12.0].get(j).copied().unwrap_or_else(|| round(15.0 + (j * j) as f64 * 0.15))
        })
        .collect();
    let mut values: Vec<f64> =
        (0..cells).map(|c| round(truth(c, size) * (1.0 + 0.07 * (c as f64 / 9.0).sin()))).collect();
    let ridden = |c: usize| c % size.load < size.load * 3 / 4 && chance(c / 3, 8) > -0.7;
    let mut steps: Vec<SlotStep> = Vec::new();
    let mut evidence: Vec<EvidenceRow> = Vec::new();
    let mut seconds = vec![0.0; cells];
    for (r, entry) in revisions.iter().enumerate().filter(|(_, e)| e.slot.contains(slot)) {
        let before = values.clone();
        let mut knowledge = None;
        match entry.kind {
            RevisionKind::Run => {
                evidence.clear();
                for c in 0..cells {
                    // A run of a long season speaks of a part of the map only.
                    if ridden(c) && (of < 50 || chance(c / 4, r) > 0.4) {
                        seconds[c] += 8.0 + 7.5 * chance(c, r);
                    }
                    let required = truth(c, size) * (1.0 + 0.01 * chance(c, r));
                    let asked = (required - values[c]).clamp(-2.0, 2.0);
                    let moved = seconds[c] > 0.0 && chance(c, r + 7) > if of < 50 { -0.4 } else { 0.55 };
                    let held_by = match (moved, asked.abs() >= 2.0) {
                        (true, true) => Some(if asked > 0.0 { "step_up" } else { "step_down" }),
                        (true, false) => None,
                        (false, _) if seconds[c] == 0.0 => Some("too_little_weight"),
                        (false, _) => Some("below_resolution"),
                    };
                    let held_by = if c == 3 { Some("locked") } else { held_by };
                    let held_by = if c % 13 == 5 && moved { Some("inferred") } else { held_by };
                    if moved && c != 3 {
                        values[c] = round(values[c] + asked * 0.7);
                    }
                    evidence.push(EvidenceRow {
                        rpm: rpm[c / size.load],
                        load: load[c % size.load],
                        before: before[c],
                        after: values[c],
                        required: (seconds[c] > 0.0).then_some(required),
                        std_error: (seconds[c] > 0.0).then(|| 3.0 / seconds[c].sqrt()),
                        weight_s: seconds[c],
                        effective_samples: seconds[c],
                        dwells: (seconds[c] / 3.0).ceil() as u64,
                        rides: (seconds[c] / 10.0).ceil() as u64,
                        ridden_s: seconds[c] * 1.4,
                        held_by: held_by.map(str::to_owned),
                    });
                }
                knowledge = Some(known(r, &evidence, cells));
            }
            RevisionKind::Rollback => {
                if let Some(older) = steps.iter().rev().nth(1).and_then(|s| s.values.clone()) {
                    values = older;
                }
            }
            RevisionKind::Edit => (4..8).for_each(|c| values[c] = round(values[c] + 0.8)),
            _ => {}
        }
        let change = |c: usize| (values[c] / before[c] - 1.0) * 100.0;
        let most = (0..cells).map(change).fold(0.0, |m: f64, c| if c.abs() > m.abs() { c } else { m });
        steps.push(SlotStep {
            revision_index: r,
            revision: entry.revision.clone(),
            values: Some(values.clone()),
            cells_changed: (0..cells).filter(|c| change(*c) != 0.0).count(),
            change_rms_pct: ((0..cells).map(|c| change(c).powi(2)).sum::<f64>() / cells as f64).sqrt(),
            change_most_pct: most,
            evidence_step: match knowledge {
                Some(_) => Some(steps.len()),
                None => steps.last().and_then(|s: &SlotStep| s.evidence_step),
            },
            knowledge,
        });
    }
    let first = steps.iter().position(|s| build_of(s.revision_index, of) == "open-pipe").expect("a build");
    let start = steps[first].values.clone().expect("values");
    let told = cell_story(&steps[first..], &start, &rpm, &load, &evidence);
    let runs: Vec<&Knowledge> = steps[first..].iter().filter_map(|s| s.knowledge.as_ref()).collect();
    SlotSeason {
        slot: slot.to_owned(),
        load_axis: LoadAxis::ThrottlePct,
        fuel_table: FuelTableKind::VePct,
        decimals: DECIMALS,
        start_revision: steps[first].revision.clone(),
        newest_revision: steps.last().expect("steps").revision.clone(),
        distance_rms_pct: (told.iter().map(|c| c.change_pct.powi(2)).sum::<f64>() / cells as f64).sqrt(),
        known_now: runs.last().map(|k| KnownNow {
            time_well_known: k.time_well_known,
            cells_with_evidence: k.cells_with_evidence,
        }),
        convergence: Convergence {
            runs: runs.len(),
            state: ConvergenceState::Settling,
            newest_error_pct: runs.last().and_then(|k| k.as_ridden).map(|e| e.rms_pct),
            first_error_pct: runs.first().and_then(|k| k.as_ridden).map(|e| e.rms_pct),
        },
        cells: told,
        steps,
        rpm,
        load,
    }
}

fn known(r: usize, evidence: &[EvidenceRow], cells: usize) -> Knowledge {
    let with = evidence.iter().filter(|e| e.required.is_some()).count() as f64 / cells as f64;
    let rms_pct = 6.5 / (1.0 + r.min(40) as f64 * 0.5) + 0.5;
    let error = |scale: f64| Some(LambdaError { lean_pct: 0.3 * rms_pct * scale, rms_pct: rms_pct * scale });
    let at_limit =
        evidence.iter().filter(|e| e.held_by.as_deref().is_some_and(|h| h.starts_with("step"))).count();
    Knowledge {
        rides: 2 * r,
        ridden_s: 1_500.0 * 2.0 * r as f64,
        cells_with_evidence: with,
        time_well_known: 0.95 - 0.6 / (1.0 + r as f64 * 0.6),
        cells_at_limit: at_limit,
        as_ridden: error(1.0),
        after: error(0.4),
        evidence: Some(evidence.to_vec()),
        held: vec![("below_resolution".to_owned(), 20), ("step_up".to_owned(), at_limit)],
    }
}

fn cell_story(
    steps: &[SlotStep],
    start: &[f64],
    rpm: &[f64],
    load: &[f64],
    evidence: &[EvidenceRow],
) -> Vec<SeasonCell> {
    let values: Vec<&Vec<f64>> = steps.iter().filter_map(|s| s.values.as_ref()).collect();
    let story = |c: usize| {
        let moves: Vec<f64> =
            values.windows(2).map(|w| (w[1][c] / w[0][c] - 1.0) * 100.0).filter(|m| *m != 0.0).collect();
        let now = values.last().expect("values")[c];
        let row = evidence.get(c).cloned();
        let s = row.as_ref().map_or(0.0, |e| e.weight_s);
        SeasonCell {
            rpm: rpm[c / load.len()],
            load: load[c % load.len()],
            now,
            start: start[c],
            change_pct: (now / start[c] - 1.0) * 100.0,
            travel_pct: moves.iter().map(|m| m.abs()).sum(),
            turns: moves.windows(2).filter(|w| w[0] * w[1] < 0.0).count(),
            runs_at_limit: c % 4,
            wanted_lambda: if c % load.len() > load.len() / 2 { 0.88 } else { 0.98 },
            spark_deg: Some(28.0 + 4.0 * chance(c, 1).round()),
            locked: (c == 3).then(|| format!("idle is set by hand {HOSTILE}")),
            std_error_pct: row.as_ref().and_then(|e| Some(e.std_error? / e.required? * 100.0)),
            at_limit: row.as_ref().is_some_and(|e| e.held_by.as_deref() == Some("step_up")),
            evidence: row,
            known: match s {
                s if s > 20.0 => CellKnowledge::Well,
                s if s > 0.0 => CellKnowledge::Roughly,
                _ => CellKnowledge::NotAtAll,
            },
        }
    };
    (0..start.len()).map(story).collect()
}
