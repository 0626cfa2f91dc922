//! The command line: arguments in, text or JSON out, an exit code.
//!
//! One file a command; its arguments' doc comments are its help. `screen` is
//! the only place that knows stdout, stderr, colour and width; `outcome` the
//! only one that knows exit codes.

mod answers;
mod build;
mod by_hand;
mod cache_folder;
mod calc;
mod cell;
mod check;
mod compare;
mod completions;
mod demo;
mod diff;
mod edit;
mod evidence;
mod export;
mod gaps;
mod git_setup;
mod headroom;
mod history;
mod import;
mod interrupt;
mod knock;
mod logger;
mod man;
mod mixture;
mod new;
mod outcome;
mod page_file;
mod power;
mod progress;
mod questions;
mod rescale;
mod response;
mod rides;
mod rollback;
mod run;
mod schema;
mod screen;
mod season;
mod show;
mod simulate;
mod span;
mod stages;
mod status;
mod table_text;
mod verify;
mod watch;

use crate::ledger::Moment;
use crate::operations::OperationError;
use crate::shell;
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use interrupt::Interrupts;
use outcome::{CliError, Exit};
use screen::Screen;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Turns motorcycle ride logs into the next revision of the fuel map, and
/// remembers in git why every cell holds what it holds.
#[derive(Debug, Parser)]
#[command(
    name = NAME,
    version,
    max_term_width = 100,
    after_help = "Without a command, in a bike folder: where the bike stands and what to do next.\n\n\
                  Example:\n  rideloop demo                     see the whole loop on an invented bike\n  \
                  rideloop --bike bikes/fernhill run --dry-run\n\n\
                  Exit codes: 0 done, also when nothing needed to change; 1 it failed; 2 the command line was \
                  wrong; 3 a guard refused and nothing was written; 130 it was stopped (Ctrl-C) and nothing was written."
)]
pub struct Cli {
    /// The bike folder.
    #[arg(long, global = true, value_name = "DIR", default_value = ".", help_heading = GLOBAL)]
    bike: PathBuf,
    /// One JSON document on standard output, and nothing else.
    #[arg(long, global = true, help_heading = GLOBAL)]
    json: bool,
    /// No progress and no remarks on standard error.
    #[arg(long, short, global = true, help_heading = GLOBAL)]
    quiet: bool,
    /// When to colour.
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto", help_heading = GLOBAL)]
    color: ColorWhen,
    #[command(subcommand)]
    command: Option<Command>,
}

/// Where help lists what every command takes.
const GLOBAL: &str = "Options of every command";

/// When to colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ColorWhen {
    /// On a terminal, unless NO_COLOR is set.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Args),
    New(new::Args),
    Check(check::Args),
    Run(run::Args),
    History(history::Args),
    Show(show::Args),
    Diff(diff::Args),
    Gaps(gaps::Args),
    Response(response::Args),
    Headroom(headroom::Args),
    Knock(knock::Args),
    Cell(cell::Args),
    Edit(edit::Args),
    Import(import::Args),
    Mixture(mixture::Args),
    Rescale(rescale::Args),
    Export(export::Args),
    Rollback(rollback::Args),
    Season(season::Args),
    Build(build::Args),
    Rides(rides::Args),
    Verify(verify::Args),
    Stages(stages::Args),
    Simulate(simulate::Args),
    Watch(watch::Args),
    Logger(logger::Args),
    Evidence(evidence::Args),
    Calc(calc::Args),
    Power(power::Args),
    Compare(compare::Args),
    Completions(completions::Args),
    Man(man::Args),
    Schema(schema::Args),
    GitSetup(git_setup::Args),
    TableText(table_text::Args),
}

