//! The history against the `git` command itself.
//!
//! Source: git, as installed. Revisions are written through libgit2; what counts is what a workshop
//! sees that opens the folder with plain git years later. Everything here is exact.

use rideloop::bike::{FuelTableKind, Template};
use rideloop::ledger::{Moment, RevisionRecord};
use rideloop::operations::{
    self, HistoryEntry, OpenBike, Progress, RollbackRequest, RunRequest, SimulateRequest, Style,
};
use rideloop::table::{self, LoadAxis};
use std::ffi::OsStr;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use tempfile::TempDir;

const IDENTITY: (&str, &str) = ("Reference Workshop", "workshop@rideloop.invalid");
/// 2026-05-02 12:00 at two hours east of Greenwich.
const NOON: Moment = Moment { unix_s: 1_777_716_000, offset_min: 120 };
const FUEL: &str = "maps/main/fuel.csv";

struct Silent;

impl Progress for Silent {
    fn begin(&self, _rides: usize) {}
    fn ride_done(&self, _name: &str, _rows: usize) {}
    fn end(&self) {}
}

/// A bike folder with r1 (start), r2 (run) and r3 (rollback to r1), in a folder that goes with it.
struct Workshop {
    folder: TempDir,
}

impl Workshop {
    fn new() -> Self {
        let workshop = Self { folder: tempfile::tempdir().expect("a temporary folder") };
        let root = workshop.root();
        let later = |minutes: i64| Moment { unix_s: NOON.unix_s + 60 * minutes, ..NOON };
        let template = Template {
            name: "Reference".to_owned(),
            displacement_cc: 700.0,
            cylinders: 2,
            rev_limit_rpm: 8200.0,
            fuel: "E10".to_owned(),
            fuel_table: FuelTableKind::VePct,
            load: LoadAxis::ThrottlePct,
            injector_cc_min: None,
            slots: vec!["main".to_owned()],
            today: "2026-05-02".to_owned(),
            ..Template::default()
        };
        operations::new(&root, &template, Some(IDENTITY), NOON).expect("r1");
        let ride = SimulateRequest {
            seed: 1,
            minutes: 8.0,
            rate_hz: 20.0,
            style: Style::Road,
            cold: false,
            slot: None,
            engine_seed: None,
        };
        operations::simulate(&root, &ride).expect("a ride");
        let run = RunRequest {
            unscaled: false,
            pipeline: "road".to_owned(),
            slot: None,
            ridden_on: None,
            dry_run: false,
            rides: Vec::new(),
            when: later(1),
            cache: None,
        };
        let report = operations::run(&root, &run, &Silent).expect("a run");
        assert_eq!(report.revision.as_deref(), Some("r2"), "{:?} {:?}", report.nothing, report.refused);
        let rollback = RollbackRequest {
            to: "r1".to_owned(),
            why: "surges: 3000/min, small throttle".to_owned(),
            keep_rides: false,
            slot: None,
            across_builds: false,
            advance_spark: false,
            when: later(2),
        };
        let report = operations::rollback(&root, &rollback).expect("a rollback");
        assert_eq!(report.revision.as_deref(), Some("r3"));
        workshop
    }

    fn root(&self) -> PathBuf {
        self.folder.path().join("bike")
    }

    fn open(&self) -> OpenBike {
        OpenBike::open(&self.root()).expect("its own folder")
    }

    /// What git writes to standard output, with no settings but the repository's own.
    fn git<S: AsRef<OsStr>>(&self, arguments: &[S], input: &str) -> String {
        let output = self.try_git(arguments, input);
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "git failed: {told}");
        assert_eq!(told, "", "git complains");
        String::from_utf8(output.stdout).expect("UTF-8")
    }

    fn try_git<S: AsRef<OsStr>>(&self, arguments: &[S], input: &str) -> Output {
        let mut child = Command::new("git")
            .args(arguments)
            .current_dir(self.root())
            .env_clear()
            .env("PATH", std::env::var_os("PATH").unwrap_or_default())
            .env("HOME", self.folder.path())
            .env("GIT_CONFIG_GLOBAL", "/dev/null")
            .env("GIT_CONFIG_NOSYSTEM", "1")
            // Looking must not write the index anew.
            .env("GIT_OPTIONAL_LOCKS", "0")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the `git` command is installed");
        // git may answer without reading its input.
        let _ = child.stdin.take().expect("piped").write_all(input.as_bytes());
        child.wait_with_output().expect("git ends")
    }

    /// One line of git's answer each.
    fn lines(&self, arguments: &[&str]) -> Vec<String> {
        self.git(arguments, "").lines().map(str::to_owned).collect()
    }

    /// The files of the newest commit.
    fn tracked(&self) -> Vec<String> {
        let files = self.lines(&["ls-tree", "-r", "--name-only", "HEAD"]);
        assert!(files.iter().any(|f| f == FUEL), "{files:?}");
        files
    }
}

