//! Judges a change that a person made by the limits that hold a run.
//!
//! A slot's tables before and after a change enter; the objections of the guards
//! leave. A run stops each cell at its limits; a hand change is made as it was
//! asked for or, where a guard objects, not at all. Some guards can be told to
//! stand aside, one by one; the history remembers which.
//!
//! What counts is the fuel the engine gets. Where the controller divides by the
//! mixture table itself, a leaner target leans the engine as less fuel would.

mod guard;
mod leaning;
mod looser;
mod new_slot;
mod points;

pub use guard::HandGuard;
pub use leaning::SlotAtRevision;
pub use looser::looser;

use super::{Blending, Refusal};
use crate::bike::{Controller, Mixture, SlotTables, TableRole, is_further_out};
use crate::table::Table;
use crate::units;
use points::{Point, compare, delivered, fuel_amount};

/// Most degrees that a cell's spark is advanced in one revision. Common practice, no
/// source: little enough that knock is heard before it breaks anything.
pub const SPARK_STEP_DEG: f64 = 1.0;
/// Most degrees that a cell's spark is advanced since the build's first spark table.
/// Common practice, no source.
pub const SPARK_FROM_START_DEG: f64 = 3.0;

/// So that a value on a limit keeps it, whatever binary fractions say.
const SLACK: f64 = 1e-9;

/// A slot before and after a change by hand.
pub struct HandInput<'a> {
    /// Its tables before; of a slot that was away, those it had last. `None` when the
    /// slot is new: then only the other slots can be compared with.
    pub before: Option<&'a SlotTables>,
    /// Its tables after.
    pub after: &'a SlotTables,
    /// Its tables at the build's first revision.
    pub start: Option<&'a SlotTables>,
    /// The newest spark table it had; `None` when it never had one.
    pub spark_before: Option<&'a Table>,
    /// The oldest spark table of the build.
    pub spark_start: Option<&'a Table>,
    /// The bike's slots before the change, for what is new to a slot.
    pub others: &'a [SlotTables],
    /// Its tables after the last run, or at the build's start; leaning at high load adds
    /// up from there.
    pub ridden: Option<&'a SlotAtRevision>,
    /// What the tables mean.
    pub controller: &'a Controller,
    /// What the tables before meant.
    pub controller_before: &'a Controller,
    /// The limits.
    pub settings: &'a Blending,
}

/// What one guard has against a change.
#[derive(Debug, Clone, PartialEq)]
pub struct Objection {
    /// The guard.
    pub guard: HandGuard,
    /// The table it looked at.
    pub table: TableRole,
    /// The slot of the table, where more than one is changed.
    pub slot: Option<String>,
    /// The cells, each as `3000 rpm, 14 %: 24.2→27.2`.
    pub cells: Vec<String>,
}

/// Everything the guards have against a change, the gravest first.
pub fn judge(input: &HandInput<'_>) -> Vec<Objection> {
    let mut found = Found { objections: Vec::new(), input };
    match input.before {
        Some(before) => {
            let fuel = found.compared(TableRole::Fuel, &before.fuel, &input.after.fuel);
            found.compared(TableRole::Mixture, &before.mixture, &input.after.mixture);
            found.fuel_gained(before, &fuel);
            found.leaning(before);
        }
        None => found.new_slot(),
    }
    found.spark();
    sort(&mut found.objections);
    found.objections
}

/// The gravest first; of one guard, what never stands aside.
pub fn sort(objections: &mut [Objection]) {
    objections.sort_by_key(|o| (HandGuard::ALL.iter().position(|g| *g == o.guard), o.can_stand_aside()));
}

/// Lets the named guards stand aside, and says which of them had objected.
///
/// # Errors
/// The refusal of the gravest guard that is left, which names the others.
pub fn refuse(objections: &[Objection], despite: &[HandGuard]) -> Result<Vec<HandGuard>, Refusal> {
    let (aside, left): (Vec<&Objection>, Vec<&Objection>) =
        objections.iter().partition(|o| o.can_stand_aside() && despite.contains(&o.guard));
    let Some((first, others)) = left.split_first() else {
        let mut guards: Vec<HandGuard> = aside.iter().map(|o| o.guard).collect();
        guards.dedup();
        return Ok(guards);
    };
    let others: Vec<String> = others
        .iter()
        .map(|o| {
            let slot = o.slot.as_deref().map(|slot| format!(", slot {slot}")).unwrap_or_default();
            let cells = units::counted(o.cells.len(), "cell");
            format!("{} ({cells} of {}{slot})", o.guard.name(), o.table.name())
        })
        .collect();
    let others = if others.is_empty() { String::new() } else { format!("; also {}", others.join(", ")) };
    let options: Vec<String> = match left.iter().all(|o| o.can_stand_aside()) {
        true => {
            let mut names: Vec<&str> = left.iter().map(|o| o.guard.name()).collect();
            names.dedup();
            names.iter().map(|name| format!("--despite {name}")).collect()
        }
        false => Vec::new(),
    };
    let all_the_same = match options.is_empty() {
        true => String::new(),
        false => format!("; if it is meant all the same: {}", options.join(" ")),
    };
    Err(Refusal {
        guard: first.guard.name(),
        saw: format!("{}{others}", first.saw()),
        look_at: format!("{}{all_the_same}", first.look_at()),
    })
}

