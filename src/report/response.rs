//! How lambda follows the throttle, as text.

use super::style::{Align, columns, faint, paragraph, strong, warning};
use crate::operations::{DiscardedSteps, ResponseReport};
use crate::throttle_response::regions::{FEWEST_STEPS, Region, Spread, Verdict, Way};
use crate::units;
use std::fmt::Write as _;

/// Regions, advice, what is missing and what was left out.
pub fn response(report: &ResponseReport, width: usize) -> String {
    let silent = report.rides.iter().filter(|ride| ride.trouble.is_some()).count();
    let mut text = format!(
        "{}: {} in {} on a warm engine tell how lambda follows the throttle\n",
        strong(&report.slot),
        units::counted(report.steps, "throttle step"),
        units::counted(report.rides.len() - silent, "ride")
    );
    for (way, title) in [(Way::TipIn, "opening the throttle"), (Way::TipOut, "closing it, fuel flowing on")] {
        let told: Vec<&Region> = report.of(way).filter(|region| region.verdict != Verdict::TooFew).collect();
        if told.is_empty() {
            continue;
        }
        let head = ["1/min", "step, %", "n", "peak, %", "settles, s", ""].map(str::to_owned).to_vec();
        let rows = told.iter().map(|region| row(region));
        let aligns = [Align::Left, Align::Left, Align::Right, Align::Right, Align::Right, Align::Left];
        let table = columns([head].into_iter().chain(rows).collect(), &aligns, width);
        let _ = write!(text, "\n{}\n{table}", strong(title));
    }
    text.push_str(&advice(report, width));
    text.push_str(&missing(report, width));
    text.push_str(&left_out(report, width));
    let weak = "peak: furthest lambda goes in the cylinders from what is wanted, + lean, as median \
                (quartiles); the sensor's lag and the map's own error are taken out with a fitted wall film. A \
                short rich peak comes out too small. settles: within 3 %.";
    let _ = write!(text, "\n{}", paragraph(&faint(weak), width));
    for note in &report.notes {
        text.push_str(&paragraph(&format!("note: {note}"), width));
    }
    if report.regions.iter().any(|r| r.verdict == Verdict::Lean && r.high_load) {
        let caution = "lean at high load, even for a moment, can knock: more fuel first, and no hard \
                       opening there until it holds; try it on a dyno, not on a road";
        text.push_str(&paragraph(&format!("{}: {caution}", warning("caution")), width));
    }
    text
}

fn row(region: &Region) -> Vec<String> {
    let steps = region.steps.to_string();
    let peak = spread(&region.peak_pct, |value| units::signed(value, 1));
    let settle = spread(&region.settle_s, |value| units::fixed(value, 1));
    vec![speeds(region), sizes(region), steps, peak, settle, trend(region)]
}

fn spread(spread: &Spread, told: fn(f64) -> String) -> String {
    format!("{} ({} to {})", told(spread.median), told(spread.lower), told(spread.upper))
}

/// The last revisions' medians, where there is more than one.
fn trend(region: &Region) -> String {
    const SHOWN: usize = 3;
    match region.trend.len() {
        0 | 1 => String::new(),
        n => {
            let shown = region.trend[n.saturating_sub(SHOWN)..].iter();
            let each = shown.map(|on| format!("{} {}", on.revision, units::signed(on.peak_pct, 1)));
            each.collect::<Vec<_>>().join(", ")
        }
    }
}

fn speeds(region: &Region) -> String {
    format!("{} to {}", units::plain(region.rpm_from), units::plain(region.rpm_to))
}

fn sizes(region: &Region) -> String {
    match region.step_to_pct {
        Some(to) => format!("{} to {}", units::plain(region.step_from_pct), units::plain(to)),
        None => format!("over {}", units::plain(region.step_from_pct)),
    }
}

