//! Pulls: full throttle in one gear from low to high revs, on a road of one slope in one wind.
//!
//! Between two pulls the bike is slowed down again, and rolls evenly at part throttle for a while.

use super::air::Ambient;
use super::chassis::{DRIVE_EFFICIENCY, Rolling};
use super::driveline::Driveline;
use super::rider::Controls;
use super::spec::BikeSpec;
use super::{RideRequest, RideStyle};
use crate::physics::air::moist_density;
use crate::physics::road_load::{Going, Laden, forces};

/// A pull begins and ends at these shares of the rev limit. Invented.
const FROM: f64 = 0.34;
const TO: f64 = 0.96;
/// Rolling before each pull, s, and the grip meanwhile, %. Invented.
const ROLLS_S: f64 = 3.0;
const ROLLS_PCT: f64 = 12.0;
/// How fast the hand opens and closes, %/s, and the brake takes revs away, 1/min per s. Invented.
const HAND_PCT_S: f64 = 250.0;
const BRAKES_RPM_S: f64 = 1500.0;

/// What pulls are wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PullRequest {
    pub seed: u64,
    pub minutes: f64,
    /// Samples per second.
    pub rate_hz: f64,
    pub ambient: Ambient,
    /// 1 to 6; held to these.
    pub gear: usize,
    /// Slope of the road, rise over run.
    pub grade: f64,
    /// Wind against the bike, m/s.
    pub headwind_m_s: f64,
}

impl PullRequest {
    /// The part of it that every ride has.
    pub(super) fn ride(&self) -> RideRequest {
        RideRequest {
            seed: self.seed,
            minutes: self.minutes,
            rate_hz: self.rate_hz,
            cold_start: false,
            ambient: self.ambient,
            style: RideStyle::Road,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Phase {
    Rolls { since_s: f64 },
    Pulls,
    Slows,
}

/// Pulls under way.
#[derive(Debug, Clone)]
pub(super) struct Pull {
    gear: usize,
    grade: f64,
    headwind_m_s: f64,
    from_rpm: f64,
    to_rpm: f64,
    phase: Phase,
    grip_pct: f64,
}

impl Pull {
    pub fn new(request: &PullRequest, spec: &BikeSpec) -> Self {
        Self {
            gear: request.gear.clamp(1, 6),
            grade: request.grade,
            headwind_m_s: request.headwind_m_s,
            from_rpm: FROM * spec.rev_limit_rpm,
            to_rpm: TO * spec.rev_limit_rpm,
            phase: Phase::Rolls { since_s: 0.0 },
            grip_pct: ROLLS_PCT,
        }
    }

    /// The controls for the next step. Units: 1/min, s.
    pub fn step(&mut self, rpm: f64, dt_s: f64) -> Controls {
        self.phase = match self.phase {
            Phase::Rolls { since_s } if since_s < ROLLS_S => Phase::Rolls { since_s: since_s + dt_s },
            Phase::Pulls if rpm >= self.to_rpm => Phase::Slows,
            Phase::Slows if rpm <= self.from_rpm => Phase::Rolls { since_s: 0.0 },
            Phase::Rolls { .. } => Phase::Pulls,
            phase => phase,
        };
        let wanted_pct = match self.phase {
            Phase::Rolls { .. } => ROLLS_PCT,
            Phase::Pulls => 100.0,
            Phase::Slows => 0.0,
        };
        let most = HAND_PCT_S * dt_s;
        self.grip_pct += (wanted_pct - self.grip_pct).clamp(-most, most);
        Controls { grip_pct: self.grip_pct, gear: self.gear, grade: self.grade, ..Controls::default() }
    }

    /// Road and crank a step later. Units: N m at the crank, s.
    pub fn roll(
        &self,
        line: Driveline,
        rolling: &Rolling,
        ambient: &Ambient,
        engine_nm: f64,
        dt_s: f64,
    ) -> Driveline {
        let speed_m_s = match self.phase {
            Phase::Rolls { .. } => self.from_rpm / rolling.rpm(self.gear, 1.0),
            Phase::Slows => line.speed_m_s - BRAKES_RPM_S * dt_s / rolling.rpm(self.gear, 1.0),
            Phase::Pulls => {
                line.speed_m_s + self.acceleration(line.speed_m_s, rolling, ambient, engine_nm) * dt_s
            }
        };
        Driveline { speed_m_s, rpm: rolling.rpm(self.gear, speed_m_s), locked: true }
    }

    fn acceleration(&self, speed_m_s: f64, rolling: &Rolling, ambient: &Ambient, engine_nm: f64) -> f64 {
        let rad_per_m = rolling.rad_per_m[self.gear - 1];
        let rotating = rolling.rotating_in(self.gear);
        let bike = Laden { mass_kg: rolling.mass_kg, cda_m2: rolling.cda_m2, crr: rolling.crr, rotating };
        let going = Going {
            speed_m_s,
            headwind_m_s: self.headwind_m_s,
            grade: self.grade,
            acceleration_m_s2: 0.0,
            air_kg_m3: moist_density(ambient.baro_kpa, ambient.air_temp_c, ambient.humidity_rh / 100.0),
        };
        let push_n = engine_nm * rad_per_m * DRIVE_EFFICIENCY;
        (push_n - forces(&bike, &going).sum_n()) / (rotating * rolling.mass_kg)
    }
}

#[cfg(test)]
mod tests {
    use super::super::VirtualBike;
    use super::super::character::Character;
    use super::*;

    #[test]
    fn pulls_follow_one_another_in_one_gear_and_reach_a_lifelike_power() {
        let bike = VirtualBike { spec: BikeSpec::fernhill_700(), character: Character::mild() };
        let fuel = |rpm: f64, load: f64| bike.true_table_value(rpm, load, 0.88);
        let request = PullRequest {
            seed: 1,
            minutes: 1.0,
            rate_hz: 20.0,
            ambient: Ambient::reference(),
            gear: 3,
            grade: 0.0,
            headwind_m_s: 0.0,
        };
        let log = bike.pull(&fuel, &|_, _| 0.88, &request);
        let full = |k: usize| log.throttle_pct[k] > 99.0;
        let begins = (1..log.len()).filter(|k| full(*k) && !full(k - 1)).count();
        assert!(begins >= 3, "{begins}");
        let most = log.truth.wheel_kw.iter().copied().fold(0.0, f64::max);
        assert!((30.0..60.0).contains(&most), "{most}");
        let rolling = Rolling::new(&bike.spec, &bike.character);
        for k in 0..log.len() {
            let rpm = rolling.rpm(3, log.speed_kph[k] / 3.6);
            assert!((log.rpm[k] / rpm - 1.0).abs() < 0.02 || k < 2, "{k}: {} {rpm}", log.rpm[k]);
        }
    }
}
