//! Which rides of a run are one ride in several files.
//!
//! A file saved anew, cut, or given other columns has another hash of its bytes, and
//! would count twice. Each ride leaves two traces: hashes of some of its rows, and
//! its course. The traces of all rides enter together; the pairs that share too much
//! leave.

use super::rows::Rows;
use crate::ride::{Channel, Ride};
use serde::{Deserialize, Serialize};

/// What a ride is known again by.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Traces {
    /// Hashes of a fixed part of its samples, ascending.
    pub samples: Vec<u32>,
    /// Where the engine was, every two seconds from the start, coarsely, so that
    /// rounding, another clock or another sensor does not hide it: number of the two
    /// seconds, speed and load in steps. Ascending.
    pub course: Vec<(u32, i16, i16)>,
}

/// Chance alone never repeats rows of time, speed and lambda; that two rides are at
/// the same point in the same second happens at idle. Common practice, no source.
const SAME_ROWS: f64 = 0.3;
const SAME_COURSE: f64 = 0.5;

impl Traces {
    /// The traces of a ride.
    pub fn of(ride: &Ride, rows: &Rows<'_>) -> Self {
        Self { samples: sample_hashes(ride), course: course(rows) }
    }

    /// The course as hashes, no one twice.
    fn places(&self) -> Vec<u32> {
        let place = |(bin, rpm, load): &(u32, i16, i16)| {
            let point = (u64::from(rpm.cast_unsigned()) << u16::BITS) | u64::from(load.cast_unsigned());
            (mixed(u64::from(*bin) << u32::BITS | point) >> u32::BITS) as u32
        };
        let mut places: Vec<u32> = self.course.iter().map(place).collect();
        places.sort_unstable();
        places.dedup();
        places
    }
}

/// For each ride, the rides before it that hold a good part of the same samples or took
/// the same course; `None` stands for a ride that left no traces.
pub fn same_rides(rides: &[Option<&Traces>]) -> Vec<Vec<usize>> {
    let samples = || {
        let lists: Vec<&[u32]> = rides.iter().map(|r| r.map_or(&[][..], |r| &r.samples)).collect();
        sharing(&lists, SAME_ROWS)
    };
    let courses = || {
        let lists: Vec<Vec<u32>> = rides.iter().map(|r| r.map_or_else(Vec::new, Traces::places)).collect();
        sharing(&lists, SAME_COURSE)
    };
    let (mut same, by_course) = rayon::join(samples, courses);
    for (same, more) in same.iter_mut().zip(by_course) {
        same.extend(more);
        same.sort_unstable();
        same.dedup();
    }
    same
}

/// For each list the lists before it with at least this share of the shorter one in common.
///
/// Shape: no entry twice in a list.
fn sharing<L: AsRef<[u32]>>(lists: &[L], least: f64) -> Vec<Vec<usize>> {
    let lists: Vec<&[u32]> = lists.iter().map(AsRef::as_ref).collect();
    // All entries together in order, each above the number of its list: what several
    // lists hold stands side by side.
    let mut all: Vec<u64> = Vec::with_capacity(lists.iter().map(|list| list.len()).sum());
    for (number, list) in (0u64..).zip(&lists) {
        all.extend(list.iter().map(|entry| (u64::from(*entry) << u32::BITS) | number));
    }
    all.sort_unstable();
    let list_of = |entry: &u64| *entry as u32 as usize;
    let mut common: Vec<Vec<&[u64]>> = vec![Vec::new(); lists.len()];
    for holders in all.chunk_by(|a, b| a >> u32::BITS == b >> u32::BITS).filter(|holders| holders.len() > 1) {
        for (at, entry) in holders.iter().enumerate() {
            common[list_of(entry)].push(&holders[..at]);
        }
    }
    let of_list = |(number, common): (usize, Vec<&[u64]>)| {
        let mut shared = vec![0usize; number];
        common.into_iter().flatten().for_each(|other| shared[list_of(other)] += 1);
        let is_same = |other: &usize| {
            let shorter = lists[*other].len().min(lists[number].len());
            shared[*other] > 0 && shared[*other] as f64 / shorter as f64 >= least
        };
        (0..number).filter(is_same).collect()
    };
    common.into_iter().enumerate().map(of_list).collect()
}

