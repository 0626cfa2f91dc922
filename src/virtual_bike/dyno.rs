//! The dynamometer: holds (rpm, throttle) points all over the map, then sweeps slowly.
//! Points are jittered, so that they lie on nobody's table grid.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Throttle openings of the holds, %.
const THROTTLE_PCT: [f64; 11] = [2.0, 4.0, 7.0, 10.0, 15.0, 20.0, 28.0, 38.0, 52.0, 72.0, 100.0];
/// Length of a hold, of a sweep, and the share of the time spent holding.
pub const HOLD_S: f64 = 5.0;
const SWEEP_S: f64 = 24.0;
const HOLD_SHARE: f64 = 0.75;
/// Speed range: from a little above idle to a little below the limit.
const ABOVE_IDLE: f64 = 1.3;
const BELOW_LIMIT: f64 = 0.95;
/// Lead-in at idle, s.
const LEAD_IN_S: f64 = 15.0;
/// How fast the brake and the throttle motor move.
const RPM_PER_S: f64 = 1500.0;
const PCT_PER_S: f64 = 60.0;

#[derive(Debug, Clone, Copy)]
struct Step {
    seconds: f64,
    rpm: (f64, f64),
    throttle_pct: f64,
}

/// A running dyno programme.
#[derive(Debug, Clone)]
pub struct Dyno {
    steps: Vec<Step>,
    at: usize,
    since_s: f64,
    pub rpm: f64,
    pub throttle_pct: f64,
}

impl Dyno {
    /// Lays a programme out that fills the time. Units: s, 1/min.
    #[must_use]
    pub fn new(seconds: f64, idle_rpm: f64, limit_rpm: f64, rng: &mut ChaCha8Rng) -> Self {
        let (low, high) = (ABOVE_IDLE * idle_rpm, BELOW_LIMIT * limit_rpm);
        let holds = (HOLD_SHARE * (seconds - LEAD_IN_S) / HOLD_S).max(1.0);
        let columns = ((holds / THROTTLE_PCT.len() as f64).floor()).clamp(4.0, 24.0) as usize;
        let pitch = (high - low) / columns as f64;
        let mut steps = vec![Step { seconds: LEAD_IN_S, rpm: (idle_rpm, idle_rpm), throttle_pct: 0.0 }];
        for throttle in THROTTLE_PCT {
            for column in 0..columns {
                let rpm = low + pitch * (column as f64 + rng.random::<f64>());
                let throttle_pct = (throttle * (0.88 + 0.24 * rng.random::<f64>())).min(100.0);
                steps.push(Step { seconds: HOLD_S, rpm: (rpm, rpm), throttle_pct });
            }
        }
        let sweeps = (seconds / SWEEP_S).ceil() as usize;
        for _ in 0..sweeps {
            let throttle_pct = 3.0 * libm::exp(3.4 * rng.random::<f64>());
            let throttle_pct = throttle_pct.min(95.0);
            steps.push(Step { seconds: SWEEP_S, rpm: (low, high), throttle_pct });
            steps.push(Step { seconds: SWEEP_S, rpm: (high, low), throttle_pct: throttle_pct * 0.8 });
        }
        Self { steps, at: 0, since_s: 0.0, rpm: idle_rpm, throttle_pct: 0.0 }
    }

    /// Moves speed and throttle toward the present step. Units: s.
    pub fn step(&mut self, dt_s: f64) {
        let step = self.steps[self.at];
        let share = (self.since_s / step.seconds).min(1.0);
        let rpm = step.rpm.0 + (step.rpm.1 - step.rpm.0) * share;
        self.rpm += (rpm - self.rpm).clamp(-RPM_PER_S * dt_s, RPM_PER_S * dt_s);
        self.throttle_pct +=
            (step.throttle_pct - self.throttle_pct).clamp(-PCT_PER_S * dt_s, PCT_PER_S * dt_s);
        self.since_s += dt_s;
        if self.since_s >= step.seconds && self.at + 1 < self.steps.len() {
            self.at += 1;
            self.since_s = 0.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    #[test]
    fn the_programme_covers_low_and_high_speed_at_every_throttle() {
        let mut rng = ChaCha8Rng::seed_from_u64(2);
        let mut dyno = Dyno::new(1200.0, 1250.0, 8200.0, &mut rng);
        let mut seen = [[false; 2]; 2];
        for _ in 0..1200 * 20 {
            dyno.step(0.05);
            if dyno.rpm < 3000.0 || dyno.rpm > 6500.0 {
                seen[usize::from(dyno.rpm > 5000.0)][usize::from(dyno.throttle_pct > 50.0)] = true;
            }
        }
        assert_eq!(seen, [[true; 2]; 2]);
    }
}