/// What to be careful with after a change that no guard holds back.
pub fn cautions(input: &HandInput<'_>) -> Vec<String> {
    let mut cautions = Vec::new();
    let advanced = match (input.spark_before, &input.after.spark) {
        (Some(before), Some(after)) => {
            compare(before, after, input.settings).iter().any(|p| p.after > p.before)
        }
        (None, Some(_)) => true,
        _ => false,
    };
    if advanced {
        cautions.push(
            "more spark advance brings the engine nearer to knock, which breaks pistons before it is felt: check \
             the fuel, watch the engine temperature, listen for knock at load; without a way to hear knock, leave it \
             to a licensed workshop"
                .to_owned(),
        );
    }
    let leaned = input.before.is_some_and(|before| {
        let gained = match mixture_counts(input, before) {
            true => delivered(before, input.after, input.controller.fuel_table, input.settings),
            false => compare(&before.fuel, &input.after.fuel, input.settings),
        };
        gained.iter().any(|p| p.high_load && p.after < p.before)
    });
    if leaned {
        cautions.push(
            "high-load cells get less fuel, and no ride stands behind it: check the fuel pressure, and watch \
             lambda under load, best on a dyno"
                .to_owned(),
        );
    }
    cautions
}

/// Whether the mixture table changed and the engine feels it.
fn mixture_counts(input: &HandInput<'_>, before: &SlotTables) -> bool {
    input.controller.mixture == Mixture::Controller && before.mixture != input.after.mixture
}

struct Found<'a> {
    objections: Vec<Objection>,
    input: &'a HandInput<'a>,
}

