//! The files in the folder against the newest commit, byte for byte.

use super::differences::differences;
use super::{Scene, Trouble, TroubleKind, VerifyReport};
use crate::bike::{EVIDENCE_FOLDER, MAPS_FOLDER, REGISTER_FILE, is_stock_path, read_regular};
use crate::shell;

/// Whether a file is one that only revisions change: a table, evidence, or the register.
pub(super) fn is_guarded(path: &str) -> bool {
    is_table(path)
        || path.strip_prefix(EVIDENCE_FOLDER).is_some_and(|rest| rest.starts_with('/'))
        || path == REGISTER_FILE
}

/// Whether a file is a table that the tool may change; a stock map is not.
pub(super) fn is_table(path: &str) -> bool {
    path.strip_prefix(MAPS_FOLDER).is_some_and(|rest| rest.starts_with('/'))
        && path.ends_with(".csv")
        && !is_stock_path(path)
}

pub(super) fn look(scene: &Scene<'_>, report: &mut VerifyReport) {
    let Some(head) = scene.head() else { return };
    let differing = match scene.store.tracked_differences(&is_guarded) {
        Ok(differing) => differing,
        Err(error) => {
            let to_do = "put that right, then verify again";
            report.troubles.push(Trouble::new(TroubleKind::FileDiffers, error.to_string(), to_do));
            return;
        }
    };
    for path in differing {
        let committed = scene.store.read_file(head, &path);
        let here = read_regular(&scene.root.join(&path));
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let back = format!("`git checkout HEAD -- {}` puts it back as it was", shell::path(&path));
        let trouble = match (committed, here) {
            (Ok(Some(then)), Ok(now)) => {
                Trouble::new(TroubleKind::FileDiffers, "is not as in the newest commit", back)
                    .with(differences(&path, &text(&then), &text(&now)))
            }
            (Ok(Some(_)), Err(_)) => {
                Trouble::new(TroubleKind::FileDiffers, "is in the newest commit but not in the folder", back)
            }
            (Ok(None), _) => Trouble::new(
                TroubleKind::FileDiffers,
                "lies in the folder but is in no revision",
                "move it away, unless it is one that the next revision is to hold",
            ),
            // The broken object itself is told of already.
            (Err(error), _) => Trouble::new(
                TroubleKind::FileDiffers,
                format!("cannot be compared with the newest commit: {error}"),
                "mend the repository first",
            ),
        };
        report.troubles.push(trouble.at(path));
    }
}
