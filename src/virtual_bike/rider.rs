//! The rider: turns legs into grip, brake, clutch and gear the way a hand and a foot would.
//! Reaction times, grip speeds and shift times are invented (common practice, no source).

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::air::{AirPath, Inlet};
use super::chassis::{DRIVE_EFFICIENCY, Rolling};
use super::route::{Aim, Leg, Route};
use super::torque::steady_nm;

/// Grip speeds, %/s.
const OPENS_PCT_S: f64 = 90.0;
const CLOSES_PCT_S: f64 = 220.0;
const SHIFT_PCT_S: f64 = 600.0;
/// Trembling hand: sd and time constant.
const TREMOR_PCT: f64 = 0.15;
const TREMOR_S: f64 = 0.8;
/// Longest grip opening while the clutch still slips at a launch, %.
const LAUNCH_GRIP_PCT: f64 = 16.0;
/// Gears are left alone for this long after a change, s.
const BETWEEN_SHIFTS_S: f64 = 0.9;
/// Slope follows the leg's slope over this distance, m.
const GRADE_FADES_M: f64 = 60.0;
/// A cold engine is not revved beyond this share of the limit.
const COLD_UP_AT: f64 = 0.55;
const COLD_BELOW_C: f64 = 60.0;

/// What the rider perceives.
#[derive(Debug, Clone, Copy)]
pub struct Seen {
    pub time_s: f64,
    pub speed_m_s: f64,
    pub clutch_locked: bool,
    pub engine_temp_c: f64,
}

/// What hands and feet do.
#[derive(Debug, Clone, Copy, Default)]
pub struct Controls {
    pub grip_pct: f64,
    pub brake_m_s2: f64,
    /// 0 is neutral.
    pub gear: usize,
    pub clutch_in: bool,
    pub ignition_cut: bool,
    pub grade: f64,
}

#[derive(Debug, Clone, Copy)]
struct Shift {
    until_s: f64,
    to: usize,
    blip_pct: f64,
    quick: bool,
}

/// One rider on one route.
pub struct Rider<'a> {
    path: AirPath<'a>,
    rolling: &'a Rolling,
    route: Route,
    rng: ChaCha8Rng,
    leg: Leg,
    leg_since_s: f64,
    controls: Controls,
    wanted_pct: f64,
    decide_at_s: f64,
    tremor_pct: f64,
    shift: Option<Shift>,
    shifted_at_s: f64,
}

impl<'a> Rider<'a> {
    #[must_use]
    pub fn new(path: AirPath<'a>, rolling: &'a Rolling, mut route: Route, rng: ChaCha8Rng) -> Self {
        let leg = route.next_leg();
        Self {
            path,
            rolling,
            route,
            rng,
            leg,
            leg_since_s: 0.0,
            controls: Controls { clutch_in: true, ..Controls::default() },
            wanted_pct: 0.0,
            decide_at_s: 0.0,
            tremor_pct: 0.0,
            shift: None,
            shifted_at_s: 0.0,
        }
    }

    /// The controls for the next step. Units: s.
    pub fn step(&mut self, seen: &Seen, inlet: &Inlet, dt_s: f64) -> Controls {
        if self.leg_is_over(seen) {
            self.leg = self.route.next_leg();
            self.leg_since_s = seen.time_s;
            self.decide_at_s = seen.time_s;
        }
        let fade = (seen.speed_m_s * dt_s / GRADE_FADES_M).min(1.0);
        self.controls.grade += (self.leg.grade - self.controls.grade) * fade;
        self.clutch_and_gear(seen);
        self.decide(seen, inlet);
        self.move_hand(seen, dt_s);
        self.controls
    }

    fn leg_is_over(&self, seen: &Seen) -> bool {
        let kph = seen.speed_m_s * 3.6;
        let reached = match self.leg.aim {
            Aim::Stand | Aim::Speed { .. } => false,
            Aim::Hold { until_kph, .. } => kph >= until_kph,
            Aim::Coast { until_kph, .. } => kph <= until_kph.max(0.5),
        };
        reached || seen.time_s - self.leg_since_s >= self.leg.seconds
    }

    fn wants_to_go(&self) -> bool {
        matches!(self.leg.aim, Aim::Speed { .. } | Aim::Hold { .. })
    }

    fn clutch_and_gear(&mut self, seen: &Seen) {
        let idle = self.path.spec.idle_rpm;
        let limit = self.path.spec.rev_limit_rpm;
        if let Some(shift) = self.shift {
            if seen.time_s >= shift.until_s {
                self.controls.gear = shift.to;
                self.controls.clutch_in = false;
                self.controls.ignition_cut = false;
                self.shift = None;
                self.shifted_at_s = seen.time_s;
            }
            return;
        }
        let gear = self.controls.gear;
        if gear == 0 {
            if self.wants_to_go() {
                self.controls.gear = self.gear_for(seen.speed_m_s, 1.6 * idle);
                self.controls.clutch_in = false;
                self.shifted_at_s = seen.time_s;
            }
            return;
        }
        let wheel_rpm = self.rolling.rpm(gear, seen.speed_m_s);
        let rolling_out = !self.wants_to_go() || !seen.clutch_locked;
        if gear <= 2 && wheel_rpm < 1.12 * idle && rolling_out && !self.wants_to_go() {
            self.controls.gear = 0;
            self.controls.clutch_in = true;
            return;
        }
        if !seen.clutch_locked || seen.time_s - self.shifted_at_s < BETWEEN_SHIFTS_S {
            return;
        }
        let habit = self.leg.habit;
        let cold = seen.engine_temp_c < COLD_BELOW_C;
        let up_at = limit * if cold { habit.up_at.min(COLD_UP_AT) } else { habit.up_at };
        let down_at = (limit * habit.down_at).min(0.58 * up_at).max(1.3 * idle);
        if wheel_rpm > up_at && gear < 6 && self.wants_to_go() {
            let quick = habit.up_at > 0.8 && self.rng.random::<f64>() < 0.5;
            self.begin_shift(seen, gear + 1, 0.0, quick);
        } else if wheel_rpm < down_at && gear > 1 {
            let to = self.gear_for(seen.speed_m_s, down_at).min(gear - 1);
            if self.rolling.rpm(to, seen.speed_m_s) < 0.97 * up_at {
                let blip_pct = 6.0 + 12.0 * self.rng.random::<f64>();
                self.begin_shift(seen, to, blip_pct, false);
            }
        }
    }

