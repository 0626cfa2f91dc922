//! The tables a ride was made on, row by row.
//!
//! Where slots share their breathing a ride may change its slot on the way; each row then
//! has the fuel and the wanted lambda of the slot that was in use.

use super::rows::{RideContext, Rows};
use crate::bike::SlotTables;
use crate::ride::{LOGGED_SLOT, Ride};
use crate::table::{Place, Table};
use std::collections::BTreeMap;
use std::rc::Rc;

/// The tables that a ride may have been made on.
#[derive(Debug, Clone, Copy)]
pub enum Ridden<'a> {
    /// Those of one slot; rows of other slots tell nothing of them.
    Slot(&'a SlotTables),
    /// Those of each slot by its name, not empty: slots share their breathing.
    Slots(&'a BTreeMap<String, SlotTables>),
}

/// The tables that each row of a ride was made on.
#[derive(Debug)]
pub struct RiddenRows<'a> {
    /// The tables met, that of the most rows first; never empty.
    met: Vec<&'a SlotTables>,
    /// Which of them each row was made on; empty where there is one.
    of_row: Vec<u16>,
}

impl<'a> RiddenRows<'a> {
    /// Looks up the tables of every row; a row on an unknown slot has those of the most rows.
    pub fn of(ride: &Ride, context: &RideContext<'a>) -> Self {
        let slots = match context.ridden {
            Ridden::Slot(tables) => return Self { met: vec![tables], of_row: Vec::new() },
            Ridden::Slots(slots) => slots,
        };
        let in_use = slots_in_use(ride, context.slot);
        let mut rows: BTreeMap<&str, usize> = BTreeMap::new();
        in_use.iter().flatten().for_each(|slot| *rows.entry(slot).or_default() += 1);
        let known = rows.into_iter().filter(|(slot, _)| slots.contains_key(*slot));
        let mut met: Vec<(&str, usize)> = known.collect();
        // Of as many rows the first name: the same ride gives the same bytes.
        met.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
        let of_row = match met.len() {
            0 | 1 => Vec::new(),
            _ => {
                let number = |slot: &Option<&str>| {
                    let at = slot.and_then(|slot| met.iter().position(|(met, _)| *met == slot));
                    u16::try_from(at.unwrap_or_default()).unwrap_or_default()
                };
                in_use.iter().map(number).collect()
            }
        };
        let tables = |(slot, _): &(&str, usize)| &slots[*slot];
        let met: Vec<&SlotTables> = match met.is_empty() {
            false => met.iter().map(tables).collect(),
            true => slots.values().take(1).collect(),
        };
        Self { met, of_row }
    }

    /// The tables that the most rows were made on.
    pub fn most_ridden(&self) -> &'a SlotTables {
        self.met[0]
    }

    /// Whether a row was made on those.
    pub fn is_most_ridden(&self, row: usize) -> bool {
        self.number(row) == 0
    }

    /// Whether all rows were made on those.
    pub fn is_one_slot(&self) -> bool {
        self.met.len() == 1
    }

    /// The tables a row was made on.
    pub fn tables(&self, row: usize) -> &'a SlotTables {
        self.met[self.number(row)]
    }

    /// What the fuel table held at the point of each row.
    pub fn fuel(&self, rows: &Rows<'_>) -> impl Fn(usize) -> f64 + use<'_, 'a> {
        self.looked_up(rows, self.met.iter().map(|tables| &tables.fuel))
    }

    /// What the mixture table asked for at the point of each row.
    pub fn wanted(&self, rows: &Rows<'_>) -> impl Fn(usize) -> f64 + use<'_, 'a> {
        self.looked_up(rows, self.met.iter().map(|tables| &tables.mixture))
    }

    fn looked_up<'s, Met: Iterator<Item = &'a Table>>(
        &'s self,
        rows: &Rows<'_>,
        met: Met,
    ) -> impl Fn(usize) -> f64 + use<'s, 'a, Met> {
        let met: Vec<(&Table, Rc<Vec<Place>>)> = met.map(|table| (table, rows.places(&table.grid))).collect();
        move |row| {
            let (table, places) = &met[self.number(row)];
            table.at_place(&places[row])
        }
    }

    fn number(&self, row: usize) -> usize {
        self.of_row.get(row).copied().map_or(0, usize::from)
    }
}

