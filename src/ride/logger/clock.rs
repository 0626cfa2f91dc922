//! Times as loggers write them → seconds from the first row.
//!
//! One field after the other enters; what depends on the rows before it, a clock that rolls
//! over, a counter that begins anew, several rows within one second, is put right afterwards.

use super::mapping::{TimeColumn, TimeForm};
use crate::ride::delimited;

const S_PER_MIN: f64 = 60.0;
const S_PER_H: f64 = 3600.0;
const S_PER_DAY: f64 = 86_400.0;

/// One field as seconds; NaN when missing, `None` when unreadable.
///
/// Clocks count from midnight, dates from 1970, counters from wherever they do.
pub fn seconds(text: &[u8], form: TimeForm, decimal: u8) -> Option<f64> {
    let counter = |unit_s: f64| delimited::number(text, decimal).map(|t| t * unit_s);
    match form {
        TimeForm::Seconds => counter(1.0),
        TimeForm::Milliseconds => counter(1e-3),
        TimeForm::Microseconds => counter(1e-6),
        TimeForm::Minutes => counter(S_PER_MIN),
        _ if delimited::is_missing(text) => Some(f64::NAN),
        TimeForm::Clock => clock(std::str::from_utf8(text).ok()?, S_PER_MIN),
        TimeForm::DateTime => date_time(std::str::from_utf8(text).ok()?, false),
        TimeForm::DateTimeMonthFirst => date_time(std::str::from_utf8(text).ok()?, true),
    }
}

/// h:m:s, and of two parts the first is worth `first_of_two_s`: m:s of an elapsed time, h:m
/// behind a date.
fn clock(text: &str, first_of_two_s: f64) -> Option<f64> {
    let text = text.trim();
    let lower = text.to_ascii_lowercase();
    let half = ["am", "pm", "a.m.", "p.m."].iter().find(|half| lower.ends_with(*half));
    let text = text[..text.len() - half.map_or(0, |half| half.len())].trim_end();
    let parts: Vec<&str> = text.split(':').map(str::trim).collect();
    let seconds = match parts.as_slice() {
        [hours, minutes, seconds] => {
            whole(hours)? * S_PER_H + below_60(whole(minutes)?)? * S_PER_MIN + below_60(fractional(seconds)?)?
        }
        // Milliseconds behind one more colon.
        [hours, minutes, seconds, thousandths] if thousandths.len() == 3 => {
            let seconds = below_60(whole(seconds)?)? + whole(thousandths)? * 1e-3;
            whole(hours)? * S_PER_H + below_60(whole(minutes)?)? * S_PER_MIN + seconds
        }
        [first, second] => {
            whole(first)? * first_of_two_s + below_60(fractional(second)?)? * first_of_two_s / S_PER_MIN
        }
        _ => return None,
    };
    let Some(half) = half else { return Some(seconds) };
    if !(S_PER_H..13.0 * S_PER_H).contains(&seconds) {
        return None;
    }
    let of_half = seconds % (12.0 * S_PER_H);
    Some(if half.starts_with('p') { of_half + 12.0 * S_PER_H } else { of_half })
}

fn below_60(part: f64) -> Option<f64> {
    // 60 is a leap second.
    (part < 61.0).then_some(part)
}

fn whole(part: &str) -> Option<f64> {
    let digits = !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    digits.then(|| part.parse().ok()).flatten()
}

/// Digits with a fraction behind a point or a comma.
fn fractional(part: &str) -> Option<f64> {
    let plain = part.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b',');
    let decimal = if part.contains(',') { b',' } else { b'.' };
    let value = if plain { delimited::number(part.as_bytes(), decimal) } else { None };
    value.filter(|value| value.is_finite())
}

fn date_time(text: &str, month_first: bool) -> Option<f64> {
    let text = text.trim();
    let at = text.find(['T', 't', ' '])?;
    let (date, rest) = (&text[..at], text[at + 1..].trim());
    let (rest, zone_s) = zone(rest)?;
    let days = date_in_days(date, month_first)?;
    Some(days * S_PER_DAY + clock(rest, S_PER_H)? - zone_s)
}

/// The clock without its zone, and how far the zone is ahead of UTC, s.
fn zone(text: &str) -> Option<(&str, f64)> {
    if let Some(plain) = text.strip_suffix(['Z', 'z']) {
        return Some((plain, 0.0));
    }
    let Some(at) = text.rfind(['+', '-']) else { return Some((text, 0.0)) };
    let sign = if text[at..].starts_with('-') { -1.0 } else { 1.0 };
    let digits: String = text[at + 1..].chars().filter(|c| *c != ':').collect();
    let ahead_s = match digits.len() {
        2 => whole(&digits)? * S_PER_H,
        4 => whole(&digits[..2])? * S_PER_H + whole(&digits[2..])? * S_PER_MIN,
        _ => return None,
    };
    Some((text[..at].trim_end(), sign * ahead_s))
}

