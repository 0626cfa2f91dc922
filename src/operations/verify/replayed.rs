//! Every revision made again, and its evidence held against its table.

use super::differences::{Difference, differences};
use super::{ReplayOutcome, Scene, Trouble, TroubleKind, VerifiedRevision, VerifyReport};
use crate::bike::fuel_path;
use crate::evidence::evidence_path;
use crate::ledger::{Revision, RevisionKind};
use crate::operations::replay::{Replay, ReplayedFile, replay_by_hand, replay_run, rides_to_read};
use crate::operations::run::Progress;
use crate::operations::tool_name;
use crate::shell;

pub(super) fn look(scene: &Scene<'_>, asked: &[u32], progress: &dyn Progress, report: &mut VerifyReport) {
    let rides = scene.rides_by_hash();
    let is_asked = |revision: &Revision| asked.contains(&revision.record.number);
    progress.begin(scene.revisions.iter().filter(|r| is_asked(r)).map(rides_to_read).sum());
    for (i, revision) in scene.revisions.iter().enumerate() {
        let earlier = &scene.revisions[i + 1..];
        let record = &revision.record;
        let replay = match record.kind {
            _ if !is_asked(revision) => None,
            RevisionKind::Run => {
                Some(replay_run(scene.root, scene.store, revision, earlier, &rides, progress))
            }
            RevisionKind::Edit | RevisionKind::Import | RevisionKind::Build => {
                Some(replay_by_hand(scene.store, revision, earlier))
            }
            RevisionKind::Start | RevisionKind::Rollback => Some(Replay::Nothing),
        };
        if record.kind == RevisionKind::Run {
            report.troubles.extend(record.slots.iter().filter_map(|slot| evidence_of(scene, revision, slot)));
        }
        let (replay, why) = outcome(revision, replay, report);
        report.revisions.push(VerifiedRevision {
            revision: revision.name(),
            kind: record.kind.name(),
            commit: revision.commit.clone(),
            tool: record.tool.clone(),
            replay,
            why,
            commit_signed: scene.store.is_signed(&revision.commit),
            tag_signed: scene.tags.iter().any(|tag| tag.name == revision.name() && tag.signed),
        });
    }
    progress.end();
}

/// What to say of a replay; troubles and notes go into the report.
fn outcome(
    revision: &Revision,
    replay: Option<Replay>,
    report: &mut VerifyReport,
) -> (ReplayOutcome, Option<String>) {
    let tool = &revision.record.tool;
    let other_version = *tool != tool_name();
    let name = revision.name();
    match replay {
        None => (ReplayOutcome::NotAsked, None),
        Some(Replay::Nothing) => (ReplayOutcome::NothingToReplay, None),
        Some(Replay::Same) => (ReplayOutcome::Same, None),
        // What is broken is told already; more than that shows when it is mended.
        Some(Replay::Cannot(_)) if report.troubles.iter().any(|t| t.kind == TroubleKind::BrokenObject) => {
            (ReplayOutcome::CannotBeReplayed, Some("objects of the repository are broken".to_owned()))
        }
        Some(Replay::Cannot(why)) if revision.record.kind == RevisionKind::Run => {
            let to_do = match other_version {
                true => format!("it was made by {tool}; that version may still replay it"),
                false => format!("`git show {name}` says what it was made of"),
            };
            let trouble =
                Trouble::new(TroubleKind::CannotBeReplayed, format!("cannot be replayed: {why}"), to_do);
            report.troubles.push(trouble.of(name));
            (ReplayOutcome::CannotBeReplayed, Some(why))
        }
        Some(Replay::Cannot(why)) => (ReplayOutcome::CannotBeReplayed, Some(why)),
        // Each missing ride is a trouble of its own already.
        Some(Replay::RidesMissing(rides)) => {
            (ReplayOutcome::CannotBeReplayed, Some(format!("without {}", rides.join(", "))))
        }
        Some(Replay::Differs(files)) if other_version => {
            let paths: Vec<&str> = files.iter().map(|file| file.path.as_str()).collect();
            let told = paths.join(", ");
            report.notes.push(format!(
                "{name} was made by {tool}, another version: replayed with {}, {told} would come out otherwise",
                tool_name()
            ));
            (ReplayOutcome::DiffersFromOtherVersion, Some(format!("made by another version, {tool}: {told}")))
        }
        Some(Replay::Differs(files)) => {
            let paths: Vec<String> = files.iter().map(|file| file.path.clone()).collect();
            report.troubles.extend(files.iter().map(|file| differs(&name, file)));
            (ReplayOutcome::Differs, Some(paths.join(", ")))
        }
    }
}

