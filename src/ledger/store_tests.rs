//! The store against the real `git` command, and against the plug pulled at every instant.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

use super::crash::{Plug, arm, passed};
use super::*;

const WHEN: Moment = Moment { unix_s: 1_790_000_000, offset_min: 120 };

/// Tells the process that a crash test starts where, and at which step, to pull the plug.
const CRASH_ENV: &str = "RIDELOOP_TEST_CRASH";

// ---- tools ----

fn git_output(root: &Path, args: &[&str]) -> Output {
    Command::new("git")
        .current_dir(root)
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap())
        .env("HOME", root)
        .env("GIT_CONFIG_GLOBAL", "/dev/null")
        .env("GIT_CONFIG_NOSYSTEM", "1")
        .args(args)
        .output()
        .unwrap()
}

fn git(root: &Path, args: &[&str]) -> String {
    let output = git_output(root, args);
    let stdout = String::from_utf8(output.stdout).unwrap();
    let stderr = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "git {args:?}: {stdout}{stderr}");
    stdout
}

fn status(root: &Path) -> String {
    git(root, &["status", "--porcelain"])
}

fn assert_whole(root: &Path) {
    git(root, &["fsck", "--strict"]);
    assert_eq!(locks_below(&root.join(".git")), Vec::<PathBuf>::new());
    let ours = |name: &str| name.contains(".rideloop-");
    let strays: Vec<_> = walk(root).into_iter().filter(|path| ours(&path.to_string_lossy())).collect();
    assert_eq!(strays, Vec::<PathBuf>::new());
}

fn locks_below(dir: &Path) -> Vec<PathBuf> {
    let mut found = walk(dir);
    found.retain(|path| path.extension().is_some_and(|e| e == "lock"));
    found
}

fn walk(dir: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(walk(&path));
        }
        found.push(path);
    }
    found
}

fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy_tree(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn file(path: &str, bytes: Option<&str>) -> FileWrite {
    FileWrite { path: path.into(), bytes: bytes.map(|text| text.as_bytes().to_vec()) }
}

fn draft(tag: &str, files: &[(&str, Option<&str>)]) -> Draft {
    Draft {
        tag: tag.into(),
        tag_message: format!("revision {tag}"),
        message: format!("{tag}: tables\n\nbody\n\nRevision: {tag}\nKind: run"),
        files: files.iter().map(|(path, bytes)| file(path, *bytes)).collect(),
        when: WHEN,
    }
}

fn commit(store: &Store, draft: &Draft) -> String {
    let lock = store.lock().unwrap();
    store.commit(&lock, draft).unwrap()
}

fn new_store() -> (TempDir, Store) {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::init(dir.path()).unwrap();
    store.set_local_identity("Ada Tuner", "ada@example.com").unwrap();
    (dir, store)
}

fn r1() -> Draft {
    draft(
        "r1",
        &[
            ("bike.yaml", Some("name: x\n")),
            ("maps/power/fuel.csv", Some("1,2\r\n")),
            ("maps/power/spark.csv", Some("9\n")),
            ("maps/economy/fuel.csv", Some("3,4\n")),
        ],
    )
}

/// A changed file, a deleted file that empties its folder, a new file in a new folder.
fn r2() -> Draft {
    draft(
        "r2",
        &[
            ("maps/power/fuel.csv", Some("1,5\n")),
            ("maps/economy/fuel.csv", None),
            ("evidence/power.csv", Some("e\n")),
        ],
    )
}

fn text(root: &Path, path: &str) -> Option<String> {
    fs::read_to_string(root.join(path)).ok()
}

fn r2_files(root: &Path) -> [Option<String>; 3] {
    ["maps/power/fuel.csv", "maps/economy/fuel.csv", "evidence/power.csv"].map(|path| text(root, path))
}

const NOTHING: Option<String> = None;

fn is_old(root: &Path) -> bool {
    r2_files(root) == [Some("1,2\r\n".into()), Some("3,4\n".into()), NOTHING]
}

fn is_new(root: &Path) -> bool {
    r2_files(root) == [Some("1,5\n".into()), NOTHING, Some("e\n".into())]
}

// ---- opening and making ----

#[test]
fn a_folder_without_git_is_no_repository_even_inside_one() {
    let (dir, _store) = new_store();
    let inside = dir.path().join("maps/power");
    fs::create_dir_all(&inside).unwrap();
    assert!(Store::open(&inside).unwrap().is_none());
    let found = Store::enclosing_repository(&inside).unwrap();
    assert_eq!(found, fs::canonicalize(dir.path()).unwrap());
    let outside = tempfile::tempdir().unwrap();
    assert_eq!(Store::enclosing_repository(outside.path()), None);
}

#[test]
fn a_new_repository_is_empty_on_main_and_made_once() {
    let (dir, store) = new_store();
    assert_eq!(store.head().unwrap(), None);
    assert_eq!(store.log().unwrap(), vec![]);
    assert_eq!(git(dir.path(), &["symbolic-ref", "HEAD"]), "refs/heads/main\n");
    assert_eq!(git(dir.path(), &["config", "core.autocrlf"]), "false\n");
    assert_eq!(git(dir.path(), &["config", "core.bare"]), "false\n");
    assert_eq!(git(dir.path(), &["config", "user.name"]), "Ada Tuner\n");
    assert!(git_output(dir.path(), &["config", "core.worktree"]).stdout.is_empty());
    commit(&store, &r1());
    let again = Store::init(dir.path()).unwrap();
    assert_eq!(again.head().unwrap(), store.head().unwrap());
    assert_whole(dir.path());
}

#[test]
fn repositories_of_other_kinds_are_refused() {
    for args in [
        ["init", "-q", "--object-format=sha256"].as_slice(),
        &["init", "-q", "--ref-format=reftable"],
        &["init", "-q", "--bare", ".git"],
    ] {
        let dir = tempfile::tempdir().unwrap();
        if !git_output(dir.path(), args).status.success() {
            continue; // This git is too old to make one.
        }
        let refused = Store::open(dir.path()).unwrap_err();
        assert_eq!(refused.guard(), Some("unsupported_repository"), "{refused}");
    }
}

#[test]
#[cfg(unix)]
fn another_users_folder_is_refused_with_the_line_to_run() {
    let (dir, _store) = new_store();
    for path in [dir.path().to_path_buf(), dir.path().join(".git")] {
        if std::os::unix::fs::chown(path, Some(12_345), None).is_err() {
            return; // Only the superuser can give a folder away.
        }
    }
    let refused = Store::open(dir.path()).unwrap_err();
    assert_eq!(refused.guard(), Some("wrong_owner"));
    let line = format!("git config --global --add safe.directory {}", dir.path().display());
    assert!(refused.to_string().ends_with(&line), "{refused}");
}

#[test]
fn works_through_a_gitfile_as_linked_worktrees_have() {
    let (dir, store) = new_store();
    commit(&store, &r1());
    let elsewhere = tempfile::tempdir().unwrap();
    let linked = elsewhere.path().join("linked");
    git(dir.path(), &["worktree", "add", "-q", "-b", "try/dyno", linked.to_str().unwrap()]);
    let store = Store::open(&linked).unwrap().unwrap();
    let id = commit(&store, &r2());
    assert_eq!(git(dir.path(), &["rev-parse", "try/dyno"]).trim(), id);
    assert!(is_new(&linked));
    assert!(is_old(dir.path()));
    assert_eq!(status(&linked), "");
    assert_eq!(status(dir.path()), "");
    assert_whole(dir.path());
}

// ---- committing and reading ----

#[test]
fn a_revision_is_a_commit_a_tag_and_clean_files() {
    let (dir, store) = new_store();
    let root = dir.path();
    let first = commit(&store, &r1());
    let second = commit(&store, &r2());
    assert!(is_new(root));
    assert!(!root.join("maps/economy").exists());
    assert_eq!(git(root, &["diff-index", "HEAD"]), "", "clean without a refresh");
    assert_eq!(status(root), "");
    assert_whole(root);
    assert_eq!(
        git(root, &["log", "--format=%H %P %an %ae %cn %ai"]),
        format!(
            "{second} {first} Ada Tuner ada@example.com Ada Tuner 2026-09-21 16:13:20 +0200\n\
             {first}  Ada Tuner ada@example.com Ada Tuner 2026-09-21 16:13:20 +0200\n"
        )
    );
    assert_eq!(git(root, &["cat-file", "-t", "r2"]), "tag\n");
    assert_eq!(git(root, &["rev-parse", "r2^{commit}"]).trim(), second);
    assert_eq!(
        git(root, &["for-each-ref", "--format=%(contents)%(taggername)", "refs/tags/r2"]),
        "revision r2\nAda Tuner\n"
    );
    assert_eq!(git(root, &["reflog", "--format=%H %gs"]).lines().count(), 2);
    assert_eq!(
        git(root, &["reflog", "main", "--format=%gs"]),
        "commit: r2: tables\ncommit (initial): r1: tables\n"
    );
    let modes = git(root, &["ls-tree", "-r", "HEAD", "--format=%(objectmode) %(path)"]);
    assert_eq!(
        modes,
        "100644 bike.yaml\n100644 evidence/power.csv\n\
         100644 maps/power/fuel.csv\n100644 maps/power/spark.csv\n"
    );
}

#[test]
fn every_reader_sees_what_git_sees() {
    let (dir, store) = new_store();
    let root = dir.path();
    let first = commit(&store, &r1());
    let second = commit(&store, &r2());
    git(root, &["tag", "by-hand", &first]);
    git(root, &["tag", "of-a-blob", &format!("{first}:bike.yaml")]);

    assert_eq!(store.head().unwrap(), Some(second.clone()));
    assert_eq!(store.tag_target("r1").unwrap(), Some(first.clone()));
    assert_eq!(store.tag_target("r9").unwrap(), None);
    assert_eq!(store.tag_target("not a tag").unwrap(), None);
    let tags = store.tags().unwrap();
    let names: Vec<&str> = tags.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["by-hand", "r1", "r2"]);
    assert_eq!(tags[0].1, first);

    let read = |commit, path| store.read_file(commit, path).unwrap();
    assert_eq!(read(&first, "maps/power/fuel.csv").unwrap(), b"1,2\r\n", "bytes as given");
    assert_eq!(read(&second, "maps/economy/fuel.csv"), None);
    assert_eq!(read(&second, "maps/power"), None);
    assert!(store.read_file(&"0".repeat(40), "x").is_err());
    assert_eq!(
        store.list_files(&first, "maps/").unwrap(),
        ["maps/economy/fuel.csv", "maps/power/fuel.csv", "maps/power/spark.csv"]
    );
}

