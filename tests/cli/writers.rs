//! The commands that make a revision, the bike they are tried on, and what must hold afterwards.
//!
//! Clock and identity are fixed, so that a command makes the same commit, to the last bit, wherever it
//! starts from the same state. What a kill, a race or a full disk leaves behind is therefore compared with
//! what undisturbed commands make, and nothing in between passes.

use crate::bench::{Bench, Said};
use std::path::Path;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// A command that makes a revision.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Writer {
    pub name: &'static str,
    pub args: &'static [&'static str],
}

pub const RUN: Writer = Writer { name: "run", args: &["run"] };

/// Every kind of them.
pub const WRITERS: [Writer; 7] = [
    RUN,
    Writer { name: "rollback", args: &["rollback", "r1", "--why", "stalls when hot"] },
    Writer { name: "edit", args: &["edit", "scale", "+1", "--rpm", "3000", "--why", "hesitates"] },
    Writer { name: "import", args: &["import", "r2.csv", "--why", "it ran well"] },
    Writer { name: "build add", args: &["build", "add", "other cams"] },
    Writer { name: "set-aside", args: &["rides", "set-aside", "sim-1.csv", "--why", "loose sensor"] },
    Writer {
        name: "rescale",
        args: &[
            "rescale",
            "--from-displacement-cc",
            "705",
            "--same-air",
            "--write",
            "--why",
            "it had 705 cc",
        ],
    },
];

/// What anybody may do next, after any of them.
pub const NEXT: Writer = Writer {
    name: "next",
    args: &["edit", "add", "0.1", "--rpm", "5000", "--load", "14", "--why", "goes on"],
};

/// A table to import, in the home folder.
pub const IMPORTED: &str = "r2.csv";

/// r1 start, r2 and r3 by rides, and a ride that waits; r2's fuel table lies beside the folder.
pub fn season() -> Bench {
    static SEASON: OnceLock<Bench> = OnceLock::new();
    twin(SEASON.get_or_init(|| {
        let bench = Bench::with_bike();
        for (seed, revision) in [(1, "r2"), (2, "r3")] {
            bench.simulate(seed, 4);
            bench.on_bike(&["run"]).exits(0).says(revision);
        }
        bench.simulate(3, 3);
        bench.on_bike(&["export", "r2", "--out", IMPORTED]).exits(0);
        bench
    }))
}

/// A bench of its own in the same state.
pub fn twin(bench: &Bench) -> Bench {
    let twin = bench.twin();
    std::fs::copy(bench.home().join(IMPORTED), twin.home().join(IMPORTED)).expect("copied");
    twin
}

/// The commit that HEAD holds.
pub fn head(bench: &Bench) -> String {
    bench.git(&["rev-parse", "HEAD"]).exits(0).out.trim().to_owned()
}

/// Every branch and tag with the object it names: the whole history, to the last bit.
pub fn refs(bench: &Bench) -> String {
    bench.git(&["for-each-ref", "--format=%(refname) %(objectname)"]).exits(0).out
}

/// What a writer must leave that nothing disturbs.
pub fn undisturbed(bench: &Bench, writer: Writer) -> Said {
    bench.on_bike(writer.args).exits(0)
}

/// What a command makes of the season when nothing disturbs it, and how long it takes.
pub struct Known {
    pub writer: Writer,
    pub whole: Duration,
    /// The commit before it and its own.
    pub before: String,
    pub after: String,
    /// All branches and tags when the next command has followed.
    pub next: String,
}

impl Known {
    /// Of the writer that has this place among them; tried out once.
    pub fn of(kind: usize) -> &'static Self {
        static KNOWN: [OnceLock<Known>; WRITERS.len()] = [const { OnceLock::new() }; WRITERS.len()];
        KNOWN[kind].get_or_init(|| Self::try_out(WRITERS[kind]))
    }

    fn try_out(writer: Writer) -> Self {
        let bench = season();
        let before = head(&bench);
        // The shortest of a few: kills later than the end meet nothing.
        let took = [season(), season()].map(|other| time(|| drop(undisturbed(&other, writer))));
        let whole = time(|| drop(undisturbed(&bench, writer))).min(took[0]).min(took[1]);
        let after = head(&bench);
        assert_ne!(before, after, "{} makes no revision", writer.name);
        undisturbed(&bench, NEXT);
        assert_in_order(&bench, writer.name);
        Self { writer, whole, before, after, next: refs(&bench) }
    }
}

/// How long it takes.
pub fn time(work: impl FnOnce()) -> Duration {
    let begun = Instant::now();
    work();
    begun.elapsed()
}

/// Nothing lost, nothing half done: the repository is whole, the folder is that of the newest commit, the
/// history is one line of revisions without a gap, each with its tag, `verify` finds nothing, and no
/// unfinished file is left.
pub fn assert_in_order(bench: &Bench, what: &str) {
    bench.assert_whole();
    let history = bench.on_bike(&["--json", "history"]).exits(0).json();
    let names: Vec<&str> =
        history.as_array().into_iter().flatten().filter_map(|r| r["revision"].as_str()).collect();
    let expected: Vec<String> = (1..=names.len()).rev().map(|n| format!("r{n}")).collect();
    assert_eq!(names, expected, "{what}");
    assert_eq!(bench.git(&["rev-list", "--min-parents=2", "HEAD"]).exits(0).out, "", "{what}");
    // Runs are not made again here: the commits are compared with those of undisturbed commands.
    bench.on_bike(&["verify", "r1"]).exits(0).says("all fit together");
    let mut left = Vec::new();
    unfinished(&bench.bike, &mut left);
    assert!(left.is_empty(), "{what} left {left:?}");
}

/// Files that only a command at work may have.
pub fn unfinished(folder: &Path, found: &mut Vec<String>) {
    for entry in std::fs::read_dir(folder).expect("listed").flatten() {
        let (path, name) = (entry.path(), entry.file_name().to_string_lossy().into_owned());
        let own = folder.ends_with(".git/rideloop") && name != "lock";
        if name.starts_with(".rideloop-") || name.ends_with(".lock") || own {
            found.push(path.display().to_string());
        } else if path.is_dir() {
            unfinished(&path, found);
        }
    }
}

/// The number a test is to do: what the variable says, or the suite's usual.
pub fn wanted(variable: &str, usual: usize) -> usize {
    std::env::var(variable).map_or(usual, |n| n.parse().expect("a number"))
}
