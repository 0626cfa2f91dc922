//! `simulate`: a ride on the virtual bike with the current map.

use super::error::OperationError;
use super::open::OpenBike;
use super::whole_file::WholeFile;
use crate::bike::{RIDES_FOLDER, SlotTables};
use crate::virtual_bike::{Ambient, BikeSpec, Character, RideLog, RideRequest, RideStyle, VirtualBike};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// How the virtual bike is ridden.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Style {
    /// Town, country road, some motorway.
    Road,
    /// The same with more revs.
    Spirited,
    /// Steady holds over the whole map.
    Dyno,
}

/// What ride is wanted.
#[derive(Debug, Clone)]
pub struct SimulateRequest {
    /// Random seed; the same seed gives the same ride.
    pub seed: u64,
    /// How long, min.
    pub minutes: f64,
    /// Samples per second.
    pub rate_hz: f64,
    /// How it is ridden.
    pub style: Style,
    /// Start with a cold engine.
    pub cold: bool,
    /// The slot in use.
    pub slot: Option<String>,
    /// The engine's character; without it a mild one.
    pub engine_seed: Option<u64>,
}

/// The ride that was written.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct SimulateReport {
    /// The file.
    pub file: PathBuf,
    /// The revision it was ridden on.
    pub revision: String,
    /// Its samples.
    pub samples: usize,
    /// How long it is, s.
    pub seconds: f64,
}

/// Rides the virtual bike and writes the log below `rides/r<N>/`.
///
/// # Errors
/// When the folder cannot be read or the file exists or cannot be written.
pub fn simulate(root: &Path, request: &SimulateRequest) -> Result<SimulateReport, OperationError> {
    let bike = OpenBike::open(root)?;
    let slot = bike.slot(request.slot.as_deref())?;
    let revision = bike.newest_name();
    let log = ride(&virtual_bike(&bike, request.engine_seed), bike.today(&slot), request);
    let several_slots = bike.folder.bike.slots.len() > 1;
    let file = root.join(RIDES_FOLDER).join(&revision).join(format!("sim-{}.csv", request.seed));
    if file.exists() {
        return Err(OperationError::failed(
            format!("`{}` exists already", file.display()),
            "name another --seed for another ride",
        ));
    }
    write_log(&file, &log, several_slots.then_some(slot.as_str()))?;
    Ok(SimulateReport {
        file,
        revision,
        samples: log.len(),
        seconds: log.time_s.last().copied().unwrap_or_default(),
    })
}

/// The virtual twin of the bike in the folder.
pub(super) fn virtual_bike(bike: &OpenBike, engine_seed: Option<u64>) -> VirtualBike {
    let character = engine_seed.map_or_else(Character::mild, Character::from_seed);
    VirtualBike { spec: BikeSpec::of(&bike.folder.bike), character }
}

/// One ride on given tables.
pub(super) fn ride(bike: &VirtualBike, tables: &SlotTables, request: &SimulateRequest) -> RideLog {
    let fuel = |rpm: f64, load: f64| tables.fuel.at(rpm, load);
    let mixture = |rpm: f64, load: f64| tables.mixture.at(rpm, load);
    let wanted = RideRequest {
        seed: request.seed,
        minutes: request.minutes,
        rate_hz: request.rate_hz,
        cold_start: request.cold,
        ambient: Ambient { air_temp_c: 21.0, baro_kpa: 100.2, humidity_rh: 0.5 },
        style: match request.style {
            Style::Road => RideStyle::Road,
            Style::Spirited => RideStyle::Spirited,
            Style::Dyno => RideStyle::Dyno,
        },
    };
    bike.ride(&fuel, &mixture, &wanted)
}

/// Writes what a logger would have written; a bike with several slots logs the one in use.
fn write_log(path: &Path, log: &RideLog, slot: Option<&str>) -> Result<(), OperationError> {
    // No half ride is ever found.
    WholeFile::begin_with_folder(path)?.put(log.to_csv(slot).as_bytes())
}