#[test]
fn trailers_agree_with_git() {
    let (dir, store) = new_store();
    let mut revision = r1();
    revision.message = "Start\n\nbody: not a trailer\nat all\n\nRevision: r1\nRides: a.csv 12\n b.csv 34\nTool: rideloop 0.1\n".into();
    commit(&store, &revision);
    let info = &store.log().unwrap()[0];
    let by_git = git(dir.path(), &["log", "-1", "--format=%(trailers:only,unfold=false)"]);
    let ours: String = info.trailers.iter().map(|(key, value)| format!("{key}: {value}\n")).collect();
    assert_eq!(ours.trim(), by_git.trim());
    assert_eq!(info.trailers.len(), 3);
    assert_eq!(info.message, revision.message);
    assert_eq!(info.author, "Ada Tuner <ada@example.com>");
    assert_eq!(info.when, WHEN);
    assert_eq!(info.parent, None);
}

#[test]
fn staged_files_of_the_user_stay_staged_and_out_of_the_revision() {
    let (dir, store) = new_store();
    let root = dir.path();
    commit(&store, &r1());
    fs::write(root.join("notes.txt"), "mine\n").unwrap();
    fs::write(root.join("bike.yaml"), "name: y\n").unwrap();
    git(root, &["add", "notes.txt", "bike.yaml"]);
    fs::write(root.join("maps/power/spark.csv"), "edited\n").unwrap();
    let second = commit(&store, &r2());
    assert_eq!(status(root), "M  bike.yaml\n M maps/power/spark.csv\nA  notes.txt\n");
    assert_eq!(store.list_files(&second, "notes").unwrap(), Vec::<String>::new());
    assert_eq!(store.read_file(&second, "bike.yaml").unwrap().unwrap(), b"name: x\n");
}

#[test]
fn differences_are_found_by_bytes() {
    let (dir, store) = new_store();
    let root = dir.path();
    let tables = |path: &str| path.starts_with("maps/") || path == "bike.yaml";
    fs::create_dir_all(root.join("maps/power")).unwrap();
    fs::write(root.join("maps/power/fuel.csv"), "x").unwrap();
    assert_eq!(store.tracked_differences(&tables).unwrap(), ["maps/power/fuel.csv"]);
    commit(&store, &r1());
    assert_eq!(store.tracked_differences(&tables).unwrap(), Vec::<String>::new());
    fs::write(root.join("maps/power/fuel.csv"), "1,2\n").unwrap();
    fs::remove_file(root.join("bike.yaml")).unwrap();
    fs::write(root.join("maps/power/new.csv"), "1").unwrap();
    fs::write(root.join("other.txt"), "1").unwrap();
    assert_eq!(
        store.tracked_differences(&tables).unwrap(),
        ["bike.yaml", "maps/power/fuel.csv", "maps/power/new.csv"]
    );
}