fn differs(name: &str, file: &ReplayedFile) -> Trouble {
    let what = format!("is not what the rides, settings and tables of {name} give");
    let to_do = format!(
        "the file was changed inside the commit, or the tables before it were: `git show {name} -- {}`, and compare \
         with a copy of the folder",
        shell::path(&file.path)
    );
    Trouble::new(TroubleKind::ReplayDiffers, what, to_do).of(name).at(&file.path).with(differences(
        &file.path,
        &file.replayed,
        &file.committed,
    ))
}

/// The `after` of a run's evidence is its fuel table. Titles are looked up, since other versions of the
/// tool may write other columns beside it.
fn evidence_of(scene: &Scene<'_>, revision: &Revision, slot: &str) -> Option<Trouble> {
    let text = |path: &str| {
        let bytes = scene.store.read_file(&revision.commit, path).ok().flatten()?;
        Some(String::from_utf8_lossy(&bytes).into_owned())
    };
    let path = evidence_path(slot);
    let Some(evidence) = text(&path) else {
        let what = format!("{} is a run, but its commit holds no evidence for slot {slot}", revision.name());
        let to_do = format!("`git show {}` says what it holds", revision.name());
        return Some(Trouble::new(TroubleKind::EvidenceDiffers, what, to_do).of(revision.name()).at(path));
    };
    let contradicting = contradicting(&text(&fuel_path(slot))?, &evidence);
    (!contradicting.is_empty()).then(|| {
        let what = format!("`after` is not what the fuel table of {} holds", revision.name());
        let to_do = format!("one of the two was changed inside the commit: `git show {}`", revision.name());
        Trouble::new(TroubleKind::EvidenceDiffers, what, to_do)
            .of(revision.name())
            .at(path)
            .with(contradicting)
    })
}

/// Rows of an evidence file whose `after` is not the table's cell.
fn contradicting(table: &str, evidence: &str) -> Vec<Difference> {
    let mut rows = table.lines().map(|line| line.split(',').collect::<Vec<&str>>());
    let loads = rows.next().unwrap_or_default();
    let rows: Vec<Vec<&str>> = rows.collect();
    let cell = |rpm: &str, load: &str| -> Option<&str> {
        let column = loads.iter().position(|l| *l == load)?;
        rows.iter().find(|row| row.first() == Some(&rpm))?.get(column).copied()
    };
    let mut lines = evidence.lines();
    let titles: Vec<&str> = lines.next().unwrap_or_default().split(',').collect();
    let Some(after) = titles.iter().position(|title| *title == "after") else { return Vec::new() };
    let number = |text: &str| text.parse::<f64>().ok();
    let mut found = Vec::new();
    for (i, line) in lines.enumerate() {
        let row: Vec<&str> = line.split(',').collect();
        let (Some(rpm), Some(load), Some(told)) = (row.first(), row.get(1), row.get(after)) else { continue };
        let held = cell(rpm, load);
        if held.and_then(number) != number(told) || held.is_none() {
            found.push(Difference {
                line: i + 2,
                row: format!("{rpm} rpm, {load} {}", titles.get(1).copied().unwrap_or_default()),
                column: "after".to_owned(),
                expected: held.unwrap_or("no such cell").to_owned(),
                found: (*told).to_owned(),
            });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn evidence_is_held_against_its_table_by_value() {
        let table = "rpm/throttle_pct,2,5\n1000,48.0,52.5\n";
        let evidence =
            "rpm,throttle_pct,before,later_column,after\n1000,2,47.0,x,48.0000\n1000,5,52.0,x,52.4000\n";
        let found = contradicting(table, evidence);
        assert_eq!(found.len(), 1);
        assert_eq!(
            (found[0].line, found[0].expected.as_str(), found[0].found.as_str()),
            (3, "52.5", "52.4000")
        );
    }
}
