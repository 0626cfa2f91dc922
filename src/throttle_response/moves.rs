//! Throttle → moves of the hand.

use std::cmp::Ordering;

/// Slower than this the mixture follows, %/s. Common practice, no source.
const MOVES_PCT_S: f64 = 12.0;
/// Speed of the hand is taken over at least this time, so that noise is no move, s.
const SPEED_OVER_S: f64 = 0.04;
/// A hand may falter for so long within one move, s. Ours.
const FALTERS_S: f64 = 0.11;
/// A smaller move is no step, %. Ours.
pub(super) const SMALLEST_STEP_PCT: f64 = 3.0;

/// One move of the hand, from the last row at rest to the first at rest again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Move {
    /// The last row before it.
    pub first: usize,
    /// The row where it ends.
    pub last: usize,
}

/// The moves that are large and fast enough to be steps, one way each.
///
/// Shape: `time_s` strictly ascending, `throttle_pct` of the same length, NaN where missing.
/// A log gap longer than `gap_s` ends a move.
///
/// Units: s and %.
pub fn moves(time_s: &[f64], throttle_pct: &[f64], gap_s: f64) -> Vec<Move> {
    let rows: Vec<usize> = (0..time_s.len()).filter(|i| throttle_pct[*i].is_finite()).collect();
    let mut found: Vec<(Move, Ordering)> = Vec::new();
    let mut from = 0;
    for k in 1..rows.len() {
        let (now, before) = (rows[k], rows[k - 1]);
        if time_s[now] - time_s[before] > gap_s {
            from = k;
            continue;
        }
        while from + 1 < k && time_s[now] - time_s[rows[from + 1]] >= SPEED_OVER_S {
            from += 1;
        }
        let start = rows[from];
        let speed_pct_s = (throttle_pct[now] - throttle_pct[start]) / (time_s[now] - time_s[start]);
        if speed_pct_s.abs() < MOVES_PCT_S {
            continue;
        }
        let way = speed_pct_s.total_cmp(&0.0);
        match found.last_mut() {
            Some((open, same)) if *same == way && time_s[start] - time_s[open.last] <= FALTERS_S => {
                open.last = now;
            }
            before => {
                // What belongs to the move before it does not begin another.
                let start = before.map_or(start, |(open, _)| start.max(open.last));
                found.push((Move { first: start, last: now }, way));
            }
        }
    }
    let is_step = |m: &Move| (throttle_pct[m.last] - throttle_pct[m.first]).abs() >= SMALLEST_STEP_PCT;
    found.into_iter().map(|(m, _)| m).filter(is_step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A hand at 10 % that opens to 30 % within 0.2 s at 1 s and closes slowly from 3 s on.
    fn hand(rate_hz: f64) -> (Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..(6.0 * rate_hz) as usize).map(|i| i as f64 / rate_hz).collect();
        let at = |t: &f64| 10.0 + 20.0 * ((t - 1.0) / 0.2).clamp(0.0, 1.0) - 5.0 * (t - 3.0).max(0.0);
        let noise = |i: usize| if i.is_multiple_of(2) { 0.05 } else { -0.05 };
        let throttle = time.iter().enumerate().map(|(i, t)| at(t) + noise(i)).collect();
        (time, throttle)
    }

    #[test]
    fn a_step_is_found_whole_at_every_rate_and_slow_closing_is_none() {
        for rate_hz in [10.0, 20.0, 100.0] {
            let (time, throttle) = hand(rate_hz);
            let found = moves(&time, &throttle, 0.5);
            assert_eq!(found.len(), 1, "{rate_hz}: {found:?}");
            let size = throttle[found[0].last] - throttle[found[0].first];
            assert!((size - 20.0).abs() < 0.3, "{rate_hz}: {size}");
            assert!((time[found[0].first] - 1.0).abs() <= 0.11, "{rate_hz}: {found:?}");
        }
    }

    #[test]
    fn opening_and_closing_at_once_are_two_moves() {
        let time: Vec<f64> = (0..60).map(|i| f64::from(i) * 0.05).collect();
        let blip: Vec<f64> = time.iter().map(|t| (20.0 - 80.0 * (t - 1.0).abs()).max(0.0)).collect();
        let found = moves(&time, &blip, 0.5);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found[0].last <= found[1].first);
        assert!(blip[found[0].last] > 15.0 && blip[found[1].last] < 1.0);
    }
}
