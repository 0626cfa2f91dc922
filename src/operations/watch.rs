//! `watch`: which files of the rides folder are ready to be looked at, and the look itself.
//!
//! Listings of the folder enter, with the time they were made at; the rides that are new and whole
//! leave. A file that still grows is left alone: it must not have changed for a while, and one that
//! breaks off in the middle of a line must not have changed for much longer. Nothing here waits or
//! reads a clock.

use super::error::OperationError;
use super::open::{AtHand, OpenBike};
use super::run::{Progress, RunRequest, run_among};
use super::run_report::RunReport;
use crate::bike::WorkTree;
use crate::pipeline::Plan;
use crate::ride::{Loggers, find_in_folder};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// How many times longer a file that seems to be cut off must not have changed: a logger that
/// writes no last line end must not wait for ever, a stalled copy should not be read. Common
/// practice, no source.
const CUT_OFF_PATIENCE: f64 = 10.0;

/// A file in the rides folder at one moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListedRide {
    /// Where it lies.
    pub path: PathBuf,
    /// How to name it.
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// When it was last written, by the clock of the disk it lies on.
    pub modified: Option<SystemTime>,
    /// It ends as a whole file does: a CSV with a line end, a Parquet file with its mark.
    pub is_whole: bool,
}

/// Lists the rides of a bike folder; reads the last bytes of each file and no more.
///
/// # Errors
/// When the folder cannot be listed.
pub fn list_rides(root: &Path) -> io::Result<Vec<ListedRide>> {
    let mut listed = Vec::new();
    // A logger file that is broken just now is told of by the look at the rides.
    let loggers = Loggers::read_whole_ones(&WorkTree { root: root.to_path_buf() }).unwrap_or_default();
    for found in find_in_folder(root, &loggers)? {
        // A file that went away meanwhile is no file.
        let Ok(about) = std::fs::metadata(&found.path) else { continue };
        if about.is_file() {
            listed.push(ListedRide {
                is_whole: ends_whole(&found.path, about.len()).unwrap_or(false),
                path: found.path,
                name: found.name,
                bytes: about.len(),
                modified: about.modified().ok(),
            });
        }
    }
    Ok(listed)
}

/// Whether the end of a file is one: of a text its line end, of a Parquet file its mark. The ends
/// of packed and of measurement files have no mark: they are never known to be cut off.
fn ends_whole(path: &Path, bytes: u64) -> io::Result<bool> {
    /// The last bytes of every Parquet file: Apache Parquet format, "File Format".
    const PARQUET_MARK: [u8; 4] = *b"PAR1";
    /// The low or high byte of a line end in UTF-16.
    const ZERO: u8 = 0;
    const WITHOUT_MARK: [&str; 4] = ["gz", "zst", "mf4", "mdf"];
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    if WITHOUT_MARK.contains(&ending.as_str()) {
        return Ok(bytes > 0);
    }
    let is_parquet = ending == "parquet";
    let length = if is_parquet { PARQUET_MARK.len() as u64 } else { bytes.min(2) };
    if bytes < length || bytes == 0 {
        return Ok(false);
    }
    let mut file = File::open(path)?;
    file.seek(SeekFrom::Start(bytes - length))?;
    let mut end = vec![0; length as usize];
    file.read_exact(&mut end)?;
    Ok(match end.as_slice() {
        end if is_parquet => end == PARQUET_MARK,
        [.., b'\n' | b'\r'] | [b'\n' | b'\r', ZERO] => true,
        _ => false,
    })
}

/// What is known of the files from one listing to the next.
#[derive(Debug)]
pub struct Settling {
    settle_s: f64,
    seen: BTreeMap<PathBuf, Seen>,
}

#[derive(Debug)]
struct Seen {
    bytes: u64,
    modified: Option<SystemTime>,
    unchanged_since_s: f64,
    looked_at: bool,
}

/// What a listing tells.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadyRides {
    /// Rides that are ready and were not looked at as they are now.
    pub new: Vec<ListedRide>,
    /// Every ride that is ready, by where it lies.
    pub settled: Vec<PathBuf>,
    /// After so many seconds the next one may be ready.
    pub next_in_s: Option<f64>,
}

impl Settling {
    /// Begins to watch. Files that the clock says were written long ago are ready at once;
    /// `now` is that clock, and `now_s` one that never jumps.
    pub fn begin(settle_s: f64, listed: &[ListedRide], now_s: f64, now: SystemTime) -> Self {
        let mut settling = Self { settle_s, seen: BTreeMap::new() };
        for ride in listed {
            let age = ride.modified.and_then(|modified| now.duration_since(modified).ok());
            let age_s = age.map_or(0.0, |age| age.as_secs_f64());
            settling.seen.insert(ride.path.clone(), Seen::new(ride, now_s - age_s));
        }
        settling
    }

