//! Every object of the repository, named anew from its bytes.

use super::{Trouble, TroubleKind, VerifyReport};
use crate::bike::RIDES_FOLDER;
use crate::ledger::{BrokenObject, LedgerError, Revision, Store};
use crate::revision::{revision_name, revision_number};
use crate::shell;

/// Looks at the objects; names the revision that a broken one belongs to.
pub(super) fn look(
    store: &Store,
    revisions: &[Revision],
    report: &mut VerifyReport,
) -> Result<(), LedgerError> {
    let audit = store.audit_objects()?;
    report.objects = audit.objects;
    report.troubles.extend(audit.broken.iter().map(|broken| trouble(broken, revisions)));
    Ok(())
}

fn trouble(broken: &BrokenObject, revisions: &[Revision]) -> Trouble {
    let short = broken.id.get(..12).unwrap_or(&broken.id);
    let state = if broken.missing { "is gone from the repository" } else { "has other bytes than it had" };
    let place = match (&broken.loose, broken.missing) {
        (Some(file), _) => format!(", in `{file}`"),
        (None, false) => ", in a pack below `.git/objects/pack`".to_owned(),
        (None, true) => String::new(),
    };
    let what = format!("the {} {short} {state}{place}", broken.is.name());
    let trouble = Trouble::new(TroubleKind::BrokenObject, what, to_do(broken));
    let revision = revisions.iter().find(|r| r.commit == broken.of || r.commit == broken.id);
    let trouble = match revision {
        Some(revision) => trouble.of(revision_name(revision.record.number)),
        // A tag's own name, or that of the tag which names the commit.
        None if revision_number(&broken.of).is_some() => trouble.of(broken.of.clone()),
        None => trouble,
    };
    match &broken.path {
        Some(path) => trouble.at(path.clone()),
        None => trouble,
    }
}

/// How to bring an object back: from the folder's own file, or from a copy of the repository.
///
/// Git believes a pack and writes no object that it thinks it has, so a broken pack is left behind whole.
fn to_do(broken: &BrokenObject) -> String {
    const DISK: &str = "then look after the disk: what wrote there once may do so again";
    const COPY: &str = "a copy that is whole (a clone, a bundle, a backup)";
    let away = match (&broken.loose, broken.missing) {
        (Some(file), _) => format!("remove `{file}`, then "),
        (None, true) => String::new(),
        (None, false) => {
            return format!(
                "a pack cannot be mended in place: `git clone COPY NEW` from {COPY}, and move {RIDES_FOLDER}/ over; {DISK}"
            );
        }
    };
    match (&broken.path, broken.in_folder) {
        (Some(path), true) => format!(
            "the file in the folder still holds the right bytes: {away}`git hash-object -w --no-filters {}`; {DISK}",
            shell::path(path)
        ),
        _ => format!("{away}bring it back with `git fetch --refetch COPY` from {COPY}; {DISK}"),
    }
}