impl Found<'_> {
    fn object(&mut self, guard: HandGuard, table: TableRole, point: &Point) {
        let decimals = self.input.after.table(table).map_or(1, |t| t.resolution.decimals());
        let mut cell = point.text(self.input.after.fuel.load_axis, decimals);
        if guard == HandGuard::Locked
            && let Some(lock) = self.input.after.lock_of(point.rpm, point.load)
        {
            cell = format!("{cell} ({})", lock.why);
        }
        self.object_to(guard, table, cell);
    }

    /// Objects to a cell in words.
    fn object_to(&mut self, guard: HandGuard, table: TableRole, cell: String) {
        match self.objections.iter_mut().find(|o| o.guard == guard && o.table == table) {
            Some(objection) => {
                if !objection.cells.contains(&cell) {
                    objection.cells.push(cell);
                }
            }
            None => self.objections.push(Objection { guard, table, slot: None, cells: vec![cell] }),
        }
    }

    /// What a cell of a table may hold.
    fn range(&self, role: TableRole) -> [f64; 2] {
        let kind = self.input.controller.fuel_table;
        match role {
            TableRole::Fuel => self.input.settings.cell_range(kind),
            TableRole::Mixture | TableRole::Spark => [*role.allowed(kind).start(), *role.allowed(kind).end()],
        }
    }

    /// The ranges that a cell of a table must keep, each with the guard that holds it.
    fn ranges(&self, role: TableRole) -> Vec<(HandGuard, [f64; 2])> {
        let mut ranges = vec![(HandGuard::CellRange, self.range(role))];
        if role == TableRole::Fuel {
            let module = self.input.controller.trim_range_pct;
            ranges.extend(module.map(|range| (HandGuard::ModuleRange, range)));
        }
        ranges
    }

    /// What can be said of one table by itself: locks, the range of its cells, lean targets.
    fn compared(&mut self, role: TableRole, before: &Table, after: &Table) -> Vec<Point> {
        let (input, settings) = (self.input, self.input.settings);
        let points = compare(before, after, settings);
        let ranges = self.ranges(role);
        for point in &points {
            // A lock that came with the change does not speak against it.
            let old_lock = input.before.is_none_or(|b| b.lock_of(point.rpm, point.load).is_some());
            if old_lock && input.after.lock_of(point.rpm, point.load).is_some() {
                self.object(HandGuard::Locked, role, point);
            }
            for (guard, range) in &ranges {
                if is_further_out(*range, Some(point.before), point.after) {
                    self.object(*guard, role, point);
                }
            }
            let lean = match role {
                TableRole::Fuel => point.after < point.before,
                TableRole::Mixture => point.after > point.before,
                TableRole::Spark => false,
            };
            let wanted = input.after.mixture.at(point.rpm, point.load);
            if lean && settings.is_lean_target(after.load_axis, point.load, wanted) {
                self.object(HandGuard::LeanTarget, role, point);
            }
        }
        points
    }

    /// What the engine gets more or less of: of the fuel table alone, as a run sees
    /// it, and, where the mixture table counts, of both together.
    fn fuel_gained(&mut self, before: &SlotTables, fuel: &[Point]) {
        let (input, settings) = (self.input, self.input.settings);
        let kind = input.controller.fuel_table;
        let start = input.start.unwrap_or(before);
        let amount = |tables: &SlotTables, rpm: f64, load: f64| kind.amount(tables.fuel.at(rpm, load));
        let with_target = |tables: &SlotTables, rpm: f64, load: f64| fuel_amount(tables, kind, rpm, load);
        for point in fuel {
            let gained = [kind.amount(point.before), kind.amount(point.after)];
            self.limits(TableRole::Fuel, point, gained, amount(start, point.rpm, point.load));
        }
        self.steepness(TableRole::Fuel, &input.after.fuel, before, start, &amount);
        if mixture_counts(input, before) {
            for point in delivered(before, input.after, kind, settings) {
                let start = with_target(start, point.rpm, point.load);
                let (rpm, load) = (point.rpm, point.load);
                let told = Point {
                    before: before.mixture.at(rpm, load),
                    after: input.after.mixture.at(rpm, load),
                    ..point
                };
                self.limits(TableRole::Mixture, &told, [point.before, point.after], start);
            }
            self.steepness(TableRole::Mixture, &input.after.mixture, before, start, &with_target);
        }
    }

    /// Steps and distance of the fuel at one point.
    fn limits(&mut self, table: TableRole, point: &Point, [before, after]: [f64; 2], start: f64) {
        let slack = SLACK * before.abs().max(1.0);
        let [least, most] = self.input.settings.step_range(before, point.high_load);
        if after > most + slack {
            self.object(HandGuard::StepUp, table, point);
        }
        // High load is looked at by `leaning`.
        if after < least - slack && !point.high_load {
            self.object(HandGuard::StepDown, table, point);
        }
        if let Some([least, most]) = self.input.settings.distance_range(start)
            && ((after > most + slack && after > before) || (after < least - slack && after < before))
        {
            self.object(HandGuard::Distance, table, point);
        }
    }

    /// Neighbours that moved apart by more than the limit, and by more than they had before.
    fn steepness(
        &mut self,
        role: TableRole,
        table: &Table,
        before: &SlotTables,
        start: &SlotTables,
        amount: &dyn Fn(&SlotTables, f64, f64) -> f64,
    ) {
        let limit = self.input.settings.steepness_limit();
        let grid = &table.grid;
        let moved = |tables: &SlotTables, cell: usize| {
            let (rpm, load) = grid.point(cell);
            let start = amount(start, rpm, load);
            // What held nothing at the start has moved by no measure: NaN, which is never too steep.
            if start > 0.0 { (amount(tables, rpm, load) / start).ln() } else { f64::NAN }
        };
        let cells = 0..grid.cells();
        let then: Vec<f64> = cells.clone().map(|cell| moved(before, cell)).collect();
        let now: Vec<f64> = cells.clone().map(|cell| moved(self.input.after, cell)).collect();
        for cell in cells {
            for other in grid.neighbours(cell) {
                let changed = |cell: usize| (now[cell] - then[cell]).abs() > SLACK;
                let allowed = limit.max(then[cell] - then[other]);
                if now[cell] - now[other] <= allowed + SLACK || now[cell].is_nan() || now[other].is_nan() {
                    continue;
                }
                for cell in [cell, other].into_iter().filter(|cell| changed(*cell)) {
                    let (rpm, load) = grid.point(cell);
                    let value =
                        |tables: &SlotTables| tables.table(role).map_or(f64::NAN, |t| t.at(rpm, load));
                    let (before, after) = (value(before), value(self.input.after));
                    let point = Point { rpm, load, high_load: false, before, after };
                    self.object(HandGuard::Steepness, role, &point);
                }
            }
        }
    }

    /// Spark may be retarded; it is advanced by small steps only, and not far.
    fn spark(&mut self) {
        let Some(after) = &self.input.after.spark else { return };
        let Some(before) = self.input.spark_before else { return self.first_spark(after) };
        for point in self.compared(TableRole::Spark, before, after) {
            let advanced = point.after - point.before;
            if advanced > SPARK_STEP_DEG + SLACK {
                self.object(HandGuard::SparkStep, TableRole::Spark, &point);
            }
            let start = self.input.spark_start.map_or(point.before, |start| start.at(point.rpm, point.load));
            if advanced > 0.0 && point.after - start > SPARK_FROM_START_DEG + SLACK {
                self.object(HandGuard::SparkDistance, TableRole::Spark, &point);
            }
        }
    }
}

#[cfg(test)]
mod tests;
