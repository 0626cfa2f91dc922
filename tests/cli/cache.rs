//! Work that is kept between commands changes how long they take, and nothing else.

use crate::bench::{Bench, Said};
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

const DRY_RUN: [&str; 3] = ["--json", "run", "--dry-run"];

fn with_rides(seeds: &[u32]) -> Bench {
    let bench = Bench::with_bike();
    for seed in seeds {
        bench.simulate(*seed, 4);
    }
    bench
}

fn with_cache_at(bench: &Bench, cache: impl AsRef<OsStr>, args: &[&str]) -> Said {
    let bike = bench.bike.to_str().expect("UTF-8");
    let mut command = bench.command(&[&["--bike", bike], args].concat());
    Said::new(command.env("RIDELOOP_CACHE", cache).output().expect("the binary starts"))
}

/// What is kept of one kind.
fn kept(bench: &Bench, kind: &str) -> Vec<PathBuf> {
    let listed = fs::read_dir(bench.cache().join(kind)).into_iter().flatten();
    let mut kept: Vec<PathBuf> = listed.map(|entry| entry.expect("an entry").path()).collect();
    kept.sort();
    kept
}

#[test]
fn what_was_kept_changes_no_byte_of_an_answer_or_a_commit() {
    let bench = with_rides(&[1, 2]);
    let plain = bench.on_bike(&[&DRY_RUN[..], &["--no-cache"]].concat()).exits(0).out;
    assert!(!bench.cache().exists());
    let bike = bench.snapshot();
    let cold = bench.on_bike(&DRY_RUN).exits(0).out;
    assert_eq!(kept(&bench, "records").len(), 2);
    let warm = bench.on_bike(&DRY_RUN).exits(0).out;
    assert!(plain == cold && cold == warm);
    let checked = bench.on_bike(&["--json", "check"]).out;
    assert_eq!(kept(&bench, "checks").len(), 2);
    assert_eq!(checked, bench.on_bike(&["--json", "check"]).out);
    assert_eq!(checked, with_cache_at(&bench, "off", &["--json", "check"]).out);
    assert!(bench.snapshot() == bike);

    let other = bench.twin();
    other.on_bike(&["run", "--no-cache"]).exits(0);
    assert!(!other.cache().exists());
    bench.on_bike(&["run"]).exits(0);
    let head = |bench: &Bench| bench.git(&["rev-parse", "HEAD"]).exits(0).out;
    assert_eq!(head(&bench), head(&other));
    // Without one the folder of the user's own cache is left alone as well.
    with_cache_at(&other, "off", &["run", "--dry-run"]).exits(0);
    assert!(!other.home().join(".cache").exists());
}

#[test]
fn a_ride_is_not_read_again_after_a_revision_or_under_another_name() {
    let bench = with_rides(&[1]);
    bench.on_bike(&["run"]).exits(0).says("r2");
    let first = kept(&bench, "records");
    assert_eq!(first.len(), 1);
    bench.simulate(2, 4);
    bench.on_bike(&["run"]).exits(0).says("r3");
    let second = kept(&bench, "records");
    assert!(second.len() == 2 && second.contains(&first[0]), "{second:?}");
    let rides = bench.bike.join("rides");
    fs::rename(rides.join("r1/sim-1.csv"), rides.join("r1/first.csv")).expect("renamed");
    bench.simulate(3, 4);
    bench.on_bike(&["run", "--dry-run"]).exits(0);
    let third = kept(&bench, "records");
    assert!(third.len() == 3 && second.iter().all(|record| third.contains(record)), "{third:?}");
    // Another pipeline, another record.
    bench.on_bike(&["run", "--dry-run", "--pipeline", "dyno"]);
    assert_eq!(kept(&bench, "records").len(), 6);
}

