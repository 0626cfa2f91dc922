//! Why an operation stopped.

use crate::blend::Refusal;
use crate::ledger::LedgerError;
use crate::problem::{Problem, Problems};
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
            std::io::ErrorKind::StorageFull => Some("make room on the disk".to_owned()),
            _ => None,
        };
        Self::Failed { what: format!("could not {what} `{}`: {error}", path.display()), hint }
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
                // The ledger's messages end with what to do.
                let text = error.to_string();
                let (saw, look_at) = match text.split_once(": ") {
                    Some((saw, rest)) if guard == "foreign_lock" => (saw.to_owned(), rest.to_owned()),
                    _ => (text.clone(), "nothing was written".to_owned()),
                };
                Self::Refused(Refusal { guard, saw, look_at })
            }
            None => Self::Ledger(error),
        }
    }
}
