//! `kill -9` at random moments of every command that writes: nothing is lost, nothing needs a hand.
//!
//! RIDELOOP_KILLS=500 makes as many; the suite itself does fewer.

use crate::bench::Bench;
use crate::writers::{
    Known, NEXT, RUN, WRITERS, assert_in_order, head, refs, season, time, undisturbed, wanted,
};
use std::io::{BufRead as _, BufReader};
use std::process::{Command, Stdio};
use std::time::Duration;

const USUAL_KILLS: usize = 14;

/// Of the moments so many may come after the end, since no two runs take the same time.
const BEYOND_THE_END: f64 = 1.1;

/// Kills a command after this share of the time it takes; says whether it was still at work.
fn kill(mut command: Command, whole: Duration, share: f64) -> bool {
    let command = command.stdout(Stdio::null()).stderr(Stdio::null());
    let mut child = command.spawn().expect("starts");
    std::thread::sleep(whole.mul_f64(share * BEYOND_THE_END));
    let met = child.try_wait().expect("asked").is_none();
    child.kill().expect("killed or gone");
    child.wait().expect("reaped");
    met
}

/// A low-discrepancy sequence visits early, late and middle alike.
fn share(n: usize) -> f64 {
    const GOLDEN: f64 = 0.618_033_988_749_895;
    (n as f64 * GOLDEN).fract()
}

fn on_bike(bench: &Bench, args: &[&str]) -> Command {
    let bike = bench.bike.to_str().expect("UTF-8");
    bench.command(&[&["--bike", bike], args].concat())
}

impl Known {
    /// Kills the command, lets somebody look, works on; says whether the kill met it, and whether the
    /// revision stood.
    fn kill(&self, share: f64, recovery: Option<(Duration, f64)>) -> (bool, bool) {
        let bench = season();
        let what = format!("{} killed at {share:.3} of {:?}", self.writer.name, self.whole);
        let met = kill(on_bike(&bench, self.writer.args), self.whole, share);
        // The command that tidies up may be killed as well.
        if let Some((whole, share)) = recovery {
            kill(on_bike(&bench, &["git-setup"]), whole, share);
        }
        let found = head(&bench);
        assert!(found == self.before || found == self.after, "{what}: {found}");
        bench.git(&["fsck", "--strict"]).exits(0);
        // Reading works before anything was tidied up, and shows whole revisions.
        let revisions = if found == self.before { 3 } else { 4 };
        let history = bench.on_bike(&["--json", "history"]).exits(0).json();
        assert_eq!(history.as_array().map(Vec::len), Some(revisions), "{what}");
        bench.on_bike(&["season"]).exits(0);
        if found == self.before {
            undisturbed(&bench, self.writer);
            assert_eq!(head(&bench), self.after, "{what}");
        }
        undisturbed(&bench, NEXT);
        assert_eq!(refs(&bench), self.next, "{what}");
        assert_in_order(&bench, &what);
        (met, found == self.after)
    }
}

#[test]
fn killed_writers_leave_one_whole_revision_and_the_next_command_goes_on() {
    let wanted = wanted("RIDELOOP_KILLS", USUAL_KILLS);
    let kinds: [&Known; WRITERS.len()] = std::array::from_fn(Known::of);
    let recovery = time(|| drop(season().on_bike(&["git-setup"]).exits(0)));
    let (mut met, mut stood) = ([0; WRITERS.len()], [0; WRITERS.len()]);
    for n in 0..wanted {
        let (kind, round) = (n % kinds.len(), n / kinds.len());
        // Each kind begins elsewhere, so that few kills meet many moments.
        let moment = share(round + 7 * kind);
        let again = (round % 2 == 1).then(|| (recovery, share(5 * n)));
        let (at_work, revision) = kinds[kind].kill(moment, again);
        met[kind] += usize::from(at_work);
        stood[kind] += usize::from(at_work && revision);
    }
    for (kind, (met, stood)) in kinds.iter().zip(met.iter().zip(stood)) {
        println!("{}: {met} kills met it at work, the revision stood after {stood}", kind.writer.name);
    }
    let met: usize = met.iter().sum();
    assert!(met > wanted / 4, "only {met} of {wanted} kills met a command at work");
}

#[test]
fn a_killed_first_run_leaves_nothing_or_r1_or_r2() {
    let fresh = Bench::with_bike();
    fresh.simulate(1, 3);
    let whole = fresh.twin();
    let took = time(|| drop(whole.on_bike(RUN.args).exits(0).says("r2")));
    for n in 0..wanted("RIDELOOP_KILLS", USUAL_KILLS).div_ceil(9) {
        let bench = fresh.twin();
        let what = format!("the first run killed at {:.3} of {took:?}", share(n));
        kill(on_bike(&bench, RUN.args), took, share(n));
        bench.on_bike(&[]).exits(0);
        bench.on_bike(RUN.args).exits(0);
        assert_eq!(refs(&bench), refs(&whole), "{what}");
        assert_in_order(&bench, &what);
    }
}

#[test]
fn a_killed_page_is_the_old_one_or_the_new_one() {
    let bench = season();
    let page = bench.bike.join("reports/season.html");
    let args = ["season", "--html", page.to_str().expect("UTF-8")];
    let took = time(|| drop(bench.on_bike(&args).exits(0)));
    let whole = std::fs::read(&page).expect("written");
    let old = [&whole[..], b"<!-- old -->"].concat();
    for n in 0..wanted("RIDELOOP_KILLS", USUAL_KILLS).div_ceil(9) {
        std::fs::write(&page, &old).expect("written");
        kill(on_bike(&bench, &args), took, share(n));
        let found = std::fs::read(&page).expect("a page");
        assert!(found == old || found == whole, "half a page of {} bytes", found.len());
    }
    bench.on_bike(&args).exits(0);
    let left = std::fs::read_dir(page.parent().expect("a folder")).expect("listed").count();
    assert_eq!(left, 1, "unfinished pages are left beside the page");
    assert_in_order(&bench, "killed pages");
}

#[test]
fn a_killed_watch_leaves_what_a_killed_run_leaves() {
    let args = ["--json", "watch", "--commit", "--settle-s", "0.1"];
    let whole = season();
    let mut child = on_bike(&whole, &args).stdout(Stdio::piped()).spawn().expect("starts");
    let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines();
    let took =
        time(|| while !lines.next().expect("a look").expect("a line").contains("\"revision\":\"r4\"") {});
    child.kill().expect("killed");
    child.wait().expect("reaped");
    let run = Known::of(0);
    assert_eq!(head(&whole), run.after);
    for n in 0..wanted("RIDELOOP_KILLS", USUAL_KILLS).div_ceil(9) {
        let bench = season();
        kill(on_bike(&bench, &args), took, share(n));
        let found = head(&bench);
        assert!(found == run.before || found == run.after, "{found}");
        bench.on_bike(RUN.args).exits(0);
        undisturbed(&bench, NEXT);
        assert_eq!(refs(&bench), run.next);
        assert_in_order(&bench, "a killed watch");
    }
}