/// Days from 1970-01-01.
fn date_in_days(date: &str, month_first: bool) -> Option<f64> {
    let parts: Vec<&str> = date.split(['-', '/', '.']).collect();
    let [first, second, third] = parts.as_slice() else { return None };
    let [a, b, c] = [whole(first)?, whole(second)?, whole(third)?];
    let (year, month, day) = match (first.len() == 4, month_first) {
        (true, _) => (a, b, c),
        (false, true) => (c, a, b),
        (false, false) => (c, b, a),
    };
    let year = if year < 100.0 { year + 2000.0 } else { year };
    let date = jiff::civil::Date::new(year as i16, month as i8, day as i8).ok()?;
    let days = date.since((jiff::Unit::Day, jiff::civil::date(1970, 1, 1))).ok()?.get_days();
    Some(f64::from(days))
}

/// Makes seconds from the first row of what the fields said, row by row.
pub fn straighten(times: &mut [f64], column: &TimeColumn) {
    if let Some(turn_s) = turn_s(times, column) {
        unroll(times, turn_s);
    }
    if column.spread {
        spread(times);
    }
    if let Some(first) = times.iter().copied().find(|t| !t.is_nan()) {
        // Microseconds are finer than any logger; what lies below is left from the large start.
        const STEPS_PER_S: f64 = 1e6;
        times.iter_mut().for_each(|t| *t = ((*t - first) * STEPS_PER_S).round() / STEPS_PER_S);
    }
}

/// After how many seconds the column begins anew.
fn turn_s(times: &[f64], column: &TimeColumn) -> Option<f64> {
    let in_s = |value: f64| seconds(value.to_string().as_bytes(), column.form, b'.');
    match column.form {
        TimeForm::DateTime | TimeForm::DateTimeMonthFirst => None,
        // Minutes and seconds alone begin anew with the hour.
        TimeForm::Clock if times.iter().all(|t| t.is_nan() || *t < S_PER_H) => Some(S_PER_H),
        TimeForm::Clock => Some(S_PER_DAY),
        _ => column.wraps_at.and_then(in_s),
    }
}

/// A step back by more than half a turn is the turn; smaller ones are left to the door.
fn unroll(times: &mut [f64], turn_s: f64) {
    let (mut turns, mut last) = (0.0, f64::NAN);
    for time in times.iter_mut().filter(|t| !t.is_nan()) {
        if *time + turns * turn_s < last - turn_s / 2.0 {
            turns += 1.0;
        }
        *time += turns * turn_s;
        last = *time;
    }
}

/// Spreads rows of the same time evenly over the step of the clock.
fn spread(times: &mut [f64]) {
    let mut groups: Vec<(usize, usize)> = Vec::new();
    for (i, time) in times.iter().enumerate() {
        match groups.last_mut() {
            Some((first, rows)) if times[*first] == *time => *rows = i - *first + 1,
            _ if time.is_nan() => {}
            _ => groups.push((i, 1)),
        }
    }
    let mut steps: Vec<f64> = groups.windows(2).map(|g| times[g[1].0] - times[g[0].0]).collect();
    let mut sizes: Vec<usize> = groups.iter().map(|(_, rows)| *rows).collect();
    if steps.is_empty() {
        return;
    }
    let middle = steps.len() / 2;
    let usual_s = *steps.select_nth_unstable_by(middle, f64::total_cmp).1;
    let middle = sizes.len() / 2;
    let usual_rows = *sizes.select_nth_unstable(middle).1;
    let starts: Vec<f64> = groups.iter().map(|(first, _)| times[*first]).collect();
    for (g, (first, rows)) in groups.iter().enumerate() {
        let next = starts.get(g + 1).map_or(usual_s, |next| next - starts[g]);
        let width_s = if next > 0.0 { next.min(usual_s) } else { usual_s };
        // The log begins and ends within a step: its rows are as dense as elsewhere.
        let (places, skipped) = match g {
            0 => (usual_rows.max(*rows), usual_rows.saturating_sub(*rows)),
            _ if g + 1 == groups.len() => (usual_rows.max(*rows), 0),
            _ => (*rows, 0),
        };
        for k in 0..*rows {
            if !times[first + k].is_nan() {
                times[first + k] = starts[g] + width_s * (k + skipped) as f64 / places as f64;
            }
        }
    }
}

