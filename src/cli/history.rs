//! `rideloop history`

use super::outcome::Exit;
use super::span::span;
use super::{Context, Result};
use crate::ledger::RevisionKind;
use crate::operations::{AxisChoice, HistoryFilter, OpenBike};
use crate::{operations, report};
use clap::ValueEnum;
use jiff::civil::Date;

/// The revisions, newest first.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop history\n  rideloop history --kind run --kind edit --since 2026-04-01\n  \
                        rideloop history --rpm 3000:4500 --load 14    who touched these cells\n  \
                        rideloop --json history\n\n\
                        A alone stands for the breakpoint nearest to it; `rideloop edit` wants one exactly.\n\n\
                        With several conditions a revision must fit all of them. How many are left out is said \
                        below the list, with --json on standard error."
)]
pub(super) struct Args {
    /// Only revisions about this slot.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Only revisions of this kind; may stand several times.
    #[arg(long, value_name = "KIND")]
    kind: Vec<KindArg>,
    /// Only revisions of this day (YYYY-MM-DD, by the maker's own clock) or later.
    #[arg(long, value_name = "DAY", value_parser = day)]
    since: Option<Date>,
    /// Only revisions of this day or earlier.
    #[arg(long, value_name = "DAY", value_parser = day)]
    until: Option<Date>,
    /// Only revisions that changed a fuel cell here: A for the nearest breakpoint, A:B for all
    /// between, 1/min.
    #[arg(long, value_name = "A[:B]", value_parser = span)]
    rpm: Option<AxisChoice>,
    /// The same for the load axis; with --rpm both must fit the same cell.
    #[arg(long, value_name = "A[:B]", value_parser = span)]
    load: Option<AxisChoice>,
    /// At most so many, the newest.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    limit: Option<u32>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum KindArg {
    /// The tables as they were found.
    Start,
    /// Rides.
    Run,
    /// Going back to an earlier revision.
    Rollback,
    /// A change by hand, of a table or of a ride's fate.
    Edit,
    /// Tables from outside.
    Import,
    /// A change of hardware.
    Build,
}

impl From<KindArg> for RevisionKind {
    fn from(kind: KindArg) -> Self {
        match kind {
            KindArg::Start => RevisionKind::Start,
            KindArg::Run => RevisionKind::Run,
            KindArg::Rollback => RevisionKind::Rollback,
            KindArg::Edit => RevisionKind::Edit,
            KindArg::Import => RevisionKind::Import,
            KindArg::Build => RevisionKind::Build,
        }
    }
}

fn day(text: &str) -> std::result::Result<Date, String> {
    const LETTERS: usize = "YYYY-MM-DD".len();
    let date = text.parse::<Date>().ok().filter(|_| text.len() == LETTERS);
    date.ok_or_else(|| format!("`{text}` is not a day as YYYY-MM-DD"))
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let filter = HistoryFilter {
        slot: args.slot.clone(),
        kinds: args.kind.iter().map(|kind| (*kind).into()).collect(),
        since: args.since,
        until: args.until,
        rpm: args.rpm,
        load: args.load,
        limit: args.limit.map(|n| usize::try_from(n).unwrap_or(usize::MAX)),
    };
    let bike = OpenBike::open(context.root())?;
    let found = operations::filtered_history(&bike, &filter)?;
    if let Some(left_out) = report::left_out(&found).filter(|_| context.screen.json()) {
        context.screen.remark(&left_out);
    }
    context.screen.tell(&found.entries, |width| report::history(&found, width));
    Ok(Exit::Done)
}