/// Which rows were made on tables that are known.
pub(crate) fn on_known_slot(ride: &Ride, context: &RideContext<'_>) -> Vec<bool> {
    match context.ridden {
        Ridden::Slot(_) => super::signs::on_slot(ride, context.slot),
        Ridden::Slots(slots) => {
            let known = |slot: &Option<&str>| slot.is_some_and(|slot| slots.contains_key(slot));
            slots_in_use(ride, context.slot).iter().map(known).collect()
        }
    }
}

/// How many rows of a ride whose log tells slots are before it tells the first, and so on the
/// slot that somebody told; none where nobody did.
pub(crate) fn rows_on_told_slot(ride: &Ride, context: &RideContext<'_>) -> usize {
    match context.ridden {
        Ridden::Slots(slots) if slots.contains_key(context.slot) => rows_before_first_slot(ride),
        Ridden::Slots(_) | Ridden::Slot(_) => 0,
    }
}

/// How many rows a log that tells slots has before it tells the first.
pub(crate) fn rows_before_first_slot(ride: &Ride) -> usize {
    ride.slots().map_or(0, |slots| slots.take_while(Option::is_none).count())
}

/// The slot in use at each row: that of the log, or the one that was told where the log does
/// not tell.
///
/// The slot that the log said last is still in use; before it says anything, it is the one
/// that was told, and where none was, nobody knows.
fn slots_in_use<'a>(ride: &'a Ride, told: &'a str) -> Vec<Option<&'a str>> {
    let mut in_use = (told != LOGGED_SLOT).then_some(told);
    let Some(slots) = ride.slots() else { return vec![in_use; ride.samples()] };
    let logged = slots.map(|logged| {
        in_use = logged.or(in_use);
        in_use
    });
    logged.collect()
}

#[cfg(test)]
mod tests {
    use super::super::plan::Plan;
    use super::super::ride_run::{RideOutcome, run_ride};
    use super::super::stages::tests::bike;
    use super::*;
    use crate::bike::Bike;
    use crate::ride::Loggers;
    use crate::table::{Axis, Grid};
    use std::fmt::Write as _;
    use std::path::Path;

    const RPM: f64 = 4200.0;
    const LOAD: f64 = 17.0;

    /// Power 4 % too lean, economy 10 % too rich, on other axes and asking for less fuel.
    fn slots(truth: &SlotTables) -> BTreeMap<String, SlotTables> {
        let scaled = |by: f64| {
            let mut tables = truth.clone();
            tables.fuel.values.iter_mut().for_each(|value| *value *= by);
            tables
        };
        let (power, mut economy) = (scaled(0.96), scaled(1.10));
        let grid = Grid {
            rpm: Axis::new(vec![1000.0, 4000.0, 4500.0, 9000.0]).expect("ascending"),
            load: Axis::new(vec![1.0, 16.0, 18.0, 100.0]).expect("ascending"),
        };
        let points = (0..grid.cells()).map(|cell| grid.point(cell));
        economy.fuel.values = points.map(|(rpm, load)| economy.fuel.at(rpm, load)).collect();
        economy.fuel.grid = grid;
        economy.mixture.values.iter_mut().for_each(|lambda| *lambda *= 1.08);
        BTreeMap::from([("economy".to_owned(), economy), ("power".to_owned(), power)])
    }

