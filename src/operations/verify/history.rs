//! The chain of revisions: numbers, tags, plain commits between, and what each revision may change.

use super::differences::differences;
use super::folder::{is_guarded, is_table};
use super::{Scene, Trouble, TroubleKind, VerifyReport};
use crate::bike::{HandChange, HandDeed, fuel_path};
use crate::ledger::{CommitInfo, LedgerError, Revision, RevisionKind, TagInfo};
use crate::revision::{revision_name, revision_number};
use crate::shell;

pub(super) fn look(scene: &Scene<'_>, report: &mut VerifyReport) {
    numbers(scene, report);
    tags(scene, report);
    names(scene, report);
    let looked = plain_commits(scene, report).and_then(|()| changes(scene, report));
    if let Err(error) = looked {
        let to_do = "mend the repository first";
        report.troubles.push(Trouble::new(TroubleKind::HistoryUnreadable, error.to_string(), to_do));
    }
}

/// Numbers without gap or repetition, one parent each, back to r1.
fn numbers(scene: &Scene<'_>, report: &mut VerifyReport) {
    if scene.store.is_shallow() {
        report.troubles.push(Trouble::new(
            TroubleKind::Shallow,
            "this is a shallow clone: the history is cut off, and with it the first revisions",
            "`git fetch --unshallow`, then verify again",
        ));
    }
    for copy in &scene.repeated {
        let name = copy.name();
        let what = format!("commit {} says it is {name} as well", short(&copy.commit));
        let to_do = format!(
            "`git log --grep 'Revision: {name}'` shows them, and `git show {name}` the right one. The other was made by \
             plain git with a copied message: take it out, and use `rideloop rollback` to go back to a revision"
        );
        report.troubles.push(Trouble::new(TroubleKind::NumberRepeated, what, to_do).of(name));
    }
    let mut before: Option<u32> = None;
    for revision in scene.revisions.iter().rev() {
        let number = revision.record.number;
        let wanted = before.map_or(1, |n| n + 1);
        let cut_here = before.is_none() && scene.store.is_shallow();
        if number != wanted && !cut_here {
            let missing = revision_name(wanted);
            let what = match before {
                Some(before) => {
                    format!("{} follows on {}: {missing} is missing", revision.name(), revision_name(before))
                }
                None => format!("the history begins with {}: {missing} is missing", revision.name()),
            };
            report.troubles.push(Trouble::new(TroubleKind::NumberMissing, what, LOOK_AROUND).of(missing));
        }
        before = Some(number);
    }
    for commit in &scene.log {
        if scene.store.parent_count(&commit.id).is_ok_and(|parents| parents > 1) {
            report.troubles.push(Trouble::new(
                TroubleKind::NotLinear,
                format!("commit {} merges two histories", short(&commit.id)),
                "revisions stand on one line: see `git log --graph`, and go on from the side whose revisions count",
            ));
        }
    }
}

const LOOK_AROUND: &str = "`git log --oneline --all` and `git reflog` show whether it is still there; a copy of the folder may hold it";

/// Every revision has its annotated tag, and every such tag its revision.
fn tags(scene: &Scene<'_>, report: &mut VerifyReport) {
    let fetch = match scene.store.has_remote() {
        true => "`git fetch --tags` brings it if the other side has it; else ",
        false => "",
    };
    for revision in &scene.revisions {
        let name = revision.name();
        let make = format!("`git tag -a {name} {} -m {}`", revision.commit, shell::word(&revision.summary));
        let trouble = match scene.tags.iter().find(|tag| tag.name == name) {
            None => {
                Trouble::new(TroubleKind::TagMissing, "has no tag", format!("{fetch}{make} puts it back"))
            }
            Some(tag) if tag.commit.as_deref() != Some(&revision.commit) => {
                elsewhere(scene, tag, revision, &make)
            }
            Some(tag) if !tag.annotated => Trouble::new(
                TroubleKind::TagLightweight,
                "its tag has no maker, time and message of its own",
                format!("`git tag -d {name}`, then {make}"),
            ),
            Some(_) => continue,
        };
        report.troubles.push(trouble.of(name));
    }
    let newest = scene.newest().map_or(0, |r| r.record.number);
    let mut ahead = Vec::new();
    for tag in &scene.tags {
        let Some(number) = revision_number(&tag.name).filter(|_| !scene.holds(&tag.name)) else { continue };
        if number > newest {
            ahead.push(number);
        } else if !scene.store.is_shallow() {
            let what = format!("there is a tag {}, but the history holds no such revision", tag.name);
            let trouble = Trouble::new(TroubleKind::TagWithoutRevision, what, LOOK_AROUND);
            report.troubles.push(trouble.of(tag.name.clone()));
        }
    }
    if let Some(last) = ahead.iter().max().map(|n| revision_name(*n)) {
        let here =
            if scene.store.is_detached() { "an old state is checked out, and it" } else { "this branch" };
        report.troubles.push(
            Trouble::new(
                TroubleKind::BehindHistory,
                format!("there is a revision {last}, but {here} ends at {}", revision_name(newest)),
                format!(
                    "`git log --oneline --all`: go to the branch that has it with `git switch`, or forward with \
                     `git merge --ff-only {last}`; if {last} never was on this bike, the tag was made by hand"
                ),
            )
            .of(last),
        );
    }
}

