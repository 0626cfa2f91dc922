//! The objects of a revision: blobs, trees, commit and tag, as bytes and in the repository.
//!
//! A draft goes in; objects come out, on the disk or, to be signed first, in memory. Nothing here moves a
//! branch or touches the folder.

use std::collections::BTreeMap;

use git2::{Commit, ObjectType, Oid, Repository, Signature, Tree};

use super::error::LedgerError;
use super::sign::{Signatures, Signer};
use super::store::{Moment, Store, open_repository};
use super::worktree::PLAIN_FILE;
use super::write::Draft;

/// Objects go to the store of the highest number first; libgit2's own on the disk have 1 and 2.
const BEFORE_THE_DISK: i32 = 1000;

impl Store {
    /// The signatures of a revision, made over objects that are in memory only.
    pub(super) fn signatures(
        &self,
        parent: Option<Oid>,
        draft: &Draft,
        signer: &Signer,
    ) -> Result<Signatures, LedgerError> {
        let failed = |error| self.git_error("prepare the revision for signing", error);
        let repo = open_repository(&self.root)?;
        let odb = repo.odb().map_err(failed)?;
        let _in_memory = odb.add_new_mempack_backend(BEFORE_THE_DISK).map_err(failed)?;
        let signature = self.signature(draft.when)?;
        let content = build(&repo, parent, draft, &signature).map_err(failed)?.content;
        let commit = signer.commits.then(|| signer.sign(content.as_bytes())).transpose()?;
        let new = write_commit(&repo, &content, commit.as_deref()).map_err(failed)?;
        let tag = tag_content(&signature, draft, new);
        let tag = signer.tags.then(|| signer.sign(tag.as_bytes())).transpose()?;
        Ok(Signatures { commit, tag })
    }
}

/// A revision's objects up to, and without, its commit.
pub(super) struct Built<'a> {
    /// The new blob of each path; none for a file that goes.
    pub changes: BTreeMap<&'a str, Option<Oid>>,
    /// The blob of each of these paths in the commit before, where there is one.
    pub old: BTreeMap<&'a str, Oid>,
    pub made: Vec<Oid>,
    /// The commit as text, unsigned.
    pub content: String,
}

pub(super) fn build<'a>(
    repo: &Repository,
    parent: Option<Oid>,
    draft: &'a Draft,
    signature: &Signature<'_>,
) -> Result<Built<'a>, git2::Error> {
    let parent = parent.map(|oid| repo.find_commit(oid)).transpose()?;
    let old_tree = parent.as_ref().map(Commit::tree).transpose()?;
    let mut made = Vec::new();
    let mut changes = BTreeMap::new();
    let mut old = BTreeMap::new();
    for file in &draft.files {
        let path = file.path.as_str();
        let blob = file.bytes.as_deref().map(|bytes| repo.blob(bytes)).transpose()?;
        made.extend(blob);
        changes.insert(path, blob);
        old.extend(blob_at(old_tree.as_ref(), path).map(|blob| (path, blob)));
    }
    let tree = write_tree(repo, old_tree.as_ref(), &changes, &mut made)
        .and_then(|tree| tree.map_or_else(|| repo.treebuilder(None)?.write(), Ok))?;
    let tree = repo.find_tree(tree)?;
    let parents: Vec<&Commit<'_>> = parent.iter().collect();
    let message = with_line_end(&draft.message);
    let bytes = repo.commit_create_buffer(signature, signature, &message, &tree, &parents)?;
    let content = String::from_utf8_lossy(&bytes).into_owned();
    Ok(Built { changes, old, made, content })
}

/// Writes only the object: moving the branch is our own doing.
pub(super) fn write_commit(
    repo: &Repository,
    content: &str,
    signature: Option<&str>,
) -> Result<Oid, git2::Error> {
    match signature {
        Some(signature) => repo.commit_signed(content, signature, None),
        None => repo.odb()?.write(ObjectType::Commit, content.as_bytes()),
    }
}

/// An annotated tag as text, unsigned.
///
/// # Source
/// Git's own tags; `git fsck --strict` takes what comes out.
pub(super) fn tag_content(signature: &Signature<'_>, draft: &Draft, commit: Oid) -> String {
    let message = with_line_end(&draft.tag_message);
    let maker = signed_by(signature, draft.when);
    format!("object {commit}\ntype commit\ntag {}\ntagger {maker}\n\n{message}", draft.tag)
}

/// A signature stands at the end of a tag's message.
pub(super) fn write_tag(
    repo: &Repository,
    content: &str,
    signature: Option<&str>,
) -> Result<Oid, git2::Error> {
    let signature = signature.map(with_line_end).unwrap_or_default();
    repo.odb()?.write(ObjectType::Tag, format!("{content}{signature}").as_bytes())
}

fn with_line_end(message: &str) -> String {
    format!("{}\n", message.trim_end_matches('\n'))
}

fn blob_at(tree: Option<&Tree<'_>>, path: &str) -> Option<Oid> {
    let entry = tree?.get_path(path.as_ref()).ok()?;
    (entry.kind() == Some(ObjectType::Blob)).then(|| entry.id())
}

/// Writes `base` with the changed files, and every folder's tree above them; an empty folder has
/// no tree.
fn write_tree(
    repo: &Repository,
    base: Option<&Tree<'_>>,
    changes: &BTreeMap<&str, Option<Oid>>,
    made: &mut Vec<Oid>,
) -> Result<Option<Oid>, git2::Error> {
    let mut builder = repo.treebuilder(base)?;
    let mut below: BTreeMap<&str, BTreeMap<&str, Option<Oid>>> = BTreeMap::new();
    for (&path, &blob) in changes {
        match (path.split_once('/'), blob) {
            (Some((folder, rest)), _) => {
                below.entry(folder).or_default().insert(rest, blob);
            }
            (None, Some(blob)) => {
                builder.insert(path, blob, PLAIN_FILE as i32)?;
            }
            (None, None) if builder.get(path)?.is_some() => builder.remove(path)?,
            (None, None) => {}
        }
    }
    for (folder, changes) in below {
        let entry = base.and_then(|base| base.get_name(folder));
        let old = entry
            .filter(|entry| entry.kind() == Some(ObjectType::Tree))
            .map(|entry| repo.find_tree(entry.id()))
            .transpose()?;
        if old.is_none() && changes.values().all(Option::is_none) {
            continue;
        }
        match write_tree(repo, old.as_ref(), &changes, made)? {
            Some(tree) => {
                builder.insert(folder, tree, i32::from(git2::FileMode::Tree))?;
            }
            None => builder.remove(folder)?,
        }
    }
    if builder.is_empty() {
        return Ok(None);
    }
    let tree = builder.write()?;
    made.push(tree);
    Ok(Some(tree))
}

/// `Name <address> seconds +hhmm`
pub(super) fn signed_by(signature: &Signature<'_>, when: Moment) -> String {
    let sign = if when.offset_min < 0 { '-' } else { '+' };
    let (hours, minutes) = (when.offset_min.abs() / 60, when.offset_min.abs() % 60);
    format!(
        "{} <{}> {} {sign}{hours:02}{minutes:02}",
        String::from_utf8_lossy(signature.name_bytes()),
        String::from_utf8_lossy(signature.email_bytes()),
        when.unix_s,
    )
}
