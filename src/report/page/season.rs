//! The page of a season: a summary, each slot's story, then everything in lists.

use super::data::{EVIDENCE_BUDGET, PageData, Palettes, RevisionData, SlotData, holds};
use super::parts::{day, told};
use super::shell::{Contents, shell};
use super::{PageContext, charts, lists, slot, summary};
use crate::operations::HistoryEntry;
use crate::operations::season::SeasonReport;
use maud::{Markup, html};

/// The page.
pub fn season(report: &SeasonReport, context: &PageContext<'_>) -> String {
    let mut budget = EVIDENCE_BUDGET;
    let slots: Vec<SlotData> =
        report.slots.iter().map(|s| SlotData::new(slot::source(s), &mut budget)).collect();
    let mut drawn = Vec::new();
    let mut sections = Vec::new();
    for (id, slot) in report.slots.iter().enumerate() {
        let coverage = charts::coverage(slot, id);
        let (coverage, coverage_figure) = coverage.unzip();
        let (moved, convergence) = charts::convergence(report, slot, id);
        drawn.extend(moved.into_iter().chain(coverage));
        sections.push(html! {
            section id={ "slot-" (slot.slot) } {
                h2 { "Slot " (slot.slot) }
                @if slot.steps.is_empty() {
                    p { "No revision yet: the tables as they lie in the folder." }
                } @else {
                    p.small {
                        "This build began with " (slot.start_revision) ", the newest revision is " (slot.newest_revision) "."
                    }
                }
                (slot::maps(slot, id))
                @if !slot.steps.is_empty() {
                    h3 { "Through the revisions" }
                    p.scripted.small { "Surface and slider need a browser that runs scripts; the tables do not." }
                    (slot::explorer(slot, id))
                }
                h3 { "Does it settle?" }
                (convergence)
                h3 { "What is known" }
                (slot::knowledge(slot, id, coverage_figure.as_ref()))
                h3 id={ "cells-" (slot.slot) } { "Cells to look at" }
                (slot::cells(slot))
                (left_out(slots[id].left_out()))
            }
        });
    }
    let funnel = charts::funnel(report);
    let (funnel, funnel_figure) = funnel.unzip();
    drawn.extend(funnel);
    let contents = contents(report);
    let data = PageData {
        revisions: report.revisions.iter().map(revision).collect(),
        slots,
        charts: drawn,
        palettes: Palettes::default(),
        holds: holds(),
    };
    let body = html! {
        section id="summary" {
            h2 { "In short" }
            div.two { (summary::sentences(report)) (summary::caution()) }
        }
        @for section in sections { (section) }
        section id="rides" {
            h2 { "Rides" }
            @if let Some(funnel) = funnel_figure { (funnel) }
            (lists::rides(report))
        }
        section id="warnings" { h2 { "Warnings" } (lists::warnings(report)) }
        section id="builds" { h2 { "Builds" } (lists::builds(report)) }
        section id="rollbacks" { h2 { "Rollbacks" } (lists::rollbacks(report)) }
        section id="audit" {
            h2 { "Every revision" }
            p.small { "Newest first. The bike folder is a git repository; " code { "rideloop show r3" } " shows one of them." }
            (lists::audit(&report.revisions))
        }
    };
    shell(&format!("{}: season", report.bike), &summary::head(report), &contents, &body, Some(&data), context)
}

fn contents(report: &SeasonReport) -> Contents {
    let mut links = vec![("summary".to_owned(), "In short".to_owned())];
    links.extend(report.slots.iter().map(|s| (format!("slot-{}", s.slot), format!("Slot {}", s.slot))));
    let lists = [
        ("rides", "Rides"),
        ("warnings", "Warnings"),
        ("builds", "Builds"),
        ("rollbacks", "Rollbacks"),
        ("audit", "Every revision"),
    ];
    links.extend(lists.map(|(id, words)| (id.to_owned(), words.to_owned())));
    links
}

/// A revision, as the slider names it.
pub(super) fn revision(entry: &HistoryEntry) -> RevisionData {
    RevisionData {
        name: entry.revision.clone(),
        day: day(entry).to_owned(),
        kind: entry.kind.name(),
        build: entry.build.clone(),
        told: told(entry).to_owned(),
        why: entry.why.clone(),
    }
}

/// Says what the page does not hold, so that it stays small.
fn left_out(runs: usize) -> Markup {
    html! {
        @if runs > 0 {
            p.small.left-out {
                "To keep the page small, the evidence of the " (runs) " oldest runs of this slot was left out of the \
                panel of a cell; their values are there. " code { "rideloop cell" } " shows it."
            }
        }
    }
}
