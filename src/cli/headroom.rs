//! `rideloop headroom`

use super::outcome::Exit;
use super::progress::RideBar;
use super::{Context, Result};
use crate::operations::{HeadroomRequest, OpenBike};
use crate::{operations, report};
use std::path::PathBuf;

/// How much more fuel injectors and pump can deliver, before the engine runs lean at full power.
///
/// Injector duty of every cell of the newest map in the reference air and in cold, dense air,
/// and the highest that the rides logged, against `injectors.duty_limit_pct` of bike.yaml.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop headroom\n  rideloop headroom --target-kw 62\n\n\
                        Sums of steady running: a pump, filter or regulator that cannot keep up shows as a lean \
                        lambda at high load, not here.")]
pub(super) struct Args {
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Size injectors and pump for this power at the crankshaft.
    #[arg(long, value_name = "KW", value_parser = power)]
    target_kw: Option<f64>,
    /// Fuel for each kWh at full load [without it 320 on petrol, of other fuels by the air they need:
    /// common practice, no source].
    #[arg(long, value_name = "G", value_parser = consumption)]
    fuel_g_kwh: Option<f64>,
    /// Rides or folders of rides; without them the bike's own rides/.
    #[arg(value_name = "RIDE_OR_FOLDER")]
    rides: Vec<PathBuf>,
}

fn power(text: &str) -> std::result::Result<f64, String> {
    match super::finite(text)? {
        power if (0.5..=1000.0).contains(&power) => Ok(power),
        _ => Err("a power lies between 0.5 and 1000 kW".to_owned()),
    }
}

fn consumption(text: &str) -> std::result::Result<f64, String> {
    match super::finite(text)? {
        fuel if (150.0..=1500.0).contains(&fuel) => Ok(fuel),
        _ => Err("fuel for each kWh lies between 150 and 1500 g".to_owned()),
    }
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let request = HeadroomRequest {
        slot: args.slot.clone(),
        rides: args.rides.clone(),
        target_kw: args.target_kw,
        fuel_g_kwh: args.fuel_g_kwh,
    };
    let bar = RideBar::with_stop(context);
    let found = operations::headroom(&bike, &request, &bar)?;
    context.screen.tell(&found, |width| report::headroom(&found, width));
    Ok(Exit::Done)
}
