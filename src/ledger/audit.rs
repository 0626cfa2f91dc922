//! What a repository must be asked before it is believed: objects, tags, signatures, plain commits.
//!
//! A repository goes in; facts about it come out, and nothing is changed. Every object is read from
//! the disk anew and its name computed from its bytes, since a name is all that ties a revision to
//! what it held when it was made.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use git2::{ErrorCode, Object, ObjectType, Oid, Repository, Tree};
use schemars::JsonSchema;
use serde::Serialize;

use super::disk;
use super::error::LedgerError;
use super::store::{Store, open_repository};
use super::worktree;

/// What a signed commit or tag begins its signature with (OpenPGP, S/MIME, SSH alike).
///
/// # Source
/// git, `gpg-interface.c`, the tables of signature beginnings (from memory).
const SIGNATURE_BEGINS: &str = "-----BEGIN ";

/// What an object is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ObjectIs {
    Commit,
    Tag,
    Folder,
    File,
}

impl ObjectIs {
    /// The word for it.
    pub fn name(self) -> &'static str {
        match self {
            ObjectIs::Commit => "commit",
            ObjectIs::Tag => "tag",
            ObjectIs::Folder => "folder",
            ObjectIs::File => "file",
        }
    }
}

/// An object whose bytes are not what its name promises, or that is gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BrokenObject {
    /// Its name, full hex.
    pub id: String,
    pub is: ObjectIs,
    /// It is gone, rather than changed.
    pub missing: bool,
    /// The oldest commit that holds it, the tag's name, or that of a tag which names the commit.
    pub of: String,
    /// Its path in that commit, where it has one.
    pub path: Option<String>,
    /// Its own file below the bike folder; `None` when it lies in a pack.
    pub loose: Option<String>,
    /// The file in the bike folder still holds the right bytes.
    pub in_folder: bool,
}

/// What [`Store::audit_objects`] found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ObjectAudit {
    /// How many objects were read and named anew.
    pub objects: usize,
    pub broken: Vec<BrokenObject>,
}

/// A tag as it stands in the repository.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TagInfo {
    pub name: String,
    /// The commit it names in the end, full hex; `None` when it names none that can be read.
    pub commit: Option<String>,
    /// It is an object of its own, with maker, time and message.
    pub annotated: bool,
    pub signed: bool,
}

/// One walk over everything reachable.
struct Walk {
    repo: Repository,
    seen: HashSet<Oid>,
    /// The commits that annotated tags name.
    tagged: BTreeMap<Oid, String>,
    found: ObjectAudit,
}

impl Walk {
    /// Reads an object and names it anew; `None` when it is broken, which is then noted.
    fn read(&mut self, oid: Oid, is: ObjectIs, of: &str, path: Option<&str>) -> Option<Object<'_>> {
        self.found.objects += 1;
        let read = self.repo.odb().and_then(|odb| {
            let object = odb.read(oid)?;
            Ok(Oid::hash_object(object.kind(), object.data())? == oid)
        });
        let missing = match read {
            Ok(true) => match self.repo.find_object(oid, None) {
                Ok(object) => return Some(object),
                Err(_) => false,
            },
            Ok(false) => false,
            Err(error) => error.code() == ErrorCode::NotFound,
        };
        let of = of.to_owned();
        let path = path.map(str::to_owned);
        let id = oid.to_string();
        let broken = BrokenObject { id, is, missing, of, path, loose: None, in_folder: false };
        self.found.broken.push(broken);
        None
    }

    /// A tree and all below it; `path` is empty at the top.
    fn tree(&mut self, oid: Oid, of: &str, path: &str) {
        if !self.seen.insert(oid) {
            return;
        }
        let above = (!path.is_empty()).then_some(path);
        let entries: Vec<(Oid, Option<ObjectType>, String)> =
            match self.read(oid, ObjectIs::Folder, of, above) {
                Some(object) => object.as_tree().map(entries).unwrap_or_default(),
                None => return,
            };
        for (id, kind, name) in entries {
            let path = if path.is_empty() { name } else { format!("{path}/{name}") };
            match kind {
                Some(ObjectType::Tree) => self.tree(id, of, &path),
                Some(ObjectType::Blob) if self.seen.insert(id) => {
                    self.read(id, ObjectIs::File, of, Some(&path));
                }
                _ => {}
            }
        }
    }
}

