//! What the engine pushes: road load and gearing of an invented six-speed motorcycle.

use super::character::{Character, Chassis};
use super::spec::BikeSpec;
use crate::physics::road_load::{Going, Laden, forces};

pub use crate::physics::road_load::GRAVITY_M_S2;

/// Air density in the road load, kg/m³: near the reference air.
pub const ROAD_AIR_KG_M3: f64 = 1.2;
/// Share of crankshaft power that reaches the road; common practice, no source.
pub const DRIVE_EFFICIENCY: f64 = 0.93;
/// Mean pressure used to guess the top speed the gearing is laid out for, kPa; invented.
const LAYOUT_BMEP_KPA: f64 = 980.0;
/// Clutch torque over the engine's; invented.
const CLUTCH_RESERVE: f64 = 1.3;
/// Crankshaft inertia per litre displacement, kg m²; invented.
const INERTIA_PER_LITRE: f64 = 0.05;

/// Resisting force on the bike in still air; acceleration is left to the caller, and tyres do not
/// resist a bike that stands.
///
/// Units: kg, m², m/s, slope as rise over run; result N.
#[must_use]
pub fn road_load_n(mass_kg: f64, cda_m2: f64, crr: f64, speed_m_s: f64, grade: f64) -> f64 {
    let bike = Laden { mass_kg, cda_m2, crr, rotating: 1.0 };
    let going =
        Going { speed_m_s, headwind_m_s: 0.0, grade, acceleration_m_s2: 0.0, air_kg_m3: ROAD_AIR_KG_M3 };
    let against = forces(&bike, &going);
    let rolling_n = if speed_m_s > 0.05 { against.rolling_n } else { 0.0 };
    rolling_n + against.drag_n + against.slope_n
}

/// The chassis fitted to one specification.
#[derive(Debug, Clone, Copy)]
pub struct Rolling {
    pub mass_kg: f64,
    pub cda_m2: f64,
    pub crr: f64,
    pub rotating: f64,
    /// Engine turns per metre of road, for each gear, rad/m.
    pub rad_per_m: [f64; 6],
    pub crank_inertia: f64,
    /// Torque the slipping clutch passes on at most, N m.
    pub clutch_nm: f64,
}

impl Rolling {
    /// Lays the gearing out so that top gear reaches the rev limit a little above top speed.
    #[must_use]
    pub fn new(spec: &BikeSpec, character: &Character) -> Self {
        let Chassis { mass_kg, cda_m2, crr, rotating, gears } = character.chassis;
        let litres = spec.displacement_cc / 1e3;
        // Rider and bags stay the same size; the machine grows with its engine.
        let mass_kg = mass_kg * (0.72 + 0.4 * litres);
        let limit_rad_s = spec.rev_limit_rpm * core::f64::consts::TAU / 60.0;
        let power_w = LAYOUT_BMEP_KPA * litres / (core::f64::consts::TAU * spec.revs_per_cycle())
            * 0.9
            * limit_rad_s
            * DRIVE_EFFICIENCY;
        let mut top_m_s: f64 = 30.0;
        for _ in 0..40 {
            let force = road_load_n(mass_kg, cda_m2, crr, top_m_s, 0.0);
            top_m_s = 0.5 * (top_m_s + power_w / force).min(4.0 * top_m_s);
        }
        let top_gear = limit_rad_s / (1.03 * top_m_s);
        Self {
            mass_kg,
            cda_m2,
            crr,
            rotating,
            rad_per_m: gears.map(|ratio| ratio * top_gear),
            crank_inertia: INERTIA_PER_LITRE * litres,
            clutch_nm: CLUTCH_RESERVE * LAYOUT_BMEP_KPA * litres
                / (core::f64::consts::TAU * spec.revs_per_cycle()),
        }
    }

    /// Engine speed that belongs to a road speed in a gear (1–6). Units: m/s; result 1/min.
    #[must_use]
    pub fn rpm(&self, gear: usize, speed_m_s: f64) -> f64 {
        self.rad_per_m[gear.clamp(1, 6) - 1] * speed_m_s * 60.0 / core::f64::consts::TAU
    }

    /// Mass with that of wheels and crank, as they turn in a gear (1–6), over the mass.
    #[must_use]
    pub fn rotating_in(&self, gear: usize) -> f64 {
        let rad_per_m = self.rad_per_m[gear.clamp(1, 6) - 1];
        self.rotating + self.crank_inertia * rad_per_m * rad_per_m / self.mass_kg
    }

    /// Resisting force. Units: m/s, rise over run; result N.
    #[must_use]
    pub fn load_n(&self, speed_m_s: f64, grade: f64) -> f64 {
        road_load_n(self.mass_kg, self.cda_m2, self.crr, speed_m_s, grade)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn road_load_agrees_with_the_worked_examples() {
        // Worked out for this project: 300 kg, CdA .5, Crr .015: 50/90/130 km/h -> 1.42/5.79/15.72 kW.
        let kw = |kph: f64, extra_n: f64| {
            let v = kph / 3.6;
            (road_load_n(300.0, 0.5, 0.015, v, 0.0) + extra_n) * v / 1e3
        };
        for (kph, want) in [(50.0, 1.42), (90.0, 5.79), (130.0, 15.72)] {
            assert!((kw(kph, 0.0) / want - 1.0).abs() < 0.01, "{kph}: {}", kw(kph, 0.0));
        }
        // +2 m/s² at 100 km/h with k_rot 1.05 -> 25.2 kW.
        assert!((kw(100.0, 1.05 * 300.0 * 2.0) - 25.2).abs() < 0.15);
    }

    #[test]
    fn top_gear_reaches_the_limit_near_a_lifelike_top_speed() {
        let character = Character::mild();
        let spec = BikeSpec::fernhill_700();
        let rolling = Rolling::new(&spec, &character);
        let top_kph = spec.rev_limit_rpm / rolling.rpm(6, 1.0) * 3.6;
        assert!((170.0..215.0).contains(&top_kph), "{top_kph}");
        assert!(rolling.rpm(1, 20.0) > rolling.rpm(2, 20.0));
    }
}
