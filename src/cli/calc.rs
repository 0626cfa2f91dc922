//! `rideloop calc`
//!
//! The subcommands and their flags are made from the registry of sums.

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::calc::{self, FUEL_WAYS, Given, Input, Kind, Read, Sum, registry};
use crate::report;
use clap::builder::ValueParser;
use clap::{Arg, ArgAction, ArgGroup, ArgMatches, Command, FromArgMatches};
use schemars::JsonSchema;
use serde::Serialize;

/// The flag that shows how.
const EXPLAIN: &str = "explain";

/// What was asked for.
#[derive(Debug)]
pub(super) struct Args {
    /// The sum with what it is given; without one, the list.
    asked: Option<(&'static Sum, Given)>,
    explain: bool,
}

/// The workshop sums.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct SumList {
    /// They.
    sums: Vec<SumAbout>,
}

/// One sum.
#[derive(Debug, Serialize, JsonSchema)]
struct SumAbout {
    /// Its name.
    sum: &'static str,
    /// One sentence.
    about: &'static str,
    /// A command line behind its name.
    example: &'static str,
}

pub(super) fn main(context: &Context, args: Args) -> Result {
    match args.asked {
        None => {
            let sums = registry();
            let about = |sum: &&Sum| SumAbout { sum: sum.name, about: sum.about, example: sum.example };
            let list = SumList { sums: sums.iter().map(about).collect() };
            context.screen.tell(&list, |width| report::sum_list(&sums, width));
        }
        Some((sum, given)) => {
            let done = calc::calc(sum, given)?;
            context.screen.tell(&done, |width| report::sum(&done, args.explain, width));
        }
    }
    Ok(Exit::Done)
}

impl clap::Args for Args {
    fn augment_args(command: Command) -> Command {
        command
            .about("Workshop sums: fuels, mixture, air, injectors, engine, power")
            .after_help(
                "Example:\n  rideloop calc                              the list\n  \
                 rideloop calc air-density --pressure-kpa 98 --air-temp-c 75F --humidity-pct 50\n  \
                 rideloop calc mixture --afr 13.2 --fuel E10 --wanted-lambda 0.88\n  \
                 rideloop calc injector-flow --flow-cc-min 230 --actual-kpa 43.5psi --explain\n\n\
                 A number is in the unit that its flag's name ends with, or in a known one written behind it. \
                 No bike folder is needed.",
            )
            .subcommands(registry().into_iter().map(command_of))
    }

    fn augment_args_for_update(command: Command) -> Command {
        Self::augment_args(command)
    }
}

impl FromArgMatches for Args {
    fn from_arg_matches(matches: &ArgMatches) -> std::result::Result<Self, clap::Error> {
        let Some((name, matches)) = matches.subcommand() else {
            return Ok(Self { asked: None, explain: false });
        };
        let sum = registry().into_iter().find(|sum| sum.name == name).ok_or_else(|| {
            clap::Error::raw(clap::error::ErrorKind::InvalidSubcommand, format!("there is no sum `{name}`\n"))
        })?;
        let mut given = Given::default();
        for input in sum.inputs {
            if let Some(read) = matches.get_one::<Read>(input.name) {
                given.take(input, read.clone());
            }
        }
        Ok(Self { asked: Some((sum, given)), explain: matches.get_flag(EXPLAIN) })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> std::result::Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

/// The subcommand of a sum.
fn command_of(sum: &'static Sum) -> Command {
    let fuels = sum.inputs.iter().any(|input| matches!(input.kind, Kind::Fuel));
    let ways: String =
        FUEL_WAYS.iter().map(|(example, about)| format!("\n  {example:<38} {about}")).collect();
    let fuels = if fuels { format!("\n\nFuels:{ways}") } else { String::new() };
    let mut command = Command::new(sum.name)
        .about(sum.about.trim_end_matches('.'))
        .after_help(format!("Example:\n  rideloop calc {} {}{fuels}", sum.name, sum.example));
    for input in sum.inputs {
        command = command.arg(flag_of(input));
    }
    for (i, names) in sum.one_of.iter().enumerate() {
        let group =
            ArgGroup::new(format!("one-{i}")).args(names.iter().copied()).required(true).multiple(false);
        command = command.group(group);
    }
    command.arg(
        Arg::new(EXPLAIN).long(EXPLAIN).action(ArgAction::SetTrue).help("Show the formula and its source"),
    )
}

/// The flag of an input.
fn flag_of(input: &'static Input) -> Arg {
    let value = match input.kind {
        Kind::Number { .. } => "NUMBER",
        Kind::Whole { .. } | Kind::Choice(_) => "COUNT",
        Kind::Fuel => "FUEL",
        Kind::DeadTimes => "V:MS,V:MS",
    };
    let default = input.default.map(|default| format!(" [without it {default}]")).unwrap_or_default();
    let first = input.about.chars().next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let about: String = input.about.chars().skip(1).collect();
    Arg::new(input.name)
        .long(input.flag())
        .value_name(value)
        .allow_hyphen_values(true)
        .required(input.default.is_none() && !input.optional)
        .help(format!("{first}{about}; {}{default}", input.allowed()))
        .value_parser(ValueParser::new(move |text: &str| input.read(text)))
}
