//! The repository of one bike folder: opening, making and reading it, and the checks before a write.
//!
//! A folder goes in; commits, tags and file contents come out. Only the folder's own `.git` counts:
//! a repository further up is never used by accident. Reading takes no lock and changes nothing;
//! writing is in `write.rs` and mending after a kill in `journal.rs`.

use std::collections::BTreeSet;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use git2::{
    Commit, Config, ErrorCode, ObjectFormat, ObjectType, Oid, Repository, RepositoryInitOptions,
    RepositoryState, Signature, Time, Tree,
};

use super::crash::step;
use super::disk;
use super::error::LedgerError;
use super::journal::Journal;
use super::lock::{self, GitLock, WriterLock};
use super::settings;
use super::sign::Signer;
use super::worktree::{self, PROBE_PREFIX};
use super::write::head_moved;

/// The first branch of a new repository.
const FIRST_BRANCH: &str = "main";

/// Where a new repository is built before it is put in place whole. A leftover of a killed start
/// is cleared away by the next one, once its `lock` proves that nobody is at work in it.
const INIT_FOLDER: &str = ".rideloop-init";

/// More than a repository takes that holds nothing yet.
const NEW_REPOSITORY_BYTES: usize = 64 * 1024;

/// The folder inside `.git` for the writer's lock, the journal and unfinished files.
const OWN_FOLDER: &str = "rideloop";

const EXCLUDE: &str = "# unfinished files of rideloop\n.rideloop-tmp-*\n/.rideloop-init/\n";

/// The git repository of one bike folder.
pub struct Store {
    pub(super) repo: Repository,
    /// The bike folder, absolute.
    pub(super) root: PathBuf,
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Store").field("root", &self.root).finish()
    }
}

/// Name and address of whoever makes revisions.
fn identity_in(mut config: Config) -> Result<Result<(String, String), LedgerError>, git2::Error> {
    let config = config.snapshot()?;
    let get = |missing| match config.get_string(missing) {
        // A line break would add lines of its own to every commit.
        Ok(value) if value.chars().any(char::is_control) => {
            Err(LedgerError::OddIdentity { setting: missing })
        }
        Ok(value) if !value.trim().is_empty() => Ok(value),
        _ => Err(LedgerError::NoIdentity { missing }),
    };
    Ok(get("user.name").and_then(|name| Ok((name, get("user.email")?))))
}

/// A point in time with the offset of the clock on the wall.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// Seconds since 1970-01-01 00:00 UTC.
    pub unix_s: i64,
    /// Minutes the local clock is ahead of UTC.
    pub offset_min: i32,
}

impl From<Time> for Moment {
    fn from(time: Time) -> Self {
        Moment { unix_s: time.seconds(), offset_min: time.offset_minutes() }
    }
}

/// One commit of the branch's history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CommitInfo {
    pub id: String,
    pub when: Moment,
    /// `Name <address>`.
    pub author: String,
    pub message: String,
    /// In message order; a folded value keeps its line break.
    pub trailers: Vec<(String, String)>,
    /// `None` for the first commit.
    pub parent: Option<String>,
}

impl Store {
    /// Opens the repository directly in `root`; `None` when there is none.
    ///
    /// # Errors
    /// [`LedgerError::WrongOwner`] when the folder is another user's, [`LedgerError::Unsupported`]
    /// when it is a repository of a kind rideloop cannot write.
    pub fn open(root: &Path) -> Result<Option<Store>, LedgerError> {
        let root = absolute(root)?;
        if fs::symlink_metadata(root.join(".git")).is_err() {
            return Ok(None);
        }
        let repo = open_repository(&root)?;
        if !is_same_folder(repo.workdir(), &root) {
            let what = match repo.workdir() {
                None => "it is bare, so it has no folder for the tables".to_string(),
                Some(elsewhere) => format!("its tables are kept in `{}`", elsewhere.display()),
            };
            return Err(LedgerError::Unsupported { path: root, what });
        }
        Ok(Some(Store { repo, root }))
    }