#[test]
fn a_ride_that_changed_is_read_anew_and_said_to_be_another() {
    let bench = with_rides(&[1, 2]);
    bench.on_bike(&DRY_RUN).exits(0);
    std::thread::sleep(std::time::Duration::from_millis(2500));
    // The hashes are remembered from here on.
    let before = bench.on_bike(&DRY_RUN).exits(0).out;
    assert_eq!(kept(&bench, "hashes").len(), 1);
    assert_eq!(bench.on_bike(&DRY_RUN).exits(0).out, before);
    let ride = bench.bike.join("rides/r1/sim-1.csv");
    let text = fs::read_to_string(&ride).expect("a ride");
    let times = fs::metadata(&ride).expect("a ride").modified().expect("a time");
    // As long as before, and with the time it had.
    let changed = text.replacen("0.9", "1.0", 1);
    assert_ne!(changed, text);
    fs::write(&ride, changed).expect("written");
    fs::File::options().write(true).open(&ride).and_then(|file| file.set_modified(times)).expect("set");
    let after = bench.on_bike(&DRY_RUN).exits(0);
    assert_ne!(
        after.json()["rides"],
        serde_json::from_str::<serde_json::Value>(&before).expect("JSON")["rides"]
    );
    let fresh = bench.on_bike(&[&DRY_RUN[..], &["--no-cache"]].concat()).exits(0).out;
    assert_eq!(after.out, fresh);
}

#[test]
fn a_damaged_cache_is_told_of_and_mended() {
    let bench = with_rides(&[1, 2]);
    let plain = bench.on_bike(&DRY_RUN).exits(0).json();
    let damage: [&dyn Fn(&Path); 4] = [
        &|path| fs::write(path, "").expect("written"),
        &|path| fs::write(path, vec![b'x'; 5000]).expect("written"),
        &|path| {
            let mut bytes = fs::read(path).expect("a record");
            bytes.pop();
            fs::write(path, bytes).expect("written");
        },
        &|path| {
            let mut bytes = fs::read(path).expect("a record");
            let middle = bytes.len() / 2;
            bytes[middle] ^= 0x10;
            fs::write(path, bytes).expect("written");
        },
    ];
    for how in damage {
        kept(&bench, "records").iter().for_each(|path| how(path));
        let mended = bench.on_bike(&DRY_RUN).exits(0);
        assert_eq!(mended.out.matches("the cache was damaged (2 files").count(), 1, "{mended:#?}");
        assert_eq!(mended.json()["cells"], plain["cells"]);
        assert_eq!(bench.on_bike(&DRY_RUN).exits(0).json(), plain);
    }
    // Two records that changed places.
    let records = kept(&bench, "records");
    let first = fs::read(&records[0]).expect("a record");
    fs::copy(&records[1], &records[0]).expect("copied");
    fs::write(&records[1], first).expect("written");
    bench.on_bike(&DRY_RUN).exits(0).says("the cache was damaged (2 files");
    // `verify` believes nothing that was kept.
    bench.on_bike(&["run"]).exits(0);
    kept(&bench, "records").iter().for_each(|path| damage[0](path));
    let verified = bench.on_bike(&["verify"]).exits(0);
    assert!(
        !verified.out.contains("cache")
            && kept(&bench, "records").iter().all(|p| fs::read(p).is_ok_and(|b| b.is_empty()))
    );
}

#[test]
fn a_cache_that_cannot_be_written_is_none() {
    let bench = with_rides(&[1]);
    let plain = bench.on_bike(&DRY_RUN).exits(0).out;
    let file = bench.home().join("a-file");
    fs::write(&file, "mine").expect("written");
    for nowhere in [file.clone(), PathBuf::from("/dev/null"), PathBuf::from("/proc/no/such")] {
        assert_eq!(with_cache_at(&bench, &nowhere, &DRY_RUN).exits(0).out, plain, "{}", nowhere.display());
        with_cache_at(&bench, &nowhere, &["check"]);
        with_cache_at(&bench, &nowhere, &[]).exits(0);
    }
    assert_eq!(fs::read_to_string(&file).expect("a file"), "mine");
}