impl Command {
    /// Whether it is quickly done and may write: a request to stop waits for its end. The
    /// others look themselves whether somebody asked, or only read.
    fn writes_at_once(&self) -> bool {
        match self {
            Command::Edit(_)
            | Command::Import(_)
            | Command::Mixture(_)
            | Command::Rescale(_)
            | Command::Export(_)
            | Command::Rollback(_)
            | Command::Build(_)
            | Command::Rides(_)
            | Command::Simulate(_)
            | Command::Stages(_)
            | Command::Man(_)
            | Command::GitSetup(_)
            | Command::Demo(_) => true,
            // It asks first, and holds the signal from then on.
            Command::New(_)
            | Command::Check(_)
            | Command::Run(_)
            | Command::History(_)
            | Command::Show(_)
            | Command::Diff(_)
            | Command::Gaps(_)
            | Command::Response(_)
            | Command::Headroom(_)
            | Command::Knock(_)
            | Command::Cell(_)
            | Command::Season(_)
            | Command::Verify(_)
            | Command::Watch(_)
            | Command::Evidence(_)
            | Command::Logger(_)
            | Command::Calc(_)
            | Command::Power(_)
            | Command::Compare(_)
            | Command::Completions(_)
            | Command::Schema(_)
            | Command::TableText(_) => false,
        }
    }
}

/// The name of the program.
const NAME: &str = "rideloop";

/// The whole command line, for what is made from it.
fn command_line() -> clap::Command {
    Cli::command()
}

/// What every command gets.
pub(crate) struct Context {
    bike: PathBuf,
    screen: Screen,
    now: Moment,
    /// Where work is kept between commands.
    cache: Option<PathBuf>,
    interrupts: Interrupts,
}

impl Context {
    fn root(&self) -> &Path {
        &self.bike
    }

    /// The day of the clock, as YYYY-MM-DD.
    fn today(&self) -> std::result::Result<String, OperationError> {
        let offset = jiff::tz::Offset::from_seconds(self.now.offset_min * 60);
        let time = jiff::Timestamp::from_second(self.now.unix_s);
        match (time, offset) {
            (Ok(time), Ok(offset)) => Ok(offset.to_datetime(time).date().to_string()),
            _ => Err(OperationError::failed("the clock is out of range", "set the date of this machine")),
        }
    }

    /// How this bike is named on a command line, for advice that can be copied.
    fn command(&self) -> String {
        match self.bike.to_str() {
            Some(".") | None => NAME.to_owned(),
            // An option's value cannot begin like an option of its own.
            Some(bike) if bike.starts_with('-') => format!("{NAME} --bike={}", shell::word(bike)),
            Some(bike) => format!("{NAME} --bike {}", shell::word(bike)),
        }
    }
}

