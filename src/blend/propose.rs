//! Cell by cell: how far the evidence moves it, and what held it.

use super::steepness::flatten;
use super::{Blending, Hold, Inferred};
use crate::bike::{FuelTableKind, SlotTables};
use crate::evidence::{CellEvidence, FEWEST_EVENTS};
use crate::table::Table;

/// Everything the blend looks at.
pub struct BlendInput<'a> {
    /// Today's tables.
    pub today: &'a SlotTables,
    /// The fuel table at the build's first revision, on today's axes.
    pub start: &'a Table,
    /// What the rides say of each cell, in table order.
    pub evidence: &'a [Option<CellEvidence>],
    /// Which cells the controller trims by itself without logging it, in table
    /// order; empty where it trims none.
    pub governed: &'a [bool],
    /// What a fuel cell holds.
    pub kind: FuelTableKind,
    /// The least and the most that the add-on module can hold, where it has ends of its own.
    pub module_range: Option<[f64; 2]>,
    /// The evidence has weighed today's values already, so that none of its way is
    /// taken off here.
    pub today_weighed: bool,
    /// The share of each cell's start amount that false air may ask for, in table
    /// order; empty where none is suspected.
    pub false_air: &'a [f64],
    /// Events of knock near each cell in the rides that count, in table order; empty where
    /// none was logged.
    pub knocked: &'a [f64],
    /// Trust and limits.
    pub settings: &'a Blending,
}

/// What becomes of one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellProposal {
    /// Its value today.
    pub before: f64,
    /// Its value in the next revision.
    pub after: f64,
    /// What the rides say.
    pub evidence: Option<CellEvidence>,
    /// What held it, if anything did.
    pub held_by: Option<Hold>,
}

/// The next fuel table, with the reason of every cell.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// The proposed table.
    pub table: Table,
    /// One entry a cell, in table order.
    pub cells: Vec<CellProposal>,
}

impl Proposal {
    /// How many cells change.
    pub fn cells_changed(&self) -> usize {
        self.cells.iter().filter(|c| c.before != c.after).count()
    }

    /// How many cells were held back.
    pub fn cells_held(&self) -> usize {
        self.cells.iter().filter(|c| c.held_by.is_some()).count()
    }

    /// How many of them are left to the controller.
    pub fn cells_governed(&self) -> usize {
        self.cells.iter().filter(|c| c.held_by == Some(Hold::Governed)).count()
    }
}

/// The share of the way from today's value to the required one.
///
/// # Source
/// Precision-weighted mean of two normal estimates (Kalman gain): the spread
/// presumed of today's cell against the standard error of the evidence.
pub(super) fn gain(today_sd: f64, evidence_sd: f64) -> f64 {
    let (today, evidence) = (today_sd * today_sd, evidence_sd * evidence_sd);
    if today + evidence > 0.0 { today / (today + evidence) } else { 0.0 }
}

/// Proposes the next fuel table.
///
/// Cells without evidence stay, and so do those the controller governs, whatever
/// is said of them or of their neighbours. The result never leaves the limits of
/// `settings`, and does not lie beyond what the evidence asks for, but for a margin
/// on the rich side at high load and the rounding to the controller's step.
pub fn propose(input: &BlendInput<'_>) -> Proposal {
    let fuel = &input.today.fuel;
    let mut steps: Vec<i64> = Vec::with_capacity(fuel.values.len());
    let mut held: Vec<Option<Hold>> = Vec::with_capacity(fuel.values.len());
    for (cell, evidence) in input.evidence.iter().enumerate() {
        let today = fuel.resolution.steps(fuel.values[cell]);
        let (after, hold) = match evidence {
            _ if input.governed.get(cell) == Some(&true) => (today, Some(Hold::Governed)),
            Some(evidence) => move_cell(input, cell, evidence),
            None => (today, None),
        };
        steps.push(after);
        held.push(hold);
    }
    flatten(input, &mut steps, &mut held);
    never_lean_where_it_knocks(input, &mut steps, &mut held);
    let values: Vec<f64> = steps.iter().map(|s| fuel.resolution.value(*s)).collect();
    let cells = values.iter().enumerate().map(|(cell, after)| CellProposal {
        before: fuel.values[cell],
        after: *after,
        evidence: input.evidence[cell],
        held_by: held[cell],
    });
    Proposal { cells: cells.collect(), table: Table { values, ..fuel.clone() } }
}

