//! Signs of false air in all rides of a bike alike: the less gas flows, the more
//! fuel is asked for.
//!
//! The evidence of all cells enters with the gas flow of each; out comes how much
//! of the change since the build's start rises as one over the flow. Air that a
//! leaking joint or the exhaust's own pulses bring to the lambda sensor does that:
//! `lean reading = effect · lowest flow/flow`.
//!
//! Only cells of the same rpm are compared, each with those at more load: what an
//! engine needs goes far up and down with rpm, but from a closed throttle to a
//! small opening it changes slowly, and false air fast. So each rpm has a level of
//! its own and a slope along the load, and what bends upwards towards low flow at
//! many rpm alike is the sign.
//!
//! Known weakness: a need that itself grows towards the closed throttle at all rpm
//! (a throttle sensor whose zero moved, more air past the throttle) looks the same.
//! Only a check of the exhaust or a gas analyser tells them apart. And a start map
//! that errs steeply the other way at small openings hides a leak. Over manifold
//! pressure few cells of one rpm lie at low flow, so that it often cannot be told.

use super::{CellEvidence, Measured};
use crate::bike::FuelTableKind;
use crate::table::Grid;

/// What of the asked change rises as the flow falls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowFlowRise {
    /// At the least flow of the cells it was seen in, as a share of the start's fuel.
    pub effect: Measured,
    /// The least that is left without two neighbouring rpm: idling at one point
    /// speaks for two.
    pub effect_elsewhere: f64,
    /// That flow, kg/s.
    pub lowest_flow_kg_s: f64,
    /// How many rpm it was seen at.
    pub rpms: usize,
    /// How many cells stand behind it.
    pub cells: usize,
    /// Their seconds of riding.
    pub seconds: f64,
}

/// A cell that was ridden for less says nothing, s. Common practice, no source.
const LEAST_WEIGHT_S: f64 = 1.0;
/// Up to so many times the lowest flow cells are compared: beyond, false air is no
/// longer seen. Common practice, no source.
const FLOW_RANGE: f64 = 4.0;
/// How much an engine's need changes along the load, for each `SLOPE_LOAD` of it,
/// as a share; what virtual bikes ask for after a smooth change.
const SLOPE: f64 = 0.01;
/// 10 % of throttle, or 10 kPa.
const SLOPE_LOAD: f64 = 10.0;
/// How far a cell lies off such a line by chance, as a share. As measured on
/// virtual bikes.
const CELL_SPREAD: f64 = 0.004;
/// The part of a cell's variance that is its own: what rides have in common
/// cancels among cells of one rpm. Common practice, no source.
const OWN_VARIANCE: f64 = 0.5;
/// Fewer rpm than this are no pattern. Common practice, no source.
const FEWEST_RPMS: usize = 4;
/// Fewer cells than this are none. Common practice, no source.
const FEWEST_CELLS: usize = 12;
/// From here on it is worth a word, as a share; twelve virtual bikes without a
/// leak or hot cams stay below.
const SUSPECT: f64 = 0.025;
/// In standard errors.
const SUSPECT_SIGMAS: f64 = 2.5;
/// A need of the idle alone is no false air: without two neighbouring rpm so much
/// of it must remain.
const REMAINS: f64 = 0.4;

impl LowFlowRise {
    /// Whether it is large, sure and widespread enough for false air.
    pub fn is_suspect(&self) -> bool {
        self.effect.value >= SUSPECT
            && self.effect.sigmas() >= SUSPECT_SIGMAS
            && self.effect_elsewhere >= REMAINS * self.effect.value
    }

    /// The effect at a flow, as a share of the start's fuel. Below the lowest flow
    /// that was seen it is taken as no larger than there.
    ///
    /// Units: kg/s.
    pub fn at(&self, flow_kg_s: f64) -> f64 {
        self.effect.value * (self.lowest_flow_kg_s / flow_kg_s).min(1.0)
    }

    /// The flow from which on less than this share is left, kg/s.
    pub fn flow_of(&self, share: f64) -> f64 {
        self.lowest_flow_kg_s * (self.effect.value / share).max(1.0)
    }