#[test]
fn packed_refs_and_collected_objects_change_nothing() {
    let (dir, store) = new_store();
    let root = dir.path();
    commit(&store, &r1());
    git(root, &["checkout", "-q", "-b", "season/2026"]);
    git(root, &["pack-refs", "--all"]);
    git(root, &["gc", "-q", "--prune=now"]);
    assert!(!root.join(".git/refs/heads/season/2026").exists());
    let id = commit(&store, &r2());
    assert_eq!(git(root, &["rev-parse", "season/2026"]).trim(), id);
    git(root, &["gc", "-q", "--prune=now"]);
    let r3 = draft("r3", &[("bike.yaml", Some("name: z\n"))]);
    commit(&store, &r3);
    assert_eq!(store.log().unwrap().len(), 3);
    assert_eq!(store.tags().unwrap().len(), 3);
    assert_eq!(status(root), "");
    assert_whole(root);
}

#[test]
fn a_packed_tag_is_still_taken() {
    let (dir, store) = new_store();
    commit(&store, &r1());
    git(dir.path(), &["pack-refs", "--all"]);
    let lock = store.lock().unwrap();
    let mut again = r2();
    again.tag = "r1".into();
    let before = store.head().unwrap();
    assert_eq!(store.commit(&lock, &again).unwrap_err().guard(), Some("tag_exists"));
    assert_eq!(store.head().unwrap(), before);
    assert!(is_old(dir.path()));
}

#[test]
fn one_lock_serves_several_revisions() {
    let (dir, store) = new_store();
    let lock = store.lock().unwrap();
    store.commit(&lock, &r1()).unwrap();
    store.commit(&lock, &r2()).unwrap();
    assert_eq!(status(dir.path()), "");
}

#[test]
fn a_revision_may_change_no_file_or_delete_all() {
    let (dir, store) = new_store();
    commit(&store, &r1());
    commit(&store, &draft("r2", &[]));
    commit(&store, &draft("r3", &[("bike.yaml", Some("name: x\n")), ("none.csv", None)]));
    let files = ["bike.yaml", "maps/power/fuel.csv", "maps/power/spark.csv", "maps/economy/fuel.csv"];
    commit(&store, &draft("r4", &files.map(|path| (path, None))));
    assert_eq!(store.log().unwrap().len(), 4);
    assert_eq!(git(dir.path(), &["ls-tree", "HEAD"]), "");
    assert_eq!(status(dir.path()), "");
    assert_whole(dir.path());
}

// ---- refusals ----

fn refused(store: &Store) -> Option<&'static str> {
    let preflight = store.preflight().unwrap_err();
    let lock = store.lock().unwrap();
    let commit = store.commit(&lock, &r2()).unwrap_err();
    assert_eq!(preflight.to_string(), commit.to_string());
    commit.guard()
}

#[test]
fn a_second_handle_is_busy() {
    let (dir, store) = new_store();
    let other = Store::open(dir.path()).unwrap().unwrap();
    let lock = store.lock().unwrap();
    assert_eq!(other.lock().unwrap_err().guard(), Some("busy"));
    drop(lock);
    other.lock().unwrap();
}

#[test]
fn a_commit_by_plain_git_meanwhile_is_refused() {
    let (dir, store) = new_store();
    commit(&store, &r1());
    let lock = store.lock().unwrap();
    git(dir.path(), &["commit", "-q", "--allow-empty", "-m", "by hand"]);
    let error = store.commit(&lock, &r2()).unwrap_err();
    assert_eq!(error.guard(), Some("head_moved"), "{error}");
    assert!(is_old(dir.path()));
    drop(lock);
    commit(&store, &r2());
    assert!(is_new(dir.path()));
}

#[test]
fn a_foreign_lock_is_refused_and_never_deleted() {
    let (dir, store) = new_store();
    commit(&store, &r1());
    for name in ["index", "HEAD", "refs/heads/main"] {
        let lock = dir.path().join(".git").join(format!("{name}.lock"));
        fs::write(&lock, "theirs").unwrap();
        assert_eq!(refused(&store), Some("foreign_lock"), "{name}");
        assert_eq!(fs::read(&lock).unwrap(), b"theirs");
        fs::remove_file(lock).unwrap();
    }
    // Not looked for beforehand, but met: everything is put back.
    let lock = dir.path().join(".git/refs/tags/r2.lock");
    fs::write(&lock, "theirs").unwrap();
    let writer = store.lock().unwrap();
    assert_eq!(store.commit(&writer, &r2()).unwrap_err().guard(), Some("foreign_lock"));
    assert!(is_old(dir.path()));
    assert_eq!(store.pending().unwrap(), None);
    assert_eq!(locks_below(&dir.path().join(".git")), std::slice::from_ref(&lock));
    fs::remove_file(lock).unwrap();
    store.commit(&writer, &r2()).unwrap();
    assert_whole(dir.path());
}

