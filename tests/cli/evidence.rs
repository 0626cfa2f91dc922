//! Evidence collected ride by ride and merged, against runs that read the logs.

use crate::bench::{Bench, Said, copy};
use std::path::{Path, PathBuf};

/// Three rides on r1 of which one lies where its place tells no revision, a copy of one, one
/// that is no ride, and one that is cold throughout.
fn ridden() -> Bench {
    let bench = Bench::with_bike();
    for seed in [1, 2, 3] {
        bench.simulate(seed, 6);
    }
    std::fs::rename(bench.bike.join("rides/r1/sim-3.csv"), bench.bike.join("rides/loose.csv"))
        .expect("moved");
    std::fs::copy(bench.bike.join("rides/r1/sim-1.csv"), bench.bike.join("rides/copy.csv")).expect("copied");
    bench.write("rides/r1/broken.csv", "time_s,rpm\nx,y\n");
    let cold = "time_s,rpm,throttle_pct,lambda,engine_temp_c\n0,3000,10,1.0,20\n0.1,3000,10,1.0,20\n";
    bench.write("rides/cold.csv", cold);
    bench
}

/// The commit, the tree and every file of the newest revision.
fn state(bench: &Bench) -> [String; 3] {
    let git = |args: &[&str]| bench.git(args).exits(0).out;
    [
        git(&["rev-parse", "HEAD", "HEAD^{tree}"]),
        git(&["ls-tree", "-r", "HEAD"]),
        git(&["show", "-s", "HEAD"]),
    ]
}

/// Takes the logs away, as in a clone.
fn without_logs(bench: &Bench) {
    let rides = bench.bike.join("rides");
    if rides.exists() {
        std::fs::remove_dir_all(rides).expect("removed");
    }
}

