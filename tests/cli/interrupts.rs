//! Ctrl-C at many moments: what was begun is whole, or was never there.
//!
//! RIDELOOP_STOPS=200 makes as many for each command; the suite itself does fewer.

use crate::bench::Bench;
use crate::writers::{RUN, head, season, time, unfinished, wanted};
use std::path::PathBuf;
use std::process::{Command, ExitStatus, Stdio};
use std::time::Duration;

const USUAL_STOPS: usize = 6;
/// As a shell tells an end by SIGINT.
const STOPPED: i32 = 130;

fn on_bike(bench: &Bench, args: &[&str]) -> Command {
    let bike = bench.bike.to_str().expect("UTF-8");
    let mut command = bench.command(&[&["--bike", bike], args].concat());
    command.stdout(Stdio::null()).stderr(Stdio::piped());
    command
}

/// Sends a signal after a while; how the command ended, and what it said.
fn stop(mut command: Command, signal: &str, after: Duration) -> (ExitStatus, String) {
    let child = command.spawn().expect("starts");
    std::thread::sleep(after);
    let pid = child.id().to_string();
    let _ = Command::new("kill").args(["-s", signal, &pid]).stderr(Stdio::null()).status();
    let ended = child.wait_with_output().expect("ended");
    (ended.status, String::from_utf8(ended.stderr).expect("UTF-8"))
}

/// What lies in the home folder, besides the cache.
fn home(bench: &Bench) -> Vec<PathBuf> {
    let listed = std::fs::read_dir(bench.home()).expect("listed").flatten().map(|entry| entry.path());
    let mut listed: Vec<PathBuf> = listed.filter(|path| *path != bench.cache()).collect();
    listed.sort();
    listed
}

/// Stops a command at many moments. `is_done` tells whether it had its way.
fn stop_often(args: &[&str], is_done: &dyn Fn(&Bench) -> bool) {
    let whole = season();
    let took = time(|| drop(whole.on_bike(args).exits(0)));
    let expected = head(&whole);
    let mut asked = 0;
    let wanted = wanted("RIDELOOP_STOPS", USUAL_STOPS);
    for n in 0..wanted {
        let bench = season();
        let (before, folder) = (bench.snapshot(), home(&bench));
        let signal = if n % 3 == 2 { "TERM" } else { "INT" };
        let after = took.mul_f64((n as f64 + 0.5) / wanted as f64);
        let (status, said) = stop(on_bike(&bench, args), signal, after);
        let what = format!("{args:?} stopped after {after:?} of {took:?}: {status} {said}");
        let mut left = Vec::new();
        unfinished(&bench.bike, &mut left);
        assert!(left.is_empty() && home(&bench) == folder, "{what} left {left:?}");
        match status.code() {
            Some(0) => {
                assert!(is_done(&bench), "{what}");
                assert_eq!(head(&bench), expected, "{what}");
                bench.assert_whole();
            }
            // Before it listened, and where it only reads, it is ended by the signal itself.
            None | Some(STOPPED) => {
                assert!(bench.snapshot() == before, "{what}");
                if status.code() == Some(STOPPED) {
                    asked += 1;
                    assert_eq!(said, "stopped; nothing was written\n", "{what}");
                }
            }
            Some(other) => panic!("{other}: {what}"),
        }
    }
    println!("{args:?}: {asked} of {wanted} were heeded");
}

#[test]
fn a_stopped_run_made_the_revision_or_nothing() {
    let before = head(&season());
    stop_often(RUN.args, &|bench| head(bench) != before);
}

#[test]
fn a_stopped_dry_run_leaves_nothing() {
    stop_often(&["run", "--dry-run", "--no-cache"], &|_| true);
}

#[test]
fn a_stopped_edit_is_whole_or_was_none() {
    let before = head(&season());
    let args = ["edit", "scale", "+1", "--rpm", "3000", "--why", "hesitates"];
    stop_often(&args, &|bench| head(bench) != before);
}

#[test]
fn a_stopped_page_is_whole_or_was_none() {
    let page = |bench: &Bench| std::fs::read_to_string(bench.bike.join("reports/season.html"));
    let args = ["season", "--html", "bike/reports/season.html"];
    stop_often(&args, &|bench| page(bench).is_ok_and(|page| page.trim_end().ends_with("</html>")));
}

#[test]
fn a_run_that_was_stopped_goes_on_from_what_it_had_read() {
    let bench = season();
    bench.on_bike(&["run", "--dry-run"]).exits(0);
    let took = time(|| drop(season().on_bike(&["run"]).exits(0)));
    let before = bench.snapshot();
    stop(on_bike(&bench, &["run"]), "INT", took / 3);
    if bench.snapshot() == before {
        bench.on_bike(&["run"]).exits(0).says("r4");
    }
    bench.assert_whole();
}
