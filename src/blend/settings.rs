//! How far a revision may move the map.

use crate::bike::FuelTableKind;
use crate::table::{Grid, LoadAxis};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Which cells may move as their neighbours suggest, without enough riding of their own.
///
/// It takes `surface`, whose values go on smoothly from cell to cell. Such cells
/// are marked `inferred`, move by small steps, and at high load only towards more fuel.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Inferred {
    /// None: such cells are held.
    #[default]
    None,
    /// Those that a ride passed through, however fast.
    Passed,
    /// These, and those that no ride came near.
    All,
}

/// Trust, limits and guards of the blend.
///
/// Defaults are common practice, no source: enrich faster than you lean, and
/// lean high load slowest of all.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Blending {
    /// How far today's cells are presumed to be off, as a standard deviation, %.
    /// Smaller means more trust in the map and less in the rides. It serves `average`;
    /// `surface` weighs today's cells by its own `change_pct` and `bend_pct`.
    #[schemars(range(min = 0.1, max = 100.0))]
    pub today_spread_pct: f64,
    /// Largest step towards more fuel of one revision, %.
    #[schemars(range(min = 0.0, max = 50.0))]
    pub step_up_pct: f64,
    /// Largest step towards less fuel of one revision, %.
    #[schemars(range(min = 0.0, max = 50.0))]
    pub step_down_pct: f64,
    /// The same at high load, %.
    #[schemars(range(min = 0.0, max = 50.0))]
    pub high_load_step_down_pct: f64,
    /// From this throttle opening on the load is high.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub high_load_throttle_pct: f64,
    /// From this manifold pressure on the load is high.
    #[schemars(range(min = 0.0, max = 400.0))]
    pub high_load_map_kpa: f64,
    /// A cell that itself lies at high load and whose wanted lambda is above this is
    /// never leaned.
    #[schemars(range(min = 0.6, max = 1.25))]
    pub high_load_lambda_max: f64,
    /// A high-load cell is leaned only to so many standard errors on the rich side
    /// of what its evidence asks for.
    #[schemars(range(min = 0.0, max = 5.0))]
    pub high_load_margin: f64,
    /// Rides needed before a high-load cell is leaned; never below two.
    #[schemars(range(min = 2, max = 100))]
    pub high_load_rides_to_lean: u64,
    /// Largest distance from the build's first revision, %.
    #[schemars(range(min = 0.0, max = 300.0))]
    pub distance_pct: f64,
    /// Lowest and highest value of a cell; without it, what suits the kind of table.
    pub cell_range: Option<[f64; 2]>,
    /// How much more than its neighbours a cell may have moved since the build's
    /// first revision, %.
    #[schemars(range(min = 0.1, max = 300.0))]
    pub steepness_pct: f64,
    /// Where all rides ask for more fuel the less gas flows, as with false air ahead of
    /// the lambda sensor: how much of that a cell may take up since the build's first
    /// revision, in % of what it held then. 100 when the exhaust is known to be tight.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub low_flow_enrich_pct: f64,
    /// Seconds of riding a cell needs before it is leaned.
    #[schemars(range(min = 0.0, max = 3600.0))]
    pub weight_s: f64,
    /// Seconds of riding a high-load cell needs before it is leaned: a surface may carry
    /// there what another ride said next to it.
    #[schemars(range(min = 0.0, max = 3600.0))]
    pub high_load_weight_s: f64,
    /// Separate visits a cell needs before it is leaned.
    #[schemars(range(min = 1, max = 1000))]
    pub dwells: u64,
    /// Seconds of riding a cell needs before it is enriched.
    #[schemars(range(min = 0.0, max = 3600.0))]
    pub enrich_weight_s: f64,
    /// Separate visits a cell needs before it is enriched.
    #[schemars(range(min = 1, max = 1000))]
    pub enrich_dwells: u64,
    /// Rides a cell needs.
    #[schemars(range(min = 1, max = 100))]
    pub rides: u64,
    /// Which cells may move as their neighbours suggest, without enough riding of their own.
    pub inferred: Inferred,
    /// Largest step of an inferred cell in one revision, %.
    #[schemars(range(min = 0.0, max = 50.0))]
    pub inferred_step_pct: f64,
    /// A cell whose evidence asks for more than this is held, %.
    #[schemars(range(min = 1.0, max = 200.0))]
    pub cell_correction_pct: f64,
    /// A median correction beyond this is refused, %.
    #[schemars(range(min = 0.5, max = 100.0))]
    pub median_correction_pct: f64,
    /// Refused when more than this share of the cells with evidence stops at a
    /// limit, %.
    #[schemars(range(min = 1.0, max = 100.0))]
    pub cells_at_limit_pct: f64,
}

