//! `kill -9` at random moments of `run`: nothing is lost, nothing needs a hand.
//!
//! RIDELOOP_KILLS=200 makes as many; the suite itself does fewer.

use crate::bench::Bench;
use std::process::Stdio;
use std::time::{Duration, Instant};

const USUAL_KILLS: u32 = 24;

#[test]
fn killed_runs_leave_the_repository_whole_and_the_next_run_works() {
    let wanted = std::env::var("RIDELOOP_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(USUAL_KILLS);
    let bench = Bench::with_bike();
    bench.simulate(1, 6);
    bench.on_bike(&["run"]).exits(0).says("r2");
    let bike = bench.bike.to_str().expect("UTF-8").to_owned();

    // How long an undisturbed run takes, so that kills fall anywhere in it.
    bench.simulate(2, 6);
    let begun = Instant::now();
    bench.on_bike(&["run"]).exits(0).says("r3");
    let whole_run = begun.elapsed();

    let mut newest = 3;
    let mut killed = 0;
    for seed in 0..wanted {
        bench.simulate(100 + seed, 3);
        // A low-discrepancy sequence visits early, late and middle alike.
        let share = (f64::from(seed) * 0.618_033_988_749_895).fract();
        let mut child = bench
            .command(&["--bike", &bike, "run"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("starts");
        std::thread::sleep(Duration::from_secs_f64(whole_run.as_secs_f64() * 1.1 * share));
        killed += u32::from(child.try_wait().expect("asked").is_none());
        child.kill().expect("killed or gone");
        child.wait().expect("reaped");

        // What is there is whole: the last revision or the next one.
        let fsck = bench.git(&["fsck", "--strict"]).exits(0);
        assert!(!fsck.err.contains("error"), "{fsck:?}");
        let history = bench.on_bike(&["--json", "history"]).exits(0).json();
        let found = history[0]["revision"].as_str().expect("a name").to_owned();
        assert!(
            found == format!("r{newest}") || found == format!("r{}", newest + 1),
            "{found} after r{newest}"
        );

        // The next run needs no hand, and leaves everything in order.
        bench.on_bike(&["run"]).exits(0);
        bench.assert_whole();
        let tagged = bench.git(&["describe", "--exact-match"]).exits(0).out;
        let history = bench.on_bike(&["--json", "history"]).exits(0).json();
        assert_eq!(history[0]["revision"], tagged.trim());
        newest = tagged.trim().trim_start_matches('r').parse().expect("a number");
        // Keep the season short, so that every run takes about the same time.
        for old in 100..100 + seed {
            for folder in
                ["r2", "r3"].map(str::to_owned).into_iter().chain((4..=newest).map(|n| format!("r{n}")))
            {
                let _ = std::fs::remove_file(bench.bike.join(format!("rides/{folder}/sim-{old}.csv")));
            }
        }
    }
    assert!(killed > wanted / 4, "only {killed} of {wanted} kills met a running process");
}