/// A cell that the engine knocked near keeps the fuel that it has, whatever its evidence asks for: less fuel
/// there burns hotter. Common practice, no source.
fn never_lean_where_it_knocks(input: &BlendInput<'_>, steps: &mut [i64], held: &mut [Option<Hold>]) {
    let fuel = &input.today.fuel;
    for (cell, _) in
        input.knocked.iter().enumerate().filter(|(_, events)| **events >= f64::from(FEWEST_EVENTS))
    {
        let today = fuel.resolution.steps(fuel.values[cell]);
        if steps[cell] < today {
            (steps[cell], held[cell]) = (today, Some(Hold::Knock));
        }
    }
}

/// A wish smaller than this share of a step is agreement, not a change held back.
const WORTH_SAYING_STEPS: f64 = 0.05;

/// One cell: its new value in steps, and what held it.
fn move_cell(input: &BlendInput<'_>, cell: usize, evidence: &CellEvidence) -> (i64, Option<Hold>) {
    let fuel = &input.today.fuel;
    let settings = input.settings;
    let resolution = fuel.resolution;
    let today = resolution.steps(fuel.values[cell]);
    let thin = match unfit(input, cell, evidence) {
        Some(hold) if !(hold.is_thin() && may_be_inferred(input, evidence)) => return (today, Some(hold)),
        thin => thin,
    };
    let before = input.kind.amount(fuel.values[cell]);
    let required = input.kind.amount(evidence.required);
    let error = input.kind.amount(evidence.required + evidence.std_error) - required;
    let share = match input.today_weighed {
        true => 1.0,
        false => gain(settings.today_spread_pct / 100.0 * before, error),
    };
    let high_load = settings.reaches_high_load(&fuel.grid, fuel.load_axis, cell);
    let aim = match high_load {
        true => rich_side(before, required, settings.high_load_margin * error),
        false => required,
    };
    let wanted = before + share * (aim - before);
    let mut limits = Limits::of(input, cell, evidence);
    if thin.is_some() {
        limits.infer(input, cell);
    }
    let wanted_steps = input.kind.cell(wanted) / resolution.step();
    let target = match wanted_steps < today as f64 && limits.high_load {
        // A high-load cell is rounded to the rich side.
        true => wanted_steps.ceil() as i64,
        false => wanted_steps.round() as i64,
    };
    let (after, hold) = limits.hold(today, target);
    if thin.is_some() {
        return (after, if after == today { thin } else { Some(Hold::Inferred) });
    }
    let asked_for_nothing = target == today && (required - before).abs() > 0.0;
    let below =
        asked_for_nothing && hold.is_none() && (wanted_steps - today as f64).abs() > WORTH_SAYING_STEPS;
    (after, hold.or(below.then_some(Hold::BelowResolution)))
}

/// What to aim for at high load, where the lean side of the error bar is what
/// burns pistons: above what is required by a margin, without enriching for the
/// margin's sake alone.
fn rich_side(before: f64, required: f64, margin: f64) -> f64 {
    // Beyond this too rich costs more than it saves. Common practice, no source.
    const LARGEST_MARGIN: f64 = 0.01;
    if required < before {
        (required + margin).min(before)
    } else {
        required + margin.min(LARGEST_MARGIN * required).min(required - before)
    }
}

/// Whether so many rides stand behind a cell, each with a fair share of it.
fn enough_rides(evidence: &CellEvidence, needed: u64) -> bool {
    // Rides of unlike length are worth less than their number; half a ride less is fair.
    const UNLIKE: f64 = 0.5;
    evidence.rides >= needed && evidence.effective_rides + UNLIKE >= needed as f64
}

