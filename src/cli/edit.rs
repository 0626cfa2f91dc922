//! `rideloop edit`

use super::by_hand::{Guards, Reason, TableWord, answer, request};
use super::span::region;
use super::{Context, Result};
use crate::bike::{CellEdit, HandDeed, SMOOTH_PCT};
use crate::operations;
use crate::operations::EditRequest;
use clap::Subcommand;

/// Change cells by hand, with a reason, through the same limits as a run.
///
/// Each edit is a revision of its own that can be rolled back. A guard that
/// objects refuses the whole change: see --despite. Locked cells and the range of
/// a cell have no such option, nor has spark, which is advanced by small steps only.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop edit scale +3 --rpm 2000:4000 --load 10:20 --why \"leans out pulling away\"\n  \
                        rideloop edit set 55.5 --rpm 3000 --load 14 --why \"from the dyno\" --dry-run\n  \
                        rideloop edit smooth --rpm 3000:6000 --why \"a dent from one bad ride\"\n  \
                        rideloop edit lock --rpm 800:1400 --load 0:2 --why \"idle is set by hand\"\n\n\
                        A region holds the breakpoints from A to B, both included; without --rpm or --load \
                        all of them. A alone must be a breakpoint itself; `rideloop history` takes the nearest \
                        one, since it only looks."
)]
pub(super) struct Args {
    #[command(subcommand)]
    deed: Deed,
}

#[derive(Debug, Subcommand)]
enum Deed {
    /// Give the cells this value, rounded to the table's step.
    #[command(after_help = "Example:\n  rideloop edit set 55.5 --rpm 3000 --load 14 --why \"from the dyno\"")]
    Set {
        /// The new value, as the table holds it.
        #[arg(value_name = "VALUE", allow_hyphen_values = true, value_parser = super::finite)]
        value: f64,
        #[command(flatten)]
        cells: Cells,
    },
    /// Add to the cells, in the table's own unit; rounded to its step.
    #[command(
        after_help = "Example:\n  rideloop edit add -1 --table spark --load 40:100 --why \"pings in summer\""
    )]
    Add {
        /// How much, such as 1.5 or -1.
        #[arg(value_name = "AMOUNT", allow_hyphen_values = true, value_parser = super::finite)]
        amount: f64,
        #[command(flatten)]
        cells: Cells,
    },
    /// Give the cells so many percent more or less.
    ///
    /// In a fuel table that is percent of fuel, whatever its cells hold. Each cell goes
    /// to the last whole step that is no further than asked.
    #[command(
        after_help = "Example:\n  rideloop edit scale +3 --rpm 2000:4000 --load 10:20 --why \"leans out pulling away\""
    )]
    Scale {
        /// Percent, such as +3 or -2.5.
        #[arg(value_name = "PERCENT", allow_hyphen_values = true, value_parser = percent)]
        percent: f64,
        #[command(flatten)]
        cells: Cells,
    },
    /// Move the cells half of the way towards the mean of their direct neighbours.
    ///
    /// Of two opposite neighbours the nearer one counts more, so that an even slope
    /// stays. Neighbours outside the region count and stay as they are. A cell at the
    /// edge of the table looks along the edge only, and a corner stays.
    #[command(
        after_help = "Example:\n  rideloop edit smooth --rpm 3000:6000 --why \"a dent from one bad ride\""
    )]
    Smooth {
        #[command(flatten)]
        cells: Cells,
    },
    /// Lock the cells: no run and no edit changes them in any table.
    #[command(
        after_help = "Example:\n  rideloop edit lock --rpm 800:1400 --load 0:2 --why \"idle is set by hand\""
    )]
    Lock(Place),
    /// Unlock the cells.
    ///
    /// A lock that reaches beyond the region is divided: the rest of its cells stays
    /// locked, for the same reason.
    #[command(
        after_help = "Example:\n  rideloop edit unlock --rpm 800:1400 --load 0:2 --why \"new idle valve\""
    )]
    Unlock(Place),
}

/// Where, and why.
#[derive(Debug, clap::Args)]
struct Place {
    /// Engine speed, a breakpoint, or from and to, 1/min.
    #[arg(long, value_name = "A[:B]", value_parser = region)]
    rpm: Option<[f64; 2]>,
    /// Load, a breakpoint, or from and to, in the unit of the table's axis.
    #[arg(long, value_name = "A[:B]", value_parser = region)]
    load: Option<[f64; 2]>,
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    #[command(flatten)]
    reason: Reason,
}

/// Where in which table, why, and what guards it.
#[derive(Debug, clap::Args)]
struct Cells {
    #[command(flatten)]
    place: Place,
    /// Which table.
    #[arg(long, value_name = "TABLE", default_value = "fuel")]
    table: TableWord,
    #[command(flatten)]
    guards: Guards,
}

/// More than -100.
fn percent(text: &str) -> std::result::Result<f64, String> {
    match super::finite(text.trim_end_matches('%').trim_end())? {
        percent if percent <= -100.0 => Err("nothing would be left".to_owned()),
        percent => Ok(percent),
    }
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let (place, deed, guards) = match &args.deed {
        Deed::Set { value, cells } => (&cells.place, cells.deed(CellEdit::Set(*value)), Some(&cells.guards)),
        Deed::Add { amount, cells } => {
            (&cells.place, cells.deed(CellEdit::Add(*amount)), Some(&cells.guards))
        }
        Deed::Scale { percent, cells } => {
            (&cells.place, cells.deed(CellEdit::Scale(*percent)), Some(&cells.guards))
        }
        Deed::Smooth { cells } => {
            (&cells.place, cells.deed(CellEdit::Smooth(SMOOTH_PCT)), Some(&cells.guards))
        }
        Deed::Lock(place) => (place, HandDeed::Lock(place.reason.why.clone()), None),
        Deed::Unlock(place) => (place, HandDeed::Unlock, None),
    };
    let done = operations::edit(
        context.root(),
        &EditRequest {
            slot: place.slot.clone(),
            rpm: place.rpm,
            load: place.load,
            deed,
            hand: request(context, &place.reason, guards),
        },
    )?;
    answer(context, &done)
}

impl Cells {
    fn deed(&self, edit: CellEdit) -> HandDeed {
        HandDeed::Cells(self.table.into(), edit)
    }
}
