//! `rideloop logger`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::{GuessPlace, GuessRequest};
use crate::ride::logger::guess::Say;
use crate::{operations, report};
use clap::Subcommand;
use std::path::PathBuf;

/// Logs of other makes: how they are read.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop logger guess ~/logs/monday.csv\n  \
                        rideloop logger guess ~/logs/monday.csv --say lambda=afr:14.7 --name box --write")]
pub(super) struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    Guess(GuessArgs),
}

/// Propose loggers/NAME.yaml for a log: its columns, units and layout, each with its reasons. Asks,
/// and writes nothing, where a wrong guess would ruin a map.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "An answer to a question is a unit of the channel, a title of the log, or a line from readings to \
                  values:\n  --say lambda=afr:14.7 --say lambda='WB 1' --say throttle_pct=fraction\n  \
                  --say throttle_pct=line:0.5=0,4.5=100 --say time_s=milliseconds --say speed_kph=none\n\n\
                  Example:\n  rideloop logger guess ~/logs/monday.csv\n  \
                  rideloop logger guess ~/logs/monday.csv --say lambda=afr:14.7 --name box --write\n\n\
                  Exit codes: 3 while a question is open that a map rests on; the proposal is shown all the same."
)]
struct GuessArgs {
    /// The log, packed or not.
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// The logger's name; without it the log's own.
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// Write the mapping to this file, which must not be there yet.
    #[arg(long, value_name = "FILE", conflicts_with = "write")]
    out: Option<PathBuf>,
    /// Write the mapping to loggers/NAME.yaml of the bike folder.
    #[arg(long)]
    write: bool,
    /// Answer a question: a channel (or time_s) with its unit, its title, or a line; repeatable.
    #[arg(long, value_name = "CHANNEL=ANSWER")]
    say: Vec<Say>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let What::Guess(args) = &args.what;
    let place = match (&args.out, args.write) {
        (Some(file), _) => GuessPlace::File(file.clone()),
        (None, true) => GuessPlace::Bike,
        (None, false) => GuessPlace::Shown,
    };
    let request =
        GuessRequest { file: args.file.clone(), name: args.name.clone(), place, says: args.say.clone() };
    let done = operations::guess_logger(context.root(), &request)?;
    context.screen.tell(&done, |width| report::logger_guess(&done, width));
    Ok(if done.is_settled() { Exit::Done } else { Exit::Refused })
}
