//! The season in plain words.

use super::parts::{day, fact, told};
use crate::ledger::RevisionKind;
use crate::operations::season::{ConvergenceState, SeasonReport, SlotSeason, WarnedOf};
use crate::ride::RideState;
use crate::units;
use maud::{Markup, html};

/// The boxes at the head of the page.
pub(super) fn head(report: &SeasonReport) -> Markup {
    let newest = report.revisions.last();
    let build = report.builds.last();
    let used = report.rides.iter().filter(|r| r.state == RideState::Used).count();
    html! {
        dl.head {
            @if let Some(build) = build {
                (fact("build", html! { b { (build.build) } @if let Some(since) = &build.since { small { "since " (since) } } }))
            }
            @if let Some(newest) = newest {
                (fact("newest revision", html! { b { (newest.revision) } small { "of " (day(newest)) } }))
            }
            (fact("revisions", html! { (report.revisions.len()) }))
            (fact("rides that count", html! { b { (used) } small { "of " (report.rides.len()) } }))
            (fact("samples kept", html! { b { (units::count(report.kept as u64)) } small { "of " (units::count(report.samples as u64)) } }))
        }
    }
}

/// The sentences.
pub(super) fn sentences(report: &SeasonReport) -> Markup {
    let rollbacks = report.revisions.iter().filter(|e| e.kind == RevisionKind::Rollback).count();
    let aside = report.rides.iter().filter(|r| r.state == RideState::SetAside).count();
    let waiting = report.rides.iter().filter(|r| r.state == RideState::Waiting).count();
    let passed = report.warnings.iter().filter(|w| matches!(w.about, WarnedOf::PassedOver(_))).count();
    let warned = report.warnings.len() - passed;
    html! {
        ul.plain {
            li { (standing(report)) }
            @for slot in &report.slots { (slot_sentences(slot, report.slots.len() > 1)) }
            @if waiting > 0 { li { (units::counted(waiting, "ride")) " fed no revision yet." } }
            @if aside > 0 { li { a href="#rides" { (units::counted(aside, "ride")) } " set aside by hand." } }
            @if warned + passed > 0 {
                li {
                    "The runs gave " a href="#warnings" { (units::counted(warned, "warning")) }
                    " and passed over " (units::counted(passed, "ride")) "."
                }
            }
            @if rollbacks > 0 { li { a href="#rollbacks" { (units::counted(rollbacks, "rollback")) } ", with reasons below." } }
            @if let Some(newest) = report.revisions.last() {
                li {
                    "Last changed on " (day(newest)) ": " b { (newest.revision) } " " (told(newest)) "."
                    @if let Some(why) = newest.why.as_ref().filter(|why| !newest.summary.contains(*why)) { " Why: " (why) "." }
                }
            }
        }
    }
}

/// Which bike, on which build, with how much behind it.
fn standing(report: &SeasonReport) -> Markup {
    let used = report.rides.iter().filter(|r| r.state == RideState::Used).count();
    html! {
        b { (report.bike) }
        @if let Some(build) = report.builds.last() {
            ", on build " (build.build)
            @if let Some(what) = &build.what { " (" (what) ")" }
        }
        ": " (units::counted(report.revisions.len(), "revision")) " from " (units::counted(used, "ride")) " that count"
        @if used == 1 { "s" }
        "."
    }
}

fn slot_sentences(slot: &SlotSeason, several: bool) -> Markup {
    let convergence = slot.convergence;
    // The sign stays on the number's line.
    let percent = |v: f64, decimals| format!("{}\u{a0}%", units::fixed(v, decimals));
    let (limits, turns) = (slot.at_limit().len(), slot.turning().len());
    html! {
        li {
            @if several { b { "Slot " (slot.slot) ". " } }
            @match (convergence.first_error_pct, convergence.newest_error_pct) {
                (Some(first), Some(newest)) if convergence.runs > 1 => {
                    "The mixture error of a ride, as it was ridden, went from " b { (percent(first, 1)) }
                    " on the first ride of this build to " b { (percent(newest, 1)) } " on the newest. "
                }
                (Some(first), _) => { "The first ride of this build had a mixture error of " b { (percent(first, 1)) } ". " }
                _ => {}
            }
            (state(convergence.state))
            @if let Some(newest) = slot.known_now {
                " " b { (percent(newest.time_well_known * 100.0, 0)) } " of the ridden time lies near cells that \
                are well known; " (percent(newest.cells_with_evidence * 100.0, 0)) " of the cells have evidence."
            }
            @if limits + turns > 0 {
                " Still open: "
                @if limits > 0 { (units::counted(limits, "cell")) " at a limit" }
                @if limits > 0 && turns > 0 { ", " }
                @if turns > 0 { (units::counted(turns, "cell")) " that went back and forth" }
                " (" a href={ "#cells-" (slot.slot) } { "which ones" } ")."
            }
        }
    }
}

fn state(state: ConvergenceState) -> &'static str {
    match state {
        ConvergenceState::NoRun => "No run on this build yet: the map is as it was found.",
        ConvergenceState::TooEarly => "Too few runs yet to say whether the map settles.",
        ConvergenceState::ChangedSince => {
            "The map was changed by hand or rolled back since its last run: the next ride will tell."
        }
        ConvergenceState::Settling => "Each run changes less: the map is settling.",
        ConvergenceState::Settled => "The last run changed hardly anything: the map has settled.",
        ConvergenceState::Moving => "The last run changed no less than the one before: the map still moves.",
    }
}

/// What the page cannot know.
pub(super) fn caution() -> Markup {
    html! {
        p.caution role="note" {
            b { "Mind: " }
            "the map knows only what the sensors told. Ride gently after every revision, watch lambda and listen for \
             knock under load. A map that is too lean under load destroys engines. Noise and emission rules are those of \
             your country; where they or a licensed workshop say otherwise, follow them."
        }
    }
}
