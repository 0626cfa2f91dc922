//! `gaps`: what to ride next.
//!
//! The evidence that stands behind the map enters; the cells whose uncertainty costs
//! most come out, with what a person can do about each. Nothing here ever sends a
//! rider to high load on the road.

use super::error::OperationError;
use super::open::OpenBike;
use super::past::Past;
use super::season::{WELL_KNOWN_PCT, is_spoken_of, relative_error_pct, standing_evidence, time_well_known};
use crate::bike::FuelTableKind;
use crate::blend::{Blending, Hold};
use crate::evidence::EvidenceRow;
use crate::pipeline::{DEFAULT_PIPELINE, Plan};
use crate::table::LoadAxis;
use serde::Serialize;

/// Closed throttle up to here is idle, above it engine braking, 1/min. Common
/// practice, no source.
const IDLE_RPM_MAX: f64 = 1700.0;
/// Slower than this a gear does not carry the bike, km/h. Common practice, no source.
const SLOWEST_KPH: f64 = 25.0;
/// From this share of the fuel that a speed can burn the load is high, whatever the
/// throttle shows. Ours.
const FULL_FILLING: f64 = 0.85;
/// Up to this share of it the engine brakes and cannot be held there. Ours.
const NO_PULL: f64 = 0.15;
/// Above this share of the limiter's speed nobody is sent on the road. Common practice,
/// no source.
const NEAR_LIMITER: f64 = 0.85;
/// Below this share of the limiter's speed a high gear makes the engine labour. Common
/// practice, no source.
const LABOURS_BELOW: f64 = 0.3;
/// A hold is no shorter than this, so that air, film and sensor settle, s. Ours.
const HOLD_MIN_S: f64 = 5.0;
/// Nobody holds one point longer than this at a time, s. Ours.
const HOLD_MAX_S: f64 = 30.0;
/// A ride seldom comes where the last one was: of a cell's neighbours' time so much
/// is presumed for itself. Ours.
const NEIGHBOURS_SHARE: f64 = 0.25;

/// What is asked.
#[derive(Debug, Clone)]
pub struct GapsRequest {
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// How many gaps at most.
    pub most: usize,
    /// The fastest the road allows, km/h.
    pub speed_limit_kph: f64,
    /// A dyno is at hand.
    pub dyno: bool,
}

/// What to ride next.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct GapsReport {
    /// The slot.
    pub slot: String,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Whether any ride of this build stands behind the map.
    pub has_evidence: bool,
    /// Share of the ridden time near cells that are well known, 0 to 1.
    pub time_well_known: f64,
    /// Whether bike.yaml gives the gearing.
    pub has_gearing: bool,
    /// The speed limit that was kept to, km/h.
    pub speed_limit_kph: f64,
    /// The gaps, the one that matters most first.
    pub gaps: Vec<Gap>,
    /// How many more there are.
    pub more: usize,
    /// Gaps at high load or at a speed no road allows, when no dyno is at hand.
    pub left_to_dyno: usize,
}

/// A point to ride.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct Gap {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// Share of the ridden time near it, 0 to 1.
    pub share_of_time: f64,
    /// Standard error of what is known, %; none where no ride said anything.
    pub std_error_pct: Option<f64>,
    /// What held it back in the newest run.
    pub held_by: Option<String>,
    /// How it is reached.
    pub place: Place,
    /// Seconds to hold it, each time.
    pub hold_s: f64,
    /// How often, in separate visits.
    pub visits: u64,
    /// What the unsureness costs: time share times error, in the units of its rank only.
    pub weight: f64,
}

/// How a point is reached.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Idling, the bike at a standstill.
    Idle,
    /// Rolling out with closed throttle, or nearly so.
    EngineBraking,
    /// Riding on the road.
    Road {
        /// The gear that makes it a legal speed, where the gearing is known.
        gear: Option<usize>,
        /// That speed, km/h.
        speed_kph: Option<f64>,
    },
    /// Only on a dyno.
    Dyno,
}

