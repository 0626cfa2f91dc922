//! A disk that fills up: a command says so and changes nothing, and goes on when there is room.
//!
//! A small disk is mounted for it, which only root may do; elsewhere that is said aloud and left out, and a
//! limit on the size of a file, which anybody may set, stands in for it.
//! RIDELOOP_FULL_DISKS=450 tries as many; the suite itself does fewer.

use crate::bench::{Bench, Said, copy};
use crate::writers::{
    IMPORTED, Known, NEXT, RUN, WRITERS, assert_in_order, head, refs, season, undisturbed, wanted,
};
use std::fs::{self, File};
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};
use std::process::Command;

const USUAL_DISKS: usize = 18;

/// Room that is left, KB; then every page up to more than any command needs.
const LEFT_KB: [u64; 5] = [0, 4, 16, 64, 256];
const PAGE_KB: u64 = 4;
const ENOUGH_KB: u64 = 300;

/// These, and every page up to enough when many are wanted.
fn rooms(usual_kb: &[u64]) -> Vec<u64> {
    let many = wanted("RIDELOOP_FULL_DISKS", USUAL_DISKS) > USUAL_DISKS;
    let more =
        (1..=ENOUGH_KB / PAGE_KB).map(|pages| pages * PAGE_KB).filter(|kb| many && !usual_kb.contains(kb));
    usual_kb.iter().copied().chain(more).collect()
}

/// A bench whose bike folder is a small disk of its own.
struct SmallDisk {
    bench: Bench,
}

impl SmallDisk {
    /// `None` where disks may not be mounted.
    fn holding(other: &Bench) -> Option<Self> {
        let bench = Bench::empty();
        fs::create_dir(&bench.bike).expect("made");
        let mounted =
            Command::new("mount").args(["-t", "tmpfs", "-o", "size=8m", "tmpfs"]).arg(&bench.bike).output();
        if !mounted.is_ok_and(|said| said.status.success()) {
            // Past the tests' own capture, which keeps a passing test quiet.
            let _ = writeln!(
                std::io::stderr(),
                "NOT TESTED: a full disk. Only root may mount a small one; run the tests as root once."
            );
            return None;
        }
        let disk = Self { bench };
        if other.bike.is_dir() {
            copy(&other.bike, &disk.bench.bike);
        }
        if let Ok(table) = fs::read(other.home().join(IMPORTED)) {
            fs::write(disk.bench.home().join(IMPORTED), table).expect("written");
        }
        Some(disk)
    }

    fn filling(&self) -> PathBuf {
        self.bench.bike.join("rides/films.bin")
    }

    /// Fills the disk up to so many KB.
    fn fill(&self, left_kb: u64) {
        fs::create_dir_all(self.bench.bike.join("rides")).expect("made");
        let mut file = File::create(self.filling()).expect("made");
        let page = [b'.'; PAGE_KB as usize * 1024];
        let full = loop {
            if let Err(error) = file.write_all(&page) {
                break error;
            }
        };
        assert_eq!(full.kind(), ErrorKind::StorageFull);
        let bytes = file.metadata().expect("known").len();
        file.set_len(bytes - left_kb * 1024).expect("shortened");
    }

    fn make_room(&self) {
        fs::remove_file(self.filling()).expect("removed");
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").args(["-l".as_ref(), self.bench.bike.as_os_str()]).status();
    }
}

/// The command failed for want of room, and says what to do.
fn assert_no_room(said: Said, what: &str) {
    assert_eq!(said.code, 1, "{what}: {said:#?}");
    assert!(said.complains("make room") && said.complains("then run again"), "{what}: {said:#?}");
    assert!(!said.complains("panicked"), "{what}: {said:#?}");
}

/// After a command that met no room, or found enough: all or nothing; and with room it goes on.
fn assert_all_or_nothing(
    bench: &Bench,
    known: &Known,
    said: Said,
    make_room: impl FnOnce(),
    what: &str,
) -> bool {
    let enough = said.code == 0;
    if !enough {
        assert_no_room(said, what);
    }
    assert_eq!(head(bench), if enough { &*known.after } else { &*known.before }, "{what}");
    // Git's own status would note on the disk what it saw.
    assert_eq!(bench.git(&["--no-optional-locks", "status", "--porcelain"]).exits(0).out, "", "{what}");
    bench.git(&["fsck", "--strict"]).exits(0);
    bench.on_bike(&["history"]).exits(0);
    bench.on_bike(&["verify", "r1"]).exits(0).says("all fit together");
    make_room();
    if !enough {
        undisturbed(bench, known.writer);
    }
    undisturbed(bench, NEXT);
    assert_eq!(refs(bench), known.next, "{what}");
    assert_in_order(bench, what);
    enough
}

#[test]
fn a_full_disk_stops_every_writer_before_anything_happened() {
    let rounds = rooms(&LEFT_KB).into_iter().flat_map(|kb| (0..WRITERS.len()).map(move |kind| (kb, kind)));
    let wanted = wanted("RIDELOOP_FULL_DISKS", USUAL_DISKS);
    // The suite's few rounds take every other writer of every room.
    let every = if wanted < LEFT_KB.len() * WRITERS.len() { 2 } else { 1 };
    let (mut full, mut enough) = (0, 0);
    for (n, (left_kb, kind)) in
        rounds.enumerate().filter(|(n, _)| (n + n / WRITERS.len()).is_multiple_of(every)).take(wanted)
    {
        let known = Known::of(kind);
        let Some(disk) = SmallDisk::holding(&season()) else { return };
        let what = format!("round {n}, {} with {left_kb} KB left", known.writer.name);
        disk.fill(left_kb);
        let said = disk.bench.on_bike(known.writer.args);
        match assert_all_or_nothing(&disk.bench, known, said, || disk.make_room(), &what) {
            true => enough += 1,
            false => full += 1,
        }
    }
    println!("{full} commands found no room, {enough} found enough");
    assert!(full > wanted / 4 && enough > 0);
}

