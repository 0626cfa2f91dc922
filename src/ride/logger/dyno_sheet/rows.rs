//! Which rows of a sheet can be of a pull, and how they lie.

use crate::units::{counted, fixed, plain};

/// A row of a sheet with an engine speed and a power that can be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SheetRow {
    /// One-based line.
    pub line: u64,
    /// 1/min.
    pub rpm: f64,
    /// kW, above zero.
    pub kw: f64,
}

impl SheetRow {
    /// Proportional to the torque, which hardly changes from one row to the next.
    fn torque(&self) -> f64 {
        self.kw / self.rpm
    }
}

/// So many rows on either side tell what a row should hold, at least and at most.
const NEIGHBOURS: [usize; 2] = [3, 25];
/// Engine speed to either side within which more than the least count, 1/min.
const NEAR_RPM: f64 = 250.0;
/// Torque over the median of the rows to both sides beyond which a row is wild; an engine whose
/// torque rises or falls however steeply stays within, since it passes through that median.
/// Common practice, no source.
const WILD_WITHIN: f64 = 1.5;
/// The same at the ends of a sheet, where torque may rise or fall and nothing behind it tells.
const WILD_AT_AN_END: f64 = 3.0;

/// Which rows lie far from those around them.
pub(super) fn wild(rows: &[SheetRow]) -> Vec<bool> {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by(|a, b| rows[*a].rpm.total_cmp(&rows[*b].rpm));
    let sorted: Vec<SheetRow> = order.iter().map(|i| rows[*i]).collect();
    let none = vec![false; sorted.len()];
    let doubted: Vec<bool> = (0..sorted.len()).map(|at| is_wild(&sorted, at, &none)).collect();
    let mut wild = none;
    for (at, row) in order.into_iter().enumerate() {
        // A row beside wild ones looks wild itself: only those that are not doubted judge.
        wild[row] = doubted[at] && is_wild(&sorted, at, &doubted);
    }
    wild
}

/// Whether a row lies far from those around it, in ascending order of engine speed, that are not
/// left out.
fn is_wild(sorted: &[SheetRow], at: usize, left_out: &[bool]) -> bool {
    let row = &sorted[at];
    let [fewest, most] = NEIGHBOURS;
    let of_side = |side: &mut dyn Iterator<Item = usize>| -> Vec<f64> {
        let judges = side.filter(|i| !left_out[*i]).take(most).enumerate();
        let near = |(n, i): &(usize, usize)| *n < fewest || (sorted[*i].rpm - row.rpm).abs() <= NEAR_RPM;
        judges.take_while(near).map(|(_, i)| sorted[i].torque()).collect()
    };
    let mut below = of_side(&mut (0..at).rev());
    let mut above = of_side(&mut (at + 1..sorted.len()));
    let both = below.len().min(above.len());
    let within = if both < 2 { WILD_AT_AN_END } else { WILD_WITHIN };
    if both >= 2 {
        below.truncate(both);
        above.truncate(both);
    }
    let mut around = [below, above].concat();
    around.sort_by(f64::total_cmp);
    match around.len() {
        0 | 1 => false,
        n => row.torque() > around[n / 2] * within || row.torque() < around[(n - 1) / 2] / within,
    }
}

/// Engine speed wavers by so much in one pull, 1/min, and the torque of one speed by so much from
/// one run to the next, %. Common practice, no source.
const WAVERS_RPM: f64 = 100.0;
/// See [`WAVERS_RPM`].
const REPEATS_PCT: f64 = 2.0;

