//! `rideloop watch`: waiting for rides, and telling of each look.

use super::outcome::{self, CliError, ErrorBody, Exit};
use super::progress::RideBar;
use super::{Context, Result, now};
use crate::bike::RIDES_FOLDER;
use crate::blend::Refusal;
use crate::operations::{OperationError, ReadyRides, RunReport, RunRequest, Settling};
use crate::pipeline::DEFAULT_PIPELINE;
use crate::{operations, report};
use notify::event::{AccessKind, AccessMode, EventKind};
use notify::{RecommendedWatcher, RecursiveMode, Watcher as _};
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant, SystemTime};

/// Wait for new rides and show what each would change; commit only with --commit.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop watch                     what each new ride asks for\n  \
                  rideloop watch --commit            make a revision of each\n  \
                  rideloop --json watch | jq -c '{files, revision: .run.revision}'\n\n\
                  A new ride is a file that lands anywhere in rides/. One that is still being copied is left alone: it \
                  must not have changed for --settle-s, ten times as long if it breaks off in the middle of a line. A \
                  ride that cannot be used and a refusal are told, and watching goes on. Ctrl-C ends it. With --json \
                  each look is one JSON document on a line of its own (JSON Lines).")]
pub(super) struct Args {
    /// The pipeline: one of pipelines/, or road, dyno, first-ride.
    #[arg(long, value_name = "NAME", default_value = DEFAULT_PIPELINE)]
    pipeline: String,
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// The slot that rides were made on whose log and register do not tell it; for slots that
    /// share their breathing.
    #[arg(long, value_name = "NAME")]
    ridden_on: Option<String>,
    /// Make the revision that a look asks for; without it nothing is written.
    #[arg(long)]
    commit: bool,
    /// Look once at what is there, wait for one new ride, and stop with the exit code of its look.
    #[arg(long)]
    once: bool,
    /// How long a file must not have changed before it is looked at, s.
    #[arg(long, value_name = "S", allow_negative_numbers = true, default_value_t = 3.0, value_parser = settle_s)]
    settle_s: f64,
}

fn settle_s(text: &str) -> std::result::Result<f64, String> {
    const ALLOWED: std::ops::RangeInclusive<f64> = 0.1..=3600.0;
    let value = super::finite(text)?;
    let (low, high) = (ALLOWED.start(), ALLOWED.end());
    if ALLOWED.contains(&value) {
        Ok(value)
    } else {
        Err(format!("must be between {low} and {high}, got {text}"))
    }
}

/// One look of `watch`; with `--json` one line.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct WatchLook {
    /// The rides that were new; empty for the first look where none is there.
    files: Vec<String>,
    /// What the run found; none when it failed or was refused before that.
    run: Option<RunReport>,
    /// The guard that refused, before or after the rides were read.
    refused: Option<Refusal>,
    /// Why it failed.
    error: Option<ErrorBody>,
}

/// The folder is listed at least so often, since network mounts tell of no change.
const POLL: Duration = Duration::from_secs(5);
/// After a change so long is waited for the others that come with it.
const GATHER: Duration = Duration::from_millis(100);
/// When another rideloop is at work, a look is tried again after so long, s.
const BUSY_S: f64 = 2.0;

/// Why the wait ended.
enum Wake {
    Changed,
    Quit,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let request = || RunRequest {
        unscaled: false,
        pipeline: args.pipeline.clone(),
        slot: args.slot.clone(),
        ridden_on: args.ridden_on.clone(),
        dry_run: !args.commit,
        rides: Vec::new(),
        when: now(),
        cache: context.cache.clone(),
    };
    operations::watch_begin(context.root(), &request())?;
    let (sender, wakes) = channel();
    quit_on_signal(&sender)?;
    let mut events = Events { sender, watcher: None };
    let begun = Instant::now();
    let listed = list(context)?;
    let mut settling = Settling::begin(args.settle_s, &listed, 0.0, SystemTime::now());
    let (mut first, mut put_off, mut told) = (true, false, None);
    loop {
        events.watch(&context.root().join(RIDES_FOLDER));
        let mut wait_s = None;
        // A folder that cannot be listed for a while, such as a lost mount, is waited for.
        if let Ok(listed) = list(context) {
            let ready = settling.ready(&listed, begun.elapsed().as_secs_f64());
            wait_s = ready.next_in_s;
            if first || !ready.new.is_empty() {
                match look(context, &request(), &ready, &mut told) {
                    // The same rides are tried again at every listing until the folder is mended.
                    Looked::Stopped(exit) if args.once && !first => return Ok(exit),
                    Looked::Stopped(_) => (first, put_off) = (false, false),
                    Looked::At(exit) => {
                        settling.looked_at(&ready.new);
                        if (args.once && !first)
                            || context.screen.is_unread()
                            || context.screen.failed_to_write()
                        {
                            return Ok(exit);
                        }
                        if first {
                            let folder = context.root().join(RIDES_FOLDER);
                            context.screen.remark(&format!("watching {}", folder.display()));
                        }
                        (first, put_off) = (false, false);
                    }
                    Looked::Busy => {
                        if !put_off {
                            context
                                .screen
                                .remark("another program is at work in this folder; waiting for it");
                        }
                        put_off = true;
                        wait_s = Some(BUSY_S);
                    }
                }
            }
        }
        if wait(&wakes, wait_s) {
            return Ok(Exit::Done);
        }
    }
}

fn list(context: &Context) -> std::result::Result<Vec<operations::ListedRide>, OperationError> {
    let root = context.root();
    operations::list_rides(root).map_err(|error| OperationError::io("list", &root.join(RIDES_FOLDER), &error))
}

