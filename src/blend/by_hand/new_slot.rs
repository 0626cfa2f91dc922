//! What a slot has to go by that no revision of the build held before: the range of
//! its cells, and the other slots of the bike.
//!
//! Under high load it may not be leaner than the leanest of them by more than a step
//! of one revision, nor its spark more advanced than the most advanced by more than one.

use super::points::{Point, fuel_amount, places};
use super::{Found, HandGuard, SLACK, SPARK_STEP_DEG};
use crate::bike::{Mixture, SlotTables, TableRole};
use crate::table::Table;

impl Found<'_> {
    /// All that can be said of a slot that has no earlier tables of its own.
    pub(super) fn new_slot(&mut self) {
        let after = self.input.after;
        for role in TableRole::ALL {
            if let Some(table) = after.table(role) {
                self.whole_range(role, table);
            }
        }
        self.targets();
        self.leaner_than_the_others();
    }

    /// Every cell must lie in its range, or no further out than in another slot: else
    /// the copy of a slot could not be taken.
    fn whole_range(&mut self, role: TableRole, table: &Table) {
        for (guard, range) in self.ranges(role) {
            self.within(guard, role, table, range);
        }
    }

    fn within(&mut self, guard: HandGuard, role: TableRole, table: &Table, [low, high]: [f64; 2]) {
        for (cell, value) in table.values.iter().enumerate() {
            let (rpm, load) = table.grid.point(cell);
            let others = self.input.others.iter().filter_map(|other| other.table(role));
            let [least, most] = others
                .map(|other| other.at(rpm, load))
                .fold([low, high], |[least, most], held| [least.min(held), most.max(held)]);
            if *value < least - SLACK || *value > most + SLACK {
                self.object(guard, role, &alone(rpm, load, *value));
            }
        }
    }

    fn targets(&mut self) {
        let mixture = &self.input.after.mixture;
        for (cell, wanted) in mixture.values.iter().enumerate() {
            let (rpm, load) = mixture.grid.point(cell);
            if self.input.settings.is_lean_target(mixture.load_axis, load, *wanted) {
                self.object(HandGuard::LeanTarget, TableRole::Mixture, &alone(rpm, load, *wanted));
            }
        }
    }

    fn leaner_than_the_others(&mut self) {
        let input = self.input;
        let kind = input.controller.fuel_table;
        let by_target = input.controller.mixture == Mixture::Controller;
        let amount = |tables: &SlotTables, rpm: f64, load: f64| match by_target {
            true => fuel_amount(tables, kind, rpm, load),
            false => kind.amount(tables.fuel.at(rpm, load)),
        };
        let mut tables = Vec::new();
        for slot in input.others.iter().chain([input.after]) {
            tables.push(&slot.fuel);
            tables.extend(by_target.then_some(&slot.mixture));
        }
        let places = places(&tables, input.settings);
        for (rpm, load, _) in places.into_iter().filter(|(_, _, high_load)| *high_load) {
            let leanest =
                input.others.iter().min_by(|a, b| amount(a, rpm, load).total_cmp(&amount(b, rpm, load)));
            let Some(leanest) = leanest else { return };
            let before = amount(leanest, rpm, load);
            let [least, _] = input.settings.step_range(before, true);
            let too_lean = |amount: f64, least: f64| amount < least - SLACK * least.abs().max(1.0);
            if too_lean(amount(input.after, rpm, load), least) {
                // Of the two tables the one is named that explains it.
                let fuel = [leanest, input.after].map(|tables| tables.fuel.at(rpm, load));
                let targets = [leanest, input.after].map(|tables| tables.mixture.at(rpm, load));
                let [least, _] = input.settings.step_range(kind.amount(fuel[0]), true);
                let (role, [before, after]) = match by_target && !too_lean(kind.amount(fuel[1]), least) {
                    true => (TableRole::Mixture, targets),
                    false => (TableRole::Fuel, fuel),
                };
                self.object(HandGuard::NewSlot, role, &Point { rpm, load, high_load: true, before, after });
            }
        }
    }

    /// A first spark table against those of the other slots.
    pub(super) fn first_spark(&mut self, after: &Table) {
        let others: Vec<&Table> = self.input.others.iter().filter_map(|o| o.spark.as_ref()).collect();
        let tables: Vec<&Table> = others.iter().copied().chain([after]).collect();
        for (rpm, load, _) in places(&tables, self.input.settings) {
            let most = others.iter().map(|other| other.at(rpm, load)).max_by(f64::total_cmp);
            let Some(before) = most else { return };
            let after = after.at(rpm, load);
            if after > before + SPARK_STEP_DEG + SLACK {
                let point = Point { rpm, load, high_load: false, before, after };
                self.object(HandGuard::NewSlot, TableRole::Spark, &point);
            }
        }
    }
}

fn alone(rpm: f64, load: f64, after: f64) -> Point {
    Point { rpm, load, high_load: false, before: f64::NAN, after }
}
