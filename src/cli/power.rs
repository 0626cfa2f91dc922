//! `rideloop power`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::calc::quantity::{
    AREA, HUMIDITY, MASS, NUMBER, PRESSURE, Quantity, SHARE, SPEED, TEMPERATURE,
};
use crate::operations::power::{Given, VehicleGiven};
use crate::operations::{self, PowerRequest};
use crate::physics::air::{MEASURED_KPA, MEASURED_TEMP_C};
use crate::power::{Correction, PullRules};
use crate::report;
use crate::ride::logger::dyno_sheet::MeasuredAt;
use clap::ValueEnum;
use std::path::PathBuf;

/// Power and torque from pulls in a ride or from a dyno's sheet, with their uncertainty; several
/// files are held against the first, such as before and after a new map. Reads only.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop power --mass-kg 245 --cda-m2 0.55 --crr 0.015 rides/r5/pull.csv\n  \
                  rideloop power --mass-kg 245±3 --headwind-kph 0±5 --correct eu rides/r4/pull.csv rides/r5/pull.csv\n  \
                  rideloop power dyno/before.csv dyno/after.csv\n\n\
                  A pull is full throttle in one gear over a wide span of engine speed; its power is that of \
                  tyres, air, slope and inertia, at the wheel. A sheet has titles such as `rpm` and `Wheel power \
                  [kW]` or `torque_nm`; rows that no pull makes are dropped and told.\n\nBehind a number, ±5 or +-5 says how far it may be off (two in three \
                  times); without it what is usual is taken and shown. `chassis` in bike.yaml saves the flags. \
                  A correction is for full throttle only.\n\nA public road is no place to measure: a closed road \
                  or a dyno, straps, hands off the hot exhaust; local law goes before all of this."
)]
pub(super) struct Args {
    /// Rides and dyno sheets; the first is what the others are held against.
    #[arg(value_name = "FILE", required = true)]
    files: Vec<PathBuf>,
    #[command(flatten)]
    how: How,
}

/// How power is worked out of a file.
#[derive(Debug, clap::Args)]
pub(super) struct How {
    /// Mass with rider, fuel and bags, kg [without it from bike.yaml].
    #[arg(long, value_name = "KG", value_parser = given(&MASS, [50.0, 2000.0]), help_heading = VEHICLE)]
    mass_kg: Option<Given>,
    /// Drag coefficient times frontal area, m² [without it 0.5±0.1].
    #[arg(long, value_name = "M2", value_parser = given(&AREA, [0.05, 3.0]), allow_hyphen_values = true, help_heading = VEHICLE)]
    cda_m2: Option<Given>,
    /// Rolling resistance over the weight [without it 0.015±0.003].
    #[arg(long, value_name = "SHARE", value_parser = given(&NUMBER, [0.001, 0.1]), allow_hyphen_values = true, help_heading = VEHICLE)]
    crr: Option<Given>,
    /// Mass with that of turning parts over the mass [without it 1.05±0.02].
    #[arg(long, value_name = "RATIO", value_parser = given(&NUMBER, [1.0, 1.5]), allow_hyphen_values = true, help_heading = VEHICLE)]
    k_rot: Option<Given>,
    /// Inertia of what turns with the crank, kg m²; then --k-rot is of the wheels alone.
    #[arg(long, value_name = "KG_M2", value_parser = given(&NUMBER, [0.0, 1.0]), allow_hyphen_values = true, help_heading = VEHICLE)]
    crank_inertia_kg_m2: Option<Given>,
    /// True road speed over the logged one [without it 1±0.01].
    #[arg(long, value_name = "RATIO", value_parser = given(&NUMBER, [0.8, 1.2]), allow_hyphen_values = true, help_heading = VEHICLE)]
    speed_scale: Option<Given>,
    /// Gear of the pulls, where the log does not tell it.
    #[arg(long, value_name = "GEAR", value_parser = clap::value_parser!(u8).range(1..=8), help_heading = VEHICLE)]
    gear: Option<u8>,
    /// Slope of the road, %; uphill is positive [without it 0±0.5].
    #[arg(long, value_name = "PCT", value_parser = given(&SHARE, [-30.0, 30.0]), allow_hyphen_values = true, help_heading = DAY)]
    grade_pct: Option<Given>,
    /// Wind against the bike, km/h; from behind is negative [without it 0±7].
    #[arg(long, value_name = "KPH", value_parser = given(&SPEED, [-150.0, 150.0]), allow_hyphen_values = true, help_heading = DAY)]
    headwind_kph: Option<Given>,
    /// Temperature of the air, °C [without it from the file].
    #[arg(long, value_name = "C", value_parser = given(&TEMPERATURE, MEASURED_TEMP_C), allow_hyphen_values = true, help_heading = DAY)]
    air_temp_c: Option<Given>,
    /// Absolute pressure of the air there, kPa [without it from the file].
    #[arg(long, value_name = "KPA", value_parser = given(&PRESSURE, MEASURED_KPA), allow_hyphen_values = true, help_heading = DAY)]
    pressure_kpa: Option<Given>,
    /// Humidity of the air, % [without it from the file, or 50±25].
    #[arg(long, value_name = "PCT", value_parser = given(&HUMIDITY, [0.0, 100.0]), allow_hyphen_values = true, help_heading = DAY)]
    humidity_pct: Option<Given>,
    /// Bring the power to the air of a standard.
    #[arg(long, value_name = "STANDARD", default_value = "none")]
    correct: Standard,
    /// Where the dyno measured, if its sheet does not tell.
    #[arg(long, value_name = "PLACE")]
    at: Option<Place>,
    /// From this throttle on it is full, %.
    #[arg(long, value_name = "PCT", value_parser = number([50.0, 100.0]), default_value = "95")]
    full_throttle_pct: f64,
    /// The least span of engine speed of a pull, 1/min.
    #[arg(long, value_name = "RPM", value_parser = number([300.0, 10_000.0]), default_value = "1500")]
    min_span_rpm: f64,
    /// Window of the smoothing, s.
    #[arg(long, value_name = "S", value_parser = number([0.1, 5.0]), default_value = "0.8")]
    window_s: f64,
    /// The curve has a point every so many 1/min.
    #[arg(long, value_name = "RPM", value_parser = number([10.0, 1000.0]), default_value = "250")]
    step_rpm: f64,
}

