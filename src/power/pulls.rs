//! Finding pulls: stretches of full throttle in one gear, engine speed rising over a wide span.
//!
//! Every sample that is in no pull has one counted reason: the first in [`REASONS`] that holds.

use super::local_polynomial::{Local, fit};
use crate::ride::median;
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;

/// The channels of a log that tell a pull, sample by sample; NaN where missing.
#[derive(Debug, Clone, Copy, Default)]
pub struct Trace<'a> {
    /// s, ascending strictly.
    pub time_s: &'a [f64],
    /// 1/min.
    pub rpm: &'a [f64],
    /// %.
    pub throttle_pct: Option<&'a [f64]>,
    /// km/h.
    pub speed_kph: Option<&'a [f64]>,
    /// From 1.
    pub gear: Option<&'a [f64]>,
    /// 0 or 1.
    pub fuel_cut: Option<&'a [f64]>,
}

/// What a pull must fulfil.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct PullRules {
    /// From this throttle on it is full, %.
    pub full_throttle_pct: f64,
    /// The least span of engine speed, 1/min.
    pub min_span_rpm: f64,
    /// The window of the smoothing, s.
    pub window_s: f64,
}

impl Default for PullRules {
    /// Common practice, no source.
    fn default() -> Self {
        Self { full_throttle_pct: 95.0, min_span_rpm: 1500.0, window_s: 0.8 }
    }
}

/// So long after the throttle opened the manifold still fills, s. Common practice, no source.
const FILLS_S: f64 = 0.3;
/// A raw step down of engine speed by this share is a change of gear, not noise.
const FALLS_BY: f64 = 0.03;
/// Engine speed over road speed may differ this much from its median in the pull, as a share:
/// neighbouring gears lie 10 % apart and more, a speed logged in whole km/h jumps by 2 %.
const RATIO_SLACK: f64 = 0.04;
/// A gap this many times the usual interval ends a pull.
const GAP: f64 = 3.5;

/// Why a sample is in no pull, with what each means.
pub const REASONS: [(&str, &str); 8] = [
    ("no_value", "engine speed, or throttle where it is logged, is missing"),
    ("part_throttle", "the throttle is not fully open"),
    ("throttle_just_opened", "the throttle has only just been opened fully"),
    ("fuel_cut", "fuel or spark is cut"),
    ("rpm_falls", "engine speed does not rise"),
    ("slips", "engine speed over road speed moves: clutch, wheel spin or a change of gear"),
    ("narrow", "the stretch spans too little engine speed"),
    ("edge", "the smoothing has half a window on one side only"),
];

/// A pull: sample positions in the log, and what was fitted at each of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Pull {
    /// The positions of its samples, edges left out.
    pub samples: std::ops::Range<usize>,
    /// The stretch it was cut from: what the smoothing may look at.
    pub stretch: std::ops::Range<usize>,
    /// The gear, where it is logged.
    pub gear: Option<usize>,
}

/// What was found.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FoundPulls {
    /// The pulls.
    pub pulls: Vec<Pull>,
    /// Samples in pulls.
    pub used: usize,
    /// Samples in no pull, by reason.
    pub unused: BTreeMap<&'static str, usize>,
    /// The widest span of engine speed of a stretch that was too narrow, 1/min.
    pub widest_narrow_rpm: f64,
}