/// Ranks what to ride next.
///
/// # Errors
/// When there is no such slot, no revision yet, or the evidence cannot be read.
pub fn gaps(bike: &OpenBike, request: &GapsRequest) -> Result<GapsReport, OperationError> {
    let slot = bike.slot(request.slot.as_deref())?;
    let plan = Plan::find(DEFAULT_PIPELINE, &bike.folder.work_tree())?;
    let evidence = match bike.revisions.is_empty() {
        true => Vec::new(),
        false => standing_evidence(bike, &Past::new(bike), &slot)?,
    };
    // Where no ride spoke yet, an untried map is not sent to chosen points: any ride tells.
    let points = match evidence.is_empty() {
        true => Vec::new(),
        false => points(bike, &slot, &evidence, &plan.blending, request),
    };
    let (dyno, road): (Vec<Gap>, Vec<Gap>) =
        points.into_iter().partition(|gap| gap.place == Place::Dyno && !request.dyno);
    let ranked = spread_out(road, bike, &slot);
    Ok(GapsReport {
        load_axis: bike.folder.bike.controller.load,
        has_evidence: !evidence.is_empty(),
        time_well_known: time_well_known(&evidence),
        has_gearing: bike.folder.bike.gearing.is_some(),
        speed_limit_kph: request.speed_limit_kph,
        more: ranked.len().saturating_sub(request.most),
        left_to_dyno: dyno.len(),
        gaps: ranked.into_iter().take(request.most).collect(),
        slot,
    })
}

/// Every cell that is not well known, the heaviest first.
fn points(
    bike: &OpenBike,
    slot: &str,
    evidence: &[EvidenceRow],
    limits: &Blending,
    request: &GapsRequest,
) -> Vec<Gap> {
    let tables = bike.today(slot);
    let grid = &tables.fuel.grid;
    let row = |cell: usize| {
        let (rpm, load) = grid.point(cell);
        evidence.iter().find(|row| row.rpm == rpm && row.load == load)
    };
    let ridden_s: Vec<f64> = (0..grid.cells()).map(|cell| row(cell).map_or(0.0, |r| r.ridden_s)).collect();
    let time_s = |cell: usize| {
        let (sum, n) = grid.neighbours(cell).fold((0.0, 0.0), |(sum, n), i| (sum + ridden_s[i], n + 1.0));
        ridden_s[cell] + NEIGHBOURS_SHARE * sum / n
    };
    let all_s: f64 = (0..grid.cells()).map(time_s).sum();
    // Without any ride every cell counts alike.
    let share = |cell: usize| if all_s > 0.0 { time_s(cell) / all_s } else { 1.0 / grid.cells() as f64 };
    let mut gaps = Vec::new();
    for cell in 0..grid.cells() {
        let (rpm, load) = grid.point(cell);
        let row = row(cell);
        let held = row.and_then(|r| r.held_by.as_deref()).and_then(Hold::from_name);
        if tables.lock_of(rpm, load).is_some() || held == Some(Hold::Governed) {
            continue;
        }
        let known = row.filter(|r| is_spoken_of(r));
        let error = known.and_then(relative_error_pct);
        if error.is_some_and(|error| error <= WELL_KNOWN_PCT) {
            continue;
        }
        // What no ride spoke of is a gap, however much the map is trusted.
        let presumed_pct = limits.today_spread_pct.max(2.0 * WELL_KNOWN_PCT);
        let unsure = error.unwrap_or(presumed_pct) - WELL_KNOWN_PCT;
        let place = place(bike, limits, request, cell, slot);
        // Where fuel is mostly cut, little can be learned and little is at stake.
        let usable = match (place, known) {
            (Place::EngineBraking, Some(row)) if row.ridden_s > row.weight_s => row.weight_s / row.ridden_s,
            _ => 1.0,
        };
        let (hold_s, visits) = effort(known, error, limits);
        gaps.push(Gap {
            rpm,
            load,
            share_of_time: if all_s > 0.0 {
                ridden_s[cell] / ridden_s.iter().sum::<f64>().max(1e-9)
            } else {
                0.0
            },
            std_error_pct: error,
            held_by: row.and_then(|r| r.held_by.clone()),
            place,
            hold_s,
            visits,
            weight: share(cell) * unsure * usable,
        });
    }
    gaps.sort_by(|a, b| {
        b.weight.total_cmp(&a.weight).then(a.rpm.total_cmp(&b.rpm)).then(a.load.total_cmp(&b.load))
    });
    gaps
}

