//! `rideloop simulate`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::{SimulateRequest, Style};
use crate::{operations, report};
use clap::ValueEnum;

/// Ride the virtual bike with the current map and write the log into rides/r<N>/.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop simulate --seed 7 --minutes 30\n\n\
                        For demos and tests: its engine is invented, whatever bike.yaml says of yours.")]
pub(super) struct Args {
    /// Random seed; the same seed gives the same ride.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How long, min.
    #[arg(long, allow_negative_numbers = true, default_value_t = 25.0, value_parser = minutes)]
    minutes: f64,
    /// Samples per second.
    #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=200))]
    rate_hz: u32,
    /// How it is ridden.
    #[arg(long, default_value = "road")]
    style: StyleArg,
    /// Start with a warm engine.
    #[arg(long)]
    warm: bool,
    /// The slot in use; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// An engine of another character.
    #[arg(long, value_name = "SEED")]
    engine: Option<u64>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum StyleArg {
    /// Town, country road, some motorway.
    Road,
    /// The same with more revs.
    Spirited,
    /// Steady holds over the whole map.
    Dyno,
}

fn minutes(text: &str) -> std::result::Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| format!("`{text}` is not a number"))?;
    let fine = value > 0.0 && value <= 600.0;
    if fine { Ok(value) } else { Err(format!("must be above 0 and at most 600, got {text}")) }
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let request = SimulateRequest {
        seed: args.seed,
        minutes: args.minutes,
        rate_hz: f64::from(args.rate_hz),
        style: match args.style {
            StyleArg::Road => Style::Road,
            StyleArg::Spirited => Style::Spirited,
            StyleArg::Dyno => Style::Dyno,
        },
        cold: !args.warm,
        slot: args.slot.clone(),
        engine_seed: args.engine,
    };
    let done = operations::simulate(context.root(), &request)?;
    context.screen.tell(&done, |_| report::simulate(&done));
    Ok(Exit::Done)
}