    /// A ride at one point whose lambda is what the tables in use give; of each slot so
    /// many rows, the title of the slot's column as it is told.
    fn log(truth: f64, slots: &BTreeMap<String, SlotTables>, made_on: &[(&str, usize)], title: &str) -> Ride {
        let mut text = format!("time_s,rpm,throttle_pct,lambda,{title}\n");
        let rows = made_on.iter().flat_map(|(slot, rows)| std::iter::repeat_n(*slot, *rows));
        for (i, slot) in rows.enumerate() {
            let lambda = slots
                .get(slot)
                .map_or(1.0, |tables| truth / tables.fuel.at(RPM, LOAD) * tables.mixture.at(RPM, LOAD));
            let time_s = i as f64 * 0.05;
            writeln!(text, "{time_s:.2},{RPM},{LOAD},{lambda:.12},{slot}").expect("text");
        }
        Ride::read(Path::new("ride.csv"), text.as_bytes(), &Loggers::none()).expect("a ride")
    }

    fn run(bike: &Bike, ride: &Ride, ridden: Ridden<'_>, today: &SlotTables, slot: &str) -> RideOutcome {
        let text = "about: x\nstages:\n  - average: {}\n  - blend: {}\n";
        let plan = Plan::parse("x", Path::new("x.yaml"), text).expect("a plan");
        run_ride(&plan, ride, &RideContext { bike, ridden, today, slot }).expect("all channels")
    }

    /// What a ride says of the point, and on how much of it.
    fn said(outcome: &RideOutcome, today: &SlotTables) -> (f64, f64) {
        let mut required = today.fuel.clone();
        for (value, sums) in required.values.iter_mut().zip(&outcome.sums) {
            *value = sums.mean().unwrap_or(f64::NAN);
        }
        (required.at(RPM, LOAD), outcome.sums.iter().map(|sums| sums.w).sum())
    }

    #[test]
    fn a_ride_on_any_slot_asks_of_each_for_what_the_slot_it_was_made_on_says() {
        let (bike, tables) = bike();
        let truth = tables.fuel.at(RPM, LOAD);
        let slots = slots(&tables);
        let all = Ridden::Slots(&slots);
        for (made_on, most) in [
            (vec![("power", 400)], "power"),
            (vec![("economy", 400)], "economy"),
            (vec![("economy", 150), ("power", 250)], "power"),
        ] {
            let ride = log(truth, &slots, &made_on, "slot");
            for today in ["power", "economy"].map(|slot| &slots[slot]) {
                let outcome = run(&bike, &ride, all, today, LOGGED_SLOT);
                let (required, seconds) = said(&outcome, today);
                // On other cells than those of the ridden table the line between them is another.
                let exact = today.fuel.grid == slots[most].fuel.grid;
                let near = if exact { 1e-9 } else { 0.025 };
                assert!((required / truth - 1.0).abs() < near, "{made_on:?}: {required}, not {truth}");
                assert!((seconds - 20.0).abs() < 1e-9, "each row counts once: {seconds} s");
                assert_eq!(outcome.funnel.kept(), 400);
                assert!(outcome.sums.iter().all(|sums| sums.rides <= 1 && sums.dwells <= 1), "one ride");
            }
        }
    }

    #[test]
    fn a_ride_on_one_slot_says_the_same_alone_and_among_several() {
        let (bike, tables) = bike();
        let slots = slots(&tables);
        let ride = log(tables.fuel.at(RPM, LOAD), &slots, &[("power", 300)], "slot");
        let alone = run(&bike, &ride, Ridden::Slot(&slots["power"]), &slots["power"], "power");
        let among = run(&bike, &ride, Ridden::Slots(&slots), &slots["power"], LOGGED_SLOT);
        assert_eq!(alone, among);
        let untold = log(tables.fuel.at(RPM, LOAD), &slots, &[("power", 300)], "not_told");
        assert_eq!(run(&bike, &untold, Ridden::Slots(&slots), &slots["power"], "power"), alone);
    }