/// Whether a cell may follow its neighbours where it lacks riding of its own.
fn may_be_inferred(input: &BlendInput<'_>, evidence: &CellEvidence) -> bool {
    // Only a surface goes on smoothly; a mean of nearly nothing does not.
    input.today_weighed
        && match input.settings.inferred {
            Inferred::None => false,
            Inferred::Passed => evidence.dwells > 0,
            Inferred::All => true,
        }
}

/// Why a cell's evidence does not count at all.
fn unfit(input: &BlendInput<'_>, cell: usize, evidence: &CellEvidence) -> Option<Hold> {
    let settings = input.settings;
    let (rpm, load) = input.today.fuel.grid.point(cell);
    // Too rich costs power, too lean costs pistons: leaning needs more evidence.
    let enriches = evidence.required > input.today.fuel.values[cell];
    let high_load = settings.reaches_high_load(&input.today.fuel.grid, input.today.fuel.load_axis, cell);
    let (weight_s, dwells) = match enriches {
        true => (settings.enrich_weight_s, settings.enrich_dwells),
        false if high_load => (settings.high_load_weight_s.max(settings.weight_s), settings.dwells),
        false => (settings.weight_s, settings.dwells),
    };
    if !(evidence.required.is_finite() && evidence.std_error.is_finite()) {
        return Some(Hold::Implausible);
    }
    if input.today.lock_of(rpm, load).is_some() {
        Some(Hold::Locked)
    } else if input.kind.amount(input.today.fuel.values[cell]) <= 0.0 {
        Some(Hold::EmptyCell)
    } else if input.kind.change_pct(input.today.fuel.values[cell], evidence.required).abs()
        > settings.cell_correction_pct
    {
        Some(Hold::Implausible)
    } else if evidence.weight_s < weight_s {
        Some(Hold::TooLittleWeight)
    } else if evidence.dwells < dwells {
        Some(Hold::TooFewDwells)
    } else if !enough_rides(evidence, settings.rides) {
        Some(Hold::TooFewRides)
    } else {
        None
    }
}

/// The whole steps a cell may move to, and what sets each end.
struct Limits {
    low: (i64, Hold),
    high: (i64, Hold),
    high_load: bool,
}

impl Limits {
    fn of(input: &BlendInput<'_>, cell: usize, evidence: &CellEvidence) -> Self {
        let settings = input.settings;
        let kind = input.kind;
        let fuel = &input.today.fuel;
        let resolution = fuel.resolution;
        let (rpm, load) = fuel.grid.point(cell);
        let high_load = settings.reaches_high_load(&fuel.grid, fuel.load_axis, cell);
        let today = resolution.steps(fuel.values[cell]);
        // Inward rounding, so that the written value keeps the limit too.
        let up_to = |amount: f64| (kind.cell(amount) / resolution.step() + 1e-9).floor() as i64;
        let down_to = |amount: f64| (kind.cell(amount) / resolution.step() - 1e-9).ceil() as i64;
        let before = kind.amount(fuel.values[cell]);
        let start = kind.amount(input.start.at(rpm, load));
        let range = settings.cell_range(kind);
        let [least, most] = settings.step_range(before, high_load);
        let mut limits =
            Self { low: (down_to(least), Hold::StepDown), high: (up_to(most), Hold::StepUp), high_load };
        if let Some([least, most]) = settings.distance_range(start) {
            limits.raise(down_to(least), Hold::Distance);
            limits.lower(up_to(most), Hold::Distance);
        }
        limits.raise(down_to(kind.amount(range[0])), Hold::CellRange);
        limits.lower(up_to(kind.amount(range[1])), Hold::CellRange);
        if let Some([least, most]) = input.module_range {
            limits.raise(down_to(kind.amount(least)), Hold::ModuleRange);
            limits.lower(up_to(kind.amount(most)), Hold::ModuleRange);
        }
        let too_much = input
            .false_air
            .get(cell)
            .map_or(0.0, |share_of_start| (share_of_start - settings.low_flow_enrich_pct / 100.0) * start);
        if too_much > 0.0 {
            limits.lower(up_to(kind.amount(evidence.required) - too_much), Hold::FalseAir);
        }
        if high_load && !enough_rides(evidence, settings.high_load_rides_to_lean.max(2)) {
            limits.raise(today, Hold::HighLoadSingleRide);
        }
        if settings.is_lean_target(fuel.load_axis, load, input.today.mixture.at(rpm, load)) {
            limits.raise(today, Hold::LeanTarget);
        }
        // A cell that already lies beyond a limit stays; it is not dragged back.
        limits.low.0 = limits.low.0.min(today);
        limits.high.0 = limits.high.0.max(today);
        limits
    }