/// What is worth knowing of the order of the rows: where engine speed falls back, and where it is
/// there several times.
pub(super) fn order_remarks(rows: &[SheetRow]) -> Vec<String> {
    let mut remarks = Vec::new();
    let falls = || rows.windows(2).filter(|pair| pair[1].rpm < pair[0].rpm - WAVERS_RPM);
    let rises = rows.windows(2).any(|pair| pair[1].rpm > pair[0].rpm + WAVERS_RPM);
    let deepest = falls().max_by(|a, b| (a[0].rpm - a[1].rpm).total_cmp(&(b[0].rpm - b[1].rpm)));
    if let Some([before, after]) = deepest.filter(|_| rises) {
        remarks.push(format!(
            "engine speed does not only rise: it falls back {}, furthest in line {}, from {} to {} 1/min; the rows \
             are put in order, and those of about the same speed are averaged",
            counted(falls().count(), "time"),
            after.line,
            plain(before.rpm),
            plain(after.rpm),
        ));
    }
    let mut sorted = rows.to_vec();
    sorted.sort_by(|a, b| a.rpm.total_cmp(&b.rpm).then(a.line.cmp(&b.line)));
    let twice: Vec<&[SheetRow]> =
        sorted.chunk_by(|a, b| a.rpm == b.rpm).filter(|same| same.len() > 1).collect();
    let apart = |same: &[SheetRow]| {
        let (low, high) = same.iter().fold((f64::MAX, 0.0), |(l, h), r| (r.kw.min(l), r.kw.max(h)));
        (high / low - 1.0) * 100.0
    };
    let furthest = twice.iter().max_by(|a, b| apart(a).total_cmp(&apart(b)));
    if let Some(same) = furthest.filter(|same| apart(same) > REPEATS_PCT) {
        let lines: Vec<String> = same.iter().take(3).map(|row| row.line.to_string()).collect();
        remarks.push(format!(
            "{} {} there several times and averaged; furthest apart, by {} %, at {} 1/min (lines {})",
            counted(twice.len(), "engine speed"),
            if twice.len() == 1 { "is" } else { "are" },
            fixed(apart(same), 1),
            plain(same[0].rpm),
            lines.join(", "),
        ));
    }
    remarks
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(torques: &[(f64, f64)]) -> Vec<SheetRow> {
        let row =
            |(i, (rpm, nm)): (usize, &(f64, f64))| SheetRow { line: i as u64 + 2, rpm: *rpm, kw: nm * rpm };
        torques.iter().enumerate().map(row).collect()
    }

    fn wild_ones(torques: &[(f64, f64)]) -> Vec<usize> {
        wild(&rows(torques)).iter().enumerate().filter(|(_, wild)| **wild).map(|(i, _)| i).collect()
    }

    #[test]
    fn only_rows_far_from_those_around_them_are_wild() {
        let calm = |step: u32| -> Vec<(f64, f64)> {
            let all = (2000..9000).step_by(step as usize).map(f64::from);
            all.map(|rpm| (rpm, 60.0 * (1.0 - ((rpm - 5500.0) / 7000.0f64).powi(2)))).collect()
        };
        for step in [20, 250, 1000] {
            let mut sheet = calm(step);
            assert!(wild_ones(&sheet).is_empty(), "{step}");
            let (middle, last) = (sheet.len() / 2, sheet.len() - 1);
            for (at, factor) in [(middle, 10.0), (middle, 0.5), (0, 10.0), (last, 10.0), (last, 0.1)] {
                let calm = sheet[at].1;
                sheet[at].1 *= factor;
                assert_eq!(wild_ones(&sheet), [at], "{step}, {at}, {factor}");
                sheet[at].1 = calm;
            }
            // Two beside each other do not vouch for one another.
            sheet[middle].1 *= 8.0;
            sheet[middle + 1].1 *= 8.0;
            assert_eq!(wild_ones(&sheet), [middle, middle + 1], "{step}");
        }
        // A charger that sets in doubles the torque within two rows.
        let steep = [30.0, 31.0, 32.0, 55.0, 95.0, 120.0, 121.0, 120.0, 118.0, 60.0];
        let steep: Vec<(f64, f64)> =
            steep.iter().enumerate().map(|(i, nm)| (2000.0 + 250.0 * i as f64, *nm)).collect();
        assert!(wild_ones(&steep).is_empty());
    }

    #[test]
    fn the_order_of_the_rows_is_told_where_it_says_something() {
        assert!(order_remarks(&rows(&[(3000.0, 50.0), (4000.0, 50.0), (5000.0, 50.0)])).is_empty());
        let wavers = [(3000.0, 50.0), (3040.0, 50.0), (3030.0, 50.0), (3040.0, 50.5), (5000.0, 50.0)];
        assert!(order_remarks(&rows(&wavers)).is_empty());
        // From the top down is an order too.
        assert!(order_remarks(&rows(&[(5000.0, 50.0), (4000.0, 50.0), (3000.0, 50.0)])).is_empty());
        let said = order_remarks(&rows(&[(3000.0, 50.0), (5000.0, 50.0), (3000.0, 55.0), (4000.0, 50.0)]));
        assert!(said[0].contains("falls back 1 time, furthest in line 4, from 5000 to 3000"), "{said:?}");
        assert!(said[1].contains("1 engine speed is there several times"), "{said:?}");
        assert!(said[1].contains("by 10.0 %, at 3000 1/min (lines 2, 4)"), "{said:?}");
    }
}
