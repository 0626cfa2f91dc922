//! Rides: what a logger wrote, on which tables, and the truth of every warm
//! instant that only the simulator knows.

use crate::bikes::TestBike;
use rideloop::bike::{Density, SlotTables};
use rideloop::physics::air;
use rideloop::ride::Ride;
use rideloop::table::LoadAxis;
use rideloop::virtual_bike::{Ambient, RideLog, RideRequest, RideStyle};
use std::path::Path;
use std::sync::OnceLock;

/// Rides of a season; their numbers are their seeds.
pub const RIDES: u64 = 4;
/// The ride no method has seen.
pub const JUDGE_SEED: u64 = 7001;
const MINUTES: f64 = 30.0;
const RATE_HZ: f64 = 20.0;
/// How long one sample stands for.
pub const SAMPLE_S: f64 = 1.0 / RATE_HZ;
/// Warm from here on, as bike.yaml says by default.
pub const WARM_C: f64 = 75.0;

/// Air at the start of the four rides and of the judge's, °C and kPa. The roads
/// climb: over warm time the four average 25 °C and 99 kPa, the judge's too. That
/// is the reference air, so the figures tell of the map, and not of how well the
/// controller's density law holds from one season to another. Dry, since no
/// channel shows the humidity.
const AIR: [(f64, f64); RIDES as usize] = [(17.0, 101.0), (23.0, 100.5), (31.0, 98.5), (26.0, 100.5)];
const JUDGE_AIR: (f64, f64) = (24.0, 101.0);

/// A ride, the tables it was made on, and its log as the tool reads it.
pub struct Ridden {
    pub log: RideLog,
    pub tables: SlotTables,
    read: OnceLock<Ride>,
}

/// What one warm instant of running wanted.
pub struct Instant {
    pub rpm: f64,
    /// On the table's axis, before the logger's noise.
    pub load: f64,
    /// The same as logged.
    pub logged_load: f64,
    /// The amount of fuel, in the table's terms, that is exact here in steady
    /// state; brought to the reference air where nobody corrects the density.
    pub required: f64,
}

impl Ridden {
    pub fn new(bike: &TestBike, tables: &SlotTables, seed: u64) -> Self {
        let request = RideRequest {
            seed,
            minutes: MINUTES,
            rate_hz: RATE_HZ,
            cold_start: true,
            ambient: ambient(seed),
            style: if seed.is_multiple_of(2) { RideStyle::Spirited } else { RideStyle::Road },
        };
        let fuel = |rpm: f64, load: f64| tables.fuel.at(rpm, load);
        let mixture = |rpm: f64, load: f64| tables.mixture.at(rpm, load);
        let log = bike.twin.ride(&fuel, &mixture, &request);
        Self { log, tables: tables.clone(), read: OnceLock::new() }
    }

    /// The log as the tool reads it from a file.
    pub fn ride(&self) -> &Ride {
        self.read.get_or_init(|| {
            Ride::read(
                Path::new("ride.csv"),
                self.log.to_csv(None).as_bytes(),
                &rideloop::ride::Loggers::none(),
            )
            .expect("a ride")
        })
    }

    /// The load as logged.
    pub fn logged_load(&self, bike: &TestBike) -> &[f64] {
        on_axis(bike, &self.log.throttle_pct, &self.log.map_kpa)
    }

    /// Every instant of warm running, fuel on.
    ///
    /// Lambda is inversely proportional to the amount of fuel, so the error that
    /// another table would have made here follows from `required`.
    pub fn instants(&self, bike: &TestBike) -> impl Iterator<Item = Instant> {
        let (log, kind) = (&self.log, bike.kind());
        let load = on_axis(bike, &log.truth.throttle_pct, &log.truth.map_kpa);
        let logged_load = self.logged_load(bike);
        let running = |i: &usize| log.engine_temp_c[*i] >= WARM_C && log.fuel_cut[*i] < 0.5;
        (0..log.len()).filter(running).map(move |i| {
            let given = kind.amount(self.tables.fuel.at(log.rpm[i], load[i]));
            let to_reference = match (bike.bike.controller.density, bike.bike.controller.load) {
                (Density::Controller, _) => 1.0,
                (Density::None, LoadAxis::ThrottlePct) => {
                    air::reference_over_ridden(log.baro_kpa[i], log.air_temp_c[i])
                }
                (Density::None, LoadAxis::MapKpa) => {
                    air::reference_over_ridden_at_pressure(log.air_temp_c[i])
                }
            };
            Instant {
                rpm: log.rpm[i],
                load: load[i],
                logged_load: logged_load[i],
                required: given * (1.0 + log.truth.steady_lambda_error[i]) * to_reference,
            }
        })
    }
}

fn ambient(seed: u64) -> Ambient {
    let ride = usize::try_from(seed).ok().and_then(|seed| AIR.get(seed.checked_sub(1)?));
    let (air_temp_c, baro_kpa) = *ride.unwrap_or(&JUDGE_AIR);
    Ambient { air_temp_c, baro_kpa, humidity_rh: 0.0 }
}

fn on_axis<'a>(bike: &TestBike, throttle_pct: &'a [f64], map_kpa: &'a [f64]) -> &'a [f64] {
    match bike.bike.controller.load {
        LoadAxis::ThrottlePct => throttle_pct,
        LoadAxis::MapKpa => map_kpa,
    }
}