    #[test]
    fn rows_before_the_log_tells_a_slot_are_on_the_one_that_was_told() {
        let (bike, tables) = bike();
        let truth = tables.fuel.at(RPM, LOAD);
        let slots = slots(&tables);
        let (all, power) = (Ridden::Slots(&slots), &slots["power"]);
        let full = log(truth, &slots, &[("economy", 100), ("power", 300)], "slot");
        let seen = run(&bike, &full, all, power, LOGGED_SLOT);
        // Each row's lambda is that of the table it was made on, whether the log names it or not.
        let text = |told: usize| {
            let rows = (0..400).map(|i| {
                let slot = if i < 100 { "economy" } else { "power" };
                let tables = &slots[slot];
                let lambda = truth / tables.fuel.at(RPM, LOAD) * tables.mixture.at(RPM, LOAD);
                let slot = if i < told { "" } else { slot };
                format!("{:.2},{RPM},{LOAD},{lambda:.12},{slot}\n", f64::from(i as u32) * 0.05)
            });
            format!("time_s,rpm,throttle_pct,lambda,slot\n{}", rows.collect::<String>())
        };
        let read = |text: &str| {
            Ride::read(Path::new("ride.csv"), text.as_bytes(), &Loggers::none()).expect("a ride")
        };
        let partly = read(&text(100));
        assert_eq!(run(&bike, &partly, all, power, "economy"), seen, "told by hand");
        let unheard = run(&bike, &partly, all, power, LOGGED_SLOT);
        assert_eq!(unheard.funnel.rejected().get("other_slot"), Some(&100), "nobody said");
        let context = |slot| RideContext { bike: &bike, ridden: all, today: power, slot };
        assert_eq!(rows_on_told_slot(&partly, &context("economy")), 100);
        assert_eq!(rows_on_told_slot(&partly, &context(LOGGED_SLOT)), 0);
        assert_eq!(rows_on_told_slot(&full, &context("economy")), 0);
        // A column without a name is none.
        let empty = read(&text(400));
        assert!(run(&bike, &empty, all, power, LOGGED_SLOT).other_slot);
        assert_eq!(run(&bike, &empty, all, power, "power").funnel.kept(), 400);
    }

    #[test]
    fn rows_on_slots_that_nobody_knows_say_nothing() {
        let (bike, tables) = bike();
        let truth = tables.fuel.at(RPM, LOAD);
        let slots = slots(&tables);
        let power = &slots["power"];
        let ride = log(truth, &slots, &[("rain", 100), ("power", 200), ("rain", 100)], "slot");
        let outcome = run(&bike, &ride, Ridden::Slots(&slots), power, LOGGED_SLOT);
        assert_eq!(outcome.funnel.rejected().get("other_slot"), Some(&200));
        assert!((said(&outcome, power).0 / truth - 1.0).abs() < 1e-9);
        let untold = log(truth, &slots, &[("power", 200)], "not_told");
        assert!(run(&bike, &untold, Ridden::Slots(&slots), power, LOGGED_SLOT).other_slot);
        let own = log(truth, &slots, &[("economy", 100), ("power", 200)], "slot");
        let outcome = run(&bike, &own, Ridden::Slot(power), power, "power");
        assert_eq!(outcome.funnel.rejected().get("other_slot"), Some(&100), "each slot for itself");
    }

    #[test]
    fn what_a_cell_held_when_ridden_is_the_mean_of_the_slots_by_time() {
        let (bike, tables) = bike();
        let slots = slots(&tables);
        let (power, economy) = (&slots["power"], &slots["economy"]);
        let ride = log(tables.fuel.at(RPM, LOAD), &slots, &[("power", 300), ("economy", 100)], "slot");
        let outcome = run(&bike, &ride, Ridden::Slots(&slots), power, LOGGED_SLOT);
        let grid = &power.fuel.grid;
        for cell in (0..grid.cells()).filter(|cell| outcome.sums[*cell].w > 0.0) {
            let (rpm, load) = grid.point(cell);
            let mean = 0.75 * power.fuel.values[cell] + 0.25 * economy.fuel.at(rpm, load);
            assert!((outcome.ridden_amounts[cell] / mean - 1.0).abs() < 1e-9);
        }
    }
}