    /// The highest gear that keeps the engine at or above a speed.
    fn gear_for(&self, speed_m_s: f64, least_rpm: f64) -> usize {
        (1..=6).rev().find(|&gear| self.rolling.rpm(gear, speed_m_s) >= least_rpm).unwrap_or(1)
    }

    fn begin_shift(&mut self, seen: &Seen, to: usize, blip_pct: f64, quick: bool) {
        let seconds = 0.15 + 0.15 * self.rng.random::<f64>();
        self.shift = Some(Shift { until_s: seen.time_s + seconds, to, blip_pct, quick });
        self.controls.clutch_in = true;
        self.controls.ignition_cut = quick;
    }

    /// Sets the grip the hand is moving to. A speed is held by a fresh judgement every second or
    /// two, so that the grip rests in between as real ones do.
    fn decide(&mut self, seen: &Seen, inlet: &Inlet) {
        self.controls.brake_m_s2 = 0.0;
        match self.leg.aim {
            Aim::Stand => {
                self.wanted_pct = 0.0;
                self.controls.brake_m_s2 = 1.0;
            }
            Aim::Coast { brake_m_s2, .. } => {
                self.wanted_pct = 0.0;
                self.controls.brake_m_s2 = brake_m_s2;
            }
            Aim::Hold { throttle_pct, ramp_pct_s, .. } => {
                let turned = ramp_pct_s * (seen.time_s - self.leg_since_s);
                self.wanted_pct = (throttle_pct + turned).min(100.0);
            }
            Aim::Speed { kph, accel_m_s2 } => {
                let over_m_s = seen.speed_m_s - kph / 3.6;
                if over_m_s > 3.0 {
                    self.controls.brake_m_s2 = 0.4;
                }
                if seen.time_s >= self.decide_at_s {
                    let accel = (-over_m_s / 2.5).clamp(-1.0, accel_m_s2);
                    self.wanted_pct = self.grip_for(seen, accel, inlet);
                    let pause_s = if over_m_s.abs() > 2.0 { 0.9 } else { 1.8 };
                    self.decide_at_s = seen.time_s + pause_s * (0.5 + self.rng.random::<f64>());
                }
            }
        }
    }

    /// The grip that should give an acceleration in the present gear, judged a little wrong.
    fn grip_for(&mut self, seen: &Seen, accel_m_s2: f64, inlet: &Inlet) -> f64 {
        let gear = self.controls.gear.max(1);
        let rpm = self.rolling.rpm(gear, seen.speed_m_s).max(1.3 * self.path.spec.idle_rpm);
        let force_n = self.rolling.load_n(seen.speed_m_s, self.controls.grade)
            + self.rolling.mass_kg * self.rolling.rotating * accel_m_s2;
        let wanted_nm = force_n / (self.rolling.rad_per_m[gear - 1] * DRIVE_EFFICIENCY);
        if wanted_nm < steady_nm(&self.path, rpm, 0.0, inlet) {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, 100.0);
        for _ in 0..10 {
            let middle = 0.5 * (low + high);
            if steady_nm(&self.path, rpm, middle, inlet) < wanted_nm {
                low = middle;
            } else {
                high = middle;
            }
        }
        let misjudged: f64 = StandardNormal.sample(&mut self.rng);
        (0.5 * (low + high) * (1.0 + 0.05 * misjudged)).clamp(0.0, 100.0)
    }

    fn move_hand(&mut self, seen: &Seen, dt_s: f64) {
        let mut to_pct = self.wanted_pct;
        let (mut opens, mut closes) = (OPENS_PCT_S, CLOSES_PCT_S);
        if let Some(shift) = self.shift {
            (opens, closes) = (SHIFT_PCT_S, SHIFT_PCT_S);
            if !shift.quick {
                to_pct = shift.blip_pct;
            }
        } else if !seen.clutch_locked && self.rolling.rpm(1, seen.speed_m_s) < 3000.0 {
            to_pct = to_pct.min(LAUNCH_GRIP_PCT);
        }
        let push: f64 = StandardNormal.sample(&mut self.rng);
        self.tremor_pct +=
            -self.tremor_pct * dt_s / TREMOR_S + push * TREMOR_PCT * (2.0 * dt_s / TREMOR_S).sqrt();
        if to_pct > 1.0 {
            to_pct += self.tremor_pct;
        }
        // The last bit is approached gently: a hand has no corners.
        let gap = to_pct - self.controls.grip_pct;
        let rate = (gap / 0.08).clamp(-closes, opens);
        self.controls.grip_pct = (self.controls.grip_pct + rate * dt_s).clamp(0.0, 100.0);
        if self.wanted_pct <= 0.0 && self.shift.is_none() && self.controls.grip_pct < 0.2 {
            self.controls.grip_pct = 0.0;
        }
    }
}
