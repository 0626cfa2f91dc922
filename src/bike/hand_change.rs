//! A change by hand as one line of text, and what it does to a slot's tables.
//!
//! The line stands in the commit as a trailer `Edit:`, so that the same change
//! can be made again later from the tables before it and compared.

use super::config::{FuelTableKind, Region};
use super::locking::{lock_cells, unlock_cells};
use super::slot::{SlotTables, TableRole};
use crate::table::{Grid, Resolution, Table};
use crate::units::{self, one_line};
use std::fmt;
use std::str::FromStr;

/// How far `smooth` moves a cell towards the mean of its direct neighbours, %.
///
/// At one half, cells that are too high and too low in turn become even at once,
/// and no cell passes the mean. Common practice, no source.
pub const SMOOTH_PCT: f64 = 50.0;

/// One change by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct HandChange {
    /// The slot.
    pub slot: String,
    /// Where; the breakpoints at its edges are inside.
    pub region: Region,
    /// What.
    pub deed: HandDeed,
}

/// What a change by hand does in its region.
#[derive(Debug, Clone, PartialEq)]
pub enum HandDeed {
    /// It changes cells of a table.
    Cells(TableRole, CellEdit),
    /// It locks the cells, for this reason.
    Lock(String),
    /// It unlocks them.
    Unlock,
}

/// What happens to each cell of the region.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CellEdit {
    /// It holds this.
    Set(f64),
    /// It holds so much more.
    Add(f64),
    /// It gets so many percent more: of fuel in a fuel table, whatever its cells
    /// hold; of the value in the others.
    Scale(f64),
    /// It moves by this share, in %, towards the mean of its direct neighbours.
    Smooth(f64),
    /// It holds so many times the fuel, since engine, injectors or fuel are others.
    Rescale(f64),
}

impl CellEdit {
    fn word(self) -> &'static str {
        match self {
            CellEdit::Set(_) => "set",
            CellEdit::Add(_) => "add",
            CellEdit::Scale(_) => "scale",
            CellEdit::Smooth(_) => "smooth",
            CellEdit::Rescale(_) => "rescale",
        }
    }
}

/// Why a change cannot be made to these tables.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CannotApply {
    /// The slot lacks the table.
    #[error("slot `{slot}` has no {} table", .table.name())]
    NoTable {
        /// The slot.
        slot: String,
        /// The table it lacks.
        table: TableRole,
    },
    /// No breakpoint lies in the region.
    #[error("no cell lies in {what}")]
    NoCell {
        /// The region in words.
        what: String,
    },
}

/// Makes the changes of one slot to its tables, one after the other; those of
/// other slots are passed over.
///
/// Values become whole steps of the table's resolution: the nearest one where a
/// value, an amount or another engine was named, never further than asked where it
/// was a share of the way (`scale`, `smooth`).
///
/// # Errors
/// When a table is missing or no cell lies in a region.
pub fn apply_changes(
    slot: &str,
    tables: &SlotTables,
    kind: FuelTableKind,
    changes: &[HandChange],
) -> Result<SlotTables, CannotApply> {
    let mut tables = tables.clone();
    for change in changes.iter().filter(|c| c.slot == slot) {
        let region = change.region;
        let table = match change.deed {
            HandDeed::Cells(table, _) => table,
            HandDeed::Lock(_) | HandDeed::Unlock => TableRole::Fuel,
        };
        let before =
            tables.table(table).ok_or_else(|| CannotApply::NoTable { slot: slot.to_owned(), table })?;
        if cells_in(&before.grid, region).next().is_none() {
            return Err(CannotApply::NoCell { what: region_text(region) });
        }
        match &change.deed {
            HandDeed::Cells(table, edit) => {
                let after = edited(before, *table, kind, region, *edit);
                tables = tables.with_table(*table, after);
            }
            HandDeed::Lock(why) => tables.locks = lock_cells(&tables.locks, &before.grid, region, why),
            HandDeed::Unlock => tables.locks = unlock_cells(&tables.locks, &before.grid, region),
        }
    }
    Ok(tables)
}

