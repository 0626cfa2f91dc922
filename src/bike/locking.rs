//! Locking and unlocking regions, and the text of locks.yaml.

use super::config::Region;
use super::slot::Lock;
use crate::table::{Axis, Grid};
use crate::units::{self, one_line};

/// The locks with a region added, drawn in to the breakpoints it covers. Where
/// every cell of it is locked already, nothing is added.
pub fn lock_cells(locks: &[Lock], grid: &Grid, region: Region, why: &str) -> Vec<Lock> {
    let mut locks = locks.to_vec();
    let Some((rpm, load)) = covered(&grid.rpm, region.rpm).zip(covered(&grid.load, region.load)) else {
        return locks;
    };
    let held = |cell: usize| {
        let (rpm, load) = grid.point(cell);
        !region.contains(rpm, load) || locks.iter().any(|lock| lock.covers(rpm, load))
    };
    if (0..grid.cells()).all(held) {
        return locks;
    }
    let edges = |axis: &Axis, [from, to]: [usize; 2]| [axis.breakpoints()[from], axis.breakpoints()[to]];
    locks.push(Lock { rpm: edges(&grid.rpm, rpm), load: edges(&grid.load, load), why: one_line(why) });
    locks
}

/// The locks without the cells of a region.
///
/// A lock that the region covers in part is divided into up to four that hold the
/// rest of its cells, each with its reason: the rows below and above the region,
/// and beside it the columns left and right. Where no cell was unlocked, nothing changes.
pub fn unlock_cells(locks: &[Lock], grid: &Grid, region: Region) -> Vec<Lock> {
    locks.iter().flat_map(|lock| rest_of(lock, grid, region)).collect()
}

fn rest_of(lock: &Lock, grid: &Grid, region: Region) -> Vec<Lock> {
    let all = covered(&grid.rpm, lock.rpm).zip(covered(&grid.load, lock.load));
    let gone = covered(&grid.rpm, region.rpm).zip(covered(&grid.load, region.load));
    let (Some((rpm, load)), Some((rpm_gone, load_gone))) = (all, gone) else {
        return vec![lock.clone()];
    };
    let apart = |a: [usize; 2], b: [usize; 2]| a[1] < b[0] || b[1] < a[0];
    if apart(rpm, rpm_gone) || apart(load, load_gone) {
        return vec![lock.clone()];
    }
    let beside = [rpm[0].max(rpm_gone[0]), rpm[1].min(rpm_gone[1])];
    let mut rest = Vec::new();
    let mut keep = |rows: Option<[usize; 2]>, columns: Option<[usize; 2]>| {
        let (Some(rows), Some(columns)) = (rows, columns) else { return };
        rest.push(Lock {
            rpm: edges(&grid.rpm, lock.rpm, rpm, rows),
            load: edges(&grid.load, lock.load, load, columns),
            why: lock.why.clone(),
        });
    };
    keep(below(rpm, rpm_gone), Some(load));
    keep(above(rpm, rpm_gone), Some(load));
    keep(Some(beside), below(load, load_gone));
    keep(Some(beside), above(load, load_gone));
    rest
}

/// The first and last breakpoint in a range.
fn covered(axis: &Axis, [from, to]: [f64; 2]) -> Option<[usize; 2]> {
    let inside = |value: &f64| (from..=to).contains(value);
    let first = axis.breakpoints().iter().position(inside)?;
    let last = axis.breakpoints().iter().rposition(inside)?;
    Some([first, last])
}

fn below(all: [usize; 2], gone: [usize; 2]) -> Option<[usize; 2]> {
    (all[0] < gone[0]).then(|| [all[0], gone[0] - 1])
}

fn above(all: [usize; 2], gone: [usize; 2]) -> Option<[usize; 2]> {
    (all[1] > gone[1]).then(|| [gone[1] + 1, all[1]])
}

/// The edges of a part of a lock: its own where it was not cut, a breakpoint where it was.
fn edges(axis: &Axis, own: [f64; 2], all: [usize; 2], part: [usize; 2]) -> [f64; 2] {
    let edge = |end: usize| if part[end] == all[end] { own[end] } else { axis.breakpoints()[part[end]] };
    [edge(0), edge(1)]
}