#[test]
fn git_finds_nothing_wrong_with_the_repository() {
    let workshop = Workshop::new();
    assert_eq!(workshop.git(&["fsck", "--strict", "--no-progress"], ""), "");
    assert_eq!(workshop.git(&["status", "--porcelain"], ""), "");
    assert_eq!(workshop.lines(&["tag", "--list"]), ["r1", "r2", "r3"]);
}

#[test]
fn git_log_tells_the_same_history() {
    let workshop = Workshop::new();
    let history = operations::history(&workshop.open());
    assert_eq!(history.len(), 3);
    let of = |field: fn(&HistoryEntry) -> &str| -> Vec<String> {
        history.iter().map(|entry| field(entry).to_owned()).collect()
    };
    assert_eq!(workshop.lines(&["log", "--format=%H"]), of(|e| &e.commit));
    assert_eq!(workshop.lines(&["log", "--format=%s"]), of(|e| &e.summary));
    assert_eq!(workshop.lines(&["log", "--format=%an <%ae>"]), of(|e| &e.author));
    // Strict ISO 8601, which RFC 3339 is a profile of.
    assert_eq!(workshop.lines(&["log", "--format=%aI"]), of(|e| &e.time));
    assert_eq!(workshop.lines(&["log", "--format=%cI"]), of(|e| &e.time));
    assert_eq!(history[2].time, "2026-05-02T12:00:00+02:00");
}

#[test]
fn tags_are_annotated_and_name_their_revision() {
    let workshop = Workshop::new();
    for entry in operations::history(&workshop.open()) {
        let name = &entry.revision;
        assert_eq!(workshop.git(&["cat-file", "-t", name], ""), "tag\n");
        let target = workshop.git(&["rev-parse", &format!("{name}^{{commit}}")], "");
        assert_eq!(target.trim_end(), entry.commit);
        let subject = workshop.git(&["tag", "--list", name, "--format=%(contents:subject)"], "");
        assert_eq!(subject.trim_end(), entry.summary);
    }
}

/// The trailers a record must have, written out.
fn trailers(record: &RevisionRecord) -> Vec<String> {
    let mut lines = vec![
        format!("Revision: r{}", record.number),
        format!("Slot: {}", record.slots.join(", ")),
        format!("Kind: {}", record.kind.name()),
        format!("Cells-Changed: {}", record.cells_changed),
    ];
    lines.extend(record.pipeline.iter().map(|p| format!("Pipeline: {} sha256:{}", p.name, p.sha256)));
    lines.extend(record.rides.iter().map(|r| format!("Rides: sha256:{} {}", r.sha256, r.file)));
    lines.extend(record.restores.iter().map(|name| format!("Restores: {name}")));
    if !record.undoes.is_empty() {
        lines.push(format!("Undoes: {}", record.undoes.join(", ")));
    }
    lines.extend(record.why.iter().map(|why| format!("Why: {why}")));
    lines.push(format!("Build: {}", record.build));
    lines.push(format!("Tool: {}", record.tool));
    lines
}

#[test]
fn git_reads_the_trailers_as_the_record_does() {
    let workshop = Workshop::new();
    let bike = workshop.open();
    let numbers: Vec<u32> = bike.revisions.iter().map(|r| r.record.number).collect();
    assert_eq!(numbers, [3, 2, 1]);
    for revision in &bike.revisions {
        let message = workshop.git(&["log", "-1", "--format=%B", &revision.commit], "");
        let parsed = workshop.git(&["interpret-trailers", "--parse"], &message);
        let parsed: Vec<&str> = parsed.lines().collect();
        assert_eq!(parsed, trailers(&revision.record), "{message}");
        let pretty = ["log", "-1", "--format=%(trailers:only,unfold)", &revision.commit];
        let pretty: Vec<String> = workshop.lines(&pretty).into_iter().filter(|l| !l.is_empty()).collect();
        assert_eq!(pretty, parsed);
    }
    let (back, run) = (&bike.revisions[0].record, &bike.revisions[1].record);
    assert_eq!((run.rides.len(), run.cells_changed), (1, back.cells_changed));
    assert_eq!((back.restores.as_deref(), back.undoes.join(" ")), (Some("r1"), "r2".to_owned()));
    assert_eq!(back.why.as_deref(), Some("surges: 3000/min, small throttle"));
}

