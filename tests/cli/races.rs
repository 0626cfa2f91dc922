//! Two that write at the same time, and one that reads: one wins, or both in turn, and nothing is lost.
//!
//! RIDELOOP_RACES=100 makes as many; the suite itself does fewer.

use crate::bench::{Bench, Said};
use crate::writers::{
    Known, NEXT, RUN, WRITERS, Writer, assert_in_order, head, refs, season, time, undisturbed, wanted,
};
use std::collections::BTreeMap;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

const USUAL_RACES: usize = 9;

/// Somebody who makes a commit with git itself.
const GIT: Writer = Writer { name: "git commit", args: &["commit", "-q", "--allow-empty", "-m", "a note"] };

/// The pair of each round, in turn: every writer meets every other, itself and git.
fn pairs() -> Vec<(Writer, Writer)> {
    let (run, others) = (RUN, &WRITERS[1..]);
    let mut pairs = vec![(run, run), (GIT, run)];
    // Those with the most in common first: the suite's few rounds see them.
    for (n, &one) in others.iter().enumerate() {
        pairs.push((run, one));
        pairs.extend(others[n..].iter().map(|&other| (one, other)));
        pairs.push((one, GIT));
    }
    pairs
}

fn command(bench: &Bench, writer: Writer) -> Command {
    if writer == GIT {
        let mut command = bench.git_command(GIT.args);
        command.env("GIT_AUTHOR_DATE", NOON).env("GIT_COMMITTER_DATE", NOON);
        return command;
    }
    let bike = bench.bike.to_str().expect("UTF-8");
    bench.command(&[&["--bike", bike], writer.args].concat())
}

/// So that git's commit, too, is the same each time.
const NOON: &str = "1777723200 +0000";

fn start(bench: &Bench, writer: Writer) -> Child {
    command(bench, writer).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts")
}

