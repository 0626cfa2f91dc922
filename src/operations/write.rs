//! What a revision's commit holds besides its tables.

use super::error::OperationError;
use super::git_files::try_table_driver;
use super::open::OpenBike;
use crate::bike::{
    BIKE_FILE, BUILDS_FILE, FileSource, LOGGERS_FOLDER, MIXTURES_FOLDER, PIPELINES_FOLDER, locks_path,
    stock_path,
};
use crate::blend::Refusal;
use crate::ledger::{Draft, FileWrite, LedgerError, Moment, RevisionRecord, Store, WriterLock};
use std::path::Path;

/// The tool and its version, as revisions remember it.
pub fn tool_name() -> String {
    format!("rideloop {}", env!("CARGO_PKG_VERSION"))
}

/// A repository that a command may write to.
pub(super) struct Writable {
    pub store: Store,
    pub lock: WriterLock,
}

/// Opens the repository for writing: takes the writer's lock, finishes what a
/// kill interrupted, and checks that a revision could be made.
///
/// `None` when the folder has no repository yet; then it may become one.
///
/// # Errors
/// The guards of the ledger, and `inside_other_repository`.
pub(super) fn open_for_writing(root: &Path) -> Result<Option<Writable>, OperationError> {
    let Some(store) = Store::open(root)? else {
        refuse_nesting(root)?;
        Store::check_default_identity()?;
        return Ok(None);
    };
    let lock = store.lock()?;
    store.recover(&lock)?;
    store.preflight()?;
    Ok(Some(Writable { store, lock }))
}

/// Makes the repository that [`open_for_writing`] did not find.
pub(super) fn begin(root: &Path) -> Result<Writable, OperationError> {
    let store = Store::init(root)?;
    // What is to be written was worked out for a folder without history.
    let lock = store.lock_for_the_first()?;
    store.preflight()?;
    Ok(Writable { store, lock })
}

/// Refuses to make a repository inside another one.
///
/// # Errors
/// `inside_other_repository`.
pub(super) fn refuse_nesting(root: &Path) -> Result<(), OperationError> {
    match Store::enclosing_repository(root) {
        None => Ok(()),
        Some(outer) => Err(OperationError::Refused(Refusal {
            guard: "inside_other_repository",
            saw: format!("`{}` lies inside the git repository `{}`", root.display(), outer.display()),
            look_at: "a bike has a repository of its own: move the folder out of the other one, or run \
                      `git init` in it yourself if one inside the other is what you want"
                .to_owned(),
        })),
    }
}

impl OpenBike {
    /// The settings files that differ from a commit: written, changed, or gone.
    ///
    /// # Errors
    /// When one cannot be read, or a logger is broken.
    pub(super) fn settings_files(
        &self,
        store: &Store,
        commit: Option<&str>,
    ) -> Result<Vec<FileWrite>, OperationError> {
        self.refuse_broken_loggers()?;
        let here = self.folder.work_tree();
        let mut paths = vec![BIKE_FILE.to_owned(), BUILDS_FILE.to_owned()];
        let slots = self.folder.bike.slots.iter();
        paths.extend(slots.flat_map(|slot| [locks_path(slot), stock_path(slot)]));
        for folder in [PIPELINES_FOLDER, LOGGERS_FOLDER, MIXTURES_FOLDER] {
            paths.extend(yaml_files(&self.folder.root, folder)?);
            if let Some(commit) = commit {
                paths.extend(store.list_files(commit, &format!("{folder}/"))?);
            }
        }
        paths.sort();
        paths.dedup();
        let mut files = Vec::new();
        for path in paths {
            let now = here.bytes(&path)?;
            let then = commit.map(|c| store.read_file(c, &path)).transpose()?.flatten();
            if now != then {
                files.push(FileWrite { path, bytes: now });
            }
        }
        files.extend(self.git_files()?);
        Ok(files)
    }
}

fn yaml_files(root: &Path, folder: &str) -> Result<Vec<String>, OperationError> {
    let path = root.join(folder);
    if !path.is_dir() {
        return Ok(Vec::new());
    }
    let entries = std::fs::read_dir(&path).map_err(|error| OperationError::io("list", &path, &error))?;
    let names = entries.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned());
    Ok(names.filter(|name| name.ends_with(".yaml")).map(|name| format!("{folder}/{name}")).collect())
}

/// Makes the revision; one that stands although its files could not all be put
/// in place counts as made, since the next command that writes finishes it.
pub(super) fn commit(
    writable: &Writable,
    record: &RevisionRecord,
    summary: &str,
    body: &str,
    files: Vec<FileWrite>,
    when: Moment,
) -> Result<String, OperationError> {
    let tag = crate::revision::revision_name(record.number);
    let draft = Draft {
        tag_message: format!("{summary}\n"),
        message: record.message(summary, body),
        tag,
        files,
        when,
    };
    match writable.store.commit(&writable.lock, &draft) {
        Ok(commit) => {
            try_table_driver(&writable.store, &writable.lock);
            Ok(commit)
        }
        Err(LedgerError::Unfinished { .. }) => {
            let head = writable.store.head()?;
            head.ok_or_else(|| OperationError::failed("the revision cannot be found again", "run `git fsck`"))
        }
        Err(error) => Err(error.into()),
    }
}