    /// Tightens the limits for a cell that only follows its neighbours.
    fn infer(&mut self, input: &BlendInput<'_>, cell: usize) {
        let fuel = &input.today.fuel;
        let before = input.kind.amount(fuel.values[cell]);
        let step = input.settings.inferred_step_pct / 100.0;
        let in_steps = |amount: f64| input.kind.cell(amount) / fuel.resolution.step();
        let today = fuel.resolution.steps(fuel.values[cell]);
        let down = (in_steps(before * (1.0 - step)) - 1e-9).ceil() as i64;
        let up = (in_steps(before * (1.0 + step)) + 1e-9).floor() as i64;
        self.raise(if self.high_load { today } else { down.min(today) }, Hold::Inferred);
        self.lower(up.max(today), Hold::Inferred);
    }

    fn raise(&mut self, low: i64, hold: Hold) {
        if low > self.low.0 {
            self.low = (low, hold);
        }
    }

    fn lower(&mut self, high: i64, hold: Hold) {
        if high < self.high.0 {
            self.high = (high, hold);
        }
    }

    fn hold(&self, today: i64, target: i64) -> (i64, Option<Hold>) {
        if target < self.low.0 {
            (self.low.0.min(today), Some(self.low.1))
        } else if target > self.high.0 {
            (self.high.0.max(today), Some(self.high.1))
        } else {
            (target, None)
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::bike::Lock;
    use crate::table::{Axis, Grid, LoadAxis, Resolution};
    use proptest::prelude::*;

    pub(in super::super) fn tables(values: Vec<f64>) -> SlotTables {
        let grid = Grid {
            rpm: Axis::new(vec![1000.0, 2000.0, 3000.0]).expect("valid"),
            load: Axis::new(vec![10.0, 40.0, 80.0]).expect("valid"),
        };
        let resolution = Resolution::new(0.1).expect("a step");
        let table =
            |values| Table { grid: grid.clone(), load_axis: LoadAxis::ThrottlePct, resolution, values };
        let mixture = vec![1.0, 0.95, 0.88, 1.0, 0.95, 0.88, 1.0, 0.95, 0.88];
        SlotTables { fuel: table(values), mixture: table(mixture), spark: None, locks: Vec::new() }
    }

    pub(in super::super) fn sure(required: f64) -> CellEvidence {
        CellEvidence {
            weight_s: 30.0,
            required,
            std_error: 0.05,
            effective_samples: 90.0,
            dwells: 12,
            rides: 3,
            effective_rides: 3.0,
        }
    }

    fn run(today: &SlotTables, evidence: &[Option<CellEvidence>], settings: &Blending) -> Proposal {
        run_from(today, &today.fuel, evidence, settings)
    }

    pub(in super::super) fn run_from(
        today: &SlotTables,
        start: &Table,
        evidence: &[Option<CellEvidence>],
        settings: &Blending,
    ) -> Proposal {
        propose(&input(today, start, evidence, settings))
    }

    /// Nothing but tables, evidence and settings.
    fn input<'a>(
        today: &'a SlotTables,
        start: &'a Table,
        evidence: &'a [Option<CellEvidence>],
        settings: &'a Blending,
    ) -> BlendInput<'a> {
        BlendInput {
            today,
            start,
            evidence,
            governed: &[],
            module_range: None,
            kind: FuelTableKind::VePct,
            today_weighed: false,
            false_air: &[],
            knocked: &[],
            settings,
        }
    }