/// A tag that names another commit: either the tag was moved, or the history was rewritten under it.
fn elsewhere(scene: &Scene<'_>, tag: &TagInfo, revision: &Revision, make: &str) -> Trouble {
    let name = revision.name();
    let here = short(&revision.commit);
    let Some(there) = tag.commit.as_deref() else {
        let what = "its tag leads to no commit that can be read";
        return Trouble::new(TroubleKind::TagElsewhere, what, format!("`git tag -d {name}`, then {make}"));
    };
    let moved = scene.log.iter().any(|commit| commit.id == there);
    if moved {
        let what = format!(
            "its tag names commit {}, but the revision is commit {here}: the tag was moved",
            short(there)
        );
        return Trouble::new(TroubleKind::TagElsewhere, what, format!("`git tag -d {name}`, then {make}"));
    }
    let what = format!(
        "is commit {here} in the history, but its tag names {}: the commit was rewritten, and a revision never is",
        short(there)
    );
    let newest = scene.head() == Some(revision.commit.as_str());
    let back = match newest {
        true => format!("`git reset --keep {name}` goes back to the revision as it was made"),
        false => format!(
            "`git log --oneline --all` shows what stands on either; go on from the history that holds {name}"
        ),
    };
    let to_do = format!("`git diff {name} {here}` shows what was changed; {back}");
    Trouble::new(TroubleKind::TagElsewhere, what, to_do)
}

/// Revisions that a revision speaks of.
fn names(scene: &Scene<'_>, report: &mut VerifyReport) {
    for revision in &scene.revisions {
        let record = &revision.record;
        for named in record.restores.iter().chain(&record.undoes).filter(|name| !scene.holds(name)) {
            let what = format!("speaks of {named}, which the history does not hold");
            let trouble = Trouble::new(TroubleKind::UnknownRevision, what, LOOK_AROUND);
            report.troubles.push(trouble.of(revision.name()));
        }
    }
}

/// Plain commits after a revision that leave other tables, evidence or register behind than it had.
fn plain_commits(scene: &Scene<'_>, report: &mut VerifyReport) -> Result<(), LedgerError> {
    let mut since: Vec<&CommitInfo> = Vec::new();
    for commit in &scene.log {
        let Some(revision) = scene.revisions.iter().find(|r| r.commit == commit.id) else {
            since.push(commit);
            continue;
        };
        if let Some(last) = since.first() {
            for path in scene.store.changed_files(Some(&commit.id), &last.id)? {
                if is_guarded(&path) {
                    let trouble = handmade(scene, revision, &since, &path)?;
                    report.troubles.push(trouble.of(revision.name()).at(path));
                }
            }
        }
        since.clear();
    }
    Ok(())
}

fn handmade(
    scene: &Scene<'_>,
    revision: &Revision,
    since: &[&CommitInfo],
    path: &str,
) -> Result<Trouble, LedgerError> {
    let mut commits = Vec::new();
    for commit in since.iter().rev() {
        if scene.store.changed_files(commit.parent.as_deref(), &commit.id)?.iter().any(|p| p == path) {
            commits.push(format!(
                "{} ({})",
                short(&commit.id),
                commit.message.lines().next().unwrap_or_default()
            ));
        }
    }
    let last = since.first().map_or(revision.commit.as_str(), |commit| commit.id.as_str());
    let (then, now) = (text_at(scene, &revision.commit, path)?, text_at(scene, last, path)?);
    let name = revision.name();
    Ok(Trouble::new(
        TroubleKind::HandmadeCommit,
        format!("was changed after {name} by a commit that is no revision: {}", commits.join(", ")),
        format!(
            "no revision says why these cells hold what they hold: `git checkout {name} -- {}` brings back \
             what {name} held, then `git commit`; a change by hand belongs into a revision of its own",
            shell::path(path)
        ),
    )
    .with(differences(path, &then, &now)))
}