    /// The nearest folder above `root` that is a git repository.
    ///
    /// A bike folder inside it would be a repository in a repository, which confuses git.
    pub fn enclosing_repository(root: &Path) -> Option<PathBuf> {
        let root = fs::canonicalize(root).or_else(|_| std::path::absolute(root)).ok()?;
        root.ancestors()
            .skip(1)
            .find(|folder| folder.join(".git").exists() || looks_like_a_git_folder(folder))
            .map(Path::to_path_buf)
    }

    /// Makes `root` a repository, or opens the one it is.
    ///
    /// The repository is built aside and renamed to `.git` complete, so that a kill leaves either
    /// none or a whole one.
    pub fn init(root: &Path) -> Result<Store, LedgerError> {
        if let Some(store) = Store::open(root)? {
            clear_init_folder(&store.root)?;
            return Ok(store);
        }
        let root = absolute(root)?;
        let aside = root.join(INIT_FOLDER);
        disk::make_dirs(&aside)?;
        let held = match hold_init_folder(&aside) {
            // Another start finished and cleared the folder away just now.
            Err(LedgerError::Io { source, .. }) if source.kind() == ErrorKind::NotFound => None,
            other => Some(other?),
        };
        // Another start may have finished while this one waited its turn.
        if fs::symlink_metadata(root.join(".git")).is_err() {
            build_repository(&aside.join("new"), &root).inspect_err(|_| {
                // What there is of it may be what the disk has no room for.
                let _ = disk::remove_tree(&aside);
            })?;
        }
        step("init: in place")?;
        disk::remove_tree(&aside)?;
        drop(held);
        Store::open(&root)?.ok_or_else(|| LedgerError::Io {
            doing: "open the new repository in",
            path: root.clone(),
            source: ErrorKind::NotFound.into(),
        })
    }

    /// Keeps every other rideloop from writing until the returned lock is dropped.
    ///
    /// Take it before reading what a revision is built on: the commit is refused if the newest
    /// commit is no longer the one seen here.
    pub fn lock(&self) -> Result<WriterLock, LedgerError> {
        let lock = WriterLock::take(&self.own())?;
        lock.head.set(self.head_oid()?);
        Ok(lock)
    }

    /// The same for a repository that is to get its first commit.
    ///
    /// # Errors
    /// [`LedgerError::HeadMoved`] when somebody else has made one meanwhile.
    pub fn lock_for_the_first(&self) -> Result<WriterLock, LedgerError> {
        let lock = self.lock()?;
        match lock.head.get() {
            None => Ok(lock),
            found => Err(head_moved(&self.branch()?, None, found)),
        }
    }

    /// The tag of a commit that was cut off and waits for [`Store::recover`]. Changes nothing.
    pub fn pending(&self) -> Result<Option<String>, LedgerError> {
        Ok(Journal::load(&self.own())?.map(|journal| journal.tag))
    }

    /// Everything that would stop a commit, found before the work rather than after it.
    ///
    /// Writes and removes an empty file in the folder and in `.git`: there is no surer way to know.
    pub fn preflight(&self) -> Result<(), LedgerError> {
        if self.repo.is_shallow() {
            let what = "it is a shallow clone, so the bike's first revisions are missing. \
                        Run `git fetch --unshallow`, then run again";
            return Err(LedgerError::Unsupported { path: self.root.clone(), what: what.to_owned() });
        }
        self.check_kind()?;
        self.check_state()?;
        self.check_locks()?;
        self.signer()?;
        self.check_writable()
    }

    /// The newest commit, or `None` when there is none yet.
    pub fn head(&self) -> Result<Option<String>, LedgerError> {
        Ok(self.head_oid()?.map(|oid| oid.to_string()))
    }

    /// The history from the newest commit back, along first parents.
    pub fn log(&self) -> Result<Vec<CommitInfo>, LedgerError> {
        let mut commits = Vec::new();
        let mut next = self.head_oid()?;
        while let Some(oid) = next {
            let commit = match self.repo.find_commit(oid) {
                Ok(commit) => commit,
                // A shallow clone's history ends where it was cut.
                Err(error)
                    if error.code() == ErrorCode::NotFound
                        && self.repo.is_shallow()
                        && !commits.is_empty() =>
                {
                    break;
                }
                Err(error) => return Err(self.git_error("read the history", error)),
            };
            next = commit.parent_ids().next();
            commits.push(self.info(&commit)?);
        }
        Ok(commits)
    }