fn cells_in(grid: &Grid, region: Region) -> impl Iterator<Item = usize> + '_ {
    (0..grid.cells()).filter(move |cell| {
        let (rpm, load) = grid.point(*cell);
        region.contains(rpm, load)
    })
}

fn edited(before: &Table, role: TableRole, kind: FuelTableKind, region: Region, edit: CellEdit) -> Table {
    let mut after = before.clone();
    let resolution = before.resolution;
    for cell in cells_in(&before.grid, region) {
        let value = before.values[cell];
        after.values[cell] = match edit {
            CellEdit::Set(wanted) => resolution.snap(wanted),
            CellEdit::Add(amount) => resolution.snap(value + amount),
            CellEdit::Scale(pct) => no_further(resolution, value, scaled(role, kind, value, pct)),
            CellEdit::Smooth(pct) => match mean_of_neighbours(before, cell) {
                Some(mean) => no_further(resolution, value, value + pct / 100.0 * (mean - value)),
                None => value,
            },
            CellEdit::Rescale(factor) => resolution.snap(times(role, kind, value, factor)),
        };
    }
    after
}

fn scaled(role: TableRole, kind: FuelTableKind, value: f64, pct: f64) -> f64 {
    times(role, kind, value, 1.0 + pct / 100.0)
}

fn times(role: TableRole, kind: FuelTableKind, value: f64, factor: f64) -> f64 {
    match role {
        TableRole::Fuel => kind.cell(kind.amount(value) * factor),
        TableRole::Mixture | TableRole::Spark => value * factor,
    }
}

/// The last whole step on the way to a value.
fn no_further(resolution: Resolution, before: f64, wanted: f64) -> f64 {
    // So that a whole step is one, whatever binary fractions say.
    const SLACK: f64 = 1e-9;
    let steps = wanted / resolution.step();
    resolution.value(match wanted > before {
        true => (steps + SLACK).floor() as i64,
        false => (steps - SLACK).ceil() as i64,
    })
}

/// What a cell would hold on a straight line between the neighbours on either
/// side, rpm and load alike; `None` for a corner, which has no such pair.
///
/// Of two opposite neighbours the nearer one counts more, so that an even slope
/// stays as it is however its breakpoints are spaced, and at an edge of the table too.
fn mean_of_neighbours(table: &Table, cell: usize) -> Option<f64> {
    let grid = &table.grid;
    let (i, j) = grid.position(cell);
    let between =
        |low: usize, high: usize, share: f64| table.values[low] * (1.0 - share) + table.values[high] * share;
    let share = |breakpoints: &[f64], at: usize| {
        (breakpoints[at] - breakpoints[at - 1]) / (breakpoints[at + 1] - breakpoints[at - 1])
    };
    let inside = |at: usize, len: usize| at > 0 && at + 1 < len;
    let by_rpm = inside(i, grid.rpm.len())
        .then(|| between(grid.cell(i - 1, j), grid.cell(i + 1, j), share(grid.rpm.breakpoints(), i)));
    let by_load = inside(j, grid.load.len())
        .then(|| between(grid.cell(i, j - 1), grid.cell(i, j + 1), share(grid.load.breakpoints(), j)));
    match (by_rpm, by_load) {
        (Some(a), Some(b)) => Some((a + b) / 2.0),
        (one, other) => one.or(other),
    }
}

fn region_text(region: Region) -> String {
    let range = |[from, to]: [f64; 2]| match from == to {
        true => units::plain(from),
        false => format!("{}..{}", units::plain(from), units::plain(to)),
    };
    format!("rpm {} load {}", range(region.rpm), range(region.load))
}

fn with_sign(value: f64) -> String {
    if value < 0.0 { units::plain(value) } else { format!("+{}", units::plain(value)) }
}