#[test]
fn a_detached_head_a_merge_and_a_bisect_are_refused() {
    let (dir, store) = new_store();
    let root = dir.path();
    let first = commit(&store, &r1());
    git(root, &["checkout", "-q", &first]);
    assert_eq!(refused(&store), Some("detached_head"));
    git(root, &["checkout", "-q", "main"]);
    fs::write(root.join(".git/MERGE_HEAD"), format!("{first}\n")).unwrap();
    assert_eq!(refused(&store), Some("merge_in_progress"));
    fs::remove_file(root.join(".git/MERGE_HEAD")).unwrap();
    git(root, &["bisect", "start"]);
    assert_eq!(refused(&store), Some("merge_in_progress"));
}

#[test]
fn a_split_index_is_refused() {
    let (dir, store) = new_store();
    commit(&store, &r1());
    git(dir.path(), &["update-index", "--split-index"]);
    assert_eq!(refused(&store), Some("unsupported_repository"));
    git(dir.path(), &["update-index", "--no-split-index"]);
    commit(&store, &r2());
    assert_eq!(status(dir.path()), "");
}

#[test]
fn a_nameless_author_is_told_the_lines_to_run() {
    let (_dir, store) = new_store();
    store.set_local_identity("", "ada@example.com").unwrap();
    assert_eq!(refused(&store), None);
    let error = store.preflight().unwrap_err();
    assert!(error.to_string().contains("git config --global user.name"));
}

#[test]
#[cfg(unix)]
fn links_and_folders_in_the_way_are_refused() {
    let (dir, store) = new_store();
    let root = dir.path();
    commit(&store, &r1());
    let lock = store.lock().unwrap();
    let refused =
        |files: &[(&str, Option<&str>)]| store.commit(&lock, &draft("r2", files)).unwrap_err().guard();
    std::os::unix::fs::symlink("/tmp", root.join("evidence")).unwrap();
    assert_eq!(refused(&[("evidence/power.csv", Some("e"))]), Some("in_the_way"));
    assert_eq!(refused(&[("maps", Some("e"))]), Some("in_the_way"));
    assert_eq!(refused(&[("bike.yaml/x", Some("e"))]), Some("in_the_way"));
    assert_eq!(store.tags().unwrap().len(), 1);
}

#[test]
fn drafts_that_leave_the_folder_are_refused() {
    let (_dir, store) = new_store();
    let lock = store.lock().unwrap();
    for path in ["", "/etc/x", "../x", "maps//x", "a/./b", ".git/config", "x/.GIT/y", "a\\b"] {
        let error = store.commit(&lock, &draft("r1", &[(path, Some(""))])).unwrap_err();
        assert!(matches!(error, LedgerError::BadDraft { .. }), "{path}: {error}");
    }
    let twice = draft("r1", &[("a", Some("")), ("a", None)]);
    assert!(store.commit(&lock, &twice).is_err());
    assert!(store.commit(&lock, &draft("r 1", &[])).is_err());
}

#[test]
fn a_damaged_note_is_reported_not_guessed_at() {
    let (dir, store) = new_store();
    commit(&store, &r1());
    fs::write(dir.path().join(".git/rideloop/pending.json"), "{").unwrap();
    assert!(matches!(store.pending(), Err(LedgerError::Journal { .. })));
}

// ---- the plug ----

/// Not a test by itself: the process that dies, or the work whose steps are counted.
#[test]
#[ignore = "started by the crash tests in a process of its own"]
fn crash_child() {
    let Ok(order) = std::env::var(CRASH_ENV) else {
        return;
    };
    let mut parts = order.splitn(3, '|');
    let (work, n) = (parts.next().unwrap(), parts.next().unwrap());
    let root = PathBuf::from(parts.next().unwrap());
    arm(Some(Plug::Abort(n.parse().unwrap())));
    do_work(work, &root);
}