/// Mean speed and load of every two seconds since the start, rounded.
fn course(rows: &Rows<'_>) -> Vec<(u32, i16, i16)> {
    const BIN_S: f64 = 2.0;
    const RPM_STEP: f64 = 25.0;
    const LOAD_STEP: f64 = 2.0;
    let (time, rpm, load) = (rows.time_s(), rows.rpm(), rows.load());
    let mut course = Vec::new();
    let mut close = |bin: u32, (n, rpm, load): (f64, f64, f64)| {
        if n > 0.0 {
            let step = |sum: f64, size: f64| (sum / n / size).round() as i16;
            course.push((bin, step(rpm, RPM_STEP), step(load, LOAD_STEP)));
        }
    };
    let (mut bin, mut sums) = (0, (0.0, 0.0, 0.0));
    for i in 0..rows.len() {
        if rpm[i].is_finite() && load[i].is_finite() {
            let now = ((time[i] - time[0]) / BIN_S) as u32;
            if now != bin {
                close(bin, sums);
                (bin, sums) = (now, (0.0, 0.0, 0.0));
            }
            sums = (sums.0 + 1.0, sums.1 + rpm[i], sums.2 + load[i]);
        }
    }
    close(bin, sums);
    course
}

/// Hashes of a fixed part of the samples, by the bits of time, speed and lambda.
fn sample_hashes(ride: &Ride) -> Vec<u32> {
    const ONE_IN: u64 = 8;
    let mut hashes = vec![FACTOR; ride.samples()];
    let channels = [Channel::TimeS, Channel::Rpm, Channel::Lambda];
    for values in channels.into_iter().filter_map(|channel| ride.values(channel)) {
        for (hash, value) in hashes.iter_mut().zip(values) {
            *hash = mixed(*hash ^ value.to_bits());
        }
    }
    let chosen = hashes.iter().filter(|hash| hash.is_multiple_of(ONE_IN));
    let mut chosen: Vec<u32> = chosen.map(|hash| (hash >> 32) as u32).collect();
    chosen.sort_unstable();
    chosen.dedup();
    chosen.shrink_to_fit();
    chosen
}

/// 2⁶⁴ over the golden ratio.
const FACTOR: u64 = 0x9e37_79b9_7f4a_7c15;

/// A number's bits spread over all of them.
///
/// # Source
/// A multiplication and a fold of the upper half onto the lower, as multiplicative
/// hashing does (Knuth, The Art of Computer Programming, volume 3, section 6.4, from
/// memory).
fn mixed(bits: u64) -> u64 {
    let mixed = bits.wrapping_mul(FACTOR);
    mixed ^ (mixed >> 32)
}

#[cfg(test)]
mod tests {
    use super::super::rows::tests::ride;
    use super::*;
    use crate::table::LoadAxis;
    use proptest::prelude::*;

    fn log(n: usize, seed: f64, lambda: f64) -> Ride {
        let swing = |i: usize, period: f64| (i as f64 * 0.05 / period + seed).sin();
        ride(&[
            (
                Channel::Rpm,
                (0..n).map(|i| (4000.0 + 2000.0 * swing(i, 3.1) * swing(i, 19.0)).round()).collect(),
            ),
            (Channel::ThrottlePct, (0..n).map(|i| 30.0 + 25.0 * swing(i, 7.3)).collect()),
            (Channel::Lambda, (0..n).map(|i| lambda + 0.05 * swing(i, 1.3)).collect()),
        ])
    }

    fn traces(ride: &Ride) -> Traces {
        Traces::of(ride, &Rows::new(ride, LoadAxis::ThrottlePct).expect("channels"))
    }

    #[test]
    fn a_cut_copy_and_one_with_another_sensor_are_known_again_and_another_ride_is_not() {
        let first = log(12_000, 0.0, 0.95);
        let all = [
            traces(&first),
            traces(&log(12_000, 1.0, 0.95)),
            traces(&log(3_000, 0.0, 0.95)),
            traces(&log(12_000, 0.0, 0.99)),
        ];
        let same = same_rides(&[Some(&all[0]), None, Some(&all[1]), Some(&all[2]), Some(&all[3])]);
        assert_eq!(same, [vec![], vec![], vec![], vec![0], vec![0, 3]]);
        let share = all[0].samples.len() as f64 / 12_000.0;
        assert!((share * 8.0 - 1.0).abs() < 0.1, "one in eight: {share}");
    }

    proptest! {
        #[test]
        fn lists_that_share_are_found_as_one_by_one(
            lists in prop::collection::vec(prop::collection::btree_set(0u32..40, 0..20), 0..8),
        ) {
            let lists: Vec<Vec<u32>> = lists.into_iter().map(|l| l.into_iter().collect()).collect();
            let borrowed: Vec<&[u32]> = lists.iter().map(Vec::as_slice).collect();
            let found = sharing(&borrowed, 0.3);
            for (i, found) in found.iter().enumerate() {
                let is_same = |j: &usize| {
                    let shared = lists[i].iter().filter(|x| lists[*j].contains(x)).count();
                    shared > 0 && shared as f64 / lists[i].len().min(lists[*j].len()) as f64 >= 0.3
                };
                prop_assert_eq!(found, &(0..i).filter(is_same).collect::<Vec<usize>>());
            }
        }
    }
}
