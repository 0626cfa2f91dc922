//! Ctrl-C, and a polite request to end (SIGTERM).
//!
//! A command that only reads ends at once, as any program does. One that may write asks
//! here between its steps whether to stop; a step that takes long is not waited for. While it
//! writes the request waits until what is being written is whole. Whoever insists ends it all the same: a revision is
//! never torn by that, and the next command tidies up.

use std::sync::{Arc, Mutex, MutexGuard, Once, PoisonError};

/// What a command is doing when somebody asks it to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Work {
    /// It reads, and looks up now and then whether to stop.
    Reads,
    /// It writes.
    Writes,
}

#[derive(Debug)]
struct State {
    work: Work,
    asked: u32,
}

/// Whether the command is ended at once when it is asked for so many times.
fn ends_at_once(work: Work, asked: u32) -> bool {
    const PATIENCE_READING: u32 = 1;
    const PATIENCE_WRITING: u32 = 2;
    match work {
        Work::Reads => asked > PATIENCE_READING,
        Work::Writes => asked > PATIENCE_WRITING,
    }
}

/// How long a step that reads may go on after a request.
#[cfg(unix)]
const LONGEST_STEP: std::time::Duration = std::time::Duration::from_secs(3);

/// Requests to stop, from when they are first listened for.
#[derive(Debug, Clone)]
pub(crate) struct Interrupts {
    state: Arc<Mutex<State>>,
    listening: Arc<Once>,
}

impl Interrupts {
    pub fn new() -> Self {
        let state = State { work: Work::Reads, asked: 0 };
        Self { state: Arc::new(Mutex::new(state)), listening: Arc::new(Once::new()) }
    }

    /// From here on a request is noted, and the command looks whether there is one.
    pub fn reads(&self) {
        self.listen();
        self.state().work = Work::Reads;
    }

    /// From here on a request waits. False when there was one before.
    pub fn writes(&self) -> bool {
        self.listen();
        // Under the same lock as the answer to a request: it cannot fall in between.
        let mut state = self.state();
        state.work = Work::Writes;
        state.asked == 0
    }

    /// Whether somebody asked to stop.
    pub fn is_asked(&self) -> bool {
        self.state().asked > 0
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Where nobody can listen, Ctrl-C ends the program as it ends any other.
    fn listen(&self) {
        self.listening.call_once(|| {
            #[cfg(unix)]
            self.listen_for_signals();
        });
    }

    #[cfg(unix)]
    fn listen_for_signals(&self) {
        use signal_hook::consts::{SIGINT, SIGTERM};
        let Ok(mut signals) = signal_hook::iterator::Signals::new([SIGINT, SIGTERM]) else { return };
        let interrupts = self.clone();
        std::thread::spawn(move || {
            for signal in signals.forever() {
                let mut state = interrupts.state();
                state.asked += 1;
                if ends_at_once(state.work, state.asked) {
                    let _ = signal_hook::low_level::emulate_default_handler(signal);
                }
                drop(state);
                let interrupts = interrupts.clone();
                std::thread::spawn(move || {
                    std::thread::sleep(LONGEST_STEP);
                    // The lock is held on: no write begins in between.
                    let state = interrupts.state();
                    if state.work == Work::Reads {
                        let _ = signal_hook::low_level::emulate_default_handler(signal);
                    }
                });
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_request_is_noted_and_whoever_insists_is_obeyed() {
        let ends = |work| (1..=3).map(|asked| ends_at_once(work, asked)).collect::<Vec<_>>();
        assert_eq!(ends(Work::Reads), [false, true, true]);
        assert_eq!(ends(Work::Writes), [false, false, true]);
    }

    #[test]
    fn nothing_is_begun_after_a_request() {
        let interrupts = Interrupts::new();
        assert!(!interrupts.is_asked() && interrupts.writes());
        interrupts.reads();
        interrupts.state().asked = 1;
        assert!(interrupts.is_asked() && !interrupts.writes());
    }
}