    /// Which rides are ready, by this listing and those before.
    pub fn ready(&mut self, listed: &[ListedRide], now_s: f64) -> ReadyRides {
        self.seen.retain(|path, _| listed.iter().any(|ride| ride.path == *path));
        let mut ready = ReadyRides { new: Vec::new(), settled: Vec::new(), next_in_s: None };
        for ride in listed {
            let seen = self.seen.entry(ride.path.clone()).or_insert_with(|| Seen::new(ride, now_s));
            if (seen.bytes, seen.modified) != (ride.bytes, ride.modified) {
                *seen = Seen::new(ride, now_s);
            }
            let patience = if ride.is_whole { 1.0 } else { CUT_OFF_PATIENCE };
            let left_s = self.settle_s * patience - (now_s - seen.unchanged_since_s);
            if left_s > 0.0 {
                let next_in_s = ready.next_in_s.unwrap_or(f64::INFINITY);
                ready.next_in_s = Some(next_in_s.min(left_s));
                continue;
            }
            ready.settled.push(ride.path.clone());
            if !seen.looked_at {
                ready.new.push(ride.clone());
            }
        }
        ready
    }

    /// These rides were looked at; as they are, they are not new any more.
    pub fn looked_at(&mut self, rides: &[ListedRide]) {
        for ride in rides {
            if let Some(seen) = self.seen.get_mut(&ride.path) {
                seen.looked_at = true;
            }
        }
    }
}

impl Seen {
    fn new(ride: &ListedRide, unchanged_since_s: f64) -> Self {
        Self { bytes: ride.bytes, modified: ride.modified, unchanged_since_s, looked_at: false }
    }
}

/// Whether watching can begin at all: the folder, the slot and the pipeline are there.
///
/// # Errors
/// What is missing.
pub fn watch_begin(root: &Path, request: &RunRequest) -> Result<(), OperationError> {
    let bike = OpenBike::open(root)?;
    bike.slot(request.slot.as_deref())?;
    let plan = Plan::find(&request.pipeline, &bike.folder.work_tree())?;
    Ok(plan.check_against(&bike.folder.bike)?)
}

/// One look: what a run over the rides that are ready would do, and with a request that is no dry
/// run the run itself. The writer's lock is taken only when there is something to commit.
///
/// # Errors
/// Those of [`run`](super::run()).
pub fn watch_look(
    root: &Path,
    request: &RunRequest,
    settled: &[PathBuf],
    progress: &dyn Progress,
) -> Result<RunReport, OperationError> {
    let dry = RunRequest { dry_run: true, ..request.clone() };
    let at_hand = || AtHand::Settled(settled.to_vec());
    // What a kill interrupted must be put in order first, which only a run that writes does.
    if !request.dry_run && is_interrupted(root)? {
        return run_among(root, request, at_hand(), progress);
    }
    let would = run_among(root, &dry, at_hand(), progress)?;
    match request.dry_run || would.refused.is_some() || would.cells_changed == 0 {
        true => Ok(RunReport { dry_run: request.dry_run, ..would }),
        false => run_among(root, request, at_hand(), progress),
    }
}

fn is_interrupted(root: &Path) -> Result<bool, OperationError> {
    let Some(store) = crate::ledger::Store::open(root)? else { return Ok(false) };
    Ok(store.pending()?.is_some())
}

