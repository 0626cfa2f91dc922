//! The bike folder in the hands of plain git: cloned, pushed, checked out, cut short, edited.

use crate::bench::{Bench, Said};
use std::path::PathBuf;
use std::sync::OnceLock;

const FUEL: &str = "maps/power/fuel.csv";
/// What only reads must work wherever there is a history.
const READING: [&[&str]; 6] =
    [&[], &["history"], &["show", "r2"], &["diff"], &["cell", "3500", "14"], &["rides"]];

/// r1 and r2, and a ride that is not used yet.
fn bike() -> Bench {
    static BIKE: OnceLock<Bench> = OnceLock::new();
    let made = BIKE.get_or_init(|| {
        let bench = Bench::with_bike();
        bench.simulate(1, 6);
        bench.on_bike(&["run"]).exits(0).says("r2");
        bench.simulate(2, 6);
        bench
    });
    made.twin()
}

/// Another folder beside the bike.
struct Beside<'a> {
    bench: &'a Bench,
    folder: PathBuf,
}

impl Beside<'_> {
    fn new<'a>(bench: &'a Bench, name: &str) -> Beside<'a> {
        Beside { bench, folder: bench.home().join(name) }
    }

    fn path(&self) -> &str {
        self.folder.to_str().expect("UTF-8")
    }

    fn rideloop(&self, args: &[&str]) -> Said {
        let args: Vec<&str> = ["--bike", self.path()].iter().chain(args).copied().collect();
        self.bench.rideloop(&args)
    }

    fn git(&self, args: &[&str]) -> Said {
        let args: Vec<&str> = ["-C", self.path()].iter().chain(args).copied().collect();
        self.bench.git(&args)
    }

    fn reads(&self) {
        for command in READING {
            self.rideloop(command).exits(0);
        }
    }

    /// A ride made here and run; the numbers go on.
    fn rides_on(&self, seed: &str, revision: &str) {
        self.rideloop(&["simulate", "--warm", "--seed", seed, "--minutes", "6"]).exits(0);
        self.rideloop(&["run"]).exits(0).says(&format!("{revision} is committed"));
        self.rideloop(&["verify", revision]).says("replayed, the same bytes");
        assert_eq!(self.git(&["status", "--porcelain"]).exits(0).out, "");
    }

    fn tags(&self) -> Vec<String> {
        self.git(&["tag"]).exits(0).out.lines().map(str::to_owned).collect()
    }
}

#[test]
fn an_old_state_that_is_checked_out_can_be_read_but_not_written_on() {
    let bench = bike();
    bench.git(&["checkout", "-q", "r1"]).exits(0);
    let before = bench.snapshot();
    bench.on_bike(&[]).exits(0).says("not on a branch").says("git switch main");
    for command in [&["history"][..], &["show"], &["cell", "3500", "14"], &["rides"]] {
        bench.on_bike(command).exits(0);
    }
    bench.on_bike(&["verify"]).exits(1).says("an old state is checked out, and it ends at r1");
    for command in [&["run"][..], &["run", "--dry-run"], &["rollback", "r1", "--why", "x"]] {
        bench.on_bike(command).exits(3).says("detached_head").says("git switch main");
    }
    bench.on_bike(&["rides", "set-aside", "sim-2.csv", "--why", "x"]).exits(3).says("detached_head");
    assert!(bench.snapshot() == before, "something was written");
    bench.git(&["switch", "-q", "main"]).exits(0);
    bench.on_bike(&["verify"]).exits(0).says("all fit together");
    bench.on_bike(&["run"]).exits(0).says("r3");
}

#[test]
fn a_folder_that_was_moved_goes_on_as_before() {
    let bench = bike();
    let moved = Beside::new(&bench, "another place");
    std::fs::rename(&bench.bike, &moved.folder).expect("moved");
    let moved_bench = moved.rideloop(&["run"]).exits(0).says("r3 is committed");
    assert!(!moved_bench.complains("error"), "{moved_bench:?}");
    moved.rideloop(&["verify"]).exits(0).says("all fit together");
}