impl HandChange {
    /// Whether it makes the slot's fuel table that of another engine.
    pub fn is_rescale_of(&self, slot: &str) -> bool {
        self.slot == slot && matches!(self.deed, HandDeed::Cells(TableRole::Fuel, CellEdit::Rescale(_)))
    }
}

impl fmt::Display for HandChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (slot, region) = (&self.slot, region_text(self.region));
        match &self.deed {
            HandDeed::Lock(why) => write!(f, "{slot} lock {region}: {}", one_line(why)),
            HandDeed::Unlock => write!(f, "{slot} unlock {region}"),
            HandDeed::Cells(table, edit) => {
                write!(f, "{slot} {} {} {region} ", table.name(), edit.word())?;
                match *edit {
                    CellEdit::Set(value) => write!(f, "to {}", units::plain(value)),
                    CellEdit::Add(amount) => write!(f, "by {}", with_sign(amount)),
                    CellEdit::Scale(pct) => write!(f, "by {} %", with_sign(pct)),
                    CellEdit::Smooth(pct) => write!(f, "by {} %", units::plain(pct)),
                    CellEdit::Rescale(factor) => write!(f, "times {}", units::plain(factor)),
                }
            }
        }
    }
}

/// A line that is no change by hand.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{line}` is not a change by hand such as `power fuel scale rpm 2000..4000 load 10..20 by +3 %`")]
pub struct NotAChange {
    line: String,
}

impl FromStr for HandChange {
    type Err = NotAChange;

    fn from_str(line: &str) -> Result<Self, NotAChange> {
        read(line).ok_or_else(|| NotAChange { line: line.to_owned() })
    }
}