/// The branches and tags that the season has when these have worked on it in turn, undisturbed.
struct InTurn(BTreeMap<Vec<&'static str>, (String, Duration)>);

impl InTurn {
    fn ask(&mut self, writers: &[Writer]) -> &(String, Duration) {
        let names = writers.iter().map(|writer| writer.name).collect();
        self.0.entry(names).or_insert_with(|| {
            let bench = season();
            let mut took = Duration::ZERO;
            for &writer in writers {
                took = time(|| drop(command(&bench, writer).output().expect("starts")));
            }
            (refs(&bench), took)
        })
    }
}

/// Starts one, and the other so much later; what both said.
fn race(bench: &Bench, first: Writer, late: Duration, second: Writer) -> [Said; 2] {
    let one = start(bench, first);
    std::thread::sleep(late);
    [one, start(bench, second)].map(|child| Said::new(child.wait_with_output().expect("ends")))
}

/// A share of a whole; over the rounds early, late and middle alike.
fn share(n: usize) -> f64 {
    (n as f64 * 0.618_033_988_749_895).fract()
}

/// Whether somebody made it, or was told that somebody else was at work.
fn made(writer: Writer, said: Said, what: &str) -> bool {
    let Said { code, err, .. } = &said;
    assert!(!err.contains("panicked"), "{what}: {said:#?}");
    match (writer == GIT, code) {
        (_, 0) => true,
        (true, _) => {
            assert!(err.contains(".lock") || err.contains("cannot lock ref"), "{what}: {said:#?}");
            false
        }
        (false, 3) => {
            let told = ["busy", "head_moved", "foreign_lock"].map(|guard| format!("({guard})"));
            assert!(told.iter().any(|guard| err.contains(guard)), "{what}: {said:#?}");
            false
        }
        (false, _) => panic!("{what}: {} ended with {said:#?}", writer.name),
    }
}

/// Reads as long as the others write; every answer must be whole. Says how many there were.
fn read_until(bench: &Bench, done: &AtomicBool, what: &str) -> usize {
    let mut answers = 0;
    while !done.load(Ordering::Relaxed) || answers == 0 {
        let reader = [&["history"][..], &["season"], &["show"], &["rides"], &[]][answers % 5];
        let said = bench.on_bike(&[&["--json"], reader].concat());
        assert_eq!(said.code, 0, "{what}, meanwhile {reader:?}: {said:#?}");
        said.json();
        answers += 1;
    }
    answers
}

#[test]
fn of_two_writers_one_wins_or_both_in_turn_and_a_reader_never_sees_half() {
    let wanted = wanted("RIDELOOP_RACES", USUAL_RACES);
    let pairs = pairs();
    let mut in_turn = InTurn(BTreeMap::new());
    let (mut both, mut one, mut answers) = (0, 0, 0);
    for n in 0..wanted {
        let (first, second) = pairs[n % pairs.len()];
        let bench = season();
        // The second begins anywhere in the first one's work, or just after it.
        let late = in_turn.ask(&[first]).1.mul_f64(1.3 * share(n));
        let what = format!("{} and, {late:?} later, {}", first.name, second.name);
        let done = AtomicBool::new(false);
        let ended = std::thread::scope(|threads| {
            let reader = threads.spawn(|| read_until(&bench, &done, &what));
            let ended = race(&bench, first, late, second);
            done.store(true, Ordering::Relaxed);
            answers += reader.join().expect("the reader saw whole revisions");
            ended
        });
        let [a, b] = ended;
        let found = refs(&bench);
        let possible = match (made(first, a, &what), made(second, b, &what)) {
            (true, true) => vec![vec![first, second], vec![second, first]],
            (true, false) => vec![vec![first]],
            (false, true) => vec![vec![second]],
            (false, false) => panic!("{what}: neither"),
        };
        *(if possible.len() == 2 { &mut both } else { &mut one }) += 1;
        assert!(possible.iter().any(|order| in_turn.ask(order).0 == found), "{what}: {found}");
        let before = head(&bench);
        undisturbed(&bench, NEXT);
        assert_eq!(bench.git(&["rev-parse", "HEAD^"]).exits(0).out.trim(), before, "{what}");
        assert_in_order(&bench, &what);
    }
    println!("{both} rounds: both in turn; {one}: one wrote, one was told; {answers} answers to readers");
}

#[test]
fn two_first_runs_make_one_repository_and_one_history() {
    let fresh = Bench::with_bike();
    fresh.simulate(1, 3);
    let whole = fresh.twin();
    let took = time(|| drop(whole.on_bike(RUN.args).exits(0).says("r2")));
    for n in 0..wanted("RIDELOOP_RACES", USUAL_RACES).div_ceil(4) {
        let bench = fresh.twin();
        let late = took.mul_f64(share(n));
        let what = format!("two first runs, {late:?} apart");
        let made = race(&bench, RUN, late, RUN).map(|said| made(RUN, said, &what));
        assert!(made.contains(&true), "{what}: neither");
        assert_eq!(refs(&bench), refs(&whole), "{what}");
        assert_in_order(&bench, &what);
    }
}

#[test]
fn verify_finds_nothing_while_another_writes() {
    for n in 0..wanted("RIDELOOP_RACES", USUAL_RACES).div_ceil(3) {
        let known = Known::of(n % WRITERS.len());
        let bench = season();
        let mut writer = start(&bench, known.writer);
        let mut looked = 0;
        while looked == 0 || writer.try_wait().expect("asked").is_none() {
            bench.on_bike(&["verify", "r1"]).exits(0).says("all fit together");
            looked += 1;
        }
        let said = Said::new(writer.wait_with_output().expect("ends"));
        // It may have begun just while somebody looked.
        let made = made(known.writer, said, known.writer.name);
        assert_eq!(head(&bench), if made { &*known.after } else { &*known.before });
        assert_in_order(&bench, known.writer.name);
    }
}
