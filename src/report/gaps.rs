//! What to ride next, as text.

use super::style::{Align, columns, strong, warning, wrapped};
use crate::operations::{Gap, GapsReport, Place};
use crate::table::LoadAxis;
use crate::units;
use std::fmt::Write as _;

/// The gaps as something a person can do.
pub fn gaps(report: &GapsReport, width: usize) -> String {
    let mut text = match report.has_evidence {
        true => format!(
            "{}: {} % of the ridden time is near cells that are well known\n",
            strong(&report.slot),
            units::fixed(report.time_well_known * 100.0, 0)
        ),
        false => format!(
            "{}: no ride of this build stands behind the map yet; a mixed ride of half an hour with a warm engine \
             tells most\n",
            strong(&report.slot)
        ),
    };
    text = wrapped(&text, width);
    if report.gaps.is_empty() {
        if report.has_evidence {
            text.push_str("No gap is left that can be ridden here.\n");
        }
    } else {
        let rows = (1..)
            .zip(&report.gaps)
            .map(|(n, gap)| vec![format!("{n}."), advice(gap, report.load_axis), why(gap)]);
        let rows = rows.collect();
        let _ = write!(
            text,
            "\n{}\n{}",
            strong("ride next, warm engine, steady hand"),
            columns(rows, &[Align::Right, Align::Left, Align::Left], width)
        );
    }
    if report.more > 0 {
        let _ = writeln!(text, "  and {} more", report.more);
    }
    text.push('\n');
    let mut close = String::new();
    if report.left_to_dyno > 0 {
        let _ = writeln!(
            close,
            "{} at high load or beyond {} km/h left out: a dyno's work, never a road's (`--dyno` lists them)",
            if report.left_to_dyno == 1 {
                "1 gap".to_owned()
            } else {
                format!("{} gaps", report.left_to_dyno)
            },
            units::fixed(report.speed_limit_kph, 0)
        );
    }
    if !report.has_gearing {
        close.push_str("bike.yaml gives no `gearing`, so gear and speed are left to you: stay legal\n");
    }
    close.push_str(&caution(report));
    text + &wrapped(&close, width)
}

/// The point and how it is reached.
pub(super) fn advice(gap: &Gap, axis: LoadAxis) -> String {
    let load = match axis {
        LoadAxis::ThrottlePct => format!("{} % throttle", units::plain(gap.load)),
        LoadAxis::MapKpa => format!("{} kPa manifold pressure", units::plain(gap.load)),
    };
    let point = format!("{} rpm, {load}", units::plain(gap.rpm));
    let hold = units::fixed(gap.hold_s, 0);
    let often = match gap.visits {
        1 => String::new(),
        n => format!(", {n} times"),
    };
    match gap.place {
        Place::Idle => {
            format!("near {point}: let it idle at a standstill for {hold} s{often}, if it idles about there")
        }
        Place::EngineBraking => {
            format!(
                "near {point}: ease off to it and let the bike roll out, {hold} s in all where fuel is not cut{often}"
            )
        }
        Place::Road { gear: Some(gear), speed_kph: Some(speed) } => {
            format!("near {point}: gear {gear} ({} km/h) for {hold} s{often}", units::fixed(speed, 0))
        }
        Place::Road { .. } => format!("near {point}: for {hold} s{often}"),
        Place::Dyno => format!("{}: {point} for {hold} s{often}", strong("on a dyno only")),
    }
}

fn why(gap: &Gap) -> String {
    let time = units::fixed(gap.share_of_time * 100.0, 1);
    match gap.std_error_pct {
        Some(error) => format!("known to {} %, {time} % of the time", units::fixed(error, 1)),
        None => format!("unknown, {time} % of the time"),
    }
}

fn caution(report: &GapsReport) -> String {
    let dyno = match report.gaps.iter().any(|gap| gap.place == Place::Dyno) {
        true => {
            " On the dyno: straps checked, exhaust led outside, an eye on lambda and an ear for knock; stop when it leans."
        }
        false => "",
    };
    format!(
        "{}: where the bike will not stay at a point, pass through it gently and often. Watch the road, not a \
         screen; traffic rules come first.{dyno}\n",
        warning("caution")
    )
}