/// The text of locks.yaml, `None` when nothing is left to say: remarks at the head
/// of the old text stay, and where locks only came on top, so does all of it.
pub fn locks_text(old: Option<&str>, before: &[Lock], after: &[Lock]) -> Option<String> {
    let old = old.unwrap_or_default();
    let remark = |line: &&str| line.trim().is_empty() || line.trim_start().starts_with('#');
    let list = old.lines().find(|line| !remark(line)).is_none_or(|line| line.starts_with("- "));
    let (kept, new) = match after.strip_prefix(before) {
        Some(new) if list => (old.lines().collect::<Vec<_>>(), new),
        _ => (old.lines().take_while(remark).collect(), after),
    };
    let lines: Vec<String> =
        kept.iter().map(|line| format!("{line}\n")).chain(new.iter().map(entry)).collect();
    (!lines.is_empty()).then(|| lines.concat())
}

fn entry(lock: &Lock) -> String {
    let range = |[from, to]: [f64; 2]| format!("[{}, {}]", units::plain(from), units::plain(to));
    // A JSON string is a YAML string too, whatever stands in it.
    let why = serde_json::Value::from(lock.why.as_str());
    format!("- {{ rpm: {}, load: {}, why: {why} }}\n", range(lock.rpm), range(lock.load))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::yaml;
    use proptest::prelude::*;
    use std::path::Path;

    fn grid() -> Grid {
        Grid {
            rpm: Axis::new((1..=6).map(|i| f64::from(i) * 1000.0).collect()).expect("valid"),
            load: Axis::new(vec![0.0, 2.0, 5.0, 10.0, 40.0, 100.0]).expect("valid"),
        }
    }

    fn locked(locks: &[Lock]) -> Vec<bool> {
        let grid = grid();
        let held = |cell| {
            let (rpm, load) = grid.point(cell);
            locks.iter().any(|lock| lock.covers(rpm, load))
        };
        (0..grid.cells()).map(held).collect()
    }

    fn region() -> impl Strategy<Value = Region> {
        let range = |high: f64| (0.0..high, 0.0..high).prop_map(|(a, b): (f64, f64)| [a.min(b), a.max(b)]);
        (range(7000.0), range(120.0)).prop_map(|(rpm, load)| Region { rpm, load })
    }

    proptest! {
        #[test]
        fn exactly_the_cells_of_the_region_are_locked_and_unlocked(
            regions in prop::collection::vec(region(), 1..4), gone in region()
        ) {
            let grid = grid();
            let mut locks = Vec::new();
            for region in &regions {
                locks = lock_cells(&locks, &grid, *region, "x");
            }
            let before = locked(&locks);
            let left = locked(&unlock_cells(&locks, &grid, gone));
            for cell in 0..grid.cells() {
                let (rpm, load) = grid.point(cell);
                prop_assert_eq!(before[cell], regions.iter().any(|r| r.contains(rpm, load)));
                prop_assert_eq!(left[cell], before[cell] && !gone.contains(rpm, load));
            }
        }

        #[test]
        fn the_file_reads_back(regions in prop::collection::vec(region(), 0..4), why in "\\PC{1,20}") {
            let mut locks = Vec::new();
            for region in &regions {
                locks = lock_cells(&locks, &grid(), *region, &format!("x {why}"));
            }
            if let Some(text) = locks_text(None, &[], &locks) {
                prop_assert_eq!(yaml::read::<Vec<Lock>>(Path::new("locks.yaml"), &text), Ok(locks));
            } else {
                prop_assert!(locks.is_empty());
            }
        }
    }

    #[test]
    fn remarks_stay_where_locks_are_added() {
        let lock = |rpm: f64, why: &str| Lock { rpm: [rpm, rpm], load: [0.0, 2.0], why: why.to_owned() };
        let old = "# idle\n- { rpm: [1000, 1000], load: [0, 2], why: idle } # by ear\n";
        let before = [lock(1000.0, "idle")];
        let both = [lock(1000.0, "idle"), lock(2000.0, "x")];
        assert_eq!(
            locks_text(Some(old), &before, &both),
            Some(format!("{old}- {{ rpm: [2000, 2000], load: [0, 2], why: \"x\" }}\n"))
        );
        assert_eq!(locks_text(Some(old), &before, &[]), Some("# idle\n".to_owned()));
        assert_eq!(locks_text(None, &before, &[]), None);
    }
}
