//! `rideloop import`

use super::by_hand::{Guards, Reason, TableWord, answer, request};
use super::export::RowsWord;
use super::{Context, Result};
use crate::operations;
use crate::operations::{ImportRequest, ImportSource};
use std::path::PathBuf;

/// Take a table from a file, or edited tables from the folder, as a revision.
///
/// It goes through the same limits as a run. The file may be comma-, semicolon- or tab-separated, with decimal point or
/// comma, or JSON. Its first cell says which way round it is: `rpm/throttle_pct`
/// when rows are engine speeds, `throttle_pct/rpm` when rows are loads. Without
/// such a title it must have today's shape, and today's axes or none.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop import dyno.csv --why \"full-load rows from the dyno\" --dry-run\n  \
                        rideloop import targets.tsv --table mixture --why \"richer at full load\"\n  \
                        rideloop import --from-folder --why \"edited in the spreadsheet\""
)]
pub(super) struct Args {
    /// The file.
    #[arg(value_name = "FILE", required_unless_present = "from_folder")]
    file: Option<PathBuf>,
    /// Take the tables and locks as they lie edited in the bike folder, and new slots
    /// that were put there and named in bike.yaml.
    #[arg(long, conflicts_with_all = ["file", "slot", "table", "rows", "new_axes"])]
    from_folder: bool,
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Which table it becomes.
    #[arg(long, value_name = "TABLE", default_value = "fuel")]
    table: TableWord,
    /// What each row is, where the file does not tell.
    #[arg(long, value_name = "AXIS")]
    rows: Option<RowsWord>,
    /// Take other breakpoints than today's; what compares with earlier tables
    /// interpolates from then on.
    #[arg(long)]
    new_axes: bool,
    #[command(flatten)]
    reason: Reason,
    #[command(flatten)]
    guards: Guards,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let from = match &args.file {
        Some(file) => ImportSource::File {
            file: file.clone(),
            slot: args.slot.clone(),
            table: args.table.into(),
            rows: args.rows.map(Into::into),
            new_axes: args.new_axes,
        },
        None => ImportSource::Folder,
    };
    let hand = request(context, &args.reason, Some(&args.guards));
    let done = operations::import(context.root(), &ImportRequest { from, hand })?;
    answer(context, &done)
}
