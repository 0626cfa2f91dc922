//! `rideloop mixture`

use super::by_hand::Guards;
use super::outcome::Exit;
use super::{Context, Result};
use crate::blend::by_hand::HandGuard;
use crate::operations::{self, HandRequest, MixtureRequest};
use crate::report;

/// Make a mixture table from what the slot is for.
///
/// mixtures/SLOT.yaml says it in a few words, such as `use: touring`; the table is shown beside
/// today's. Lean mixtures stay within light load and middle speeds, and the transitions between
/// regions are smooth. docs/mixtures.md lists the keys. With --write it becomes a revision, through
/// the same guards as an edit.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop mixture --slot economy\n  \
                  rideloop mixture --slot economy --write --why \"leaner cruise for the long trip\"")]
pub(super) struct Args {
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Make a revision of it; without this nothing is written.
    #[arg(long, requires = "why")]
    write: bool,
    /// Why; it stands in the history.
    #[arg(long, value_name = "TEXT", requires = "write")]
    why: Option<String>,
    #[command(flatten)]
    guards: Guards,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let hand = HandRequest {
        why: args.why.clone().unwrap_or_default(),
        dry_run: !args.write,
        pipeline: args.guards.pipeline.clone(),
        despite: args.guards.despite.iter().filter_map(|name| HandGuard::from_name(name)).collect(),
        when: context.now,
    };
    let done = operations::mixture(context.root(), &MixtureRequest { slot: args.slot.clone(), hand })?;
    context.screen.tell(&done, |width| report::mixture(&done, width, &context.command()));
    Ok(if done.change.refused.is_some() { Exit::Refused } else { Exit::Done })
}
