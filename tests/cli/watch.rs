//! Waiting for rides: half a copy is left alone, and nothing that goes wrong ends the wait.

use crate::answers::assert_fits;
use crate::bench::{Bench, Said};
use serde_json::Value;
use std::io::{BufRead as _, BufReader};
use std::process::{Child, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// A watch at work, with its looks as they come.
struct Watching {
    child: Child,
    looks: Receiver<String>,
}

impl Watching {
    fn begin(bench: &Bench, options: &[&str]) -> Self {
        let bike = bench.bike.to_str().expect("UTF-8");
        let args = ["--bike", bike, "--json", "watch", "--settle-s", "0.3"];
        let args: Vec<&str> = args.iter().chain(options).copied().collect();
        let mut command = bench.command(&args);
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
        let lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        let (sender, looks) = channel();
        std::thread::spawn(move || lines.map_while(Result::ok).try_for_each(|line| sender.send(line)));
        Self { child, looks }
    }

    /// The next look.
    fn look(&self, bench: &Bench) -> Value {
        let line = self.looks.recv_timeout(Duration::from_secs(60)).expect("a look");
        let look = serde_json::from_str(&line).expect("one JSON document a line");
        assert_fits(bench, "watch", &look);
        look
    }

    /// Waits for the end.
    fn end(self) -> Said {
        Said::new(self.child.wait_with_output().expect("ends"))
    }
}

/// A bike without rides, and the text of one made on its map.
fn bike_and_ride(bench: &Bench, seed: u32) -> String {
    bench.simulate(seed, 12);
    let name = format!("rides/r1/sim-{seed}.csv");
    let ride = bench.read(&name);
    std::fs::remove_file(bench.bike.join(name)).expect("removed");
    ride
}

#[test]
fn a_ride_that_is_copied_in_slowly_is_looked_at_once_and_whole() {
    let bench = Bench::with_bike();
    let ride = bike_and_ride(&bench, 1);
    let watching = Watching::begin(&bench, &["--once"]);
    let nothing = watching.look(&bench);
    assert_eq!((&nothing["format_version"], &nothing["files"]), (&1.into(), &serde_json::json!([])));
    assert!(nothing["run"]["nothing"].as_str().expect("words").contains("no ride yet"), "{nothing:#}");
    // Cut in the middle of a line, and left so for longer than a whole file would have to wait.
    let half = ride.len() / 2 + usize::from(ride.as_bytes()[ride.len() / 2 - 1] == b'\n');
    bench.write("rides/r1/monday.csv", &ride[..half]);
    std::thread::sleep(Duration::from_millis(1000));
    assert!(watching.looks.try_recv().is_err(), "half a ride was looked at");
    bench.write("rides/r1/monday.csv", &ride);
    let look = watching.look(&bench);
    assert_eq!(look["files"], serde_json::json!(["r1/monday.csv"]));
    let run = &look["run"];
    assert_eq!(run["rides"][0]["samples"], ride.lines().count() - 1, "{look:#}");
    assert!(run["dry_run"] == true && run["revision"].is_null() && run["cells_changed"].as_u64() > Some(20));
    watching.end().exits(0);
    // Nothing was written.
    assert!(!bench.bike.join(".git").exists() && !bench.bike.join("rides.yaml").exists());
}

#[test]
fn two_watchers_that_commit_make_one_revision_of_one_ride() {
    let bench = Bench::with_bike();
    let ride = bike_and_ride(&bench, 1);
    let watchers = [0, 1].map(|_| Watching::begin(&bench, &["--once", "--commit"]));
    for watching in &watchers {
        watching.look(&bench);
    }
    bench.write("rides/r1/monday.csv", &ride);
    let made = watchers.map(|watching| {
        let look = watching.look(&bench);
        watching.end().exits(0);
        look["run"]["revision"].as_str().map(str::to_owned)
    });
    assert!(made.iter().flatten().eq(["r2"]), "{made:?}");
    let history = bench.on_bike(&["--json", "history"]).exits(0).json();
    assert_eq!(history.as_array().map(Vec::len), Some(2));
    bench.assert_whole();
}

#[test]
fn a_broken_ride_and_a_refusal_are_told_and_watching_goes_on() {
    let bench = Bench::with_bike();
    let (first, second) = (bike_and_ride(&bench, 1), bike_and_ride(&bench, 2));
    let watching = Watching::begin(&bench, &["--commit"]);
    watching.look(&bench);
    bench.write("rides/r1/broken.csv", "this is\nno ride\n");
    let look = watching.look(&bench);
    assert_eq!(look["files"], serde_json::json!(["r1/broken.csv"]));
    assert!(look["run"].is_null() && look["refused"].is_null(), "{look:#}");
    assert!(look["error"]["what"].as_str().expect("words").contains("broken.csv"), "{look:#}");
    bench.write("rides/r1/monday.csv", &first);
    let look = watching.look(&bench);
    assert_eq!(look["run"]["revision"], "r2", "{look:#}");
    let fuel = bench.read("maps/power/fuel.csv");
    bench.write("maps/power/fuel.csv", fuel.replacen('5', "4", 1));
    bench.write("rides/r2/tuesday.csv", &second);
    let look = watching.look(&bench);
    assert_eq!(look["refused"]["guard"], "uncommitted_edits", "{look:#}");
    // Put right, the same ride counts with the next that comes.
    bench.write("maps/power/fuel.csv", &fuel);
    bench.write("rides/r2/wednesday.csv", second.replacen(",", ", ", 1));
    let look = watching.look(&bench);
    assert_eq!(look["run"]["revision"], "r3", "{look:#}");
    interrupt(&watching.child);
    let said = watching.end().exits(0);
    assert!(said.err.starts_with("watching ") && said.err.lines().count() == 1, "{said:#?}");
}

#[cfg(unix)]
fn interrupt(child: &Child) {
    let killed = std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(killed.expect("kill starts").success());
}

#[test]
fn a_ride_is_found_where_the_file_system_tells_of_no_change() {
    let bench = Bench::with_bike();
    let ride = bike_and_ride(&bench, 1);
    // There is nothing to listen to yet, as on a network mount: only looking finds it.
    std::fs::remove_dir_all(bench.bike.join("rides")).expect("removed");
    let watching = Watching::begin(&bench, &["--once"]);
    watching.look(&bench);
    bench.write("rides/monday.csv", ride);
    let look = watching.look(&bench);
    assert_eq!(look["files"], serde_json::json!(["monday.csv"]));
    assert_eq!(look["run"]["rides"][0]["revision_presumed"], true, "{look:#}");
    watching.end().exits(0);
}

#[test]
fn watching_does_not_begin_without_a_bike_a_slot_or_a_pipeline() {
    let bench = Bench::with_bike();
    bench.rideloop(&["watch"]).exits(1).says("is not a bike folder");
    bench.on_bike(&["watch", "--slot", "sport"]).exits(1).says("there is no slot");
    bench.on_bike(&["watch", "--pipeline", "raod"]).exits(1).says("raod");
    bench.on_bike(&["watch", "--settle-s", "0"]).exits(2).says("must be between 0.1 and 3600");
}
