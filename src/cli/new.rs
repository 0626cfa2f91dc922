//! `rideloop new`

use super::outcome::Exit;
use super::{Context, Result};
use crate::bike::{FuelTableKind, Template};
use crate::physics::fuel::KNOWN_FUELS;
use crate::table::LoadAxis;
use crate::{operations, report};
use clap::ValueEnum;
use std::path::PathBuf;

/// Make a bike folder from a template, its base tables computed from the engine data.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop new bikes/fernhill --name 'Fernhill 700' --displacement-cc 700 --cylinders 2 --rev-limit-rpm 8200\n\n\
                        The base tables are a start for a careful first ride, not a finished map."
)]
pub(super) struct Args {
    /// A folder that does not exist yet.
    dir: PathBuf,
    /// What the workshop calls the bike; without it the folder's name.
    #[arg(long)]
    name: Option<String>,
    /// Displacement of all cylinders, cm³.
    #[arg(long, value_name = "CC", allow_negative_numbers = true, default_value_t = 650.0, value_parser = ranged(20.0, 10_000.0))]
    displacement_cc: f64,
    /// Number of cylinders.
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=16))]
    cylinders: u32,
    /// Where the limiter cuts, 1/min.
    #[arg(long, value_name = "RPM", allow_negative_numbers = true, default_value_t = 9000.0, value_parser = ranged(3000.0, 20_000.0))]
    rev_limit_rpm: f64,
    /// The fuel.
    #[arg(long, default_value = "E10", value_parser = KNOWN_FUELS)]
    fuel: String,
    /// What a cell of the fuel table holds.
    #[arg(long, default_value = "ve_pct")]
    fuel_table: FuelTableArg,
    /// The load axis of the tables.
    #[arg(long, default_value = "throttle_pct")]
    load: LoadArg,
    /// Flow of one injector at 300 kPa, cm³/min; without it a size that suits the engine.
    #[arg(long, value_name = "CC_MIN", allow_negative_numbers = true, value_parser = ranged(10.0, 5000.0))]
    injector_cc_min: Option<f64>,
    /// The switchable table sets.
    #[arg(long, default_value = "main", value_delimiter = ',')]
    slots: Vec<String>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
#[value(rename_all = "snake_case")]
enum FuelTableArg {
    VePct,
    PulseWidthMs,
    TrimPct,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
#[value(rename_all = "snake_case")]
enum LoadArg {
    ThrottlePct,
    MapKpa,
}

/// A number within bounds; NaN is never within.
pub(super) fn ranged(
    low: f64,
    high: f64,
) -> impl Fn(&str) -> std::result::Result<f64, String> + Clone + Send + Sync + 'static {
    move |text| {
        let value: f64 = text.parse().map_err(|_| format!("`{text}` is not a number"))?;
        let fine = (low..=high).contains(&value);
        if fine { Ok(value) } else { Err(format!("must be between {low} and {high}, got {text}")) }
    }
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let folder_name = || args.dir.file_name().map(|n| n.to_string_lossy().into_owned());
    let name = args.name.clone().or_else(folder_name).unwrap_or_else(|| "bike".to_owned());
    let template = Template {
        name,
        displacement_cc: args.displacement_cc,
        cylinders: args.cylinders,
        rev_limit_rpm: args.rev_limit_rpm,
        fuel: args.fuel.clone(),
        fuel_table: match args.fuel_table {
            FuelTableArg::VePct => FuelTableKind::VePct,
            FuelTableArg::PulseWidthMs => FuelTableKind::PulseWidthMs,
            FuelTableArg::TrimPct => FuelTableKind::TrimPct,
        },
        load: match args.load {
            LoadArg::ThrottlePct => LoadAxis::ThrottlePct,
            LoadArg::MapKpa => LoadAxis::MapKpa,
        },
        injector_cc_min: args.injector_cc_min,
        slots: args.slots.clone(),
        today: context.today()?,
    };
    let made = operations::new(&args.dir, &template, None, context.now)?;
    context.screen.tell(&made, |_| report::new(&made));
    Ok(Exit::Done)
}