    /// The commit that `tag` names; `None` when there is no such tag (or it names no commit).
    pub fn tag_target(&self, tag: &str) -> Result<Option<String>, LedgerError> {
        let Some(reference) = self.find_reference(&tag_ref(tag))? else {
            return Ok(None);
        };
        Ok(reference.peel_to_commit().ok().map(|commit| commit.id().to_string()))
    }

    /// All tags that name a commit, with that commit, sorted by name.
    pub fn tags(&self) -> Result<Vec<(String, String)>, LedgerError> {
        let failed = |error| self.git_error("read the tags", error);
        let mut tags = Vec::new();
        for reference in self.repo.references_glob("refs/tags/*").map_err(failed)? {
            let reference = reference.map_err(failed)?;
            if let (Ok(name), Ok(commit)) = (reference.shorthand(), reference.peel_to_commit()) {
                tags.push((name.to_string(), commit.id().to_string()));
            }
        }
        tags.sort();
        Ok(tags)
    }

    /// A file as it was in `commit` (full hex name); `None` when that commit has no such file.
    pub fn read_file(&self, commit: &str, path: &str) -> Result<Option<Vec<u8>>, LedgerError> {
        let failed = |error| self.git_error("read a file of the history", error);
        let entry = match self.tree_of(commit)?.get_path(Path::new(path)) {
            Ok(entry) => entry,
            Err(error) if error.code() == ErrorCode::NotFound => return Ok(None),
            Err(error) => return Err(failed(error)),
        };
        if entry.kind() != Some(ObjectType::Blob) {
            return Ok(None);
        }
        let blob = self.repo.find_blob(entry.id()).map_err(failed)?;
        Ok(Some(blob.content().to_vec()))
    }

    /// The name git gives a file's bytes in `commit`, by which the same bytes are known in
    /// another; `None` when that commit has no such file.
    pub fn file_id(&self, commit: &str, path: &str) -> Result<Option<String>, LedgerError> {
        match self.tree_of(commit)?.get_path(Path::new(path)) {
            Ok(entry) => Ok((entry.kind() == Some(ObjectType::Blob)).then(|| entry.id().to_string())),
            Err(error) if error.code() == ErrorCode::NotFound => Ok(None),
            Err(error) => Err(self.git_error("read a file of the history", error)),
        }
    }

    /// The paths of all files in `commit` that begin with `prefix`, sorted.
    pub fn list_files(&self, commit: &str, prefix: &str) -> Result<Vec<String>, LedgerError> {
        let files = self.files_of(&self.tree_of(commit)?)?;
        let mut paths: Vec<String> = files.into_iter().map(|(path, _)| path).collect();
        paths.retain(|path| path.starts_with(prefix));
        paths.sort();
        Ok(paths)
    }

    /// The files, of those `paths` selects, that are not in the folder exactly as in the newest
    /// commit: changed, missing, or not in the commit at all. Sorted; bytes are compared raw.
    ///
    /// Names that are not UTF-8 are passed over.
    pub fn tracked_differences(&self, paths: &dyn Fn(&str) -> bool) -> Result<Vec<String>, LedgerError> {
        let committed = match self.head_oid()? {
            Some(oid) => self.files_of(&self.tree_of(&oid.to_string())?)?,
            None => Vec::new(),
        };
        let mut different = BTreeSet::new();
        let mut tracked = BTreeSet::new();
        for (path, oid) in committed {
            if paths(&path) {
                if worktree::content_id(&self.root, &path)? != Some(oid) {
                    different.insert(path.clone());
                }
                tracked.insert(path);
            }
        }
        for path in worktree::files(&self.root)? {
            if paths(&path) && !tracked.contains(&path) {
                different.insert(path);
            }
        }
        Ok(different.into_iter().collect())
    }

    // What the writing half needs.

    /// `.git/rideloop/`.
    pub(super) fn own(&self) -> PathBuf {
        self.repo.path().join(OWN_FOLDER)
    }

    /// The file behind a name such as `index`, `HEAD`, `config` or `refs/heads/main`.
    pub(super) fn guarded_path(&self, name: &str) -> PathBuf {
        // In a linked worktree HEAD and index are its own; refs and settings are shared.
        let folder = match name {
            "index" | "HEAD" => self.repo.path(),
            _ => self.repo.commondir(),
        };
        folder.join(name)
    }

