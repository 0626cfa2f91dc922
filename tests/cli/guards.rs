//! What must be refused, and that a refusal leaves everything as it was.

use crate::bench::Bench;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::Path;

fn ready() -> Bench {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0);
    bench.simulate(2, 12);
    bench
}

fn refused(bench: &Bench, guard: &str) {
    let before = bench.snapshot();
    bench.on_bike(&["run"]).exits(3).says(guard);
    let json = bench.on_bike(&["--json", "run"]).exits(3).json();
    assert_eq!(json["refused"]["guard"], guard);
    assert!(json["revision"].is_null());
    assert!(bench.snapshot() == before, "{guard} changed something");
}

#[test]
fn tables_edited_by_hand_are_refused_with_the_way_back() {
    let bench = ready();
    let fuel = bench.read("maps/power/fuel.csv");
    bench.write("maps/power/fuel.csv", fuel.replacen("66.7", "66.8", 1).replacen("66.5", "66.6", 1));
    refused(&bench, "uncommitted_edits");
    bench.on_bike(&["rollback", "r1", "--why", "x"]).exits(3).says("uncommitted_edits");
    let said = bench.on_bike(&["run"]).exits(3).says("git checkout r2 -- maps/power/fuel.csv");
    assert!(said.complains("differs from r2"), "{said:?}");
    bench.git(&["checkout", "r2", "--", "maps/power/fuel.csv"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("r3");
}

#[test]
fn a_lock_of_another_git_is_respected() {
    let bench = ready();
    bench.write(".git/index.lock", "somebody's");
    refused(&bench, "foreign_lock");
    assert_eq!(bench.read(".git/index.lock"), "somebody's");
    std::fs::remove_file(bench.bike.join(".git/index.lock")).expect("ours to remove");
    bench.on_bike(&["run"]).exits(0).says("r3");
}

#[test]
fn a_detached_head_and_a_merge_are_refused() {
    let bench = ready();
    bench.git(&["checkout", "-q", "--detach"]).exits(0);
    refused(&bench, "detached_head");
    bench.git(&["checkout", "-q", "main"]).exits(0);
    bench.write(".git/MERGE_HEAD", bench.git(&["rev-parse", "HEAD"]).out);
    refused(&bench, "merge_in_progress");
}

#[test]
fn a_folder_inside_another_repository_is_refused() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    let outer = bench.home().to_str().expect("UTF-8").to_owned();
    bench.git(&["init", "-q", &outer]).exits(0);
    refused(&bench, "inside_other_repository");
    assert!(!bench.bike.join(".git").exists());
    bench.rideloop(&["new", "another"]).exits(3).says("inside_other_repository");
    assert!(!bench.home().join("another").exists());
    // With a repository of its own the folder is a bike like any other.
    bench.git(&["init", "-q"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("r2");
    bench.assert_whole();
}

#[test]
fn nobody_known_to_git_is_told_how_to_be_known() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    std::fs::remove_file(bench.home().join(".gitconfig")).expect("there");
    let before = bench.snapshot();
    bench.on_bike(&["run"]).exits(1).says("git config --global user.name");
    assert_eq!(bench.snapshot(), before);
    // The demo brings an identity of its own.
    bench.rideloop(&["demo", "fresh"]).exits(0);
}

/// Gives a folder and everything in it to another user.
fn give_away(path: &Path, uid: u32) {
    chown(path, Some(uid), Some(uid)).expect("root may");
    if path.is_dir() {
        for entry in std::fs::read_dir(path).expect("listed").flatten() {
            give_away(&entry.path(), uid);
        }
    }
}

const NOBODY: u32 = 65534;

fn is_root(bench: &Bench) -> bool {
    std::fs::metadata(bench.home()).expect("there").uid() == 0
}

#[test]
fn a_folder_of_another_user_is_refused_with_the_line_to_run() {
    let bench = ready();
    if !is_root(&bench) {
        // Only root can give a folder away; CI runs as root.
        assert!(std::env::var_os("CI").is_none(), "CI is expected to run as root");
        return;
    }
    give_away(&bench.bike, NOBODY);
    refused(&bench, "wrong_owner");
    bench.on_bike(&["run"]).exits(3).says("git config --global --add safe.directory");
}

#[test]
fn a_read_only_folder_is_said_to_be_one() {
    let bench = ready();
    // Root may write anywhere, so root hands the folder to somebody who may not.
    let root = is_root(&bench);
    if root {
        give_away(bench.home(), NOBODY);
    }
    let set = |mode: u32| {
        for folder in [&bench.bike, &bench.bike.join(".git")] {
            std::fs::set_permissions(folder, std::fs::Permissions::from_mode(mode)).expect("set");
        }
    };
    set(0o555);
    let before = bench.snapshot();
    let bike = bench.bike.to_str().expect("UTF-8");
    let mut command = bench.command(&["--bike", bike, "run"]);
    if root {
        // The binary itself may lie where nobody cannot go; a copy does not.
        let copy = bench.home().join("rideloop");
        std::fs::copy(env!("CARGO_BIN_EXE_rideloop"), &copy).expect("copied");
        let mut as_nobody = std::process::Command::new(&copy);
        as_nobody.args(command.get_args()).current_dir(bench.home()).uid(NOBODY).gid(NOBODY);
        for (key, value) in command.get_envs() {
            as_nobody.env(key, value.unwrap_or_default());
        }
        command = as_nobody;
    }
    let said = command.output().expect("starts");
    set(0o755);
    let err = String::from_utf8_lossy(&said.stderr).into_owned();
    assert_eq!(said.status.code(), Some(1), "{err}");
    assert!(err.contains("may not write") && !err.contains("panicked"), "{err}");
    assert!(bench.snapshot() == before, "something was written");
}

#[test]
fn another_build_is_another_engine() {
    let bench = ready();
    let builds = bench.read("builds.yaml");
    bench.write("builds.yaml", format!("{builds}- {{ build: b2, since: 2026-05-01, what: other cams }}\n"));
    // sim-2 was made on the newest revision and is registered now: on the new build.
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(done["rides"].as_array().map(Vec::len), Some(1), "the old build's ride does not count");
    assert!(bench.read("rides.yaml").contains("build: b2"));
    bench.on_bike(&["rollback", "r1", "--why", "x"]).exits(3).says("other_build");
    bench.on_bike(&["rollback", "r1", "--why", "stock cams again", "--across-builds"]).exits(0);
}

#[test]
fn check_gathers_the_problems_of_the_whole_folder() {
    let bench = Bench::with_bike();
    bench.write(
        "bike.yaml",
        bench.read("bike.yaml").replace("strokes: 4", "strokes: 3").replace("E10", "E11"),
    );
    bench.write(
        "builds.yaml",
        "- { build: b1, since: soon, what: x }\n- { build: b1, sinse: 2026-01-01, what: x }\n",
    );
    bench.write(
        "pipelines/mine.yaml",
        "stages:\n  - align: {}\n  - warm: { engine_temp_c: 700 }\n  - average\n  - blend\n",
    );
    bench.write("rides/empty.csv", "");
    let said = bench.on_bike(&["check"]).exits(1);
    for text in [
        "bike.yaml:3:",
        "`strokes` must be 2 or 4, got 3",
        "`name` must be one of petrol, E5, E10, E85, ethanol, methanol, got `E11`",
        "builds.yaml:2:16: unknown key `sinse`",
        "did you mean `since`?",
        "`since` is missing in entry 2",
        "pipelines/mine.yaml:3:",
        "`engine_temp_c` must be between -40 and 200, got 700",
        "empty.csv",
    ] {
        assert!(said.out.contains(text), "no `{text}` in\n{}", said.out);
    }
    bench.on_bike(&["run"]).exits(1).says("bike.yaml:3:");
    let bench = Bench::with_bike();
    bench.write(
        "maps/power/fuel.csv",
        bench.read("maps/power/fuel.csv").replacen("40.2", "x", 1).replacen("11.6", "11.65", 1),
    );
    bench.write("maps/economy/mixture.csv", "rpm/map_kpa,1,2\n1000,1,1\n");
    let said = bench.on_bike(&["check"]).exits(1).says("maps/power/fuel.csv").says("steps of 0.1");
    assert!(
        said.out.contains("maps/economy/mixture.csv:1:1: the first title must be `rpm/throttle_pct`"),
        "{}",
        said.out
    );
}

#[test]
fn corrections_are_never_applied_to_tables_they_do_not_belong_to() {
    // A shallow clone lacks the revisions that rides were made on.
    let bench = ready();
    bench.on_bike(&["run"]).exits(0).says("r3");
    bench.simulate(3, 12);
    let shallow = bench.home().join("shallow");
    let from = format!("file://{}", bench.bike.display());
    bench.git(&["clone", "-q", "--depth", "1", &from, shallow.to_str().expect("UTF-8")]).exits(0);
    let copied =
        std::process::Command::new("cp").arg("-r").arg(bench.bike.join("rides")).arg(&shallow).status();
    assert!(copied.expect("cp").success());
    let shallow = shallow.to_str().expect("UTF-8");
    bench.rideloop(&["--bike", shallow, "run"]).exits(3).says("shallow clone");
    bench.rideloop(&["--bike", shallow, "run", "--dry-run"]).exits(3).says("history_missing");
    bench.rideloop(&["--bike", shallow, "check"]).exits(1).says("`run` will refuse");
    // A branch that was moved back.
    bench.git(&["reset", "-q", "--hard", "r2"]).exits(0);
    refused(&bench, "behind_history");
    bench.git(&["merge", "-q", "--ff-only", "r3"]).exits(0);
    // A folder that lost its history.
    std::fs::remove_dir_all(bench.bike.join(".git")).expect("removed");
    refused(&bench, "history_missing");
}

#[test]
fn locks_and_limits_that_mean_nothing_are_refused() {
    let bench = Bench::with_bike();
    bench.write("maps/power/locks.yaml", "- { rpm: [8000, 1000], load: [100, 0], why: all }\n- { rpm: [1001, 1002], load: [0, 1], why: none }\n");
    let said = bench.on_bike(&["check"]).exits(1).says("maps/power/locks.yaml:1:10: `rpm` must ascend");
    assert!(said.out.contains("`load` must ascend"), "{}", said.out);
    bench.write("maps/power/locks.yaml", "- { rpm: [1001, 1002], load: [0, 1], why: none }\n");
    bench.on_bike(&["check"]).exits(1).says("no cell lies in the lock");
    bench.write("maps/power/locks.yaml", "- { rpm: [1000, 8000], load: [0, 100], why: all by hand }\n");
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0).says("locked").says("No revision was made");
    std::fs::remove_file(bench.bike.join("maps/power/locks.yaml")).expect("there");
    bench.write(
        "pipelines/road.yaml",
        "stages:\n  - align\n  - average\n  - blend: { step_up_pct: 1, step_down_pct: 2 }\n",
    );
    bench.on_bike(&["run"]).exits(1).says("leaning is held tighter than enriching");
}

#[test]
fn a_rollback_tells_of_mixture_spark_and_locks_and_advances_no_spark_by_itself() {
    let bench = Bench::with_bike();
    let grid = "rpm/throttle_pct,0,50,100\n1000,10.0,10.0,10.0\n8000,34.0,30.0,28.0\n";
    std::fs::write(bench.home().join("spark.csv"), grid).expect("written");
    let by_hand = |args: &[&str], revision: &str| {
        bench.on_bike(&[args, &["--why", "x"]].concat()).exits(0).says(revision);
    };
    by_hand(&["import", "spark.csv", "--table", "spark"], "r2");
    by_hand(&["edit", "add", "-6", "--table", "spark"], "r3");
    by_hand(&["edit", "add", "-0.02", "--table", "mixture", "--load", "10:20"], "r4");
    by_hand(&["edit", "scale", "+3", "--rpm", "4000:5000", "--load", "75"], "r5");
    by_hand(&["edit", "lock", "--rpm", "4000:5000", "--load", "75"], "r6");
    let back = ["rollback", "r2", "--why", "pings no more"];
    bench.on_bike(&back).exits(3).says("spark_step").says("6.0 degrees").says("--advance-spark");
    bench.assert_whole();
    let done = bench.on_bike(&[&["--json"], &back[..], &["--advance-spark"]].concat()).exits(0).json();
    let count = |key: &str| done[key].as_u64().expect("a count");
    assert_eq!(
        (count("cells_changed"), count("locked_cells_changed"), count("spark_cells_changed")),
        (3, 3, 6)
    );
    assert!(count("mixture_cells_changed") > 10, "{done:#}");
    let cautions = done["cautions"].to_string();
    assert!(cautions.contains("knock") && cautions.contains("high-load cells get less fuel"), "{cautions}");
    assert_eq!(
        bench.on_bike(&["--json", "history"]).exits(0).json()[0]["despite"],
        serde_json::json!(["spark_step"])
    );
    bench.assert_whole();
    // Retarding is free.
    bench.on_bike(&["rollback", "r6", "--why", "it pings again"]).exits(0).says("6 spark cells");
}