#[test]
fn the_first_run_on_a_full_disk_can_be_made_again() {
    let fresh = Bench::with_bike();
    fresh.simulate(1, 3);
    let whole = fresh.twin();
    whole.on_bike(RUN.args).exits(0).says("r2");
    for left_kb in rooms(&[0, 4, 32, 64, 128]) {
        let Some(disk) = SmallDisk::holding(&fresh) else { return };
        let what = format!("the first run with {left_kb} KB left");
        disk.fill(left_kb);
        let said = disk.bench.on_bike(RUN.args);
        if said.code != 0 {
            assert_no_room(said, &what);
        }
        disk.bench.on_bike(&[]).exits(0);
        disk.make_room();
        disk.bench.on_bike(RUN.args).exits(0);
        assert_eq!(refs(&disk.bench), refs(&whole), "{what}");
        assert_in_order(&disk.bench, &what);
    }
}

#[test]
fn a_new_bike_on_a_full_disk_is_no_folder_or_one_that_goes_on() {
    for left_kb in rooms(&[0, 12, 28, 64]) {
        let Some(disk) = SmallDisk::holding(&Bench::empty()) else { return };
        let what = format!("a new bike with {left_kb} KB left");
        let folder = disk.bench.bike.join("garage/fernhill");
        let new = ["new", folder.to_str().expect("UTF-8")];
        disk.fill(left_kb);
        let said = disk.bench.rideloop(&new);
        if said.code != 0 {
            assert_no_room(said, &what);
        }
        disk.make_room();
        let again = disk.bench.rideloop(&new);
        if again.code != 0 {
            assert!(again.complains("is a bike folder already"), "{what}: {again:#?}");
        }
        let bike = ["--bike", new[1]];
        let edit = ["edit", "add", "0.1", "--rpm", "3000", "--load", "10", "--why", "x"];
        disk.bench.rideloop(&[&bike[..], &edit].concat()).exits(0).says("r2 is committed");
        disk.bench.rideloop(&[&bike[..], &["verify"]].concat()).exits(0).says("all fit together");
    }
}

/// The command line that writes a file, the file, and what stood there before.
fn other_files(bench: &Bench) -> [(Vec<String>, PathBuf); 3] {
    let path = |name: &str| bench.bike.join("reports").join(name);
    let words = |words: &[&str], path: &Path| {
        words.iter().map(|word| word.replace("FILE", path.to_str().expect("UTF-8"))).collect()
    };
    let (season, show, table) = (path("season.html"), path("show.html"), path("fuel.csv"));
    [
        (words(&["season", "--html", "FILE"], &season), season),
        (words(&["show", "r2", "--html", "FILE"], &show), show),
        (words(&["export", "--force", "--out", "FILE"], &table), table),
    ]
}

#[test]
fn a_page_or_a_table_on_a_full_disk_stays_the_old_one() {
    for left_kb in [0, 16, 256] {
        let Some(disk) = SmallDisk::holding(&season()) else { return };
        let bench = &disk.bench;
        let reports = bench.bike.join("reports");
        for (n, (args, path)) in other_files(bench).into_iter().enumerate() {
            let args: Vec<&str> = args.iter().map(String::as_str).collect();
            bench.on_bike(&args).exits(0);
            let old = [&fs::read(&path).expect("there")[..], b"<!-- old -->"].concat();
            fs::write(&path, &old).expect("written");
            disk.fill(left_kb);
            let what = format!("{args:?} with {left_kb} KB left");
            let said = bench.on_bike(&args);
            if said.code != 0 {
                assert_no_room(said, &what);
                assert!(fs::read(&path).expect("there") == old, "{what}");
            }
            assert_eq!(fs::read_dir(&reports).expect("listed").count(), n + 1, "{what} left half a file");
            disk.make_room();
            bench.on_bike(&args).exits(0);
            assert!(fs::read(&path).expect("there") != old, "{what}");
        }
        // A ride is all there or not at all.
        disk.fill(left_kb);
        let said = bench.on_bike(&["simulate", "--warm", "--seed", "9"]);
        assert_no_room(said, "simulate");
        assert_eq!(fs::read_dir(bench.bike.join("rides/r3")).expect("listed").count(), 1);
    }
}

#[test]
#[cfg(unix)]
fn files_that_may_not_grow_stop_every_writer_as_a_full_disk_does() {
    // In half kilobytes, as the shell's `ulimit -f` counts.
    for (n, limit) in ["0", "1", "2", "4", "16", "100"].into_iter().enumerate() {
        let known = Known::of(n % WRITERS.len());
        let bench = season();
        let binary = env!("CARGO_BIN_EXE_rideloop");
        let mut command = bench.isolated(Command::new("sh"));
        // Without the trap the limit would kill instead of refusing.
        command.args(["-c", "trap '' XFSZ; ulimit -f \"$0\"; exec \"$@\"", limit, binary, "--bike"]);
        let said = Said::new(command.arg(&bench.bike).args(known.writer.args).output().expect("starts"));
        let what = format!("{} with files of at most {limit} half KB", known.writer.name);
        assert!(!assert_all_or_nothing(&bench, known, said, || (), &what), "{what} found room");
    }
}