fn do_work(work: &str, root: &Path) {
    match work {
        "init" => drop(Store::init(root).unwrap()),
        "identity" => {
            let store = Store::open(root).unwrap().unwrap();
            store.set_local_identity("Bea", "bea@example.com").unwrap();
        }
        "first" | "second" => {
            let store = Store::open(root).unwrap().unwrap();
            let lock = store.lock().unwrap();
            let draft = if work == "first" { r1() } else { r2() };
            store.commit(&lock, &draft).unwrap();
        }
        "recover" => {
            let store = Store::open(root).unwrap().unwrap();
            let lock = store.lock().unwrap();
            store.recover(&lock).unwrap();
        }
        other => panic!("no work called {other}"),
    }
}

/// Runs `work` in a process that dies at step `n`.
fn crash(work: &str, n: usize, root: &Path) {
    let (_, module) = module_path!().split_once("::").unwrap();
    let output = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "--ignored", "--nocapture"])
        .arg(format!("{module}::crash_child"))
        .env(CRASH_ENV, format!("{work}|{n}|{}", root.display()))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(!output.status.success(), "{work} {n} did not die");
    assert!(!said.contains("panicked"), "{work} {n}: {said}");
}

/// The steps that `work` passes when nothing stops it.
fn steps_of(work: &str, template: &Path) -> Vec<&'static str> {
    let dir = tempfile::tempdir().unwrap();
    copy_tree(template, dir.path());
    arm(None);
    do_work(work, dir.path());
    passed()
}

/// A bike folder on r1, on a branch with a slash, refs packed, with a foreign file staged.
fn template() -> TempDir {
    let (dir, store) = new_store();
    commit(&store, &r1());
    git(dir.path(), &["checkout", "-q", "-b", "season/2026"]);
    git(dir.path(), &["pack-refs", "--all"]);
    fs::write(dir.path().join("notes.txt"), "mine\n").unwrap();
    git(dir.path(), &["add", "notes.txt"]);
    dir
}

const STAGED: &str = "A  notes.txt\n";

/// Recovers, and checks that the folder holds r1 or r2 wholly; then goes on to the next revision.
fn assert_recovers(root: &Path, name: &str) {
    git(root, &["fsck", "--strict"]);
    let store = Store::open(root).unwrap().unwrap();
    let pending = store.pending().unwrap();
    let lock = store.lock().unwrap();
    let recovery = store.recover(&lock).unwrap();
    assert_eq!(pending.is_some(), recovery != Recovery::Clean, "{name}");

    let made = store.tag_target("r2").unwrap();
    let head = store.head().unwrap();
    assert_eq!(store.log().unwrap().len(), if made.is_some() { 2 } else { 1 }, "{name}");
    match recovery {
        Recovery::Finished { .. } => assert!(made.is_some(), "{name}"),
        Recovery::Undone { .. } => assert!(made.is_none(), "{name}"),
        Recovery::Clean => {}
    }
    if made.is_some() {
        assert_eq!(made, head, "{name}");
        assert!(is_new(root), "{name}: {:?}", r2_files(root));
    } else {
        assert!(is_old(root), "{name}: {:?}", r2_files(root));
    }
    assert_eq!(status(root), STAGED, "{name}");
    assert_eq!(git(root, &["diff-index", "HEAD"]).lines().count(), 1, "{name}");
    assert_whole(root);
    assert_eq!(store.recover(&lock).unwrap(), Recovery::Clean, "{name}");

    if made.is_none() {
        store.commit(&lock, &r2()).unwrap();
    }
    store.commit(&lock, &draft("r3", &[("bike.yaml", Some("name: z\n"))])).unwrap();
    assert!(is_new(root), "{name}");
    assert_eq!(status(root), STAGED, "{name}");
    assert_whole(root);
}

#[test]
fn a_kill_at_any_instant_of_a_commit_leaves_one_whole_revision() {
    let template = template();
    let steps = steps_of("second", template.path());
    assert!(steps.len() > 30, "{steps:?}");
    for (n, name) in steps.iter().enumerate() {
        let dir = tempfile::tempdir().unwrap();
        copy_tree(template.path(), dir.path());
        crash("second", n, dir.path());
        assert_recovers(dir.path(), name);
    }
}

#[test]
fn a_kill_at_any_instant_of_the_recovery_is_recovered_too() {
    let template = template();
    let steps = steps_of("second", template.path());
    let at = |wanted: &str| steps.iter().position(|name| *name == wanted).unwrap();
    for first in
        [at("commit: before the branch moves"), at("commit: branch moved"), at("place: file in place")]
    {
        let half = tempfile::tempdir().unwrap();
        copy_tree(template.path(), half.path());
        crash("second", first, half.path());
        // A copied lock is another file than its proof, so both are made one again.
        let steps = steps_of_linked("recover", half.path());
        for (n, name) in steps.iter().enumerate() {
            let dir = tempfile::tempdir().unwrap();
            copy_linked(half.path(), dir.path());
            crash("recover", n, dir.path());
            assert_recovers(dir.path(), name);
        }
    }
}

