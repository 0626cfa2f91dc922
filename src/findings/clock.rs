//! `clock`: a log whose time jumps, repeats, runs back or changes its pace.
//!
//! The reader already drops rows whose time cannot serve; here the ride is told
//! of it, and of gaps, which it keeps.

use super::{FindingEntry, Scene, Seen, Severity};
use crate::ride::{Channel, median};
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "clock",
    about: "The log's time has gaps, repeats, runs back, or changes its pace.",
    severity: "note when it happens; warning when rows dropped for their time make up 5 % of the log, or gaps while \
               the engine turns make up 10 % of its time",
    source: "common practice, no source",
    look_at: "the logger's memory card and its load (fewer channels, lower rate), and whether two rides were written \
              into one file",
    look: Some(look),
};

/// A step in time is a gap from so many usual steps on, and from this time on. Common practice, no source.
const GAP_STEPS: f64 = 5.0;
const GAP_S: f64 = 1.5;
const GAPS_WARNING: f64 = 0.10;
const LOST_WARNING: f64 = 0.05;
/// The pace of one part of the log against another.
const PACE_CHANGES: f64 = 1.5;
/// Into how many parts the log is cut to see that, and how many steps each needs.
const PARTS: usize = 10;
const STEPS_A_PART: usize = 50;
/// Rows that were dropped for their time, as the reader names it.
const TIME_REASONS: [(&str, &str); 3] =
    [("duplicate_time", "repeat a time"), ("time_goes_back", "run back"), ("time_jumps", "jump ahead")];

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    let found = [lost(scene), gaps(scene), pace(scene)];
    found.into_iter().flatten().map(|seen| seen.in_channel(Channel::TimeS)).collect()
}

fn lost(scene: &Scene<'_>) -> Option<Seen> {
    let reading = &scene.ride.reading;
    let counts: Vec<(usize, &str)> = TIME_REASONS
        .iter()
        .filter_map(|(reason, words)| Some((*reading.dropped.get(reason)?, *words)))
        .collect();
    let n: usize = counts.iter().map(|(n, _)| n).sum();
    let share = n as f64 / reading.rows.max(1) as f64;
    let told: Vec<String> =
        counts.iter().map(|(n, words)| format!("{} {words}", units::count(*n as u64))).collect();
    let severity = if share >= LOST_WARNING { Severity::Warning } else { Severity::Note };
    let saw =
        || format!("of {} rows {}; they were dropped", units::count(reading.rows as u64), told.join(", "));
    (n > 0).then(|| Seen::new(severity, saw()))
}

fn gaps(scene: &Scene<'_>) -> Option<Seen> {
    let time = scene.time_s();
    let limit_s = GAP_S.max(GAP_STEPS * scene.interval_s());
    // A stop for fuel is a gap as well, and no fault: the engine does not turn.
    let gaps: Vec<(f64, f64)> = (1..time.len())
        .filter(|i| time[*i] - time[i - 1] > limit_s && scene.running[*i] && scene.running[i - 1])
        .map(|i| (time[i - 1], time[i] - time[i - 1]))
        .collect();
    let (first, longest) = (gaps.first()?.0, gaps.iter().map(|g| g.1).fold(0.0, f64::max));
    let lost_s: f64 = gaps.iter().map(|g| g.1).sum();
    let whole_s = time[time.len() - 1] - time[0];
    let severity = if lost_s >= GAPS_WARNING * whole_s { Severity::Warning } else { Severity::Note };
    let saw = format!(
        "{} without a row while the engine turns: {} in all, the longest {} s, the first at {} s",
        units::counted(gaps.len(), "gap"),
        units::duration(lost_s),
        units::fixed(longest, 1),
        units::fixed(first, 0)
    );
    Some(Seen::new(severity, saw).between(first, gaps[gaps.len() - 1].0))
}

fn pace(scene: &Scene<'_>) -> Option<Seen> {
    let time = scene.time_s();
    let steps: Vec<f64> = time.windows(2).map(|w| w[1] - w[0]).collect();
    let (least, most) = ends(&steps);
    // No part's middle lies outside all steps.
    if steps.len() < PARTS * STEPS_A_PART || most <= PACE_CHANGES * least {
        return None;
    }
    let length = steps.len() / PARTS;
    let paces: Vec<f64> = steps.chunks_exact(length).filter_map(median).collect();
    let (fast, slow) = ends(&paces);
    (slow > PACE_CHANGES * fast).then(|| {
        let saw = format!(
            "the pace changes within the log, from {} to {} rows a second; weights take one pace for all",
            units::fixed(1.0 / slow, 1),
            units::fixed(1.0 / fast, 1)
        );
        Seen::new(Severity::Note, saw)
    })
}

/// The lowest and the highest of positive values.
fn ends(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, 0.0), |(low, high), v| (low.min(*v), high.max(*v)))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{found_in, usual, written};

    #[test]
    fn gaps_repeats_and_a_change_of_pace_are_told() {
        let text = written(&usual(6000, |_, _, usual| usual));
        assert!(found_in(&text).is_empty());
        let lines: Vec<&str> = text.lines().collect();
        let holed: Vec<&str> = [&lines[..2000], &lines[2200..]].concat();
        assert_eq!(found_in(&holed.join("\n")), ["clock note"]);
        let holed: Vec<&str> = [&lines[..2000], &lines[3500..]].concat();
        assert_eq!(found_in(&holed.join("\n")), ["clock warning"]);
        let doubled: Vec<&str> = lines.iter().flat_map(|l| [*l, *l]).skip(1).collect();
        assert_eq!(found_in(&doubled.join("\n")), ["clock warning"]);
        let thinned: Vec<&str> =
            lines.iter().enumerate().filter(|(i, _)| *i < 3000 || i % 2 == 0).map(|(_, l)| *l).collect();
        assert_eq!(found_in(&thinned.join("\n")), ["clock note"]);
    }
}