fn entries(tree: &Tree<'_>) -> Vec<(Oid, Option<ObjectType>, String)> {
    let name = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    tree.iter().map(|entry| (entry.id(), entry.kind(), name(entry.name_bytes()))).collect()
}

impl Walk {
    /// Follows commits and tags back from `start`; the commits that can be read, newest first.
    fn commits(&mut self, start: (String, Oid, ObjectIs), cut: &HashSet<Oid>) -> Vec<(Oid, Oid)> {
        let (name, oid, is) = start;
        let mut commits = Vec::new();
        let mut next = vec![(oid, is)];
        while let Some((oid, is)) = next.pop() {
            if !self.seen.insert(oid) {
                continue;
            }
            let Some(object) = self.read(oid, is, &name, None) else { continue };
            let target = object.as_tag().map(git2::Tag::target_id);
            if let Some(commit) = object.as_commit() {
                commits.push((oid, commit.tree_id()));
                if !cut.contains(&oid) {
                    next.extend(commit.parent_ids().map(|parent| (parent, ObjectIs::Commit)));
                }
            }
            drop(object);
            if let Some(target) = target {
                next.push((target, ObjectIs::Commit));
                self.tagged.insert(target, name.clone());
            }
        }
        commits
    }
}

impl Store {
    /// Reads every object that HEAD, a branch or a tag leads to, and names it anew from its bytes.
    ///
    /// # Errors
    /// When the repository cannot be opened; broken objects are in what comes back.
    pub fn audit_objects(&self) -> Result<ObjectAudit, LedgerError> {
        // A fresh handle holds nothing in memory that the disk does not.
        let repo = open_repository(&self.root)?;
        let cut = self.cut_commits()?;
        let mut walk =
            Walk { repo, seen: HashSet::new(), tagged: BTreeMap::new(), found: ObjectAudit::default() };
        let mut commits = Vec::new();
        for start in self.starts()? {
            commits.extend(walk.commits(start, &cut));
        }
        // Oldest first, so that a file is named by the revision it came with.
        for (commit, tree) in commits.into_iter().rev() {
            walk.tree(tree, &commit.to_string(), "");
        }
        let mut found = walk.found;
        for broken in found.broken.iter_mut().filter(|broken| broken.is == ObjectIs::Commit) {
            let tag = Oid::from_str(&broken.id).ok().and_then(|oid| walk.tagged.get(&oid));
            broken.of = tag.unwrap_or(&broken.of).clone();
        }
        found.broken.iter_mut().for_each(|broken| self.locate(broken));
        Ok(found)
    }

    /// Where a walk begins: HEAD, then every branch and tag.
    fn starts(&self) -> Result<Vec<(String, Oid, ObjectIs)>, LedgerError> {
        let failed = |error| self.git_error("read the branches and tags", error);
        let mut starts: Vec<_> =
            self.head_oid()?.map(|oid| ("HEAD".to_owned(), oid, ObjectIs::Commit)).into_iter().collect();
        for reference in self.repo.references().map_err(failed)? {
            let reference = reference.map_err(failed)?;
            if let (Ok(name), Some(oid)) = (reference.shorthand(), reference.target()) {
                let is = if reference.is_tag() { ObjectIs::Tag } else { ObjectIs::Commit };
                starts.push((name.to_owned(), oid, is));
            }
        }
        Ok(starts)
    }

    /// The commits at which a shallow clone was cut off.
    fn cut_commits(&self) -> Result<HashSet<Oid>, LedgerError> {
        let text = disk::read(&self.repo.commondir().join("shallow"))?.unwrap_or_default();
        let text = String::from_utf8_lossy(&text);
        Ok(text.lines().filter_map(|line| Oid::from_str(line.trim()).ok()).collect())
    }