/// Finds the pulls of a log.
pub fn find_pulls(trace: &Trace<'_>, rules: &PullRules) -> FoundPulls {
    let n = trace.time_s.len();
    let mut found = FoundPulls::default();
    let mut reasons: Vec<Option<&'static str>> = (0..n).map(|i| plain_reason(trace, rules, i)).collect();
    throttle_just_opened(trace, &mut reasons);
    let interval_s = median(&trace.time_s.windows(2).map(|w| w[1] - w[0]).collect::<Vec<_>>());
    let gap_s = GAP * interval_s.unwrap_or_default();
    for stretch in stretches(trace, &reasons, gap_s) {
        for part in without_slip(trace, stretch, &mut reasons) {
            let half_s = rules.window_s / 2.0;
            let inner = part
                .clone()
                .filter(|i| local(trace.time_s, trace.rpm, &part, *i, half_s).is_some())
                .collect::<Vec<_>>();
            let rises =
                |i: &usize| local(trace.time_s, trace.rpm, &part, *i, half_s).is_some_and(|l| l.slope > 0.0);
            let Some((first, last)) = inner.first().copied().zip(inner.last().copied()) else {
                mark(&mut reasons, part, "narrow");
                continue;
            };
            let span = trace.rpm[last] - trace.rpm[first];
            if span < rules.min_span_rpm || !inner.iter().all(rises) {
                found.widest_narrow_rpm = found.widest_narrow_rpm.max(span);
                mark(&mut reasons, part, if span < rules.min_span_rpm { "narrow" } else { "rpm_falls" });
                continue;
            }
            mark(&mut reasons, part.start..first, "edge");
            mark(&mut reasons, last + 1..part.end, "edge");
            let gear = trace.gear.and_then(|gear| median(&gear[part.clone()])).filter(|g| *g >= 1.0);
            let gear = gear.map(|g| g.round() as usize);
            found.pulls.push(Pull { samples: first..last + 1, stretch: part, gear });
        }
    }
    for reason in &reasons {
        match reason {
            Some(reason) => *found.unused.entry(reason).or_default() += 1,
            None => found.used += 1,
        }
    }
    found
}

/// The fit at a sample, from what a stretch holds only.
pub(super) fn local(
    time_s: &[f64],
    values: &[f64],
    stretch: &std::ops::Range<usize>,
    at: usize,
    half_s: f64,
) -> Option<Local> {
    fit(&time_s[stretch.clone()], &values[stretch.clone()], at.checked_sub(stretch.start)?, half_s)
}

fn mark(reasons: &mut [Option<&'static str>], range: std::ops::Range<usize>, reason: &'static str) {
    reasons[range].iter_mut().filter(|r| r.is_none()).for_each(|r| *r = Some(reason));
}

/// What a sample alone tells.
fn plain_reason(trace: &Trace<'_>, rules: &PullRules, i: usize) -> Option<&'static str> {
    let throttle = trace.throttle_pct.map(|t| t[i]);
    match () {
        () if trace.rpm[i].is_nan() || throttle.is_some_and(f64::is_nan) => Some("no_value"),
        () if throttle.is_some_and(|t| t < rules.full_throttle_pct) => Some("part_throttle"),
        () if trace.fuel_cut.is_some_and(|cut| cut[i] > 0.5) => Some("fuel_cut"),
        () => None,
    }
}

fn throttle_just_opened(trace: &Trace<'_>, reasons: &mut [Option<&'static str>]) {
    let mut closed_s = f64::NEG_INFINITY;
    for (reason, time_s) in reasons.iter_mut().zip(trace.time_s) {
        match reason {
            Some("part_throttle") => closed_s = *time_s,
            None if time_s - closed_s < FILLS_S => *reason = Some("throttle_just_opened"),
            _ => {}
        }
    }
}

/// Unbroken runs of samples without a reason, in one gear, that end where engine speed falls.
fn stretches(trace: &Trace<'_>, reasons: &[Option<&'static str>], gap_s: f64) -> Vec<std::ops::Range<usize>> {
    let mut runs = Vec::new();
    let mut start = None;
    for i in 0..reasons.len() {
        let goes_on = i > 0 && {
            let same_gear = trace.gear.is_none_or(|g| g[i] == g[i - 1] || g[i].is_nan() || g[i - 1].is_nan());
            let rises = trace.rpm[i] >= trace.rpm[i - 1] * (1.0 - FALLS_BY);
            same_gear && rises && trace.time_s[i] - trace.time_s[i - 1] <= gap_s
        };
        match (start, reasons[i].is_none()) {
            (None, true) => start = Some(i),
            (Some(from), true) if !goes_on => {
                runs.push(from..i);
                start = Some(i);
            }
            (Some(from), false) => {
                runs.push(from..i);
                start = None;
            }
            _ => {}
        }
    }
    runs.extend(start.map(|from| from..reasons.len()));
    runs
}