/// Whether a look should be tried again by itself: another program holds a lock just now.
pub fn is_busy(error: &OperationError) -> bool {
    match error {
        OperationError::Refused(refusal) => ["busy", "foreign_lock", "head_moved"].contains(&refusal.guard),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    const SETTLE_S: f64 = 2.0;

    fn ride(name: &str, bytes: u64, is_whole: bool) -> ListedRide {
        let modified = Some(SystemTime::UNIX_EPOCH + Duration::from_secs(1000));
        ListedRide { path: PathBuf::from(name), name: name.to_owned(), bytes, modified, is_whole }
    }

    /// Watching from nothing, at second 0.
    fn fresh() -> Settling {
        Settling::begin(SETTLE_S, &[], 0.0, SystemTime::UNIX_EPOCH)
    }

    fn names(ready: &ReadyRides) -> Vec<&str> {
        ready.new.iter().map(|ride| ride.name.as_str()).collect()
    }

    #[test]
    fn a_file_is_ready_when_it_has_not_changed_for_long_enough() {
        let mut settling = fresh();
        let ready = settling.ready(&[ride("a.csv", 10, true)], 1.0);
        assert_eq!((names(&ready).len(), ready.next_in_s), (0, Some(2.0)));
        // It grows: the wait begins again.
        assert_eq!(settling.ready(&[ride("a.csv", 20, true)], 2.9).next_in_s, Some(2.0));
        assert!(settling.ready(&[ride("a.csv", 20, true)], 4.0).settled.is_empty());
        let ready = settling.ready(&[ride("a.csv", 20, true)], 4.9);
        assert_eq!((names(&ready), ready.next_in_s), (vec!["a.csv"], None));
    }

    #[test]
    fn a_file_that_breaks_off_waits_longer_but_not_for_ever() {
        let mut settling = fresh();
        let cut = [ride("a.csv", 10, false)];
        assert_eq!(settling.ready(&cut, 0.0).next_in_s, Some(20.0));
        assert!(settling.ready(&cut, 19.0).settled.is_empty());
        assert_eq!(names(&settling.ready(&cut, 20.0)), ["a.csv"]);
    }

    #[test]
    fn a_growing_file_does_not_hold_up_the_others() {
        let mut settling = fresh();
        for (second, bytes) in [(0.0, 1), (1.0, 2), (2.0, 3)] {
            let ready = settling.ready(&[ride("a.csv", bytes, true), ride("b.csv", 9, true)], second);
            let expected: &[&str] = if second < 2.0 { &[] } else { &["b.csv"] };
            assert_eq!(names(&ready), expected);
            assert_eq!(ready.settled.len(), expected.len());
        }
    }

    #[test]
    fn a_ride_is_new_until_it_was_looked_at_and_again_when_it_changed() {
        let mut settling = fresh();
        let rides = [ride("a.csv", 10, true)];
        settling.ready(&rides, 0.0);
        // A look that was put off leaves it new.
        assert_eq!(names(&settling.ready(&rides, 2.0)), ["a.csv"]);
        assert_eq!(names(&settling.ready(&rides, 3.0)), ["a.csv"]);
        settling.looked_at(&rides);
        let ready = settling.ready(&rides, 4.0);
        assert_eq!((names(&ready).len(), ready.settled.len()), (0, 1));
        let longer = [ride("a.csv", 12, true)];
        settling.ready(&longer, 5.0);
        assert_eq!(names(&settling.ready(&longer, 7.0)), ["a.csv"]);
        // Taken away and put back, it is looked at again.
        settling.looked_at(&longer);
        settling.ready(&[], 8.0);
        settling.ready(&longer, 9.0);
        assert_eq!(names(&settling.ready(&longer, 11.0)), ["a.csv"]);
    }

    #[test]
    fn what_lay_there_for_long_is_ready_at_once() {
        let written = SystemTime::UNIX_EPOCH + Duration::from_secs(1000);
        let rides = [ride("a.csv", 10, true)];
        let at = |now: SystemTime| Settling::begin(SETTLE_S, &rides, 5.0, now).ready(&rides, 5.0);
        assert_eq!(names(&at(written + Duration::from_secs(60))), ["a.csv"]);
        // Just written, or by a clock that is ahead of ours.
        assert!(at(written + Duration::from_secs(1)).new.is_empty());
        assert!(at(written - Duration::from_secs(60)).new.is_empty());
    }

    #[test]
    fn the_end_of_a_file_tells_whether_it_is_whole() {
        let dir = tempfile::tempdir().expect("a folder");
        let rides = dir.path().join("rides/r1");
        std::fs::create_dir_all(&rides).expect("made");
        for (name, bytes) in [
            ("whole.csv", &b"time_s\n0\n"[..]),
            ("cut.csv", b"time_s\n0"),
            ("empty.csv", b""),
            ("whole.parquet", b"PAR1....PAR1"),
            ("cut.parquet", b"PAR1..\n"),
            ("whole.tsv", b"t\tn\r"),
            ("utf16.csv", b"\n\0"),
            ("packed.csv.gz", b"\x1f\x8b"),
        ] {
            std::fs::write(rides.join(name), bytes).expect("written");
        }
        let listed = list_rides(dir.path()).expect("listed");
        let whole: Vec<&str> = listed.iter().filter(|r| r.is_whole).map(|r| r.name.as_str()).collect();
        assert_eq!(
            (listed.len(), whole),
            (8, vec!["r1/packed.csv.gz", "r1/utf16.csv", "r1/whole.csv", "r1/whole.parquet", "r1/whole.tsv"])
        );
    }
}