    fn one(cell: usize, evidence: CellEvidence) -> Vec<Option<CellEvidence>> {
        let mut all = vec![None; 9];
        all[cell] = Some(evidence);
        all
    }

    fn fate(cell: usize, evidence: CellEvidence) -> (f64, Option<Hold>) {
        let proposal = run(&tables(vec![50.0; 9]), &one(cell, evidence), &Blending::default());
        (proposal.cells[cell].after, proposal.cells[cell].held_by)
    }

    #[test]
    fn sure_evidence_moves_a_cell_nearly_all_the_way() {
        assert_eq!(fate(0, sure(52.0)), (52.0, None));
        assert_eq!(fate(0, sure(49.0)), (49.0, None));
    }

    #[test]
    fn a_cell_that_knocked_is_not_leaned_but_enriched_as_any_other() {
        let today = tables(vec![50.0; 9]);
        let knocking = |events: f64, required: f64| {
            let mut knocked = vec![0.0; 9];
            knocked[0] = events;
            let settings = Blending::default();
            let evidence = one(0, sure(required));
            let proposal = propose(&BlendInput {
                knocked: &knocked,
                ..input(&today, &today.fuel, &evidence, &settings)
            });
            (proposal.table.values[0], proposal.cells[0].held_by)
        };
        assert_eq!(knocking(2.0, 49.0), (50.0, Some(Hold::Knock)));
        assert_eq!(knocking(2.0, 52.0), (52.0, None));
        // One event may be noise.
        assert_eq!(knocking(1.0, 49.0), (49.0, None));
    }

    #[test]
    fn unsure_evidence_moves_it_by_its_precision() {
        // Today 50 ± 3 (6 %), evidence 52 ± 3: half the way.
        let unsure = CellEvidence { std_error: 3.0, ..sure(52.0) };
        assert_eq!(fate(0, unsure), (51.0, None));
    }

    #[test]
    fn steps_are_limited_and_leaning_is_held_tighter() {
        assert_eq!(fate(0, sure(66.0)), (55.0, Some(Hold::StepUp)));
        assert_eq!(fate(0, sure(34.0)), (47.0, Some(Hold::StepDown)));
        assert_eq!(fate(2, sure(34.0)), (48.0, Some(Hold::StepDown)));
        // Between 40 and 80 % the load is high already: the cell at 40 % has a say there.
        assert_eq!(fate(1, sure(34.0)), (48.0, Some(Hold::StepDown)));
        assert_eq!(fate(0, sure(70.0)), (50.0, Some(Hold::Implausible)));
    }

    #[test]
    fn thin_evidence_holds_the_cell_and_says_which_way_it_is_thin() {
        assert_eq!(fate(0, CellEvidence { weight_s: 0.25, ..sure(48.0) }).1, Some(Hold::TooLittleWeight));
        assert_eq!(fate(0, CellEvidence { dwells: 1, ..sure(48.0) }).1, Some(Hold::TooFewDwells));
        // Enriching asks for less.
        assert_eq!(fate(0, CellEvidence { weight_s: 0.3, dwells: 1, ..sure(52.0) }), (52.0, None));
        assert_eq!(fate(0, CellEvidence { weight_s: 0.2, ..sure(52.0) }).1, Some(Hold::TooLittleWeight));
        assert_eq!(
            fate(2, CellEvidence { rides: 1, effective_rides: 1.0, ..sure(48.0) }),
            (50.0, Some(Hold::HighLoadSingleRide))
        );
        assert_eq!(fate(2, CellEvidence { rides: 1, effective_rides: 1.0, ..sure(51.0) }), (51.0, None));
        // A second ride that only brushed the cell is no second ride.
        let sliver = CellEvidence { rides: 2, effective_rides: 1.02, ..sure(48.0) };
        assert_eq!(fate(2, sliver), (50.0, Some(Hold::HighLoadSingleRide)));
    }