/// Parses the command line and runs the command.
pub fn main() -> ExitCode {
    tell_panics();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return outcome::wrong_command_line(&error),
    };
    let screen = Screen::new(cli.json, cli.quiet, cli.color);
    let context = Context {
        bike: cli.bike,
        now: now(),
        screen,
        cache: cache_folder::cache_folder(),
        interrupts: Interrupts::new(),
    };
    if let Err(error) = check_clock() {
        return outcome::finish(&context.screen, Err(error.into()));
    }
    if cli.command.as_ref().is_some_and(Command::writes_at_once) {
        context.interrupts.writes();
    }
    let result = match cli.command {
        None => status::main(&context),
        Some(Command::Demo(args)) => demo::main(&context, &args),
        Some(Command::New(args)) => new::main(&context, &args),
        Some(Command::Check(args)) => check::main(&context, &args),
        Some(Command::Run(args)) => run::main(&context, &args),
        Some(Command::History(args)) => history::main(&context, &args),
        Some(Command::Show(args)) => show::main(&context, &args),
        Some(Command::Cell(args)) => cell::main(&context, &args),
        Some(Command::Diff(args)) => diff::main(&context, &args),
        Some(Command::Gaps(args)) => gaps::main(&context, &args),
        Some(Command::Response(args)) => response::main(&context, &args),
        Some(Command::Knock(args)) => knock::main(&context, &args),
        Some(Command::Headroom(args)) => headroom::main(&context, &args),
        Some(Command::Edit(args)) => edit::main(&context, &args),
        Some(Command::Import(args)) => import::main(&context, &args),
        Some(Command::Mixture(args)) => mixture::main(&context, &args),
        Some(Command::Rescale(args)) => rescale::main(&context, &args),
        Some(Command::Export(args)) => export::main(&context, &args),
        Some(Command::Build(args)) => build::main(&context, &args),
        Some(Command::Rollback(args)) => rollback::main(&context, &args),
        Some(Command::Season(args)) => season::main(&context, &args),
        Some(Command::Rides(args)) => rides::main(&context, &args),
        Some(Command::Verify(args)) => verify::main(&context, &args),
        Some(Command::Stages(args)) => stages::main(&context, &args),
        Some(Command::Simulate(args)) => simulate::main(&context, &args),
        Some(Command::Watch(args)) => watch::main(&context, &args),
        Some(Command::Logger(args)) => logger::main(&context, &args),
        Some(Command::Evidence(args)) => evidence::main(&context, &args),
        Some(Command::Calc(args)) => calc::main(&context, args),
        Some(Command::Power(args)) => power::main(&context, &args),
        Some(Command::Compare(args)) => compare::main(&context, &args),
        Some(Command::Completions(args)) => completions::main(&context, &args),
        Some(Command::Man(args)) => man::main(&context, &args),
        Some(Command::Schema(args)) => schema::main(&context, &args),
        Some(Command::GitSetup(args)) => git_setup::main(&context, &args),
        Some(Command::TableText(args)) => table_text::main(&context, &args),
    };
    outcome::finish(&context.screen, result)
}

/// What is caught and told in words later is not told by the runtime as well.
fn tell_panics() {
    let tell = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !crate::ride::panics_are_told() {
            tell(panic);
        }
    }));
}

/// A finite number on the command line.
fn finite(text: &str) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(format!("`{text}` is not a number")),
    }
}

type Result = std::result::Result<Exit, CliError>;

/// The variable that fixes the clock.
const FIXED_CLOCK: &str = "SOURCE_DATE_EPOCH";

/// The seconds a fixed clock shows; git's dates end with 32 bits in many programs.
fn fixed_clock(text: &str) -> Option<i64> {
    text.trim().parse::<i64>().ok().filter(|unix_s| (0..=i64::from(u32::MAX)).contains(unix_s))
}

/// Refuses a clock that is fixed to what is no time: revisions would bear a wrong date.
fn check_clock() -> std::result::Result<(), OperationError> {
    match std::env::var(FIXED_CLOCK) {
        Ok(text) if fixed_clock(&text).is_none() => Err(OperationError::failed(
            format!("{FIXED_CLOCK} is `{text}`, which is no time"),
            format!("it holds seconds since 1970, 0 to {}; unset it to use the clock", u32::MAX),
        )),
        _ => Ok(()),
    }
}

/// The clock: SOURCE_DATE_EPOCH where it is set (so that tests and reproducible
/// runs can fix the time), the machine's clock otherwise.
///
/// # Source
/// <https://reproducible-builds.org/specs/source-date-epoch/>
fn now() -> Moment {
    match std::env::var(FIXED_CLOCK).ok().as_deref().and_then(fixed_clock) {
        Some(unix_s) => Moment { unix_s, offset_min: 0 },
        None => {
            let now = jiff::ZonedDateTime::now();
            Moment { unix_s: now.timestamp().as_second(), offset_min: now.offset().seconds() / 60 }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_well_formed() {
        Cli::command().debug_assert();
    }

    #[test]
    fn every_command_s_help_carries_an_example() {
        let command = Cli::command();
        let all = command.get_subcommands().chain([&command]);
        for command in all {
            let help = command.get_after_help().map(ToString::to_string).unwrap_or_default();
            let name = command.get_name();
            assert!(help.contains("Example:\n  rideloop"), "{name} has no example");
            assert!(command.get_about().is_some(), "{name} has no description");
        }
    }
}