fn read(line: &str) -> Option<HandChange> {
    let (head, why) = match line.split_once(": ") {
        Some((head, why)) => (head, Some(why)),
        None => (line, None),
    };
    let words: Vec<&str> = head.split(' ').collect();
    let (slot, words) = words.split_first()?;
    if slot.is_empty() {
        return None;
    }
    let number = |text: &str| text.parse::<f64>().ok().filter(|v| v.is_finite());
    let range = |text: &str| -> Option<[f64; 2]> {
        let (from, to) = text.split_once("..").unwrap_or((text, text));
        Some([number(from)?, number(to)?]).filter(|[from, to]| from <= to)
    };
    let region = |rpm: &str, load: &str| Some(Region { rpm: range(rpm)?, load: range(load)? });
    let (region, deed) = match (words, why) {
        (["lock", "rpm", rpm, "load", load], Some(why)) => {
            (region(rpm, load)?, HandDeed::Lock(one_line(why)))
        }
        (["unlock", "rpm", rpm, "load", load], None) => (region(rpm, load)?, HandDeed::Unlock),
        ([table, word, "rpm", rpm, "load", load, rest @ ..], None) => {
            let edit = match (*word, rest) {
                ("set", ["to", value]) => CellEdit::Set(number(value)?),
                ("add", ["by", amount]) => CellEdit::Add(number(amount)?),
                ("scale", ["by", pct, "%"]) => CellEdit::Scale(number(pct)?),
                ("smooth", ["by", pct, "%"]) => CellEdit::Smooth(number(pct)?),
                ("rescale", ["times", factor]) => CellEdit::Rescale(number(factor).filter(|f| *f > 0.0)?),
                _ => return None,
            };
            (region(rpm, load)?, HandDeed::Cells(TableRole::from_name(table)?, edit))
        }
        _ => return None,
    };
    Some(HandChange { slot: (*slot).to_owned(), region, deed })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::{Axis, LoadAxis};
    use proptest::prelude::*;

    fn tables(cell: impl Fn(f64, f64) -> f64) -> SlotTables {
        let grid = Grid {
            rpm: Axis::new(vec![1000.0, 2000.0, 4000.0, 5000.0]).expect("valid"),
            load: Axis::new(vec![2.0, 5.0, 20.0, 80.0]).expect("valid"),
        };
        let resolution = Resolution::new(0.1).expect("a step");
        let values = (0..16).map(|c| {
            let (rpm, load) = grid.point(c);
            resolution.snap(cell(rpm, load))
        });
        let fuel = Table { values: values.collect(), load_axis: LoadAxis::ThrottlePct, resolution, grid };
        SlotTables { mixture: fuel.clone(), fuel, spark: None, locks: Vec::new() }
    }

    fn made(before: &SlotTables, line: &str) -> Vec<f64> {
        let change: HandChange = line.parse().expect("a change");
        apply_changes("power", before, FuelTableKind::VePct, &[change]).expect("made").fuel.values
    }

    #[test]
    fn each_change_does_what_it_says_inside_its_region_only() {
        let before = tables(|_, _| 50.0);
        for (line, inside) in [
            ("power fuel set rpm 2000..4000 load 5 to 51.26", 51.3),
            ("power fuel add rpm 2000..4000 load 5 by -2.5", 47.5),
            ("power fuel scale rpm 2000..4000 load 5 by +3 %", 51.5),
            ("power fuel scale rpm 2000..4000 load 5 by -3.3 %", 48.4),
            ("economy fuel set rpm 2000..4000 load 5 to 1", 50.0),
        ] {
            let after = made(&before, line);
            let expected: Vec<f64> =
                (0..16).map(|cell| if [5, 9].contains(&cell) { inside } else { 50.0 }).collect();
            assert_eq!(after, expected, "{line}");
        }
    }

    #[test]
    fn scaling_a_trim_table_scales_the_fuel_and_never_goes_further_than_asked() {
        let trim = tables(|_, _| 20.0);
        let line: HandChange = "power fuel scale rpm 1000 load 2 by +3 %".parse().expect("a change");
        let after = apply_changes("power", &trim, FuelTableKind::TrimPct, &[line]).expect("made").fuel;
        // 1.2 times 1.03 is 1.236.
        assert_eq!(after.values[0], 23.6);
        let lean = tables(|_, _| 66.7);
        assert_eq!(made(&lean, "power fuel scale rpm 1000 load 2 by -4 %")[0], 64.1);
        assert_eq!(made(&lean, "power fuel scale rpm 1000 load 2 by +10 %")[0], 73.3);
    }

    #[test]
    fn rescaling_goes_to_the_nearest_step_and_scales_the_fuel() {
        let before = tables(|_, _| 5.0);
        // 5.0 times 0.75307 is 3.76535.
        assert_eq!(made(&before, "power fuel rescale rpm 1000 load 2 times 0.75307")[0], 3.8);
        let line: HandChange = "power fuel rescale rpm 1000 load 2 times 1.183849".parse().expect("a change");
        assert!(line.is_rescale_of("power") && !line.is_rescale_of("economy"));
        let after = apply_changes("power", &before, FuelTableKind::TrimPct, &[line]).expect("made").fuel;
        // 1.05 times 1.183849 is 1.243041.
        assert_eq!(after.values[0], 24.3);
    }

    #[test]
    fn smoothing_leaves_a_slope_alone_and_halves_a_spike() {
        let slope = tables(|rpm, load| 10.0 + rpm / 100.0 + load / 2.0);
        assert_eq!(made(&slope, "power fuel smooth rpm 1000..5000 load 2..80 by 50 %"), slope.fuel.values);
        let mut spike = tables(|_, _| 50.0);
        spike.fuel.values[5] = 60.0;
        assert_eq!(made(&spike, "power fuel smooth rpm 2000 load 5 by 50 %")[5], 55.0);
        // The neighbours were outside and stay; inside they would lean towards it.
        let all = made(&spike, "power fuel smooth rpm 1000..5000 load 2..80 by 50 %");
        assert!(all[5] == 55.0 && all[9] > 50.0 && all[0] == 50.0, "{all:?}");
    }

    #[test]
    fn a_region_without_a_cell_and_a_missing_table_are_named() {
        let before = tables(|_, _| 50.0);
        let change: HandChange = "power spark add rpm 1000 load 2 by -1".parse().expect("a change");
        let error = apply_changes("power", &before, FuelTableKind::VePct, &[change]).expect_err("no spark");
        assert_eq!(error.to_string(), "slot `power` has no spark table");
        let change: HandChange = "power fuel add rpm 1001..1002 load 2 by -1".parse().expect("a change");
        let error = apply_changes("power", &before, FuelTableKind::VePct, &[change]).expect_err("no cell");
        assert_eq!(error.to_string(), "no cell lies in rpm 1001..1002 load 2");
    }

    #[test]
    fn lines_that_are_no_change_are_refused() {
        for line in [
            "",
            "power",
            "power fuel set rpm 1 load 2",
            "power fuel set rpm 1 load 2 to nan",
            "power fuel set rpm 4..2 load 2 to 5",
            "power air set rpm 1 load 2 to 5",
            "power fuel rescale rpm 1 load 2 times 0",
            "power fuel rescale rpm 1 load 2 by +3 %",
            "power lock rpm 1 load 2",
            "power unlock rpm 1 load 2 to 5",
        ] {
            assert!(line.parse::<HandChange>().is_err(), "{line}");
        }
    }

    fn range() -> impl Strategy<Value = [f64; 2]> {
        (0.0..9000.0f64, 0.0..9000.0f64).prop_map(|(a, b)| [a.min(b), a.max(b)])
    }

    fn deed() -> impl Strategy<Value = HandDeed> {
        let edit = prop_oneof![
            (-500.0..500.0f64).prop_map(CellEdit::Set),
            (-50.0..50.0f64).prop_map(CellEdit::Add),
            (-90.0..90.0f64).prop_map(CellEdit::Scale),
            (1.0..100.0f64).prop_map(CellEdit::Smooth),
            (0.01..100.0f64).prop_map(CellEdit::Rescale),
        ];
        prop_oneof![
            (prop::sample::select(TableRole::ALL.to_vec()), edit).prop_map(|(t, e)| HandDeed::Cells(t, e)),
            "[a-z][a-z :.%]{0,20}[a-z]".prop_map(|why| HandDeed::Lock(one_line(&why))),
            Just(HandDeed::Unlock),
        ]
    }

    proptest! {
        #[test]
        fn what_is_written_as_a_line_reads_back(slot in "[a-z0-9_-]{1,8}", rpm in range(), load in range(), deed in deed()) {
            let change = HandChange { slot, region: Region { rpm, load }, deed };
            prop_assert_eq!(one_line(&change.to_string()), change.to_string());
            prop_assert_eq!(change.to_string().parse::<HandChange>(), Ok(change));
        }

        #[test]
        fn rescaling_there_and_back_is_within_rounding(value in 0.5..60.0f64, factor in 0.2..5.0f64, trim in any::<bool>()) {
            let before = tables(|_, _| value);
            let kind = if trim { FuelTableKind::TrimPct } else { FuelTableKind::PulseWidthMs };
            let times = |factor: f64| HandChange {
                slot: "power".to_owned(),
                region: Region { rpm: [1000.0, 5000.0], load: [2.0, 80.0] },
                deed: HandDeed::Cells(TableRole::Fuel, CellEdit::Rescale(factor)),
            };
            let back = apply_changes("power", &before, kind, &[times(factor), times(1.0 / factor)]).expect("made");
            // Half a step there, seen through the way back, and half a step back.
            let bound = 0.1 / 2.0 * (1.0 / factor + 1.0) + 1e-9;
            for (a, b) in before.fuel.values.iter().zip(&back.fuel.values) {
                prop_assert!((a - b).abs() <= bound, "{} {}", a, b);
            }
        }

        #[test]
        fn no_line_panics(line in "\\PC*") {
            let _ = line.parse::<HandChange>();
        }
    }
}