    #[test]
    fn locked_cells_and_lean_targets_do_not_move() {
        let mut today = tables(vec![50.0; 9]);
        today.locks.push(Lock {
            rpm: [900.0, 1100.0],
            load: [0.0, 20.0],
            why: "idle is set by hand".to_owned(),
        });
        let proposal = run(&today, &one(0, sure(52.0)), &Blending::default());
        assert_eq!(proposal.cells[0].held_by, Some(Hold::Locked));
        assert_eq!(proposal.cells_changed(), 0);
        today.mixture.values[2] = 1.0;
        let proposal = run(&today, &one(2, sure(48.0)), &Blending::default());
        assert_eq!((proposal.cells[2].after, proposal.cells[2].held_by), (50.0, Some(Hold::LeanTarget)));
    }

    #[test]
    fn a_governed_cell_stays_and_is_marked_whether_or_not_rides_speak_for_it() {
        let today = tables(vec![50.0; 9]);
        let mut evidence = vec![Some(sure(52.0)); 9];
        evidence[1] = None;
        let mut governed = [false; 9];
        governed[..2].fill(true);
        let settings = Blending { inferred: Inferred::All, ..Blending::default() };
        let proposal = propose(&BlendInput {
            governed: &governed,
            today_weighed: true,
            ..input(&today, &today.fuel, &evidence, &settings)
        });
        for (cell, governed) in proposal.cells.iter().zip(governed) {
            assert_eq!(cell.held_by == Some(Hold::Governed), governed);
            assert_eq!(cell.after == 50.0, governed);
        }
        assert_eq!(proposal.cells_governed(), 2);
    }

    #[test]
    fn the_distance_from_the_start_of_the_build_is_limited() {
        let today = tables(vec![62.0; 9]);
        let start = tables(vec![50.0; 9]).fuel;
        let evidence = vec![Some(sure(70.0)); 9];
        let settings = Blending::default();
        let input = input(&today, &start, &evidence, &settings);
        let proposal = propose(&input);
        assert!(proposal.cells.iter().all(|c| c.after == 65.0 && c.held_by == Some(Hold::Distance)));
    }

    #[test]
    fn what_false_air_may_ask_for_is_held_at_a_limit_and_leaning_stays_free() {
        let settings = Blending { low_flow_enrich_pct: 2.0, ..Blending::default() };
        let fate = |today: f64, required: f64, settings: &Blending| {
            let (today, start) = (tables(vec![today; 9]), tables(vec![50.0; 9]).fuel);
            let evidence = one(0, sure(required));
            // 6 % in the first cell: 4 % of it are too much.
            let mut false_air = [0.01; 9];
            false_air[0] = 0.06;
            let proposal = propose(&BlendInput {
                today_weighed: true,
                false_air: &false_air,
                ..input(&today, &start, &evidence, settings)
            });
            (proposal.cells[0].after, proposal.cells[0].held_by)
        };
        assert_eq!(fate(50.0, 54.0, &settings), (52.0, Some(Hold::FalseAir)));
        // It does not creep from revision to revision, and drags nothing back.
        assert_eq!(fate(52.0, 54.0, &settings), (52.0, Some(Hold::FalseAir)));
        assert_eq!(fate(53.0, 54.0, &settings), (53.0, Some(Hold::FalseAir)));
        assert_eq!(fate(52.0, 51.0, &settings), (51.0, None));
        let tight = Blending { low_flow_enrich_pct: 100.0, ..settings };
        assert_eq!(fate(50.0, 54.0, &tight), (54.0, None));
        assert_eq!(fate(50.0, 53.98, &tight), (54.0, None), "rounding is no hold");
    }

    #[test]
    fn a_trim_table_moves_by_the_amount_of_fuel() {
        let mut today = tables(vec![10.0; 9]);
        today.fuel.resolution = Resolution::new(0.5).expect("a step");
        let settings = Blending { high_load_throttle_pct: 100.0, ..Blending::default() };
        let evidence = vec![Some(CellEvidence { std_error: 0.01, ..sure(40.0) }); 9];
        let start = today.fuel.clone();
        let input =
            BlendInput { kind: FuelTableKind::TrimPct, ..input(&today, &start, &evidence, &settings) };
        // 1.10 of fuel may become 1.21: +21 %.
        assert_eq!(propose(&input).cells[0].after, 21.0);
    }