    /// The false air that would do it, kg/s.
    pub fn leak_kg_s(&self) -> f64 {
        self.effect.value * self.lowest_flow_kg_s
    }
}

/// A cell at low flow.
#[derive(Debug, Clone, Copy)]
struct LowCell {
    row: usize,
    load: f64,
    /// Lowest flow over its own.
    shape: f64,
    change: f64,
    weight: f64,
    seconds: f64,
}

/// Looks for what rises towards low flow; `None` where too little was ridden.
///
/// Shape: one entry a cell of `grid`; `start` the amounts of fuel at the build's
/// first revision. Units: flow in kg/s.
///
/// # Source
/// Weighted least squares with a free level and a presumed slope for each rpm,
/// both eliminated.
pub fn low_flow_rise(
    evidence: &[Option<CellEvidence>],
    grid: &Grid,
    start: &[f64],
    flow_kg_s: &[f64],
    kind: FuelTableKind,
) -> Option<LowFlowRise> {
    let ridden = |cell: &usize| {
        evidence[*cell].is_some_and(|e| e.weight_s >= LEAST_WEIGHT_S && e.dwells > 0) && start[*cell] > 0.0
    };
    let all: Vec<usize> = (0..grid.cells()).filter(ridden).collect();
    let lowest = all.iter().map(|cell| flow_kg_s[*cell]).fold(f64::INFINITY, f64::min);
    let mut cells: Vec<LowCell> = Vec::new();
    for cell in all.into_iter().filter(|cell| flow_kg_s[*cell] <= FLOW_RANGE * lowest) {
        let Some(evidence) = evidence[cell] else { continue };
        let (row, column) = grid.position(cell);
        let required = kind.amount(evidence.required);
        let error = (kind.amount(evidence.required + evidence.std_error) - required) / start[cell];
        cells.push(LowCell {
            row,
            load: grid.load.breakpoints()[column],
            shape: lowest / flow_kg_s[cell],
            change: required / start[cell] - 1.0,
            weight: 1.0 / (OWN_VARIANCE * error * error + CELL_SPREAD * CELL_SPREAD),
            seconds: evidence.weight_s,
        });
    }
    let mut rows: Vec<usize> = cells.iter().map(|c| c.row).collect();
    rows.dedup();
    rows.retain(|row| cells.iter().filter(|c| c.row == *row).count() > 1);
    cells.retain(|c| rows.contains(&c.row));
    if rows.len() < FEWEST_RPMS || cells.len() < FEWEST_CELLS {
        return None;
    }
    let effect = rise(&cells, &rows)?;
    let without = rows.windows(2).filter_map(|pair| {
        let rest: Vec<usize> = rows.iter().copied().filter(|row| !pair.contains(row)).collect();
        Some(rise(&cells, &rest)?.value)
    });
    Some(LowFlowRise {
        effect,
        effect_elsewhere: without.fold(effect.value, f64::min),
        lowest_flow_kg_s: lowest,
        rpms: rows.len(),
        cells: cells.len(),
        seconds: cells.iter().map(|c| c.seconds).sum(),
    })
}

