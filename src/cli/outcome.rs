//! How a command ends: exit codes, error messages, hints.

use super::screen::Screen;
use crate::blend::Refusal;
use crate::operations::OperationError;
use crate::problem::Problem;
use crate::report::{strong, warning};
use serde_json::json;
use std::process::ExitCode;

/// How a command ended well, or refused with a report of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Exit {
    /// Done, also when nothing needed to change.
    Done,
    /// It failed and has said why.
    Failed,
    /// A guard refused and the report says so.
    Refused,
}

impl Exit {
    fn code(self) -> u8 {
        match self {
            Exit::Done => 0,
            Exit::Failed => 1,
            Exit::Refused => 3,
        }
    }
}

/// The exit code of a command line that cannot be understood.
const WRONG_COMMAND_LINE: u8 = 2;

/// A command that ended without a report.
#[derive(Debug)]
pub(crate) struct CliError(pub OperationError);

impl<E: Into<OperationError>> From<E> for CliError {
    fn from(error: E) -> Self {
        Self(error.into())
    }
}

/// Help and version end well; anything else clap says is a wrong command line.
///
/// With `--json` among the words the error is a JSON document as well.
pub(super) fn wrong_command_line(error: &clap::Error) -> ExitCode {
    let _ = error.print();
    let asked_for_help = !error.use_stderr();
    if !asked_for_help && std::env::args_os().any(|word| word == "--json") {
        let what = error.to_string();
        let what = what.lines().next().unwrap_or_default().trim_start_matches("error: ");
        let screen = Screen::new(true, false, super::ColorWhen::Never);
        screen.answer(&json!({ "error": { "kind": "command_line", "what": what } }));
    }
    ExitCode::from(if asked_for_help { 0 } else { WRONG_COMMAND_LINE })
}

/// Says what went wrong and gives the exit code.
pub(super) fn finish(screen: &Screen, result: Result<Exit, CliError>) -> ExitCode {
    let exit = match result {
        Ok(exit) => exit,
        Err(CliError(error)) => {
            let exit = match &error {
                OperationError::Refused(_) => Exit::Refused,
                _ => Exit::Failed,
            };
            screen.complain(&message(&error));
            if screen.json() {
                screen.answer(&document(&error));
            }
            exit
        }
    };
    if exit == Exit::Done && screen.failed_to_write() {
        screen.complain(&line("the answer could not be written to standard output", None));
        return ExitCode::from(Exit::Failed.code());
    }
    ExitCode::from(exit.code())
}

/// The error for a person.
fn message(error: &OperationError) -> String {
    match error {
        OperationError::Problems(problems) => problems.0.iter().map(problem).collect(),
        OperationError::Refused(refusal) => refused(refusal),
        OperationError::Ledger(error) => line(&error.to_string(), None),
        OperationError::Failed { what, hint } => line(what, hint.as_deref()),
    }
}

fn problem(problem: &Problem) -> String {
    line(&problem.to_string(), problem.hint.as_deref())
}

fn line(what: &str, hint: Option<&str>) -> String {
    let hint = hint.map(|h| format!("{}: {h}\n", strong("hint"))).unwrap_or_default();
    format!("{}: {what}\n{hint}", warning("error"))
}

fn refused(refusal: &Refusal) -> String {
    format!(
        "{} ({}): {}\n{}: {}\n",
        warning("refused"),
        refusal.guard,
        refusal.saw,
        strong("look at"),
        refusal.look_at
    )
}

/// The error for a script.
fn document(error: &OperationError) -> serde_json::Value {
    match error {
        OperationError::Problems(problems) => {
            let list: Vec<_> = problems
                .0
                .iter()
                .map(|p| json!({ "path": p.path, "line": p.line, "column": p.column, "what": p.what, "hint": p.hint }))
                .collect();
            json!({ "error": { "kind": "problems", "problems": list } })
        }
        OperationError::Refused(refusal) => json!({ "refused": refusal }),
        OperationError::Ledger(error) => json!({ "error": { "kind": "ledger", "what": error.to_string() } }),
        OperationError::Failed { what, hint } => {
            json!({ "error": { "kind": "failed", "what": what, "hint": hint } })
        }
    }
}
