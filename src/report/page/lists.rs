//! The lists of a season: rides, warnings, builds, rollbacks, and every revision.

use super::parts::{Column, day, list, short_hash, text, told, who};
use crate::evidence::{LambdaError, StatedFinding};
use crate::ledger::RevisionKind;
use crate::operations::HistoryEntry;
use crate::operations::season::{RideSaid, SeasonReport, SeasonRide, WarnedOf};
use crate::ride::RideState;
use crate::units;
use Column::{Number, Text};
use maud::{Markup, html};

/// The rides with what they said.
pub(super) fn rides(report: &SeasonReport) -> Markup {
    if report.rides.is_empty() {
        return html! { p { "No ride yet." } };
    }
    let columns = [
        Text("ride"),
        Text("made on"),
        Text("slot"),
        Text("build"),
        Text("counts"),
        Number("ridden"),
        Number("samples"),
        Number("kept"),
        Number("error as ridden, %"),
        Number("after its run"),
        Number("now"),
        Text("signs and remarks"),
    ];
    let rows = report.rides.iter().rev().flat_map(|ride| {
        let said: Vec<Option<&RideSaid>> =
            if ride.said.is_empty() { vec![None] } else { ride.said.iter().map(Some).collect() };
        said.into_iter().map(|said| ride_row(ride, said))
    });
    list("rides", &columns, rows.collect())
}

fn ride_row(ride: &SeasonRide, said: Option<&RideSaid>) -> Vec<Markup> {
    let number = |of: &dyn Fn(&RideSaid) -> String| text(said.map(of).unwrap_or_default());
    let error = |of: &dyn Fn(&RideSaid) -> Option<LambdaError>| {
        text(said.and_then(of).map(|e| units::fixed(e.rms_pct, 2)).unwrap_or_default())
    };
    let counts = match ride.state {
        RideState::Waiting => "not yet".to_owned(),
        RideState::Used => format!("in {}", between(&ride.used_in)),
        RideState::SetAside => "set aside".to_owned(),
    };
    let findings = said.map(|s| s.findings.as_slice()).unwrap_or_default();
    vec![
        text(&ride.file),
        text(&ride.revision),
        text(said.map_or(&ride.slot, |s| &s.slot)),
        html! { span.whole { (ride.build) } },
        text(counts),
        number(&|s| units::duration(s.ridden_s)),
        number(&|s| units::count(s.samples as u64)),
        number(&|s| units::count(s.kept as u64)),
        error(&|s| s.as_ridden),
        error(&|s| s.after),
        error(&|s| s.now),
        html! {
            @if let Some(why) = &ride.why { p { "set aside: " (why) } }
            @for finding in findings { p { (self::finding(finding)) } }
        },
    ]
}

/// The revisions a ride fed, in few words.
fn between(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [first, .., last] => format!("{first} to {last} ({})", units::counted(names.len(), "run")),
    }
}

fn finding(finding: &StatedFinding) -> Markup {
    html! { b { (finding.severity) } " " (finding.name.replace('_', " ")) ": " (finding.saw) }
}

/// Warnings, newest first.
pub(super) fn warnings(report: &SeasonReport) -> Markup {
    if report.warnings.is_empty() {
        return html! { p { "No run gave a warning." } };
    }
    let rows = report.warnings.iter().rev().map(|warning| {
        let (about, said) = match &warning.about {
            WarnedOf::Ride { file, finding: sign } => (text(file), finding(sign)),
            WarnedOf::AllRides(sign) => (text("all rides together"), finding(sign)),
            WarnedOf::PassedOver(ride) => (
                text(&ride.file),
                html! { b { "passed over" } " " (ride.reason.replace('_', " ")) ": " (ride.why) },
            ),
        };
        vec![text(&warning.revision), text(&warning.slot), about, said]
    });
    list("warnings", &[Text("run"), Text("slot"), Text("about"), Text("what was seen")], rows.collect())
}

/// The hardware states of the bike, newest first.
pub(super) fn builds(report: &SeasonReport) -> Markup {
    let rows = report.builds.iter().rev().map(|build| {
        let revisions = match (&build.first, &build.last) {
            (Some(first), Some(last)) if first != last => format!("{first} to {last}"),
            (Some(first), _) => first.clone(),
            _ => "none".to_owned(),
        };
        vec![
            text(&build.build),
            html! { span.whole { (build.since.as_deref().unwrap_or("")) } },
            text(revisions),
            text(build.revisions.to_string()),
            text(build.what.as_deref().unwrap_or("")),
        ]
    });
    let columns =
        [Text("build"), Text("since"), Text("revisions"), Number("how many"), Text("what was changed")];
    list("builds", &columns, rows.collect())
}

/// Rollbacks with their reasons, newest first.
pub(super) fn rollbacks(report: &SeasonReport) -> Markup {
    let rows: Vec<Vec<Markup>> = report
        .revisions
        .iter()
        .rev()
        .filter(|entry| entry.kind == RevisionKind::Rollback)
        .map(|entry| {
            vec![
                text(&entry.revision),
                html! { span.whole { (day(entry)) } },
                text(entry.restores.as_deref().unwrap_or("")),
                text(entry.undoes.join(", ")),
                text(entry.why.as_deref().unwrap_or("")),
            ]
        })
        .collect();
    if rows.is_empty() {
        return html! { p { "Nothing was rolled back." } };
    }
    list("rollbacks", &[Text("revision"), Text("made"), Text("back to"), Text("undid"), Text("why")], rows)
}

/// Every revision, newest first.
pub(super) fn audit(revisions: &[HistoryEntry]) -> Markup {
    let columns = [
        Text("revision"),
        Text("made"),
        Text("kind"),
        Text("slot"),
        Number("cells"),
        Number("rides"),
        Text("pipeline"),
        Text("build"),
        Text("who"),
        Text("what and why"),
        Text("commit"),
    ];
    let rows = revisions.iter().rev().map(|entry| {
        vec![
            text(&entry.revision),
            html! { span.whole { (day(entry)) } },
            text(entry.kind.name()),
            text(&entry.slot),
            text(entry.cells_changed.to_string()),
            text(if entry.rides.is_empty() { String::new() } else { entry.rides.len().to_string() }),
            text(entry.pipeline.as_ref().map_or("", |p| &p.name)),
            text(&entry.build),
            text(who(&entry.author)),
            html! { (told(entry)) @if let Some(why) = entry.why.as_ref().filter(|why| !entry.summary.contains(*why)) { p { "why: " (why) } } },
            html! { code { (short_hash(&entry.commit)) } },
        ]
    });
    list("every revision", &columns, rows.collect())
}