/// The factor on `shape` that fits best over some rows.
fn rise(cells: &[LowCell], rows: &[usize]) -> Option<Measured> {
    let (mut information, mut asked) = (0.0, 0.0);
    for row in rows {
        let cells: Vec<&LowCell> = cells.iter().filter(|c| c.row == *row).collect();
        let sum = |of: &dyn Fn(&LowCell) -> f64| cells.iter().map(|c| c.weight * of(c)).sum::<f64>();
        let first = cells.iter().map(|c| c.load).fold(f64::INFINITY, f64::min);
        let along = |c: &LowCell| (c.load - first) / SLOPE_LOAD;
        // Level and slope of the row, the slope with its presumption.
        let (n, x, xx) = (sum(&|_| 1.0), sum(&along), sum(&|c| along(c) * along(c)) + 1.0 / (SLOPE * SLOPE));
        let determinant = n * xx - x * x;
        let explained = |a: [f64; 2], b: [f64; 2]| {
            (a[0] * b[0] * xx - (a[0] * b[1] + a[1] * b[0]) * x + a[1] * b[1] * n) / determinant
        };
        let shape = [sum(&|c| c.shape), sum(&|c| c.shape * along(c))];
        let change = [sum(&|c| c.change), sum(&|c| c.change * along(c))];
        information += sum(&|c| c.shape * c.shape) - explained(shape, shape);
        asked += sum(&|c| c.shape * c.change) - explained(shape, change);
    }
    let measured = Measured { value: asked / information, std_error: information.powf(-0.5) };
    (information > 0.0 && measured.value.is_finite()).then_some(measured)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::Axis;

    const LOADS: [f64; 7] = [0.0, 2.0, 4.0, 7.0, 10.0, 14.0, 18.0];

    fn grid() -> Grid {
        let rpm = (2..10).map(|k| f64::from(k) * 500.0).collect();
        Grid { rpm: Axis::new(rpm).expect("ascending"), load: Axis::new(LOADS.to_vec()).expect("ascending") }
    }

    /// What is found when cells ask for such changes; flow follows the opening.
    fn found(change: impl Fn(f64, f64, f64) -> f64) -> Option<LowFlowRise> {
        let grid = grid();
        let flow: Vec<f64> = (0..grid.cells()).map(|c| 1.5e-3 * (1.0 + 0.3 * grid.point(c).1)).collect();
        let cell = |c: usize| {
            let (rpm, load) = grid.point(c);
            let chance = 0.003 * ((c * 13) as f64).sin();
            Some(CellEvidence {
                weight_s: 12.0,
                required: 50.0 * (1.0 + change(rpm, load, flow[c]) + chance),
                std_error: 0.3,
                effective_samples: 20.0,
                dwells: 9,
                rides: 3,
                effective_rides: 3.0,
            })
        };
        let evidence: Vec<_> = (0..grid.cells()).map(cell).collect();
        low_flow_rise(&evidence, &grid, &vec![50.0; grid.cells()], &flow, FuelTableKind::VePct)
    }

    /// A need that goes far up and down with rpm, slowly along the load.
    fn need(rpm: f64, load: f64) -> f64 {
        0.02 + 0.05 * (rpm / 700.0 + load / 31.0).sin()
    }

    #[test]
    fn a_leak_is_measured_whatever_the_engine_needs_at_each_rpm() {
        let rise = found(|rpm, load, flow| need(rpm, load) + 0.06 * 1.5e-3 / flow).expect("enough cells");
        assert!((rise.effect.value - 0.06).abs() < 2.0 * rise.effect.std_error.min(0.01), "{rise:?}");
        assert!(rise.is_suspect(), "{rise:?}");
        assert!((rise.leak_kg_s() - 9e-5).abs() < 2e-5);
        assert!((rise.at(2.0 * rise.lowest_flow_kg_s) - rise.effect.value / 2.0).abs() < 1e-12);
        assert!((rise.at(rise.flow_of(0.01)) - 0.01).abs() < 1e-12);
    }

    #[test]
    fn an_honest_need_is_not_suspect() {
        assert!(!found(|rpm, load, _| need(rpm, load)).expect("enough cells").is_suspect());
        assert!(
            !found(|rpm, load, flow| need(rpm, load) - 0.05 * 1.5e-3 / flow).expect("cells").is_suspect()
        );
        // All of the map 8 % lean.
        assert!(!found(|_, _, _| 0.08).expect("enough cells").is_suspect());
    }

    #[test]
    fn a_need_of_the_idle_alone_is_not_suspect() {
        let idle = |rpm: f64, load: f64| if rpm <= 1500.0 && load == 0.0 { 0.10 } else { 0.0 };
        let rise = found(|rpm, load, _| need(rpm, load) + idle(rpm, load)).expect("enough cells");
        assert!(!rise.is_suspect(), "{rise:?}");
    }

    #[test]
    fn too_few_rpm_say_nothing() {
        let grid = grid();
        let cells = grid.cells();
        assert!(
            low_flow_rise(
                &vec![None; cells],
                &grid,
                &vec![50.0; cells],
                &vec![2e-3; cells],
                FuelTableKind::VePct
            )
            .is_none()
        );
    }
}