/// What to do about each region that has enough steps.
fn advice(report: &ResponseReport, width: usize) -> String {
    let lines: Vec<Vec<String>> =
        report.regions.iter().filter_map(advice_of).map(|line| vec![line]).collect();
    let holds: Vec<&Region> = report.regions.iter().filter(|r| r.verdict == Verdict::Holds).collect();
    let mut text = String::new();
    if !lines.is_empty() {
        let _ = write!(text, "\n{}\n{}", strong("advice"), columns(lines, &[Align::Left], width));
    }
    if !holds.is_empty() {
        let _ = write!(
            text,
            "\n{} within 3 % of what is wanted: leave as is\n",
            match holds.len() {
                1 => "1 region stays".to_owned(),
                n => format!("{n} regions stay"),
            }
        );
    }
    if !text.is_empty() {
        text.push_str("This is set in the controller by hand; no table is changed for it.\n");
    }
    text
}

fn advice_of(region: &Region) -> Option<String> {
    let peak = units::fixed(region.peak_pct.median.abs(), 0);
    let time = units::fixed(region.settle_s.median, 1);
    let at =
        format!("at {} 1/min on steps of {} %", speeds(region), sizes(region)).replace("of over", "over");
    let on = region.revision.as_ref().filter(|_| region.trend.len() > 1);
    let on = on.map(|revision| format!(" ({revision})")).unwrap_or_default();
    let (goes, act) = match (region.verdict, region.way) {
        (Verdict::Lean, Way::TipIn) => ("leans out", "more acceleration fuel there"),
        (Verdict::Rich, Way::TipIn) => ("goes rich", "less acceleration fuel there"),
        (Verdict::Lean, Way::TipOut) => ("leans out on closing", "take less fuel away there"),
        (Verdict::Rich, Way::TipOut) => ("goes rich on closing", "take more fuel away there"),
        (Verdict::Uneven, _) => {
            let (low, high) =
                (units::signed(region.peak_pct.lower, 0), units::signed(region.peak_pct.upper, 0));
            return Some(format!("differs from step to step ({low} to {high} %) {at}{on}: no advice yet"));
        }
        (Verdict::Holds | Verdict::TooFew, _) => return None,
    };
    Some(format!("{goes} by {peak} % for {time} s {at}{on}: {act}"))
}

/// Regions that were ridden and have too few steps, and how many they lack.
fn missing(report: &ResponseReport, width: usize) -> String {
    let lacking: Vec<&Region> = report.of(Way::TipIn).filter(|r| r.verdict == Verdict::TooFew).collect();
    if report.tip_ins() == 0 {
        return format!(
            "\nnot enough tip-ins: none tells yet, and it takes {FEWEST_STEPS} of a kind. Open the throttle from a \
             steady hand and hold it for 2 s.\n"
        );
    }
    if lacking.is_empty() {
        return String::new();
    }
    let each = lacking.iter().map(|r| format!("{} 1/min on {} %: {} more", speeds(r), sizes(r), r.missing));
    let list = each.collect::<Vec<_>>().join("; ");
    format!("\n{}", paragraph(&format!("not enough tip-ins (it takes {FEWEST_STEPS}): {list}"), width))
}

fn left_out(report: &ResponseReport, width: usize) -> String {
    let mut text = String::new();
    let kinds = [("tip-ins", &report.discarded_tip_ins), ("tip-outs", &report.discarded_tip_outs)];
    for (kind, discarded) in kinds {
        let all: usize = discarded.iter().map(|d| d.steps).sum();
        if all > 0 {
            let each = |d: &DiscardedSteps| format!("{} {}", d.steps, d.reason.replace('_', " "));
            let list = discarded.iter().map(each).collect::<Vec<_>>().join(", ");
            text.push_str(&paragraph(&format!("{all} {kind} not counted: {list}"), width));
        }
    }
    for ride in &report.rides {
        if let Some(why) = &ride.trouble {
            text.push_str(&paragraph(&format!("{} says nothing: {why}", ride.file), width));
        }
    }
    if text.is_empty() { text } else { format!("\n{text}") }
}