/// What each revision changed, against what its kind may change.
fn changes(scene: &Scene<'_>, report: &mut VerifyReport) -> Result<(), LedgerError> {
    for revision in scene.revisions.iter().filter(|r| r.record.kind != RevisionKind::Start) {
        let parent = scene.log.iter().find(|c| c.id == revision.commit).and_then(|c| c.parent.as_deref());
        // Where a clone was cut off there is nothing to compare with.
        let Some(parent) = parent.filter(|p| scene.log.iter().any(|c| c.id == **p)) else { continue };
        let changed = scene.store.changed_files(Some(parent), &revision.commit)?;
        for path in changed.iter().filter(|path| is_table(path) && !may_change(revision, path)) {
            // Tables of a slot that an import took out go with it.
            let is_gone = scene.store.file_id(&revision.commit, path)?.is_none();
            if is_gone && revision.record.kind == RevisionKind::Import {
                continue;
            }
            let record = &revision.record;
            let about = match record.cells_changed {
                0 => "says that no cell changed".to_owned(),
                _ => format!("is about slot {}", record.slots.join(", ")),
            };
            let (then, now) = (text_at(scene, parent, path)?, text_at(scene, &revision.commit, path)?);
            let what = format!(
                "{} is of kind {} and {about}, yet it changed this table",
                revision.name(),
                record.kind.name()
            );
            let trouble = Trouble::new(TroubleKind::StrayChange, what, rewritten(&revision.name()));
            report.troubles.push(trouble.of(revision.name()).at(path).with(differences(path, &then, &now)));
        }
        if revision.record.kind == RevisionKind::Rollback {
            restored(scene, revision, report)?;
        }
    }
    Ok(())
}

fn rewritten(name: &str) -> String {
    format!(
        "the commit was rewritten or made by hand: `git show {name}`, and compare with a copy of the folder"
    )
}

fn may_change(revision: &Revision, path: &str) -> bool {
    let record = &revision.record;
    let of_slot =
        || record.slots.iter().any(|slot| path.starts_with(&format!("{}/{slot}/", crate::bike::MAPS_FOLDER)));
    match record.kind {
        RevisionKind::Start => true,
        RevisionKind::Run => record.slots.iter().any(|slot| path == fuel_path(slot)),
        RevisionKind::Rollback | RevisionKind::Import => of_slot(),
        RevisionKind::Edit => record.edits.iter().filter_map(|line| line.parse().ok()).any(
            |change: HandChange| matches!(change.deed, HandDeed::Cells(role, _) if role.path(&change.slot) == path),
        ),
        RevisionKind::Build => false,
    }
}

/// A rollback holds the tables of the revision it restores, for its slots.
fn restored(scene: &Scene<'_>, revision: &Revision, report: &mut VerifyReport) -> Result<(), LedgerError> {
    let restores = revision.record.restores.as_deref().and_then(revision_number);
    let Some(target) = scene.revisions.iter().find(|r| Some(r.record.number) == restores) else {
        return Ok(());
    };
    for path in scene.store.changed_files(Some(&target.commit), &revision.commit)? {
        if is_table(&path) && may_change(revision, &path) {
            let (then, now) =
                (text_at(scene, &target.commit, &path)?, text_at(scene, &revision.commit, &path)?);
            let what =
                format!("{} says it restores {}, but this table is another", revision.name(), target.name());
            let trouble = Trouble::new(TroubleKind::TableDiffers, what, rewritten(&revision.name()));
            report.troubles.push(trouble.of(revision.name()).at(&path).with(differences(&path, &then, &now)));
        }
    }
    Ok(())
}

fn text_at(scene: &Scene<'_>, commit: &str, path: &str) -> Result<String, LedgerError> {
    let bytes = scene.store.read_file(commit, path)?.unwrap_or_default();
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// The beginning of a commit's name, as git shows it.
pub(super) fn short(commit: &str) -> &str {
    const SHOWN: usize = 10;
    commit.get(..SHOWN).unwrap_or(commit)
}