    pub(super) fn git_lock(&self, name: &str) -> Result<GitLock, LedgerError> {
        GitLock::take(&self.own(), name, self.guarded_path(name))
    }

    /// Clears away what a killed rideloop left in `.git/rideloop/`, the git locks it made, its
    /// probes for writing, and the folder in which it built the repository.
    pub(super) fn sweep(&self, held: &WriterLock) -> Result<(), LedgerError> {
        lock::sweep(held, &self.own(), &|name| self.guarded_path(name))?;
        worktree::remove_probes(&self.root)?;
        clear_init_folder(&self.root)
    }

    pub(super) fn git_error(&self, doing: &'static str, error: git2::Error) -> LedgerError {
        LedgerError::git(doing, &self.root, error)
    }

    /// The branch that HEAD names, such as `refs/heads/main`, whether it has a commit or not.
    pub(super) fn branch(&self) -> Result<String, LedgerError> {
        let head = self
            .repo
            .find_reference("HEAD")
            .map_err(|error| self.git_error("read which branch is used", error))?;
        match head.symbolic_target() {
            Ok(Some(branch)) if branch.starts_with("refs/heads/") => Ok(branch.to_string()),
            _ => Err(LedgerError::DetachedHead { path: self.root.clone() }),
        }
    }

    pub(super) fn head_oid(&self) -> Result<Option<Oid>, LedgerError> {
        self.resolve("HEAD")
    }

    /// The object a reference leads to in the end.
    pub(super) fn resolve(&self, name: &str) -> Result<Option<Oid>, LedgerError> {
        match self.repo.refname_to_id(name) {
            Ok(oid) => Ok(Some(oid)),
            Err(error) if error.code() == ErrorCode::NotFound => Ok(None),
            Err(error) => Err(self.git_error("read a branch or tag", error)),
        }
    }