fn steps_of_linked(work: &str, half: &Path) -> Vec<&'static str> {
    let dir = tempfile::tempdir().unwrap();
    copy_linked(half, dir.path());
    arm(None);
    do_work(work, dir.path());
    passed()
}

fn copy_linked(from: &Path, to: &Path) {
    copy_tree(from, to);
    let git = to.join(".git");
    for lock in locks_below(&git) {
        let target = lock.strip_prefix(&git).unwrap().with_extension("");
        let flat = target.to_str().unwrap().replace('/', "%2F");
        let own = git.join("rideloop").join(format!("{flat}.new"));
        fs::remove_file(&lock).unwrap();
        fs::hard_link(own, lock).unwrap();
    }
}

#[test]
fn an_error_at_any_instant_of_a_commit_leaves_one_whole_revision() {
    let template = template();
    let steps = steps_of("second", template.path());
    for (n, name) in steps.iter().enumerate() {
        let dir = tempfile::tempdir().unwrap();
        copy_tree(template.path(), dir.path());
        let store = Store::open(dir.path()).unwrap().unwrap();
        let lock = store.lock().unwrap();
        arm(Some(Plug::Fail(n)));
        let outcome = store.commit(&lock, &r2());
        arm(None);
        let error = outcome.unwrap_err();
        let exists = store.log().unwrap().len() == 2;
        assert_eq!(matches!(error, LedgerError::Unfinished { .. }), exists, "{name}: {error}");
        if !exists {
            assert!(is_old(dir.path()), "{name}");
            assert_eq!(store.pending().unwrap(), None, "{name}");
        }
        assert_eq!(locks_below(&dir.path().join(".git")), Vec::<PathBuf>::new(), "{name}");
        drop(lock);
        assert_recovers(dir.path(), name);
    }
}

#[test]
fn a_kill_at_any_instant_of_the_first_commit_is_recovered() {
    let (template, _store) = new_store();
    for (n, name) in steps_of("first", template.path()).iter().enumerate() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path();
        copy_tree(template.path(), root);
        crash("first", n, root);
        let store = Store::init(root).unwrap();
        let lock = store.lock().unwrap();
        store.recover(&lock).unwrap();
        if store.head().unwrap().is_none() {
            assert_eq!(status(root), "", "{name}");
            store.commit(&lock, &r1()).unwrap();
        }
        assert!(is_old(root), "{name}");
        assert_eq!(status(root), "", "{name}");
        assert_eq!(store.tags().unwrap().len(), 1, "{name}");
        store.commit(&lock, &r2()).unwrap();
        assert!(is_new(root), "{name}");
        assert_whole(root);
    }
}

#[test]
fn a_kill_at_any_instant_of_making_the_repository_is_recovered() {
    let empty = tempfile::tempdir().unwrap();
    for (n, name) in steps_of("init", empty.path()).iter().enumerate() {
        let dir = tempfile::tempdir().unwrap();
        crash("init", n, dir.path());
        // What is there after the kill is nothing or a whole repository.
        if let Some(store) = Store::open(dir.path()).unwrap() {
            assert_eq!(store.head().unwrap(), None, "{name}");
        }
        let store = Store::init(dir.path()).unwrap();
        store.set_local_identity("Ada", "ada@example.com").unwrap();
        commit(&store, &r1());
        assert_eq!(status(dir.path()), "", "{name}");
        assert_whole(dir.path());
    }
}

#[test]
fn a_kill_while_naming_the_author_is_recovered() {
    let (template, _store) = new_store();
    for (n, name) in steps_of("identity", template.path()).iter().enumerate() {
        let dir = tempfile::tempdir().unwrap();
        copy_tree(template.path(), dir.path());
        crash("identity", n, dir.path());
        let by_git = git(dir.path(), &["config", "user.name"]);
        assert!(by_git == "Ada Tuner\n" || by_git == "Bea\n", "{name}");
        let store = Store::open(dir.path()).unwrap().unwrap();
        store.set_local_identity("Cleo", "cleo@example.com").unwrap();
        assert_eq!(git(dir.path(), &["config", "user.name"]), "Cleo\n", "{name}");
        assert_whole(dir.path());
    }
}

