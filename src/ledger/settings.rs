//! The repository's own settings: who makes its revisions, how plain git shows a table and that it
//! pushes tags.
//!
//! `.gitattributes` says which files are tables and comes with every clone. The program stands in
//! `.git/config`, which a clone does not carry: git never runs what a stranger's repository says.

use git2::{Config, ErrorCode};

use super::disk;
use super::error::LedgerError;
use super::lock::WriterLock;
use super::store::Store;

/// The name of the driver in `.gitattributes` and in git's settings.
pub const TABLE_DRIVER: &str = "rideloop-table";

/// What git runs for each version of a table, through `sh`, with the file as `$1`. Where rideloop
/// is not on the PATH, or is too old to know the command, git shows the file as it is.
///
/// # Source
/// gitattributes(5), "Performing text diffs of binary files".
const TEXTCONV: &str = "f() { rideloop table-text -- \"$1\" 2>/dev/null || cat \"$1\"; }; f";

/// Makes `git push` take annotated tags along.
///
/// # Source
/// `git help config`, `push.followTags`.
const FOLLOW_TAGS: &str = "push.followTags";

/// Sets what a new repository begins with.
pub(super) fn set(settings: &mut Config) -> Result<(), git2::Error> {
    settings.set_bool(FOLLOW_TAGS, true)?;
    set_driver(settings)
}

fn set_driver(settings: &mut Config) -> Result<(), git2::Error> {
    settings.set_str(&key(), TEXTCONV)
}

fn key() -> String {
    format!("diff.{TABLE_DRIVER}.textconv")
}

impl Store {
    /// Names the author of this repository's commits in its own settings.
    ///
    /// Takes the writer's lock itself, so it is called before [`Store::lock`].
    pub fn set_local_identity(&self, name: &str, email: &str) -> Result<(), LedgerError> {
        let held = self.lock()?;
        self.sweep(&held)?;
        self.edit_settings("set the author", |settings| {
            settings.set_str("user.name", name)?;
            settings.set_str("user.email", email)?;
            // An invented author signs nothing.
            settings.set_bool("commit.gpgsign", false)?;
            settings.set_bool("tag.gpgsign", false)?;
            settings.set_bool("tag.forceSignAnnotated", false)
        })
    }

    /// Changes the repository's own settings; the file has its old or its new bytes. Only for
    /// the holder of the writer's lock.
    pub(super) fn edit_settings(
        &self,
        doing: &'static str,
        edit: impl FnOnce(&mut Config) -> Result<(), git2::Error>,
    ) -> Result<(), LedgerError> {
        let mut guard = self.git_lock("config")?;
        let edited = self.own().join("config.edit");
        let target = self.guarded_path("config");
        disk::remove(&edited)?;
        disk::write_unfinished(&edited, &target, &disk::read(&target)?.unwrap_or_default())?;
        // libgit2 makes its own lock beside the file it edits, so it edits a copy among our files.
        Config::open(&edited)
            .and_then(|mut config| edit(&mut config))
            .map_err(|error| self.git_error(doing, error))?;
        let bytes = disk::read(&edited)?.unwrap_or_default();
        guard.fill(&bytes)?;
        guard.put()?;
        disk::remove(&edited)
    }

    /// Lets a plain `git push` take the revisions' tags along, unless somebody has said otherwise.
    ///
    /// A clone does not inherit this setting. Nothing depends on it, so trouble is ignored: the next
    /// revision tries again.
    pub(super) fn push_tags_along(&self) {
        let unsaid = self.repo.config().and_then(|config| config.get_entry(FOLLOW_TAGS).map(drop));
        if unsaid.is_err_and(|error| error.code() == ErrorCode::NotFound) {
            let _ = self.edit_settings("let tags be pushed", |config| config.set_bool(FOLLOW_TAGS, true));
        }
    }

    /// Sets the driver in the repository's own settings, unless git knows one already, from
    /// wherever. Says whether it was missing.
    ///
    /// # Errors
    /// When the settings cannot be read or written.
    pub fn set_table_driver(&self, _held: &WriterLock) -> Result<bool, LedgerError> {
        let settings = self.repo.config().and_then(|mut settings| settings.snapshot());
        let known = settings.and_then(|settings| match settings.get_string(&key()) {
            Ok(_) => Ok(true),
            Err(error) if error.code() == ErrorCode::NotFound => Ok(false),
            Err(error) => Err(error),
        });
        if known.map_err(|error| self.git_error("read its settings", error))? {
            return Ok(false);
        }
        self.edit_settings("set how tables are shown", set_driver)?;
        Ok(true)
    }
}