    /// Adds where a broken object lies and whether its bytes are still in the folder.
    fn locate(&self, broken: &mut BrokenObject) {
        let (folder, file) = broken.id.split_at(2);
        let loose = self.repo.commondir().join("objects").join(folder).join(file);
        if loose.is_file() {
            let shown = loose.strip_prefix(&self.root).unwrap_or(&loose);
            broken.loose = Some(shown.display().to_string());
        }
        let here = broken.path.as_ref().and_then(|path| worktree::content_id(&self.root, path).ok()?);
        broken.in_folder = broken.is == ObjectIs::File && here.is_some_and(|id| id.to_string() == broken.id);
    }

    /// Every tag, sorted by name.
    ///
    /// # Errors
    /// When git cannot be read.
    pub fn tag_infos(&self) -> Result<Vec<TagInfo>, LedgerError> {
        let failed = |error| self.git_error("read the tags", error);
        let mut tags = Vec::new();
        for reference in self.repo.references_glob("refs/tags/*").map_err(failed)? {
            let reference = reference.map_err(failed)?;
            let Ok(name) = reference.shorthand() else { continue };
            let tag = reference.peel_to_tag().ok();
            let message = tag.as_ref().and_then(git2::Tag::message_bytes).map(String::from_utf8_lossy);
            tags.push(TagInfo {
                name: name.to_owned(),
                commit: reference.peel_to_commit().ok().map(|commit| commit.id().to_string()),
                annotated: tag.is_some(),
                signed: message.is_some_and(|m| m.lines().any(|line| line.starts_with(SIGNATURE_BEGINS))),
            });
        }
        tags.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(tags)
    }

    /// Whether a commit carries a signature; who made it and whether it is good is git's to say.
    pub fn is_signed(&self, commit: &str) -> bool {
        Oid::from_str(commit).is_ok_and(|oid| self.repo.extract_signature(&oid, None).is_ok())
    }

    /// How many parents a commit has.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn parent_count(&self, commit: &str) -> Result<usize, LedgerError> {
        Oid::from_str(commit)
            .and_then(|oid| self.repo.find_commit(oid))
            .map(|commit| commit.parent_count())
            .map_err(|error| self.git_error("read a commit", error))
    }

    /// The files in which two commits differ, sorted; against nothing when `before` is `None`.
    ///
    /// # Errors
    /// When one of them cannot be read.
    pub fn changed_files(&self, before: Option<&str>, after: &str) -> Result<Vec<String>, LedgerError> {
        let before = before.map(|commit| self.tree_of(commit)).transpose()?;
        let after = self.tree_of(after)?;
        let diff = self.repo.diff_tree_to_tree(before.as_ref(), Some(&after), None);
        let diff = diff.map_err(|error| self.git_error("compare two commits", error))?;
        let mut paths = BTreeSet::new();
        for delta in diff.deltas() {
            let files = [delta.old_file(), delta.new_file()];
            paths.extend(files.iter().filter_map(|f| Some(f.path()?.to_string_lossy().into_owned())));
        }
        Ok(paths.into_iter().collect())
    }

    /// Whether the history was cut off by `git clone --depth`.
    pub fn is_shallow(&self) -> bool {
        self.repo.is_shallow()
    }

    /// Whether an old state is checked out instead of a branch.
    pub fn is_detached(&self) -> bool {
        matches!(self.branch(), Err(LedgerError::DetachedHead { .. }))
    }

    /// Whether a revision made now would stand on a branch.
    ///
    /// # Errors
    /// [`LedgerError::DetachedHead`] when it would not.
    pub fn check_on_branch(&self) -> Result<(), LedgerError> {
        self.branch().map(drop)
    }

    /// Whether there is another repository to fetch from.
    pub fn has_remote(&self) -> bool {
        self.repo.remotes().is_ok_and(|remotes| !remotes.is_empty())
    }
}