// ---- the user acts between a kill and the recovery ----

fn crashed_at(step: &str) -> TempDir {
    let template = template();
    let steps = steps_of("second", template.path());
    let n = steps.iter().position(|name| *name == step).unwrap();
    let dir = tempfile::tempdir().unwrap();
    copy_tree(template.path(), dir.path());
    crash("second", n, dir.path());
    dir
}

fn recover(root: &Path) -> Recovery {
    let store = Store::open(root).unwrap().unwrap();
    let lock = store.lock().unwrap();
    store.recover(&lock).unwrap()
}

fn finished() -> Recovery {
    Recovery::Finished { tag: "r2".into() }
}

#[test]
fn our_own_stale_lock_does_not_count_as_foreign() {
    let dir = crashed_at("commit: branch moved");
    assert!(dir.path().join(".git/index.lock").exists());
    let store = Store::open(dir.path()).unwrap().unwrap();
    store.preflight().unwrap();
    assert_eq!(store.pending().unwrap().as_deref(), Some("r2"));
}

#[test]
fn an_edit_after_the_kill_is_kept() {
    let dir = crashed_at("commit: branch moved");
    let root = dir.path();
    fs::write(root.join("maps/power/fuel.csv"), "my own\n").unwrap();
    fs::write(root.join(".rideloop-tmp-probe-x1y2"), "").unwrap();
    assert_eq!(recover(root), finished());
    assert_eq!(text(root, "maps/power/fuel.csv").unwrap(), "my own\n");
    assert_eq!(text(root, "evidence/power.csv").unwrap(), "e\n");
    assert_eq!(status(root), format!(" M maps/power/fuel.csv\n{STAGED}"));
    assert_whole(root);
}

#[test]
fn a_folder_put_in_the_way_after_the_kill_is_kept() {
    let dir = crashed_at("commit: branch moved");
    let root = dir.path();
    fs::remove_dir_all(root.join("evidence")).unwrap();
    fs::write(root.join("evidence"), "a file now\n").unwrap();
    assert_eq!(recover(root), finished());
    assert_eq!(text(root, "evidence").unwrap(), "a file now\n");
    assert_eq!(text(root, "maps/power/fuel.csv").unwrap(), "1,5\n");
    assert_whole(root);
}

#[test]
fn a_commit_on_top_after_the_kill_keeps_its_files_and_gets_the_tag_below() {
    let dir = crashed_at("commit: branch moved");
    let root = dir.path();
    let revision = git(root, &["rev-parse", "HEAD"]);
    for lock in locks_below(&root.join(".git")) {
        fs::remove_file(lock).unwrap();
    }
    fs::write(root.join("maps/power/fuel.csv"), "by hand\n").unwrap();
    git(root, &["add", "maps/power/fuel.csv"]);
    git(root, &["commit", "-q", "-m", "by hand"]);
    let before = status(root);
    assert_eq!(recover(root), finished());
    assert_eq!(git(root, &["rev-parse", "r2^{commit}"]), revision);
    assert_eq!(text(root, "maps/power/fuel.csv").unwrap(), "by hand\n");
    assert_eq!(status(root), before.replace("?? evidence/\n", ""));
    assert_whole(root);
}

#[test]
fn a_branch_reset_after_the_kill_means_the_revision_never_was() {
    let dir = crashed_at("commit: branch moved");
    let root = dir.path();
    for lock in locks_below(&root.join(".git")) {
        fs::remove_file(lock).unwrap();
    }
    git(root, &["reset", "-q", "HEAD~1"]);
    assert_eq!(recover(root), Recovery::Undone { tag: "r2".into() });
    assert!(is_old(root));
    assert_whole(root);
}

#[test]
fn a_foreign_lock_holds_the_recovery_up_without_harm() {
    let dir = crashed_at("commit: branch moved");
    let root = dir.path();
    let index_lock = root.join(".git/index.lock");
    fs::remove_file(&index_lock).unwrap();
    fs::write(&index_lock, "theirs").unwrap();
    let store = Store::open(root).unwrap().unwrap();
    let lock = store.lock().unwrap();
    assert_eq!(store.recover(&lock).unwrap_err().guard(), Some("foreign_lock"));
    assert_eq!(fs::read(&index_lock).unwrap(), b"theirs");
    assert_eq!(store.pending().unwrap().as_deref(), Some("r2"));
    fs::remove_file(&index_lock).unwrap();
    assert_eq!(store.recover(&lock).unwrap(), finished());
    drop(lock);
    assert_recovers(root, "foreign lock gone");
}