/// The parts of a stretch in which engine and road speed keep their ratio.
fn without_slip(
    trace: &Trace<'_>,
    stretch: std::ops::Range<usize>,
    reasons: &mut [Option<&'static str>],
) -> Vec<std::ops::Range<usize>> {
    let Some(speed) = trace.speed_kph else { return vec![stretch] };
    let ratio = |i: usize| if speed[i] > 0.0 { trace.rpm[i] / speed[i] } else { f64::NAN };
    // The clutch has closed by the later half.
    let later = stretch.start + (stretch.end - stretch.start) / 2..stretch.end;
    let Some(usual) = median(&later.map(ratio).collect::<Vec<_>>()) else { return vec![stretch] };
    let mut parts = Vec::new();
    let mut start = stretch.start;
    for i in stretch.clone() {
        // A speed that is not logged in this row says nothing against it.
        if (ratio(i) / usual - 1.0).abs() > RATIO_SLACK {
            reasons[i] = Some("slips");
            parts.push(start..i);
            start = i + 1;
        }
    }
    parts.push(start..stretch.end);
    parts.retain(|part| !part.is_empty());
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Log {
        time_s: Vec<f64>,
        rpm: Vec<f64>,
        throttle: Vec<f64>,
        speed: Vec<f64>,
        gear: Vec<f64>,
    }

    /// Part throttle, then full throttle from 3000 to 8000 in `gear`, then shut.
    fn log(gear: &dyn Fn(usize) -> f64, speed: &dyn Fn(usize, f64) -> f64) -> Log {
        let mut log = Log { time_s: vec![], rpm: vec![], throttle: vec![], speed: vec![], gear: vec![] };
        for i in 0..240usize {
            let rpm = 3000.0 + 5000.0 * (i.saturating_sub(40) as f64 / 120.0).min(1.0);
            log.time_s.push(i as f64 * 0.05);
            log.rpm.push(rpm);
            log.throttle.push(if (40..160).contains(&i) { 100.0 } else { 20.0 });
            log.speed.push(speed(i, rpm));
            log.gear.push(gear(i));
        }
        log
    }

    fn trace(log: &Log) -> Trace<'_> {
        Trace {
            time_s: &log.time_s,
            rpm: &log.rpm,
            throttle_pct: Some(&log.throttle),
            speed_kph: Some(&log.speed),
            gear: Some(&log.gear),
            fuel_cut: None,
        }
    }

    #[test]
    fn a_clean_pull_is_found_and_every_other_sample_has_a_reason() {
        let log = log(&|_| 4.0, &|_, rpm| rpm / 60.0);
        let found = find_pulls(&trace(&log), &PullRules::default());
        assert_eq!(found.pulls.len(), 1);
        assert_eq!(found.pulls[0].gear, Some(4));
        assert_eq!(found.used + found.unused.values().sum::<usize>(), 240);
        let unused: Vec<_> = found.unused.iter().map(|(k, n)| (*k, *n)).collect();
        assert_eq!(unused, [("edge", 16), ("part_throttle", 120), ("throttle_just_opened", 6)]);
    }

    #[test]
    fn a_change_of_gear_a_slipping_clutch_and_a_short_burst_make_no_pull() {
        let two_gears = log(&|i| if i < 75 { 3.0 } else { 4.0 }, &|_, rpm| rpm / 60.0);
        let found = find_pulls(&trace(&two_gears), &PullRules::default());
        assert_eq!((found.pulls.len(), found.pulls[0].gear), (1, Some(4)));
        assert!(found.unused["narrow"] > 10);
        // Road speed lags behind until the clutch bites.
        let slips = log(&|_| 4.0, &|i, rpm| if i < 70 { rpm / 70.0 } else { rpm / 60.0 });
        let found = find_pulls(&trace(&slips), &PullRules::default());
        assert!(found.pulls.iter().all(|pull| pull.stretch.start >= 70));
        assert!(found.unused["slips"] >= 20);
        let clean = log(&|_| 4.0, &|_, rpm| rpm / 60.0);
        let wide = PullRules { min_span_rpm: 6000.0, ..PullRules::default() };
        let found = find_pulls(&trace(&clean), &wide);
        assert!(found.pulls.is_empty() && found.widest_narrow_rpm > 3000.0);
    }
}