fn one_file_each(bench: &Bench, folder: &str) -> Vec<PathBuf> {
    bench.on_bike(&["evidence", "collect", "--out", folder]).exits(0);
    let entries = std::fs::read_dir(bench.home().join(folder)).expect("listed").flatten();
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
    files.sort();
    files
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

#[test]
fn merged_evidence_makes_the_revision_that_the_logs_make() {
    let by_logs = ridden();
    by_logs.on_bike(&["edit", "lock", "--rpm", "3000", "--load", "14", "--why", "by ear"]).exits(0);
    let by_evidence = by_logs.twin();
    let before = by_evidence.snapshot();
    let files = one_file_each(&by_evidence, "each");
    assert_eq!(files.len(), 5, "a copy is the same ride");
    assert!(by_evidence.snapshot() == before, "collecting wrote into the bike folder");
    // Two halves that share a ride, merged in either order.
    let merge = |files: &[&Path], out: &str| {
        let mut args = vec!["evidence", "merge", "--out", out];
        args.extend(files.iter().map(|file| text(file)));
        by_evidence.rideloop(&args).exits(0);
        std::fs::read(by_evidence.home().join(out)).expect("read")
    };
    merge(&[&files[3], &files[0], &files[4]], "a.parquet");
    merge(&[&files[1], &files[2], &files[3]], "b.parquet");
    let (a, b) = (Path::new("a.parquet"), Path::new("b.parquet"));
    let merged = merge(&[a, b], "all.parquet");
    assert!(merged == merge(&[b, a, b, &files[2]], "again.parquet"), "the order or a double shows");
    by_evidence.on_bike(&["evidence", "collect", "--out", "whole.parquet"]).exits(0);
    assert!(merged == std::fs::read(by_evidence.home().join("whole.parquet")).expect("read"));

    without_logs(&by_evidence);
    let dry =
        by_evidence.on_bike(&["--json", "run", "--dry-run", "--evidence", "all.parquet"]).exits(0).json();
    assert_ne!(dry["cells_changed"], 0);
    assert_eq!(dry, by_logs.on_bike(&["--json", "run", "--dry-run"]).exits(0).json());
    by_logs.on_bike(&["run"]).exits(0);
    by_evidence.on_bike(&["run", "--evidence", "all.parquet"]).exits(0);
    assert_eq!(state(&by_evidence), state(&by_logs));
    by_evidence.assert_whole();

    // The next round: the old rides' evidence holds on, since only today's fuel changed.
    by_logs.simulate(9, 6);
    let log = std::fs::read(by_logs.bike.join("rides/r3/sim-9.csv")).expect("ridden");
    by_evidence.write("rides/r3/sim-9.csv", log);
    by_evidence.on_bike(&["evidence", "collect", "--out", "new.parquet"]).exits(0);
    by_evidence
        .rideloop(&["evidence", "merge", "all.parquet", "new.parquet", "--out", "next.parquet"])
        .exits(0);
    without_logs(&by_evidence);
    by_evidence.on_bike(&["run", "--evidence", "next.parquet"]).exits(0);
    by_logs.on_bike(&["run"]).exits(0);
    assert_eq!(state(&by_evidence), state(&by_logs));
}

#[test]
fn a_folder_without_a_history_becomes_one_in_the_same_way() {
    let by_logs = ridden();
    assert!(!by_logs.bike.join(".git").exists());
    let by_evidence = by_logs.twin();
    by_evidence.on_bike(&["evidence", "collect", "--out", "all.parquet"]).exits(0);
    without_logs(&by_evidence);
    by_logs.on_bike(&["run"]).exits(0);
    by_evidence.on_bike(&["run", "--evidence", "all.parquet"]).exits(0);
    assert_eq!(state(&by_evidence), state(&by_logs));
    assert!(by_logs.read("rides.yaml").contains("waiting"), "nothing had to be remembered");
}

#[test]
fn evidence_from_elsewhere_is_refused_and_says_what_differs() {
    let bench = Bench::with_bike();
    bench.simulate(1, 3);
    bench.on_bike(&["evidence", "collect", "--out", "all.parquet"]).exits(0);
    let refused = |bench: &Bench, why: &str| {
        bench.on_bike(&["run", "--evidence", "all.parquet"]).exits(3).says("other_evidence").says(why);
    };
    let wrong = ["run", "--evidence", "all.parquet", "--pipeline", "dyno"];
    bench.on_bike(&wrong).exits(3).says("the pipeline (road, here dyno)").says("--pipeline road");
    let wrong = ["run", "--evidence", "all.parquet", "--slot", "economy"];
    bench.on_bike(&wrong).exits(3).says("the slot (power, here economy)");

    let road = std::fs::read_to_string("pipelines/road.yaml").expect("shipped");
    bench.write("pipelines/road.yaml", road.replace("settle_s: 30", "settle_s: 31"));
    refused(&bench, "the text of the pipeline road");
    std::fs::remove_dir_all(bench.bike.join("pipelines")).expect("removed");

    let settings = bench.read("bike.yaml");
    bench.write("bike.yaml", settings.replacen("8200", "8300", 1));
    refused(&bench, "bike.yaml");
    bench.write("bike.yaml", &settings);

    let mixture = bench.read("maps/power/mixture.csv");
    bench.write("maps/power/mixture.csv", mixture.replacen("1.000", "0.990", 1));
    bench.on_bike(&["import", "--from-folder", "--why", "richer"]).exits(0);
    refused(&bench, "the mixture table");

    // The same settings, tables and even ride, and yet another bike: its r1 was made a second later.
    let mine = Bench::with_bike();
    mine.simulate(2, 3);
    let theirs = mine.twin();
    for (bench, clock) in [(&mine, "1777723200"), (&theirs, "1777723201")] {
        let bike = text(&bench.bike);
        let lock = ["--bike", bike, "edit", "lock", "--rpm", "3000", "--load", "14", "--why", "by ear"];
        let output = bench.command(&lock).env("SOURCE_DATE_EPOCH", clock).output().expect("it starts");
        Said::new(output).exits(0);
        bench.on_bike(&["evidence", "collect", "--out", "all.parquet"]).exits(0);
    }
    let other = mine.home().join("all.parquet");
    theirs
        .rideloop(&["evidence", "merge", text(&other), "all.parquet", "--out", "x.parquet"])
        .exits(3)
        .says("the bike's history");
    theirs.on_bike(&["run", "--evidence", text(&other)]).exits(3).says("the bike's history");
}

#[test]
fn two_files_that_contradict_each_other_are_named_and_damage_is_seen() {
    let bench = Bench::with_bike();
    bench.simulate(1, 3);
    bench.on_bike(&["edit", "scale", "+1", "--rpm", "3000", "--load", "14", "--why", "hesitates"]).exits(0);
    // The same log, once as ridden on r1 and once as ridden on r2.
    let twin = bench.twin();
    copy(&twin.bike.join("rides/r1"), &twin.bike.join("rides/r2"));
    std::fs::remove_dir_all(twin.bike.join("rides/r1")).expect("removed");
    let on_r2 = twin.home().join("on-r2.parquet");
    twin.on_bike(&["evidence", "collect", "--out", text(&on_r2)]).exits(0);
    bench.on_bike(&["evidence", "collect", "--out", "on-r1.parquet"]).exits(0);
    bench
        .rideloop(&["evidence", "merge", "on-r1.parquet", text(&on_r2), "--out", "x.parquet"])
        .exits(3)
        .says("on-r1.parquet")
        .says("on-r2.parquet")
        .says("different things of the same ride");

    let whole = std::fs::read(bench.home().join("on-r1.parquet")).expect("read");
    let mut changed = whole.clone();
    changed[whole.len() / 2] ^= 1;
    for (bytes, why) in
        [(&changed[..], "was damaged"), (&whole[..whole.len() / 2], "is no evidence"), (b"", "")]
    {
        bench.write("../broken.parquet", bytes);
        bench.on_bike(&["run", "--evidence", "broken.parquet"]).exits(1).says(why).says("collect");
        bench.rideloop(&["evidence", "merge", "broken.parquet", "--out", "x.parquet"]).exits(1).says(why);
    }
    assert!(!bench.home().join("x.parquet").exists());
    // What is no evidence is never replaced, and evidence is not put among the rides.
    bench.write("../log.parquet", "a log");
    bench.on_bike(&["evidence", "collect", "--out", "log.parquet"]).exits(1).says("holds no evidence");
    let among = bench.bike.join("rides/r1/e.parquet");
    bench.on_bike(&["evidence", "collect", "--out", text(&among)]).exits(1).says("taken for rides");
    bench.rideloop(&["evidence", "merge", "--out", "x.parquet"]).exits(2);
    bench.on_bike(&["run", "--evidence", "on-r1.parquet", "rides/"]).exits(2);
}
