//! Clutch and gearbox between crankshaft and road.

use core::f64::consts::TAU;

use super::chassis::{DRIVE_EFFICIENCY, GRAVITY_M_S2, Rolling};
use super::rider::Controls;

/// Speed difference at which the clutch takes hold, 1/min.
const LOCKS_BELOW_RPM: f64 = 120.0;
/// At a launch the rider lets the clutch bite from this share of idle, fully this much later.
const BITES_AT_IDLE: f64 = 1.15;
const BITES_OVER_RPM: f64 = 1400.0;
/// Braking never exceeds this, m/s².
const MOST_BRAKE_M_S2: f64 = 6.0;
/// The crank is never turned slower than this share of idle: the starter of a simulated bike.
const LEAST_OF_IDLE: f64 = 0.6;

/// Crank and road speed.
#[derive(Debug, Clone, Copy)]
pub struct Driveline {
    pub rpm: f64,
    pub speed_m_s: f64,
    pub locked: bool,
}

impl Driveline {
    /// One step. Units: N m at the crank, s.
    pub fn step(&mut self, rolling: &Rolling, controls: &Controls, engine_nm: f64, idle_rpm: f64, dt_s: f64) {
        let gear = controls.gear;
        let brake_n = rolling.mass_kg * controls.brake_m_s2.min(MOST_BRAKE_M_S2);
        let held_n = if self.speed_m_s > 0.05 { brake_n } else { 0.0 };
        let load_n = rolling.load_n(self.speed_m_s, controls.grade) + held_n;
        let mass = rolling.mass_kg * rolling.rotating;
        if gear == 0 || controls.clutch_in {
            self.locked = false;
        }
        let ratio = if gear == 0 { 0.0 } else { rolling.rad_per_m[gear - 1] };
        if self.locked {
            let drive = if engine_nm > 0.0 { DRIVE_EFFICIENCY } else { 1.0 };
            let inertia = mass + rolling.crank_inertia * ratio * ratio;
            let accel = (engine_nm * ratio * drive - load_n) / inertia;
            self.speed_m_s = (self.speed_m_s + accel * dt_s).max(0.0);
            self.rpm = rolling.rpm(gear, self.speed_m_s);
            if self.rpm < LEAST_OF_IDLE * 1.3 * idle_rpm {
                self.locked = false;
            }
        } else {
            let wheel_rpm = if gear == 0 { 0.0 } else { rolling.rpm(gear, self.speed_m_s) };
            let slip_rpm = self.rpm - wheel_rpm;
            let clutch_nm = if gear == 0 || controls.clutch_in {
                0.0
            } else if wheel_rpm < BITES_AT_IDLE * idle_rpm {
                let bite = (self.rpm - BITES_AT_IDLE * idle_rpm) / BITES_OVER_RPM;
                rolling.clutch_nm * bite.clamp(0.0, 1.0)
            } else {
                0.8 * rolling.clutch_nm * slip_rpm.signum()
            };
            self.rpm += (engine_nm - clutch_nm) / rolling.crank_inertia * dt_s * 60.0 / TAU;
            let accel = (clutch_nm * ratio * DRIVE_EFFICIENCY - load_n) / mass;
            let before = self.speed_m_s;
            self.speed_m_s = (before + accel * dt_s).max(0.0);
            if gear == 0 && self.speed_m_s < 0.2 {
                // Foot down: a slope does not roll the standing bike away.
                self.speed_m_s = (before - GRAVITY_M_S2 * dt_s).max(0.0);
            }
            let wheel_rpm = if gear == 0 { 0.0 } else { rolling.rpm(gear, self.speed_m_s) };
            let next_slip = self.rpm - wheel_rpm;
            let biting = gear > 0 && !controls.clutch_in && wheel_rpm > 0.9 * idle_rpm;
            if biting && (next_slip.abs() < LOCKS_BELOW_RPM || next_slip * slip_rpm < 0.0) {
                self.locked = true;
                self.rpm = wheel_rpm;
            }
        }
        self.rpm = self.rpm.max(LEAST_OF_IDLE * idle_rpm);
    }
}
