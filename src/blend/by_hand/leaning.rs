//! Leaning at high load: what the engine gets less of, in one change and in all changes
//! by hand since the last ride together.
//!
//! It is judged by the fuel that is delivered: the fuel table divided by the wanted
//! lambda where the controller divides. A bike.yaml that says otherwise than before
//! must not hide leaning, so both of its meanings count, and of each cell the richer.

use super::points::{Point, fuel_amount, places, rounding};
use super::{Found, HandGuard, SLACK};
use crate::bike::{Controller, Mixture, SlotTables, TableRole};

/// A slot as a revision holds it, such as that of the last run or of the build's start.
#[derive(Debug, Clone, PartialEq)]
pub struct SlotAtRevision {
    /// The revision that holds them.
    pub revision: String,
    /// The tables.
    pub tables: SlotTables,
    /// What they meant.
    pub controller: Controller,
}

/// What the new tables are compared with.
#[derive(Clone, Copy)]
struct Reference<'a> {
    tables: &'a SlotTables,
    mixture: Mixture,
    /// Its name, where it is not the newest revision.
    revision: Option<&'a str>,
}

impl Found<'_> {
    /// High-load cells that get less than the richer of the newest revision and of the
    /// last ride allows. A change that leans a cell no further is not held by what was
    /// leaned before it.
    pub(super) fn leaning(&mut self, before: &SlotTables) {
        let (input, settings) = (self.input, self.input.settings);
        let (after, kind, now) = (input.after, input.controller.fuel_table, input.controller.mixture);
        let newest = Reference { tables: before, mixture: input.controller_before.mixture, revision: None };
        let mut references = vec![newest];
        let other = |ridden: &&SlotAtRevision| {
            ridden.tables != *before || ridden.controller.mixture != newest.mixture
        };
        references.extend(input.ridden.filter(other).map(|ridden| Reference {
            tables: &ridden.tables,
            mixture: ridden.controller.mixture,
            revision: Some(&ridden.revision),
        }));
        let mut tables = Vec::new();
        for slot in references.iter().map(|r| r.tables).chain([after]) {
            tables.extend([&slot.fuel, &slot.mixture]);
        }
        let fuel_rounding = rounding(&before.fuel, &after.fuel);
        let target_rounding = rounding(&before.mixture, &after.mixture);
        let fuel = |tables: &SlotTables, rpm, load| kind.amount(tables.fuel.at(rpm, load));
        let gets = |tables: &SlotTables, mixture, rpm, load| match mixture {
            Mixture::Controller => fuel_amount(tables, kind, rpm, load),
            Mixture::Table => fuel(tables, rpm, load),
        };
        let places = places(&tables, settings);
        for (rpm, load, _) in places.into_iter().filter(|(_, _, high_load)| *high_load) {
            let less_fuel = before.fuel.at(rpm, load) - after.fuel.at(rpm, load) > fuel_rounding;
            let leaner_target = after.mixture.at(rpm, load) - before.mixture.at(rpm, load) > target_rounding;
            let amount = gets(after, now, rpm, load);
            let leaned = (less_fuel || leaner_target) && amount < gets(before, now, rpm, load);
            let mut had: Vec<(Reference<'_>, f64, f64)> = Vec::new();
            if less_fuel {
                // The fuel table alone, as a run sees it.
                had.push((newest, fuel(before, rpm, load), fuel(after, rpm, load)));
            }
            if leaned || newest.mixture != now {
                for reference in &references {
                    for mixture in [reference.mixture, now] {
                        had.push((*reference, gets(reference.tables, mixture, rpm, load), amount));
                    }
                }
            }
            had.retain(|(_, from, _)| *from > 0.0);
            let worst = had.into_iter().min_by(|a, b| (a.2 / a.1).total_cmp(&(b.2 / b.1)));
            if let Some((reference, from, to)) = worst
                && self.is_too_lean(from, to)
            {
                self.object_to_leaning(reference, [from, to], (rpm, load));
            }
        }
    }

    fn is_too_lean(&self, from: f64, to: f64) -> bool {
        let [least, _] = self.input.settings.step_range(from, true);
        to < least - SLACK * from.abs().max(1.0)
    }

    /// Names the table that explains it, or bike.yaml.
    fn object_to_leaning(&mut self, reference: Reference<'_>, amounts: [f64; 2], (rpm, load): (f64, f64)) {
        let (after, kind) = (self.input.after, self.input.controller.fuel_table);
        let both = [reference.tables, after];
        let fuel = both.map(|tables| tables.fuel.at(rpm, load));
        let targets = both.map(|tables| tables.mixture.at(rpm, load));
        let by_target = self.input.controller.mixture == Mixture::Controller && targets[1] > targets[0];
        let by_fuel = self.is_too_lean(kind.amount(fuel[0]), kind.amount(fuel[1]));
        let (role, [before, after], told) = match (by_fuel, by_target) {
            (true, _) => (TableRole::Fuel, fuel, ""),
            (_, true) => (TableRole::Mixture, targets, ""),
            _ => (TableRole::Fuel, amounts, " by bike.yaml"),
        };
        let decimals = self.input.after.table(role).map_or(1, |t| t.resolution.decimals());
        let point = Point { rpm, load, high_load: true, before, after };
        let mut cell = format!("{}{told}", point.text(self.input.after.fuel.load_axis, decimals));
        if let Some(revision) = reference.revision {
            cell = format!("{cell} since {revision}");
        }
        self.object_to(HandGuard::HighLoadLean, role, cell);
    }
}
