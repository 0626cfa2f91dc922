//! How a command ends: exit codes, error messages, hints.

use super::screen::Screen;
use crate::blend::Refusal;
use crate::operations::OperationError;
use crate::problem::{Problem, Problems};
use crate::report::{strong, warning, wrapped};
use schemars::JsonSchema;
use serde::Serialize;
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
    /// Somebody stopped it.
    Stopped,
}

impl Exit {
    fn code(self) -> u8 {
        match self {
            Exit::Done => 0,
            Exit::Failed => 1,
            Exit::Refused => 3,
            // As a shell names the end by Ctrl-C: 128 and the number of SIGINT.
            Exit::Stopped => 130,
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
        screen.answer(&ErrorDocument { error: ErrorBody::new(ErrorKind::CommandLine, what, None) });
    }
    ExitCode::from(if asked_for_help { 0 } else { WRONG_COMMAND_LINE })
}

/// Says what went wrong and gives the exit code.
pub(super) fn finish(screen: &Screen, result: Result<Exit, CliError>) -> ExitCode {
    let exit = match result {
        Ok(exit) => exit,
        Err(CliError(error)) => {
            let exit = exit_of(&error);
            let text = message(&error);
            screen.complain(&match error {
                // One line a problem, so that editors find the places.
                OperationError::Problems(_) => text,
                _ => wrapped(&text, screen.complaint_width()),
            });
            if screen.json() {
                answer(screen, error);
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

/// How a command ends that met this error.
pub(super) fn exit_of(error: &OperationError) -> Exit {
    match error {
        OperationError::Refused(_) => Exit::Refused,
        OperationError::Stopped { .. } => Exit::Stopped,
        _ => Exit::Failed,
    }
}

/// So many problems are shown; a huge file has a problem on every line.
const PROBLEMS_SHOWN: usize = 20;

/// How many problems are not shown, where some are not.
fn left_out(problems: &Problems) -> Option<usize> {
    problems.0.len().checked_sub(PROBLEMS_SHOWN).filter(|n| *n > 0)
}

/// The error for a person.
pub(super) fn message(error: &OperationError) -> String {
    match error {
        OperationError::Problems(problems) => {
            let mut text: String = problems.0.iter().take(PROBLEMS_SHOWN).map(problem).collect();
            text.extend(left_out(problems).map(|n| format!("and {n} more\n")));
            text
        }
        OperationError::Refused(refusal) => refused(refusal),
        OperationError::Ledger(error) => line(&error.to_string(), None),
        OperationError::Stopped { .. } => format!("{error}\n"),
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

/// What stands on standard output when a command failed.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ErrorDocument {
    /// What went wrong.
    error: ErrorBody,
}

/// What went wrong.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ErrorBody {
    /// What kind of trouble it is.
    kind: ErrorKind,
    /// What happened, for a person.
    what: String,
    /// What to do about it, where that is not obvious.
    hint: Option<String>,
    /// The problems of the files, for the kind `problems`; the first of them where there are many.
    problems: Vec<ProblemBody>,
    /// How many more there are.
    problems_left_out: usize,
}

/// A kind of trouble.
#[derive(Debug, Clone, Copy, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
enum ErrorKind {
    /// The command line cannot be understood (exit code 2).
    CommandLine,
    /// Files of the bike folder cannot be used.
    Problems,
    /// The repository.
    Ledger,
    /// Somebody stopped it (exit code 130).
    Stopped,
    /// Anything else.
    Failed,
}

/// One problem of a file.
#[derive(Debug, Serialize, JsonSchema)]
struct ProblemBody {
    /// The file.
    path: String,
    /// One-based line, 0 when the whole file is meant.
    line: u64,
    /// One-based column, 0 when the whole line is meant.
    column: u64,
    /// What was found and what is allowed.
    what: String,
    /// What to do about it, where that is not obvious.
    hint: Option<String>,
}

/// What stands on standard output when a guard refused.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RefusalDocument {
    /// The guard, and what it saw.
    refused: Refusal,
}

impl ErrorBody {
    fn new(kind: ErrorKind, what: impl Into<String>, hint: Option<String>) -> Self {
        Self { kind, what: what.into(), hint, problems: Vec::new(), problems_left_out: 0 }
    }

    /// The error for a script; `None` for a refusal, which is no error.
    pub fn of(error: OperationError) -> Option<Self> {
        match error {
            OperationError::Refused(_) => None,
            OperationError::Problems(problems) => Some(Self::of_problems(problems)),
            OperationError::Ledger(error) => Some(Self::new(ErrorKind::Ledger, error.to_string(), None)),
            OperationError::Stopped { .. } => Some(Self::new(ErrorKind::Stopped, error.to_string(), None)),
            OperationError::Failed { what, hint } => Some(Self::new(ErrorKind::Failed, what, hint)),
        }
    }

    fn of_problems(problems: Problems) -> Self {
        let left_out = left_out(&problems).unwrap_or_default();
        let shown = Problems(problems.0.into_iter().take(PROBLEMS_SHOWN).collect());
        let more = if left_out > 0 { format!("\nand {left_out} more") } else { String::new() };
        let mut body = Self::new(ErrorKind::Problems, format!("{shown}{more}"), None);
        body.problems_left_out = left_out;
        let bodies = shown.0.into_iter().map(|p| ProblemBody {
            path: p.path.display().to_string(),
            line: p.line,
            column: p.column,
            what: p.what,
            hint: p.hint,
        });
        body.problems = bodies.collect();
        body
    }
}

/// The error or the refusal for a script.
fn answer(screen: &Screen, error: OperationError) {
    match error {
        OperationError::Refused(refused) => screen.answer(&RefusalDocument { refused }),
        other => {
            if let Some(error) = ErrorBody::of(other) {
                screen.answer(&ErrorDocument { error });
            }
        }
    }
}