    fn any_evidence() -> impl Strategy<Value = Option<CellEvidence>> {
        let cell = (0.0..40.0f64, 5.0..140.0f64, 0.001..20.0f64, 0u64..20, 0u64..4);
        prop::option::of(cell.prop_map(|(weight_s, required, std_error, dwells, rides)| CellEvidence {
            weight_s,
            required,
            std_error,
            effective_samples: weight_s,
            dwells,
            rides,
            effective_rides: rides as f64,
        }))
    }

    #[test]
    fn a_trim_stops_at_the_end_of_the_module_and_not_before_and_governed_trims_stay() {
        let today = tables(vec![28.0, -18.0, 31.0, 28.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        let mut evidence = vec![Some(sure(0.0)); 9];
        evidence[..4].copy_from_slice(&[35.0, -25.0, 36.0, 29.5].map(|wants| Some(sure(wants))));
        let settings = Blending { steepness_pct: 300.0, step_down_pct: 20.0, ..Blending::default() };
        let mut input = BlendInput {
            kind: FuelTableKind::TrimPct,
            module_range: Some([-20.0, 30.0]),
            today_weighed: true,
            ..input(&today, &today.fuel, &evidence, &settings)
        };
        let found = |input: &BlendInput<'_>| -> Vec<(f64, Option<Hold>)> {
            propose(input).cells[..4].iter().map(|cell| (cell.after, cell.held_by)).collect()
        };
        let module = Some(Hold::ModuleRange);
        // What lies beyond already is not dragged back.
        assert_eq!(found(&input), [(30.0, module), (-20.0, module), (31.0, module), (29.5, None)]);
        let governed = [true; 9];
        input.governed = &governed;
        assert!(found(&input).iter().all(|(_, held)| *held == Some(Hold::Governed)));
        assert_eq!(propose(&input).table, today.fuel);
    }

    proptest! {
        #[test]
        fn no_evidence_moves_a_cell_beyond_its_limits(
            cells in prop::collection::vec(200i64..1200, 9),
            evidence in prop::collection::vec(any_evidence(), 9),
        ) {
            let values: Vec<f64> = cells.iter().map(|c| *c as f64 / 10.0).collect();
            let today = tables(values);
            let settings = Blending::default();
            let proposal = run(&today, &evidence, &settings);
            for (i, cell) in proposal.cells.iter().enumerate() {
                let change = cell.after / cell.before - 1.0;
                let down = if i % 3 > 0 { settings.high_load_step_down_pct } else { settings.step_down_pct };
                prop_assert!(change <= settings.step_up_pct / 100.0 + 1e-9);
                prop_assert!(change >= -down / 100.0 - 1e-9);
                prop_assert!(today.fuel.resolution.holds(cell.after));
                match cell.evidence {
                    None => prop_assert_eq!(cell.after, cell.before),
                    Some(e) => {
                        let half = 0.1;
                        // At high load a cell may be enriched a little beyond what is asked for.
                        let beyond = if i % 3 > 0 { 1.01 } else { 1.0 };
                        let (low, high) = (cell.before.min(e.required) - half, cell.before.max(e.required * beyond) + half);
                        prop_assert!((low..=high).contains(&cell.after));
                        if i % 3 > 0 && e.rides < 2 {
                            prop_assert!(cell.after >= cell.before);
                        }
                    }
                }
            }
        }

        #[test]
        fn asking_again_for_what_is_there_changes_nothing(cells in prop::collection::vec(200i64..1200, 9)) {
            let values: Vec<f64> = cells.iter().map(|c| *c as f64 / 10.0).collect();
            let today = tables(values.clone());
            let evidence: Vec<_> = values.iter().map(|v| Some(sure(*v))).collect();
            prop_assert_eq!(run(&today, &evidence, &Blending::default()).cells_changed(), 0);
        }
    }
}