#[test]
fn a_clone_reads_everything_and_goes_on_and_its_push_brings_the_tags_home() {
    let bench = bike();
    bench.git(&["init", "-q", "--bare", "../home.git"]).exits(0);
    bench.git(&["remote", "add", "origin", "../home.git"]).exits(0);
    // Tags come along without being asked for: the tool has said so when it made the repository.
    bench.git(&["push", "-q", "-u", "origin", "main"]).exits(0);
    let clone = Beside::new(&bench, "clone");
    bench.git(&["clone", "-q", "../home.git", clone.path()]).exits(0);
    assert_eq!(clone.tags(), ["r1", "r2"]);
    clone.reads();
    clone.rideloop(&["verify"]).exits(1).says("rides/r1/sim-1.csv").says("a clone does not bring them");
    clone.rides_on("3", "r3");
    // A clone does not inherit the setting; the first revision made in it sets it.
    clone.git(&["push", "-q"]).exits(0);
    bench.git(&["pull", "-q", "--ff-only"]).exits(0);
    bench.on_bike(&["history"]).exits(0).says("r3");
    assert_eq!(bench.git(&["tag"]).exits(0).out, "r1\nr2\nr3\n");
    // The ride that r3 rests on stayed with whoever made it.
    bench.on_bike(&["verify"]).exits(1).says("ride_missing").says("rides/r2/sim-3.csv");
    std::fs::copy(clone.folder.join("rides/r2/sim-3.csv"), bench.bike.join("rides/r2/sim-3.csv"))
        .expect("copied");
    bench.on_bike(&["verify"]).exits(0).says("all fit together");
    // Whoever has said otherwise keeps it.
    clone.git(&["config", "push.followTags", "false"]).exits(0);
    clone.rides_on("4", "r4");
    assert_eq!(clone.git(&["config", "push.followTags"]).exits(0).out, "false\n");
    // Without its tags a clone is told how to get them.
    let bare = Beside::new(&bench, "untagged");
    bench.git(&["clone", "-q", "--no-tags", "../home.git", bare.path()]).exits(0);
    bare.rideloop(&["verify"]).exits(1).says("tag_missing").says("git fetch --tags");
}

#[test]
fn a_bundle_holds_the_whole_history() {
    let bench = bike();
    bench.git(&["bundle", "create", "-q", "../bike.bundle", "--all"]).exits(0);
    let clone = Beside::new(&bench, "unpacked");
    bench.git(&["clone", "-q", "../bike.bundle", clone.path()]).exits(0);
    assert_eq!(clone.tags(), ["r1", "r2"]);
    clone.reads();
    clone.rides_on("3", "r3");
}

#[test]
fn a_shallow_clone_says_what_it_lacks_and_is_whole_after_it_is_fetched() {
    let bench = bike();
    bench.on_bike(&["run"]).exits(0).says("r3");
    let clone = Beside::new(&bench, "shallow");
    let from = format!("file://{}", bench.bike.display());
    bench.git(&["clone", "-q", "--depth", "1", &from, clone.path()]).exits(0);
    let way = "git fetch --unshallow";
    clone.rideloop(&[]).exits(0).says(way);
    clone.rideloop(&["history"]).exits(0).says("r3");
    clone.rideloop(&["show"]).exits(0);
    clone.rideloop(&["diff"]).exits(1).says("what stood before r3 is not in this folder").says(way);
    clone.rideloop(&["show", "r2"]).exits(1).says("no revision r2").says(way);
    clone.rideloop(&["run"]).exits(3).says(way);
    clone.rideloop(&["run", "--dry-run"]).exits(3).says("history_missing").says(way);
    clone.rideloop(&["rollback", "r1", "--why", "x"]).exits(3).says(way);
    let found = clone.rideloop(&["--json", "verify"]).exits(1).json();
    let kinds: Vec<&str> =
        found["troubles"].as_array().into_iter().flatten().filter_map(|t| t["kind"].as_str()).collect();
    assert_eq!(kinds, ["shallow", "ride_missing", "ride_missing"], "{found:#}");
    clone.git(&["fetch", "-q", "--unshallow"]).exits(0);
    clone.reads();
    clone.rides_on("4", "r4");
}

#[test]
fn a_linked_worktree_is_a_bike_folder_of_its_own_branch() {
    let bench = bike();
    let linked = Beside::new(&bench, "linked");
    bench.git(&["worktree", "add", "-q", "-b", "trial", linked.path()]).exits(0);
    linked.reads();
    linked.rides_on("3", "r3");
    // A number is given once, whichever branch takes it.
    bench
        .on_bike(&["run"])
        .exits(3)
        .says("behind_history")
        .says("there is a revision r3")
        .says("git merge --ff-only r3");
    bench.git(&["merge", "-q", "--ff-only", "r3"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("r4 is committed");
    bench.assert_whole();
}

#[test]
fn a_table_edited_by_hand_is_named_by_verify_and_refused_by_run_and_nothing_is_lost() {
    let bench = bike();
    let edited = bench.read(FUEL).replacen(".1", ".2", 1);
    bench.write(FUEL, &edited);
    let before = bench.snapshot();
    bench.on_bike(&["run"]).exits(3).says("uncommitted_edits").says(FUEL);
    bench
        .on_bike(&["verify"])
        .exits(1)
        .says("file_differs")
        .says(FUEL)
        .says("git checkout HEAD -- maps/power/fuel.csv");
    bench.on_bike(&[]).exits(0).says("differs from r2");
    assert!(bench.snapshot() == before, "something was written");
    assert_eq!(bench.read(FUEL), edited);
    bench.git(&["stash", "-q"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("r3");
    assert!(bench.git(&["stash", "list"]).exits(0).out.contains("stash@{0}"), "the edit is kept");
}