    pub(super) fn find_reference(&self, name: &str) -> Result<Option<git2::Reference<'_>>, LedgerError> {
        match self.repo.find_reference(name) {
            Ok(reference) => Ok(Some(reference)),
            Err(error) if matches!(error.code(), ErrorCode::NotFound | ErrorCode::InvalidSpec) => Ok(None),
            Err(error) => Err(self.git_error("read a branch or tag", error)),
        }
    }

    /// The author of new commits, from git's settings.
    pub(super) fn identity(&self) -> Result<(String, String), LedgerError> {
        let config = self.repo.config().map_err(|error| self.git_error("read its settings", error))?;
        identity_in(config).map_err(|error| self.git_error("read its settings", error))?
    }

    /// What signs new commits and tags, by git's settings.
    pub(super) fn signer(&self) -> Result<Option<Signer>, LedgerError> {
        let identity = self.identity()?;
        let config = self.repo.config().and_then(|mut config| config.snapshot());
        let config = config.map_err(|error| self.git_error("read its settings", error))?;
        Signer::from_settings(&config, &self.root, &identity, true)
    }

    /// Whether git knows who makes revisions and can sign them if it is to, before there is a
    /// repository.
    ///
    /// # Errors
    /// [`LedgerError::NoIdentity`] when it does not, [`LedgerError::Signing`] when it cannot.
    pub fn check_default_identity() -> Result<(), LedgerError> {
        let failed = |error| LedgerError::git("read its settings", Path::new("~/.gitconfig"), error);
        let mut config = Config::open_default().map_err(failed)?;
        let settings = config.snapshot().map_err(failed)?;
        let identity = identity_in(config).map_err(failed)??;
        match Signer::from_settings(&settings, Path::new("."), &identity, false)? {
            // Tried out once, since a repository that is made cannot be unmade.
            Some(signer) => signer.try_out(),
            None => Ok(()),
        }
    }

    pub(super) fn signature(&self, when: Moment) -> Result<Signature<'static>, LedgerError> {
        let (name, email) = self.identity()?;
        Signature::new(&name, &email, &Time::new(when.unix_s, when.offset_min))
            .map_err(|error| self.git_error("use your name and address", error))
    }

    pub(super) fn tree_of(&self, commit: &str) -> Result<Tree<'_>, LedgerError> {
        Oid::from_str(commit)
            .and_then(|oid| self.repo.find_commit(oid))
            .and_then(|commit| commit.tree())
            .map_err(|error| self.git_error("read a commit", error))
    }

    /// All files of a tree with their blob; submodules and names that are not UTF-8 are passed over.
    fn files_of(&self, tree: &Tree<'_>) -> Result<Vec<(String, Oid)>, LedgerError> {
        let mut files = Vec::new();
        self.collect_files(tree, "", &mut files)
            .map_err(|error| self.git_error("read a commit's files", error))?;
        Ok(files)
    }

    fn collect_files(
        &self,
        tree: &Tree<'_>,
        prefix: &str,
        files: &mut Vec<(String, Oid)>,
    ) -> Result<(), git2::Error> {
        for entry in tree {
            let Ok(name) = entry.name() else { continue };
            let path = format!("{prefix}{name}");
            match entry.kind() {
                Some(ObjectType::Blob) => files.push((path, entry.id())),
                Some(ObjectType::Tree) => {
                    let below = self.repo.find_tree(entry.id())?;
                    self.collect_files(&below, &format!("{path}/"), files)?;
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn info(&self, commit: &Commit<'_>) -> Result<CommitInfo, LedgerError> {
        let message = String::from_utf8_lossy(commit.message_bytes()).into_owned();
        let trailers = git2::message_trailers_strs(&message)
            .map_err(|error| self.git_error("read a commit's trailers", error))?
            .iter()
            .map(|(key, value)| (key.to_string(), value.to_string()))
            .collect();
        let author = commit.author();
        Ok(CommitInfo {
            id: commit.id().to_string(),
            when: commit.time().into(),
            author: format!(
                "{} <{}>",
                String::from_utf8_lossy(author.name_bytes()),
                String::from_utf8_lossy(author.email_bytes())
            ),
            message,
            trailers,
            parent: commit.parent_ids().next().map(|oid| oid.to_string()),
        })
    }

    fn check_kind(&self) -> Result<(), LedgerError> {
        let refuse =
            |what: &str| Err(LedgerError::Unsupported { path: self.root.clone(), what: what.to_string() });
        if self.repo.is_bare() {
            return refuse("it is bare, so it has no folder for the tables");
        }
        if self.repo.object_format() != ObjectFormat::Sha1 {
            return refuse("it names its objects with SHA-256; only SHA-1 repositories can be used");
        }
        let index = self.repo.index().and_then(|mut index| {
            // The handle may hold an older state than the disk.
            index.read(true)?;
            Ok(index)
        });
        match index {
            Ok(index) if index.has_conflicts() => {
                Err(LedgerError::MergeInProgress { path: self.root.clone(), what: "merge with conflicts" })
            }
            Ok(_) => Ok(()),
            Err(error) => refuse(&format!(
                "its index cannot be read ({}). If it is split or sparse, turn that off with \
                 `git update-index --no-split-index` or `git sparse-checkout disable`",
                error.message()
            )),
        }
    }

    fn check_state(&self) -> Result<(), LedgerError> {
        let what = match self.repo.state() {
            RepositoryState::Clean => {
                // Refused here rather than at the commit.
                let branch = self.branch()?;
                return self.check_branch(&branch);
            }
            RepositoryState::Merge => "merge",
            RepositoryState::Revert | RepositoryState::RevertSequence => "revert",
            RepositoryState::CherryPick | RepositoryState::CherryPickSequence => "cherry-pick",
            RepositoryState::Bisect => "bisect",
            RepositoryState::Rebase | RepositoryState::RebaseInteractive | RepositoryState::RebaseMerge => {
                "rebase"
            }
            RepositoryState::ApplyMailbox | RepositoryState::ApplyMailboxOrRebase => "patch being applied",
        };
        Err(LedgerError::MergeInProgress { path: self.root.clone(), what })
    }

    /// A branch that is itself an alias of another would be cut loose by moving it.
    pub(super) fn check_branch(&self, branch: &str) -> Result<(), LedgerError> {
        match self.find_reference(branch)? {
            Some(reference) if reference.kind() != Some(git2::ReferenceType::Direct) => {
                Err(LedgerError::Unsupported {
                    path: self.root.clone(),
                    what: format!("its branch `{branch}` is an alias of another branch"),
                })
            }
            _ => Ok(()),
        }
    }

    fn check_locks(&self) -> Result<(), LedgerError> {
        let branch = self.branch()?;
        for name in ["index", "HEAD", branch.as_str()] {
            if let Some(path) = lock::foreign_lock(&self.own(), name, &self.guarded_path(name)) {
                return Err(LedgerError::ForeignLock { path });
            }
        }
        Ok(())
    }

    fn check_writable(&self) -> Result<(), LedgerError> {
        disk::make_dirs(&self.own())?;
        for folder in [self.own(), self.root.clone()] {
            tempfile::Builder::new()
                .prefix(PROBE_PREFIX)
                .tempfile_in(&folder)
                .map_err(|error| LedgerError::io("write in", &folder, error))?;
        }
        Ok(())
    }
}

/// `r5` → `refs/tags/r5`.
pub(super) fn tag_ref(tag: &str) -> String {
    format!("refs/tags/{tag}")
}

fn absolute(root: &Path) -> Result<PathBuf, LedgerError> {
    std::path::absolute(root).map_err(|error| LedgerError::io("read the folder", root, error))
}

pub(super) fn open_repository(root: &Path) -> Result<Repository, LedgerError> {
    Repository::open(root).map_err(|error| LedgerError::git("open the repository", root, error))
}

fn is_same_folder(workdir: Option<&Path>, root: &Path) -> bool {
    let Some(workdir) = workdir else {
        return false;
    };
    match (fs::canonicalize(workdir), fs::canonicalize(root)) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    }
}

/// Whether a folder is itself the inside of a repository (a bare one, or a `.git`).
fn looks_like_a_git_folder(folder: &Path) -> bool {
    folder.join("HEAD").is_file() && folder.join("objects").is_dir() && folder.join("refs").is_dir()
}

fn hold_init_folder(aside: &Path) -> Result<fs::File, LedgerError> {
    let path = aside.join("lock");
    let file = lock::open_lock_file(&path)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(fs::TryLockError::WouldBlock) => Err(LedgerError::Busy { path }),
        Err(fs::TryLockError::Error(error)) => Err(LedgerError::io("lock", &path, error)),
    }
}

/// Removes the leftover of a killed start, unless another rideloop is at work in it.
fn clear_init_folder(root: &Path) -> Result<(), LedgerError> {
    let aside = root.join(INIT_FOLDER);
    if !aside.is_dir() {
        return Ok(());
    }
    match hold_init_folder(&aside) {
        Ok(_held) => disk::remove_tree(&aside),
        Err(LedgerError::Busy { .. }) => Ok(()),
        // Whoever was at work in it has just cleared it away.
        Err(LedgerError::Io { source, .. }) if source.kind() == ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
    }
}

/// Builds a repository in `work` and renames it to `root/.git`.
fn build_repository(work: &Path, root: &Path) -> Result<(), LedgerError> {
    disk::remove_tree(work)?;
    let mut options = RepositoryInitOptions::new();
    options.initial_head(FIRST_BRANCH).external_template(false).no_reinit(true);
    step("init: begun")?;
    Repository::init_opts(work, &options)
        .and_then(|repo| {
            let mut settings = repo.config()?;
            settings.set_bool("core.autocrlf", false)?;
            settings::set(&mut settings)
        })
        .map_err(|error| {
            // Of a full disk libgit2 says only sometimes what is wrong.
            match disk::hold_room(work, NEW_REPOSITORY_BYTES) {
                Err(full @ LedgerError::NoRoom { .. }) => full,
                _ => LedgerError::git("make a repository", root, error),
            }
        })?;
    step("init: built")?;
    let built = work.join(".git");
    let exclude = built.join("info").join("exclude");
    disk::make_dirs(&built.join("info"))?;
    disk::remove(&exclude)?;
    disk::write_new(&exclude, EXCLUDE.as_bytes())?;
    disk::sync_tree(&built)?;
    step("init: synced")?;
    disk::rename(&built, &root.join(".git"))
}