fn place(bike: &OpenBike, limits: &Blending, request: &GapsRequest, cell: usize, slot: &str) -> Place {
    let grid = &bike.today(slot).fuel.grid;
    let axis = bike.folder.bike.controller.load;
    let (rpm, _) = grid.point(cell);
    let (_, column) = grid.position(cell);
    let filling = filling(bike, slot, cell);
    if limits.reaches_high_load(grid, axis, cell) || filling.is_some_and(|f| f >= FULL_FILLING) {
        return Place::Dyno;
    }
    if column == 0 && axis == LoadAxis::ThrottlePct && rpm <= IDLE_RPM_MAX {
        return Place::Idle;
    }
    if rpm > NEAR_LIMITER * bike.folder.bike.engine.rev_limit_rpm {
        return Place::Dyno;
    }
    if (column == 0 && axis == LoadAxis::ThrottlePct) || filling.is_some_and(|f| f <= NO_PULL) {
        return Place::EngineBraking;
    }
    let Some(gearing) = &bike.folder.bike.gearing else {
        return Place::Road { gear: None, speed_kph: None };
    };
    let legal: Vec<(usize, f64)> = (1..=gearing.gears.len())
        .map(|gear| (gear, gearing.speed_kph(rpm, gear)))
        .filter(|(_, speed)| *speed <= request.speed_limit_kph)
        .collect();
    // The highest gear gives a steady, gentle load; at low speed it would labour.
    let labours = rpm < LABOURS_BELOW * bike.folder.bike.engine.rev_limit_rpm;
    let rolls = || legal.iter().find(|(_, speed)| *speed >= SLOWEST_KPH);
    let chosen = if labours { rolls().or(legal.first()) } else { legal.last() };
    match chosen {
        Some((gear, speed)) => Place::Road { gear: Some(*gear), speed_kph: Some(*speed) },
        None => Place::Dyno,
    }
}

/// What share of the fuel that its speed can burn a cell asks for: a throttle says
/// little of the load at low speed. `None` for a trim, which does not tell.
fn filling(bike: &OpenBike, slot: &str, cell: usize) -> Option<f64> {
    let fuel = &bike.today(slot).fuel;
    let kind = bike.folder.bike.controller.fuel_table;
    if kind == FuelTableKind::TrimPct {
        return None;
    }
    let (row, _) = fuel.grid.position(cell);
    let of_row =
        (0..fuel.grid.load.len()).map(|column| kind.amount(fuel.values[fuel.grid.cell(row, column)]));
    let most = of_row.fold(0.0, f64::max);
    (most > 0.0).then(|| kind.amount(fuel.values[cell]) / most)
}

/// How long and how often, so that the standard error falls to what counts as well
/// known: it falls with the square root of the riding.
fn effort(row: Option<&EvidenceRow>, error_pct: Option<f64>, limits: &Blending) -> (f64, u64) {
    let (had_s, had_visits) = row.map_or((0.0, 0), |r| (r.weight_s, r.dwells));
    let needed_s = match error_pct {
        Some(error) => had_s * ((error / WELL_KNOWN_PCT).powi(2) - 1.0),
        None => HOLD_MAX_S,
    };
    let visits_needed = limits.dwells.saturating_sub(had_visits).max(1);
    let visits = visits_needed.max((needed_s / HOLD_MAX_S).ceil() as u64).min(6);
    ((needed_s / visits as f64).clamp(HOLD_MIN_S, HOLD_MAX_S).ceil(), visits)
}

/// Leaves out direct neighbours of a gap that is named already: riding one tells of both.
fn spread_out(gaps: Vec<Gap>, bike: &OpenBike, slot: &str) -> Vec<Gap> {
    let grid = &bike.today(slot).fuel.grid;
    let cell_of = |gap: &Gap| {
        let (i, j) = (grid.rpm.nearest(gap.rpm), grid.load.nearest(gap.load));
        grid.cell(i, j)
    };
    let mut named: Vec<usize> = Vec::new();
    let mut kept = Vec::new();
    for gap in gaps {
        let cell = cell_of(&gap);
        if grid.neighbours(cell).any(|near| named.contains(&near)) {
            continue;
        }
        named.push(cell);
        kept.push(gap);
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(weight_s: f64, dwells: u64) -> EvidenceRow {
        EvidenceRow { weight_s, dwells, ..EvidenceRow::new((3000.0, 10.0), 50.0, 50.0, None, 0.0, None) }
    }

    #[test]
    fn a_cell_known_half_as_well_needs_three_times_as_much_riding_again() {
        let limits = Blending::default();
        let (hold_s, visits) = effort(Some(&row(20.0, 9)), Some(2.0 * WELL_KNOWN_PCT), &limits);
        assert_eq!(hold_s * visits as f64, 60.0);
        let (hold_s, visits) = effort(None, None, &limits);
        assert!(visits >= limits.dwells && hold_s >= HOLD_MIN_S, "{hold_s} {visits}");
    }
}
