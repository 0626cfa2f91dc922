//! `rideloop export`

use super::by_hand::TableWord;
use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::{ExportRequest, OpenBike, OperationError};
use crate::table::{Format, Rows};
use crate::{operations, report};
use clap::ValueEnum;
use std::path::{Path, PathBuf};

/// What each row of cells is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum RowsWord {
    /// An engine speed.
    Rpm,
    /// A load.
    Load,
}

impl From<RowsWord> for Rows {
    fn from(word: RowsWord) -> Self {
        match word {
            RowsWord::Rpm => Rows::Rpm,
            RowsWord::Load => Rows::Load,
        }
    }
}

/// How a table is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FormatWord {
    /// Commas between the cells.
    Csv,
    /// Tabs between the cells.
    Tsv,
    /// JSON.
    Json,
}

impl From<FormatWord> for Format {
    fn from(word: FormatWord) -> Self {
        match word {
            FormatWord::Csv => Format::Csv,
            FormatWord::Tsv => Format::Tsv,
            FormatWord::Json => Format::Json,
        }
    }
}

/// Write a table of a revision for other programs; `rideloop import` reads it back.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop export --out fuel.csv\n  \
                        rideloop export r3 --table mixture --rows load --out targets.tsv\n  \
                        rideloop export --no-axes --format tsv --out -")]
pub(super) struct Args {
    /// The revision; without it the newest.
    #[arg(value_name = "REV")]
    revision: Option<String>,
    /// The file to write, or - for standard output.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Which table.
    #[arg(long, value_name = "TABLE", default_value = "fuel")]
    table: TableWord,
    /// The format; without it what the file's ending says.
    #[arg(long, value_name = "FORMAT")]
    format: Option<FormatWord>,
    /// What each row is.
    #[arg(long, value_name = "AXIS", default_value = "rpm")]
    rows: RowsWord,
    /// Leave the breakpoints out: cells only.
    #[arg(long)]
    no_axes: bool,
    /// Overwrite the file if it is there.
    #[arg(long)]
    force: bool,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let to_stdout = args.out == Path::new("-");
    if to_stdout && context.screen.json() {
        return Err(OperationError::failed(
            "--json and --out - both want standard output",
            "name a file, or leave --json away: `--format json` writes the table as JSON",
        )
        .into());
    }
    let bike = OpenBike::open(context.root())?;
    let request = ExportRequest {
        revision: args.revision.clone(),
        file: (!to_stdout).then(|| args.out.clone()),
        slot: args.slot.clone(),
        table: args.table.into(),
        format: args.format.map(Into::into),
        rows: args.rows.into(),
        axes: !args.no_axes,
        force: args.force,
    };
    let done = operations::export(&bike, &request)?;
    context.screen.tell(&done, |_| report::export(&done));
    Ok(Exit::Done)
}