/// Where help lists the flags.
const VEHICLE: &str = "The bike";
const DAY: &str = "Road and air";

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Standard {
    /// As measured.
    None,
    /// SAE J1349.
    Sae,
    /// Regulation (EU) 134/2014, the form of ISO 1585.
    Eu,
    /// DIN 70020.
    Din,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Place {
    /// At the wheel.
    Wheel,
    /// At the crank.
    Crank,
}

/// A number with its uncertainty, in a range.
fn given(
    quantity: &'static Quantity,
    range: [f64; 2],
) -> impl Fn(&str) -> std::result::Result<Given, String> + Clone + Send + Sync + 'static {
    move |text| Given::read(text, quantity, range)
}

/// A plain number in a range.
fn number(
    [low, high]: [f64; 2],
) -> impl Fn(&str) -> std::result::Result<f64, String> + Clone + Send + Sync + 'static {
    move |text| match super::finite(text)? {
        value if (low..=high).contains(&value) => Ok(value),
        value => Err(format!("must be from {low} to {high}, got {value}")),
    }
}

impl How {
    /// What is asked of these files.
    pub(super) fn request(&self, files: Vec<PathBuf>) -> PowerRequest {
        PowerRequest {
            files,
            given: VehicleGiven {
                mass_kg: self.mass_kg,
                cda_m2: self.cda_m2,
                crr: self.crr,
                k_rot: self.k_rot,
                crank_inertia_kg_m2: self.crank_inertia_kg_m2,
                speed_scale: self.speed_scale,
                grade_pct: self.grade_pct,
                headwind_kph: self.headwind_kph,
                air_temp_c: self.air_temp_c,
                pressure_kpa: self.pressure_kpa,
                humidity_pct: self.humidity_pct,
            },
            gear: self.gear.map(usize::from),
            measured_at: self.at.map(|at| match at {
                Place::Wheel => MeasuredAt::Wheel,
                Place::Crank => MeasuredAt::Crank,
            }),
            correction: match self.correct {
                Standard::None => Correction::None,
                Standard::Sae => Correction::SaeJ1349,
                Standard::Eu => Correction::Eu1342014,
                Standard::Din => Correction::Din70020,
            },
            rules: PullRules {
                full_throttle_pct: self.full_throttle_pct,
                min_span_rpm: self.min_span_rpm,
                window_s: self.window_s,
            },
            step_rpm: self.step_rpm,
        }
    }
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let request = args.how.request(args.files.clone());
    let done = operations::power(context.root(), &request)?;
    context.screen.tell(&done, |width| report::power(&done, width));
    Ok(Exit::Done)
}
