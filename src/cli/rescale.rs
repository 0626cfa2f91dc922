//! `rideloop rescale`

use super::by_hand::Guards;
use super::outcome::Exit;
use super::questions::measured;
use super::{Context, Result};
use crate::blend::by_hand::HandGuard;
use crate::operations::calc::quantity::{FLOW, PRESSURE, VOLUME};
use crate::operations::{self, FromTold, HandRequest, RescaleRequest};
use crate::physics::fuel::KNOWN_FUELS;
use crate::report;

/// Scale the fuel tables for another displacement, other injectors, pressure or fuel.
///
/// Change bike.yaml first: it says where to. Where from is what it said when the tables were last
/// made, or what the --from options say. It shows the change; with --write it becomes a revision.
/// Right after `build add`, before any run, the limits on the size of a change stand aside; later they
/// hold as for any change by hand.
///
/// A pulse width, and the fuel of a trim, is multiplied by displacement, by the flow of the old
/// injectors over the new (with the root of the pressure) and by the air that the fuels need. A
/// table of volumetric efficiency knows neither injectors nor fuel and stays, unless --same-air.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop rescale\n  \
                  rideloop rescale --write --why \"injectors of 270 cm³/min\"\n  \
                  rideloop rescale --from-displacement-cc 650 --from-flow-cc-min 200 --slot power\n\n\
                  Numbers may bear a unit: 43.5psi, 30l/h.")]
pub(super) struct Args {
    /// The slot; without it all of them, since they share the hardware.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    #[command(flatten)]
    from: From,
    /// Heads, cams and throttle let no more air through than before, whatever the displacement.
    #[arg(long)]
    same_air: bool,
    /// Make a revision of it; without this nothing is written.
    #[arg(long, requires = "why")]
    write: bool,
    /// Why; it stands in the history.
    #[arg(long, value_name = "TEXT", requires = "write")]
    why: Option<String>,
    #[command(flatten)]
    guards: Guards,
}

/// What the tables were made for, where bike.yaml of then does not say it.
#[derive(Debug, clap::Args)]
struct From {
    /// Displacement that the tables were made for, cm³.
    #[arg(long, value_name = "CC", allow_negative_numbers = true, value_parser = measured(&VOLUME, [20.0, 10_000.0]))]
    from_displacement_cc: Option<f64>,
    /// Number of injectors that they were made for.
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=32))]
    from_injectors: Option<u32>,
    /// Flow of one of these injectors at the rated pressure, cm³/min.
    #[arg(long, value_name = "CC_MIN", allow_negative_numbers = true, value_parser = measured(&FLOW, [10.0, 5000.0]))]
    from_flow_cc_min: Option<f64>,
    /// Pressure difference at which that flow was rated, kPa.
    #[arg(long, value_name = "KPA", allow_negative_numbers = true, value_parser = measured(&PRESSURE, [50.0, 2000.0]))]
    from_rated_kpa: Option<f64>,
    /// Pressure difference at these injectors, kPa.
    #[arg(long, value_name = "KPA", allow_negative_numbers = true, value_parser = measured(&PRESSURE, [50.0, 2000.0]))]
    from_rail_kpa: Option<f64>,
    /// The fuel that they were made for.
    #[arg(long, value_name = "FUEL", value_parser = KNOWN_FUELS)]
    from_fuel: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let from = FromTold {
        displacement_cc: args.from.from_displacement_cc,
        injectors: args.from.from_injectors,
        flow_cc_min: args.from.from_flow_cc_min,
        rated_kpa: args.from.from_rated_kpa,
        rail_kpa: args.from.from_rail_kpa,
        fuel: args.from.from_fuel.clone(),
    };
    let hand = HandRequest {
        why: args.why.clone().unwrap_or_default(),
        dry_run: !args.write,
        pipeline: args.guards.pipeline.clone(),
        despite: args.guards.despite.iter().filter_map(|name| HandGuard::from_name(name)).collect(),
        when: context.now,
    };
    let request = RescaleRequest { slot: args.slot.clone(), from, same_air: args.same_air, hand };
    let done = operations::rescale(context.root(), &request)?;
    context.screen.tell(&done, |width| report::rescale(&done, width, &context.command()));
    Ok(if done.change.refused.is_some() { Exit::Refused } else { Exit::Done })
}
