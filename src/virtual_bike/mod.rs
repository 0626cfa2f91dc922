//! The virtual bike: a seeded motorcycle with a known true fuel map, ridden by a seeded rider.
//!
//! In goes a specification, an engine character, a fuel table and a mixture table (as plain
//! functions) and a request for a ride; out comes a log like a real one, and the truth beside it.
//!
//! It exists to judge the rest of the tool, so it must not share the tool's assumptions: breathing
//! is a smooth function of speed and manifold pressure on nobody's grid, the manifold fills, fuel
//! films the port, the exhaust delay follows the flow, and the probe lags, drifts and lies at low
//! flow. The one thing it shares is the arithmetic by which a controller meters fuel.
//!
//! Known weaknesses: mean-value physics (no pulsation in the manifold, no single cylinders); torque
//! knows no spark map; the exhaust is plug flow without mixing; rider and road are invented.
//!
//! The same request gives the same log: all chance comes from ChaCha8, and all transcendental
//! functions from `libm`, so that platforms agree too.

pub mod air;
pub mod character;
pub mod chassis;
mod driveline;
mod dyno;
pub mod exhaust;
pub mod fuel;
mod log;
mod pull;
mod ride;
mod rider;
mod route;
pub mod spec;
pub mod torque;

pub use air::Ambient;
pub use character::Character;
pub use log::{RideLog, Truth};
pub use pull::PullRequest;
pub use spec::{BikeSpec, ClosedLoop};

use air::{AirPath, Inlet, Plate};

/// A table as a function of (rpm, load).
pub type Surface<'a> = &'a dyn Fn(f64, f64) -> f64;

/// How the bike is ridden.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RideStyle {
    /// Town, country road and some motorway.
    Road,
    /// The same roads with more grip, more revs and less town.
    Spirited,
    /// Steady holds and slow sweeps over the whole map.
    Dyno,
}

/// What ride is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RideRequest {
    pub seed: u64,
    pub minutes: f64,
    /// Samples per second; held to 1–1000, 20 if not a number.
    pub rate_hz: f64,
    pub cold_start: bool,
    pub ambient: Ambient,
    pub style: RideStyle,
}

/// A bike: what its owner knows of it, and what only nature knows.
#[derive(Debug, Clone, PartialEq)]
pub struct VirtualBike {
    pub spec: BikeSpec,
    pub character: Character,
}

impl VirtualBike {
    /// Rides with a fuel table and a mixture table, and logs.
    ///
    /// `fuel(rpm, load)` is the table value in the table's unit, `mixture(rpm, load)` the wanted
    /// lambda; both must be finite. The length is `minutes · 60 · rate_hz` samples.
    #[must_use]
    pub fn ride(&self, fuel: Surface<'_>, mixture: Surface<'_>, request: &RideRequest) -> RideLog {
        ride::ride(self, fuel, mixture, request)
    }

    /// Pulls at full throttle in one gear, again and again, and logs.
    #[must_use]
    pub fn pull(&self, fuel: Surface<'_>, mixture: Surface<'_>, request: &PullRequest) -> RideLog {
        ride::pull(self, fuel, mixture, request)
    }

    /// The table value that gives exactly the wanted lambda in steady state in the reference air
    /// (25 °C, 99 kPa, dry) on a warm engine.
    ///
    /// Units: 1/min, load on the spec's axis, lambda; result in the table's unit.
    #[must_use]
    pub fn true_table_value(&self, rpm: f64, load: f64, lambda_wanted: f64) -> f64 {
        fuel::true_table_value(&AirPath::new(&self.spec, &self.character), rpm, load, lambda_wanted)
    }

    /// Manifold pressure in steady state in the reference air. Units: 1/min, %; result kPa.
    #[must_use]
    pub fn steady_load(&self, rpm: f64, throttle_pct: f64) -> f64 {
        AirPath::new(&self.spec, &self.character).steady_map_kpa(
            rpm,
            Plate::warm(throttle_pct),
            &Inlet::reference(&self.character),
        )
    }
}

#[cfg(test)]
mod tests;