#[test]
fn changed_lines_are_changed_rows_of_the_table() {
    let workshop = Workshop::new();
    let bike = workshop.open();
    let fuel = |name: &str| {
        let revision = operations::find_revision(&bike, name).expect("a revision");
        bike.tables_at(&revision.commit, "main").expect("its tables").fuel
    };
    let (before, after) = (fuel("r1"), fuel("r2"));
    let columns = before.grid.load.len();
    let rows = before.values.chunks(columns).zip(after.values.chunks(columns));
    let changed_rows = rows.filter(|(old, new)| old != new).count();
    let cells = before.values.iter().zip(&after.values).filter(|(old, new)| old != new).count();
    assert!(changed_rows > 0);
    assert_eq!(cells, operations::history(&bike)[1].cells_changed);

    let numstat = workshop.git(&["diff", "--numstat", "r1", "r2", "--", FUEL], "");
    assert_eq!(numstat, format!("{changed_rows}\t{changed_rows}\t{FUEL}\n"));
    for (name, table) in [("r1", &before), ("r2", &after)] {
        assert_eq!(workshop.git(&["show", &format!("{name}:{FUEL}")], ""), table::write(table));
    }
    let report = operations::diff(&bike, Some("r1"), Some("r2")).expect("a diff");
    let told: usize = report.tables.iter().map(|t| t.cells.len()).sum();
    assert_eq!(told, cells);
}

#[test]
fn a_rollback_restores_the_very_tree_of_tables() {
    let workshop = Workshop::new();
    let tree = |revision: &str| workshop.git(&["rev-parse", &format!("{revision}:maps")], "");
    assert_eq!(tree("r3"), tree("r1"));
    assert_ne!(tree("r2"), tree("r1"));
    assert_eq!(workshop.git(&["diff", "--numstat", "r1", "r3", "--", "maps"], ""), "");
}

#[test]
fn git_never_converts_line_endings_of_tables_and_settings() {
    let workshop = Workshop::new();
    let kept = |path: &&String| path.ends_with(".csv") || path.ends_with(".yaml");
    let files: Vec<String> = workshop.tracked().iter().filter(kept).cloned().collect();
    let mut question = vec!["check-attr", "text", "--"];
    question.extend(files.iter().map(String::as_str));
    let answer: Vec<String> = files.iter().map(|path| format!("{path}: text: unset")).collect();
    assert_eq!(workshop.lines(&question), answer);

    // With conversion asked for, every file looked at anew, and a fresh copy taken.
    for path in workshop.tracked() {
        touch(&workshop.root().join(path));
    }
    let status = ["-c", "core.autocrlf=true", "status", "--porcelain"];
    assert_eq!(workshop.git(&status, ""), "");
    let copy = workshop.folder.path().join("copy");
    let clone = ["-c", "core.autocrlf=true", "clone", "--quiet", "."];
    let mut clone: Vec<&OsStr> = clone.iter().map(OsStr::new).collect();
    clone.push(copy.as_os_str());
    workshop.git(&clone, "");
    let bytes = |root: &Path, path: &str| std::fs::read(root.join(path)).expect("a tracked file");
    for path in &files {
        assert_eq!(bytes(&copy, path), bytes(&workshop.root(), path), "{path}");
    }
    // The conversion was on: a file that nothing protects came out with it.
    assert!(bytes(&copy, ".gitignore").ends_with(b"\r\n"));
}

/// Makes git doubt what it remembers of a file.
fn touch(path: &Path) {
    let file = std::fs::File::options().append(true).open(path).expect("a tracked file");
    let written = file.metadata().and_then(|m| m.modified()).expect("a time of writing");
    file.set_modified(written + std::time::Duration::from_secs(60)).expect("its own file");
}