/// What became of a look.
enum Looked {
    /// The rides were looked at.
    At(Exit),
    /// The folder's state stopped it before a ride was read.
    Stopped(Exit),
    /// Another program was at work.
    Busy,
}

/// Looks, and tells what was seen; what stopped a look is told once as long as it stays
/// the same, and kept in `told`.
fn look(context: &Context, request: &RunRequest, ready: &ReadyRides, told: &mut Option<String>) -> Looked {
    let bar = RideBar::new(context);
    let result = operations::watch_look(context.root(), request, &ready.settled, &bar);
    if result.as_ref().is_err_and(operations::is_busy) {
        return Looked::Busy;
    }
    let stopped = result.as_ref().err().map(ToString::to_string);
    if stopped.is_some() && stopped == *told {
        return Looked::Stopped(Exit::Failed);
    }
    let looked = if stopped.is_some() { Looked::Stopped } else { Looked::At };
    *told = stopped;
    let files: Vec<String> = ready.new.iter().map(|ride| ride.name.clone()).collect();
    let exit = match &result {
        Ok(run) if run.refused.is_some() => Exit::Refused,
        Ok(_) => Exit::Done,
        Err(error) => outcome::exit_of(error),
    };
    if context.screen.json() {
        context.screen.answer_line(&WatchLook::new(files, result));
        return looked(exit);
    }
    context.screen.say(&report::watch_head(&files));
    match result {
        Ok(run) => context.screen.say(&report::run(&run, context.screen.width(), &context.command())),
        Err(error) => context.screen.complain(&outcome::message(&error)),
    }
    looked(exit)
}

impl WatchLook {
    fn new(files: Vec<String>, result: std::result::Result<RunReport, OperationError>) -> Self {
        let mut look = Self { files, run: None, refused: None, error: None };
        match result {
            Ok(run) => {
                look.refused.clone_from(&run.refused);
                look.run = Some(run);
            }
            Err(OperationError::Refused(refusal)) => look.refused = Some(refusal),
            Err(error) => look.error = ErrorBody::of(error),
        }
        look
    }
}

/// Waits for a change in the folder, for the time that is named, and never longer than a poll.
/// Whether it is time to stop.
fn wait(wakes: &Receiver<Wake>, wait_s: Option<f64>) -> bool {
    let longest = wait_s.map_or(POLL, |s| Duration::from_secs_f64(s).clamp(GATHER, POLL));
    match wakes.recv_timeout(longest) {
        Ok(Wake::Quit) => return true,
        Err(RecvTimeoutError::Timeout) => return false,
        // The sender lives as long as the loop; a wait must not become a busy one all the same.
        Err(RecvTimeoutError::Disconnected) => std::thread::sleep(longest),
        Ok(Wake::Changed) => std::thread::sleep(GATHER),
    }
    wakes.try_iter().any(|wake| matches!(wake, Wake::Quit))
}

/// Tells of changes in the rides folder, as far as the file system does.
struct Events {
    sender: Sender<Wake>,
    watcher: Option<RecommendedWatcher>,
}

impl Events {
    /// Begins to listen, as soon as there is a folder. Where it cannot, listing serves alone.
    fn watch(&mut self, folder: &Path) {
        if !folder.is_dir() {
            self.watcher = None;
        } else if self.watcher.is_none() {
            let sender = self.sender.clone();
            let watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
                if event.is_ok_and(|event| is_change(&event.kind)) {
                    let _ = sender.send(Wake::Changed);
                }
            });
            let listening = watcher.and_then(|mut watcher| {
                watcher.watch(folder, RecursiveMode::Recursive)?;
                Ok(watcher)
            });
            self.watcher = listening.ok();
        }
    }
}

/// Our own reading is no change; it would wake us for ever.
fn is_change(kind: &EventKind) -> bool {
    match kind {
        EventKind::Access(kind) => *kind == AccessKind::Close(AccessMode::Write),
        _ => true,
    }
}

/// Ctrl-C, or a polite request to end, ends the wait; a look at work is finished first.
#[cfg(unix)]
fn quit_on_signal(sender: &Sender<Wake>) -> std::result::Result<(), CliError> {
    use signal_hook::consts::{SIGINT, SIGTERM};
    let mut signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM]).map_err(|error| {
        OperationError::Failed { what: format!("Ctrl-C cannot be listened for: {error}"), hint: None }
    })?;
    let sender = sender.clone();
    std::thread::spawn(move || {
        for _ in signals.forever() {
            let _ = sender.send(Wake::Quit);
        }
    });
    Ok(())
}

/// Elsewhere Ctrl-C ends the program as it ends any other; a revision is never torn by it.
#[cfg(not(unix))]
fn quit_on_signal(_sender: &Sender<Wake>) -> std::result::Result<(), CliError> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wait_ends_at_once_when_it_is_time_to_stop() {
        let (sender, wakes) = channel();
        sender.send(Wake::Changed).expect("sent");
        sender.send(Wake::Quit).expect("sent");
        assert!(wait(&wakes, None));
        sender.send(Wake::Changed).expect("sent");
        assert!(!wait(&wakes, None));
        assert!(!wait(&wakes, Some(0.0)));
    }

    #[test]
    fn reading_a_file_is_no_change() {
        assert!(!is_change(&EventKind::Access(AccessKind::Open(AccessMode::Any))));
        assert!(is_change(&EventKind::Access(AccessKind::Close(AccessMode::Write))));
        assert!(is_change(&EventKind::Create(notify::event::CreateKind::File)));
    }
}