/// Whether many rows share the time of the row before them.
pub fn is_coarse(times: &[f64]) -> bool {
    const MANY: f64 = 0.3;
    let same = times.windows(2).filter(|pair| pair[0] == pair[1]).count();
    same as f64 > MANY * times.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, form: TimeForm) -> Option<f64> {
        seconds(text.as_bytes(), form, b'.')
    }

    fn column(form: TimeForm, spread: bool, wraps_at: Option<f64>) -> TimeColumn {
        TimeColumn { title: "T".to_owned(), form, spread, wraps_at }
    }

    #[test]
    fn clocks_are_read_in_their_usual_forms() {
        for (text, wanted) in [
            ("18:00:01.25", Some(64_801.25)),
            ("18:00:01,25", Some(64_801.25)),
            ("6:00:01 PM", Some(64_801.0)),
            ("12:00:01 am", Some(1.0)),
            ("12:30:00 PM", Some(45_000.0)),
            ("01:02:03:500", Some(3723.5)),
            ("02:03.5", Some(123.5)),
            ("100:00:00", Some(360_000.0)),
            ("18:61:00", None),
            ("18", None),
            ("18:00:0x", None),
            ("13:00:00 PM", None),
        ] {
            assert_eq!(read(text, TimeForm::Clock), wanted, "{text}");
        }
        assert!(read("-", TimeForm::Clock).expect("missing").is_nan());
    }

    #[test]
    fn dates_are_read_in_their_usual_forms() {
        // 2026-05-01 is day 20574 from 1970 (56 years with 14 leap days, and 120 days).
        let evening = 20_574.0 * S_PER_DAY + 64_800.5;
        for text in [
            "2026-05-01T18:00:00.5",
            "2026-05-01 18:00:00.5Z",
            "2026-05-01T20:00:00,5+02:00",
            "2026-05-01T13:30:00.5-0430",
            "1.5.2026 18:00:00.5",
            "01.05.26 18:00:00,5",
            "01/05/2026 6:00:00.5 PM",
        ] {
            assert_eq!(read(text, TimeForm::DateTime), Some(evening), "{text}");
        }
        assert_eq!(read("5/1/2026 18:00:00.5", TimeForm::DateTimeMonthFirst), Some(evening));
        assert_eq!(read("1.5.2026 18:00", TimeForm::DateTime), Some(evening - 0.5));
        for text in ["2026-02-30 18:00:00", "18:00:00", "2026-05-01", "5/13/2026 18:00:00", "x y"] {
            assert_eq!(read(text, TimeForm::DateTime), None, "{text}");
        }
    }

    #[test]
    fn a_clock_rolls_over_at_midnight_and_a_counter_at_its_end() {
        let mut times = [S_PER_DAY - 1.0, f64::NAN, S_PER_DAY - 0.5, 0.0, 0.5, 0.4];
        straighten(&mut times, &column(TimeForm::Clock, false, None));
        assert_eq!((times[0], times[2], times[3], times[4]), (0.0, 0.5, 1.0, 1.5));
        // A small step back is no midnight: the door drops it.
        assert_eq!(times[5], 1.4);
        let mut times = [65.0, 65.5, 0.4];
        straighten(&mut times, &column(TimeForm::Milliseconds, false, Some(65_536.0)));
        assert_eq!(times, [0.0, 0.5, 0.936]);
        let mut times = [3599.5, 0.5];
        straighten(&mut times, &column(TimeForm::Clock, false, None));
        assert_eq!(times, [0.0, 1.0]);
    }

    #[test]
    fn rows_of_one_second_are_spread_inside_it() {
        // Four rows a second; the log begins and ends within one.
        let mut times = [5.0, 5.0, 6.0, 6.0, 6.0, 6.0, 7.0, 7.0, 7.0, 7.0, 8.0];
        assert!(is_coarse(&times));
        straighten(&mut times, &column(TimeForm::Clock, true, None));
        let wanted: Vec<f64> = (0..11).map(|i| f64::from(i) * 0.25).collect();
        assert_eq!(times.to_vec(), wanted);
        // A pause of ten seconds is not filled with the rows before it.
        let mut times = [1.0, 1.0, 2.0, 2.0, 12.0, 12.0, 13.0, 13.0];
        straighten(&mut times, &column(TimeForm::Seconds, true, None));
        assert_eq!(times.to_vec(), [0.0, 0.5, 1.0, 1.5, 11.0, 11.5, 12.0, 12.5]);
    }
}
