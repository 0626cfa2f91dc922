//! The only place that knows stdout, stderr, colour and width.

use super::ColorWhen;
use anstream::{AutoStream, ColorChoice};
use serde::Serialize;
use serde_json::Value;
use std::cell::Cell;
use std::io::{self, IsTerminal, Write};

/// Where output goes.
pub(crate) struct Screen {
    json: bool,
    quiet: bool,
    color: ColorWhen,
    /// Standard output took not all of the answer, and not because its reader went away.
    failed: Cell<bool>,
    /// The reader of standard output went away.
    unread: Cell<bool>,
}

/// Width of text that goes to no terminal, and the narrowest that is laid out.
const PLAIN_WIDTH: usize = 100;
const NARROWEST: usize = 40;

/// The version of every JSON document.
pub(super) const FORMAT_VERSION: u32 = 1;

impl Screen {
    pub(super) fn new(json: bool, quiet: bool, color: ColorWhen) -> Self {
        Self { json, quiet, color, failed: Cell::new(false), unread: Cell::new(false) }
    }

    /// Whether the answer is to be JSON.
    pub fn json(&self) -> bool {
        self.json
    }

    /// Whether progress may be drawn.
    pub fn shows_progress(&self) -> bool {
        let ci = std::env::var_os("CI").is_some();
        progress_wanted(io::stderr().is_terminal(), ci, self.quiet, self.json)
    }

    /// Whether there is a person to ask: at a terminal that shows the questions and takes answers.
    pub fn may_ask(&self) -> bool {
        let terminal = io::stdin().is_terminal() && io::stderr().is_terminal();
        progress_wanted(terminal, false, self.quiet, self.json)
    }

    /// Characters a line may take.
    pub fn width(&self) -> usize {
        match terminal_size::terminal_size_of(io::stdout()) {
            Some((width, _)) => usize::from(width.0).max(NARROWEST),
            None => PLAIN_WIDTH,
        }
    }

    /// Characters a line of what goes wrong may take.
    pub fn complaint_width(&self) -> usize {
        match terminal_size::terminal_size_of(io::stderr()) {
            Some((width, _)) => usize::from(width.0).max(NARROWEST),
            None => PLAIN_WIDTH,
        }
    }

    /// Prints the answer as text.
    pub fn say(&self, text: &str) {
        if !self.json {
            let choice = self.choice(&io::stdout());
            let mut out = AutoStream::new(io::stdout().lock(), choice);
            self.note(out.write_all(text.as_bytes()).and_then(|()| out.flush()));
        }
    }

    /// Prints bytes as they are.
    pub fn pass_on(&self, bytes: &[u8]) {
        let mut out = io::stdout().lock();
        self.note(out.write_all(bytes).and_then(|()| out.flush()));
    }

    /// Prints the answer as one JSON document. Objects get a `format_version`; an
    /// array stays one, so its elements get it.
    pub fn answer(&self, value: &impl Serialize) {
        let text = serde_json::to_string_pretty(&with_version(value)).unwrap_or_default();
        self.pass_on(format!("{text}\n").as_bytes());
    }

    /// The same on one line, for a command that answers several times.
    pub fn answer_line(&self, value: &impl Serialize) {
        self.pass_on(format!("{}\n", with_version(value)).as_bytes());
    }

    /// A reader that went away (`| head`) is no failure; a full disk is.
    fn note(&self, written: io::Result<()>) {
        match written {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => self.unread.set(true),
            Err(_) => self.failed.set(true),
        }
    }

    /// Whether nobody reads the answers any more.
    pub fn is_unread(&self) -> bool {
        self.unread.get()
    }

    /// Whether part of the answer could not be written.
    pub fn failed_to_write(&self) -> bool {
        self.failed.get()
    }

    /// Prints the answer in the form that was asked for.
    pub fn tell(&self, value: &impl Serialize, text: impl FnOnce(usize) -> String) {
        if self.json {
            self.answer(value);
        } else {
            self.say(&text(self.width()));
        }
    }

    /// Prints a remark to standard error, unless it was asked to be quiet.
    pub fn remark(&self, text: &str) {
        if !self.quiet {
            self.complain(&format!("{text}\n"));
        }
    }

    /// Prints to standard error.
    pub fn complain(&self, text: &str) {
        let choice = self.choice(&io::stderr());
        let mut err = AutoStream::new(io::stderr().lock(), choice);
        let _ = err.write_all(text.as_bytes());
    }

    fn choice(&self, stream: &impl anstream::stream::RawStream) -> ColorChoice {
        match self.color {
            ColorWhen::Auto => AutoStream::choice(stream),
            ColorWhen::Always => ColorChoice::AlwaysAnsi,
            ColorWhen::Never => ColorChoice::Never,
        }
    }
}

fn with_version(value: &impl Serialize) -> Value {
    let mut json = serde_json::to_value(value).unwrap_or_default();
    let documents = match &mut json {
        Value::Array(list) => list.as_mut_slice(),
        one => std::slice::from_mut(one),
    };
    for object in documents.iter_mut().filter_map(Value::as_object_mut) {
        object.shift_insert(0, "format_version".to_owned(), FORMAT_VERSION.into());
    }
    json
}

/// Progress goes to standard error, to a terminal, to a person.
fn progress_wanted(terminal: bool, ci: bool, quiet: bool, json: bool) -> bool {
    terminal && !ci && !quiet && !json
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn progress_is_for_a_person_at_a_terminal() {
        assert!(progress_wanted(true, false, false, false));
        assert!(!progress_wanted(false, false, false, false));
        assert!(!progress_wanted(true, true, false, false));
        assert!(!progress_wanted(true, false, true, false));
        assert!(!progress_wanted(true, false, false, true));
    }
}