impl Default for Blending {
    fn default() -> Self {
        Self {
            today_spread_pct: 6.0,
            step_up_pct: 10.0,
            step_down_pct: 6.0,
            high_load_step_down_pct: 4.0,
            high_load_throttle_pct: 50.0,
            high_load_map_kpa: 75.0,
            high_load_lambda_max: 0.95,
            high_load_margin: 1.0,
            high_load_rides_to_lean: 2,
            distance_pct: 30.0,
            cell_range: None,
            steepness_pct: 15.0,
            low_flow_enrich_pct: 2.0,
            weight_s: 0.3,
            high_load_weight_s: 1.0,
            dwells: 2,
            enrich_weight_s: 0.3,
            enrich_dwells: 1,
            rides: 1,
            inferred: Inferred::None,
            inferred_step_pct: 4.0,
            cell_correction_pct: 35.0,
            median_correction_pct: 25.0,
            cells_at_limit_pct: 90.0,
        }
    }
}

impl Blending {
    /// Whether a load counts as high.
    pub fn is_high_load(&self, axis: LoadAxis, load: f64) -> bool {
        match axis {
            LoadAxis::ThrottlePct => load >= self.high_load_throttle_pct,
            LoadAxis::MapKpa => load >= self.high_load_map_kpa,
        }
    }

    /// Whether a cell has a say at high load: its own load is high, or it lies
    /// just below, so that points between it and the next cell are.
    pub fn reaches_high_load(&self, grid: &Grid, axis: LoadAxis, cell: usize) -> bool {
        let (_, j) = grid.position(cell);
        self.load_reaches_high(grid, axis, grid.load.breakpoints()[j])
    }

    /// The same of a load between the breakpoints.
    pub fn load_reaches_high(&self, grid: &Grid, axis: LoadAxis, load: f64) -> bool {
        let limit = match axis {
            LoadAxis::ThrottlePct => self.high_load_throttle_pct,
            LoadAxis::MapKpa => self.high_load_map_kpa,
        };
        let next = grid.load.breakpoints().iter().find(|b| **b > load);
        self.is_high_load(axis, load) || next.is_some_and(|next| *next > limit)
    }

    /// The least and the most fuel a cell may get in one revision, from what it
    /// gets today.
    pub fn step_range(&self, before: f64, high_load: bool) -> [f64; 2] {
        let step_down = if high_load { self.high_load_step_down_pct } else { self.step_down_pct };
        [before * (1.0 - step_down / 100.0), before * (1.0 + self.step_up_pct / 100.0)]
    }

    /// The least and the most fuel a cell may get at all, from what it got in the
    /// build's first revision; a cell that got none then has no distance from it.
    pub fn distance_range(&self, start: f64) -> Option<[f64; 2]> {
        let share = self.distance_pct / 100.0;
        (start > 0.0).then_some([start * (1.0 - share), start * (1.0 + share)])
    }

    /// How much further than a neighbour a cell may have moved since the build's
    /// first revision, as the logarithm of the ratio.
    pub fn steepness_limit(&self) -> f64 {
        (1.0 + self.steepness_pct / 100.0).ln()
    }

    /// Whether this is a lean lambda to want at this load, so that nothing there is leaned.
    pub fn is_lean_target(&self, axis: LoadAxis, load: f64, wanted: f64) -> bool {
        self.is_high_load(axis, load) && wanted > self.high_load_lambda_max
    }

    /// Lowest and highest value a cell may be moved to.
    ///
    /// Common practice, no source: what naturally aspirated engines need.
    pub fn cell_range(&self, kind: FuelTableKind) -> [f64; 2] {
        let range = self.cell_range.unwrap_or(match kind {
            FuelTableKind::VePct => [3.0, 140.0],
            FuelTableKind::PulseWidthMs => [0.2, 30.0],
            FuelTableKind::TrimPct => [-40.0, 60.0],
        });
        // Never beyond what a table file may hold at all.
        let allowed = kind.allowed();
        [range[0].max(*allowed.start()), range[1].min(*allowed.end())]
    }
}
