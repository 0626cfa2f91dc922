//! Everything that can go wrong between the tables and the git repository that keeps them.
//!
//! Each message says what happened, where, and what to do about it, for a person who tunes
//! motorcycles and may not know git. [`LedgerError::guard`] tells refusals (nothing was written, on
//! purpose) from plain failures.

use crate::problem::io_words;
use crate::shell;
use std::io;
use std::path::{Path, PathBuf};

/// A refusal or failure of the ledger.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    #[error(
        "another rideloop is writing in this bike folder (it holds `{}`): wait until it is done, then run again",
        path.display()
    )]
    Busy { path: PathBuf },

    #[error(
        "`{}` exists: another git program is at work in this bike folder, or one was cut off. \
         Close it and run again; if none is running, remove that file yourself \
         (rideloop never deletes a lock it did not make)",
        path.display()
    )]
    ForeignLock { path: PathBuf },

    #[error(
        "the bike folder `{}` belongs to another user of this computer, and git will not touch it. \
         If you trust it, run this line, then run again:\n{line}",
        path.display()
    )]
    WrongOwner { path: PathBuf, line: String },

    #[error(
        "the bike folder `{}` is not on a branch (an old state was checked out), so a new revision \
         would be lost. Go back with `git switch main` (or your branch's name), then run again",
        path.display()
    )]
    DetachedHead { path: PathBuf },

    #[error(
        "the bike folder `{}` is in the middle of a {what}. Finish it or give it up with git \
         (`git status` says how), then run again",
        path.display()
    )]
    MergeInProgress { path: PathBuf, what: &'static str },

    #[error(
        "the newest commit on `{branch}` changed while rideloop was at work: it was {expected}, now it is {found}. \
         Nothing was written. See what was added with `git log`, then run again"
    )]
    HeadMoved { branch: String, expected: String, found: String },

    #[error(
        "the tag `{tag}` exists already (on commit {commit}), and a revision is never rewritten. Look at it \
         with `git show {tag}`; if it was made by hand, give it another name, then run again"
    )]
    TagExists { tag: String, commit: String },

    #[error("rideloop cannot work with the repository in `{}`: {what}", path.display())]
    Unsupported { path: PathBuf, what: String },

    #[error(
        "`{}` is {what}, and rideloop keeps only plain files there. Move it away, then run again",
        path.display()
    )]
    InTheWay { path: PathBuf, what: &'static str },

    #[error(
        "git does not know who is making this revision ({missing} is not set). Run these two lines with \
         your own name and address, then run again:\n\
         git config --global user.name \"Your Name\"\n\
         git config --global user.email \"you@example.com\""
    )]
    NoIdentity { missing: &'static str },

    #[error(
        "git's setting {setting} holds a line break or another control character, which no commit can \
         carry. Set it anew with `git config --global {setting} \"…\"`"
    )]
    OddIdentity { setting: &'static str },

    #[error(
        "the revision is to be signed (git's settings ask for it: {on}), but {why}. Nothing was written. \
         Put `{setting}` right, or {off}, then run again"
    )]
    Signing {
        /// The settings that ask for signatures.
        on: String,
        why: String,
        /// The setting to look at.
        setting: &'static str,
        /// How to do without.
        off: String,
    },

    #[error(
        "rideloop may not write in `{}`: check who owns it and that the disk is not read-only, then run again",
        path.display()
    )]
    ReadOnly { path: PathBuf },

    #[error(
        "{object} was written to the repository in `{}` but did not read back the same: the disk may be full \
         or failing. No revision was made. Check the disk, and the repository with `git fsck`",
        path.display()
    )]
    Damaged { object: String, path: PathBuf },

    #[error(
        "the note `{}` about an unfinished revision cannot be read ({why}). Look at the tables with \
         `git status`, put them right, remove the note, then run again",
        path.display()
    )]
    Journal { path: PathBuf, why: String },

    #[error(
        "revision {tag} is safely committed, but not all its files are in place yet: {source}. \
         The next rideloop command that writes finishes it"
    )]
    Unfinished { tag: String, source: Box<LedgerError> },

    /// A caller's mistake, not the user's.
    #[error("this revision cannot be committed: {what}")]
    BadDraft { what: String },

    #[error(
        "could not {doing} `{}`: there is no room on the disk ({why}). Nothing is lost: make room, then run again",
        path.display()
    )]
    NoRoom { doing: &'static str, path: PathBuf, why: String },

    #[error("could not {doing} `{}`: {source}", path.display())]
    Io { doing: &'static str, path: PathBuf, source: io::Error },

    #[error("git could not {doing} in `{}`: {}", path.display(), source.message())]
    Git { doing: &'static str, path: PathBuf, source: git2::Error },
}

impl LedgerError {
    /// The name of the guard that refused, or `None` when this is a plain failure.
    pub fn guard(&self) -> Option<&'static str> {
        match self {
            Self::Busy { .. } => Some("busy"),
            Self::ForeignLock { .. } => Some("foreign_lock"),
            Self::WrongOwner { .. } => Some("wrong_owner"),
            Self::DetachedHead { .. } => Some("detached_head"),
            Self::MergeInProgress { .. } => Some("merge_in_progress"),
            Self::HeadMoved { .. } => Some("head_moved"),
            Self::TagExists { .. } => Some("tag_exists"),
            Self::Unsupported { .. } => Some("unsupported_repository"),
            Self::InTheWay { .. } => Some("in_the_way"),
            Self::Signing { .. } => Some("signing"),
            Self::NoIdentity { .. }
            | Self::OddIdentity { .. }
            | Self::ReadOnly { .. }
            | Self::Damaged { .. }
            | Self::Journal { .. }
            | Self::Unfinished { .. }
            | Self::BadDraft { .. }
            | Self::NoRoom { .. }
            | Self::Io { .. }
            | Self::Git { .. } => None,
        }
    }

    /// An operating-system error on `path`; a refused write becomes [`LedgerError::ReadOnly`], one that
    /// finds no room [`LedgerError::NoRoom`].
    pub(super) fn io(doing: &'static str, path: &Path, source: io::Error) -> Self {
        use io::ErrorKind::{FileTooLarge, PermissionDenied, QuotaExceeded, ReadOnlyFilesystem, StorageFull};
        let path = path.to_path_buf();
        match source.kind() {
            StorageFull | QuotaExceeded | FileTooLarge => {
                Self::NoRoom { doing, path, why: io_words(&source) }
            }
            PermissionDenied | ReadOnlyFilesystem if !doing.starts_with("read") => Self::ReadOnly { path },
            kind => Self::Io { doing, path, source: io::Error::new(kind, io_words(&source)) },
        }
    }

    /// A libgit2 error in the repository at `path`; ownership and format troubles get their own words.
    pub(super) fn git(doing: &'static str, path: &Path, source: git2::Error) -> Self {
        let path = path.to_path_buf();
        if source.code() == git2::ErrorCode::Owner {
            let line = safe_directory_line(&path);
            return Self::WrongOwner { path, line };
        }
        // libgit2 has no code of its own for this.
        let foreign_kind = ["unsupported", "unknown object format"];
        if foreign_kind.iter().any(|begin| source.message().starts_with(begin)) {
            let what = format!(
                "{}. It needs a repository with SHA-1 names and plain ref files, as `git init` makes by default",
                source.message()
            );
            return Self::Unsupported { path, what };
        }
        // It has none for this either, but ends its message with the operating system's words.
        let no_room = ["No space left on device", "Disk quota exceeded", "File too large"];
        if no_room.iter().any(|end| source.message().ends_with(end)) {
            return Self::NoRoom { doing, path, why: source.message().to_owned() };
        }
        Self::Git { doing, path, source }
    }
}

/// The line that makes git trust a folder.
fn safe_directory_line(path: &Path) -> String {
    format!("git config --global --add safe.directory {}", shell::path(path))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_owner_refusal_prints_the_line_to_run() {
        let raw =
            git2::Error::new(git2::ErrorCode::Owner, git2::ErrorClass::Config, "not owned by current user");
        let error = LedgerError::git("open the repository", Path::new("/bikes/my bike"), raw);
        assert_eq!(error.guard(), Some("wrong_owner"));
        assert!(error.to_string().ends_with("\ngit config --global --add safe.directory '/bikes/my bike'"));
        assert_eq!(
            safe_directory_line(Path::new("/bikes/fernhill-700")),
            "git config --global --add safe.directory /bikes/fernhill-700"
        );
    }

    #[test]
    fn a_full_disk_is_told_whoever_meets_it() {
        let io = LedgerError::io("write", Path::new("x"), io::ErrorKind::StorageFull.into());
        let raw = git2::Error::new(
            git2::ErrorCode::GenericError,
            git2::ErrorClass::Os,
            "failed to write data: No space left on device",
        );
        for error in [io, LedgerError::git("write the revision", Path::new("x"), raw)] {
            assert!(error.to_string().ends_with("make room, then run again"), "{error}");
            assert_eq!(error.guard(), None);
        }
    }

    #[test]
    fn a_refused_write_is_read_only_and_a_refused_read_is_not() {
        let denied = || io::Error::from(io::ErrorKind::PermissionDenied);
        let write = LedgerError::io("write", Path::new("x"), denied());
        let read = LedgerError::io("read", Path::new("x"), denied());
        assert!(matches!(write, LedgerError::ReadOnly { .. }));
        assert!(matches!(read, LedgerError::Io { .. }));
        assert_eq!(write.guard(), None);
    }
}
