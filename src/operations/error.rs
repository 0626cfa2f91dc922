//! Why an operation stopped.

use crate::blend::Refusal;
use crate::ledger::LedgerError;
use crate::problem::{Problem, Problems, io_words};
use std::path::Path;

/// An operation that did not finish.
#[derive(Debug, thiserror::Error)]
pub enum OperationError {
    /// Files that cannot be used, all at once.
    #[error(transparent)]
    Problems(#[from] Problems),
    /// A guard refused; nothing was written.
    #[error(transparent)]
    Refused(Refusal),
    /// The repository.
    #[error(transparent)]
    Ledger(LedgerError),
    /// Somebody asked to stop.
    #[error("stopped; {stands}")]
    Stopped {
        /// What stands of what was asked for.
        stands: &'static str,
    },
    /// Anything else, with advice.
    #[error("{what}")]
    Failed {
        /// What happened.
        what: String,
        /// What to do.
        hint: Option<String>,
    },
}

impl OperationError {
    /// Stopped before anything was written.
    pub const STOPPED: Self = Self::Stopped { stands: "nothing was written" };

    /// A failure with advice.
    pub fn failed(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::Failed { what: what.into(), hint: Some(hint.into()) }
    }

    /// A failure of the file system.
    pub fn io(what: &str, path: &Path, error: &std::io::Error) -> Self {
        let hint = match error.kind() {
            std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem => {
                Some("check who owns the folder and that the disk is not read-only".to_owned())
            }
            std::io::ErrorKind::StorageFull
            | std::io::ErrorKind::QuotaExceeded
            | std::io::ErrorKind::FileTooLarge => Some("make room on the disk, then run again".to_owned()),
            _ => None,
        };
        let why = io_words(error);
        Self::Failed { what: format!("could not {what} `{}`: {why}", path.display()), hint }
    }
}

impl From<Problem> for OperationError {
    fn from(problem: Problem) -> Self {
        Self::Problems(problem.into())
    }
}

impl From<LedgerError> for OperationError {
    fn from(error: LedgerError) -> Self {
        match error.guard() {
            Some(guard) => {
                let look_at = look_at(guard).to_owned();
                Self::Refused(Refusal { guard, saw: error.to_string(), look_at })
            }
            None => Self::Ledger(error),
        }
    }
}

/// What to look at when a guard of the ledger refused.
fn look_at(guard: &str) -> &'static str {
    match guard {
        "busy" => "whether another rideloop is still at work in this folder",
        "foreign_lock" => "whether a git program is open on this folder; an old lock is yours to remove",
        "wrong_owner" => "who owns the folder, with `ls -ld`",
        "detached_head" => "`git status` and `git branch` in the bike folder",
        "merge_in_progress" => "`git status` in the bike folder",
        "head_moved" => "`git log` in the bike folder: somebody else made a commit meanwhile",
        "tag_exists" => {
            "`git log --oneline --all` in the bike folder: this branch may be behind the newest revision"
        }
        "in_the_way" => "the file that is named",
        "signing" => {
            "`git config --show-origin --get-regexp 'gpg|sign'` in the bike folder, and whether the key's agent runs"
        }
        _ => "`git status` in the bike folder",
    }
}
