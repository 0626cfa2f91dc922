//! The log of a ride as a logger would write it, with the logger's noise and resolution, and the
//! truth beside it.

use crate::ride::Channel;
use crate::units;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Noise (sd) and resolution of the logged channels. Invented, typical of loggers.
const RPM_NOISE: f64 = 3.0;
const THROTTLE_NOISE_PCT: f64 = 0.05;
const MAP_NOISE_KPA: f64 = 0.25;
const TEMP_NOISE_C: f64 = 0.1;
const BATTERY_NOISE_V: f64 = 0.03;

/// A ride as logged, one entry per sample, and beside it the truth for judging.
///
/// Units are those of the channels: 1/min, %, kPa, °C, ms, km/h, V, s.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RideLog {
    pub time_s: Vec<f64>,
    pub rpm: Vec<f64>,
    pub throttle_pct: Vec<f64>,
    pub map_kpa: Vec<f64>,
    pub lambda: Vec<f64>,
    pub lambda_target: Vec<f64>,
    pub engine_temp_c: Vec<f64>,
    pub air_temp_c: Vec<f64>,
    pub baro_kpa: Vec<f64>,
    /// Trim in force; NaN (missing) when the spec says the loop is not logged.
    pub trim_pct: Vec<f64>,
    pub pulse_width_ms: Vec<f64>,
    pub fuel_cut: Vec<f64>,
    pub gear: Vec<f64>,
    pub speed_kph: Vec<f64>,
    pub battery_v: Vec<f64>,
    /// Never written to a log.
    pub truth: Truth,
}

/// What no logger could know; for judging only.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Truth {
    /// Lambda over target, less 1, that the ridden table gives at this operating point in steady
    /// state on a warm engine in the present air, without closed loop.
    pub steady_lambda_error: Vec<f64>,
    /// Lambda of the mixture that the cylinders took in at this instant.
    pub cylinder_lambda: Vec<f64>,
    /// Time from metering to the probe at this operating point in steady state, probe lag not
    /// included, s.
    pub delay_s: Vec<f64>,
    /// Trim in force, logged or not, %.
    pub trim_pct: Vec<f64>,
    /// Throttle and manifold pressure before noise and rounding.
    pub throttle_pct: Vec<f64>,
    pub map_kpa: Vec<f64>,
    /// Power of the engine after the losses of clutch, gearbox and chain, kW: what the turning parts
    /// and the road share. Holds while nothing slips.
    pub wheel_kw: Vec<f64>,
}

impl RideLog {
    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// True for a ride without samples.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }

    /// The log as a logger's CSV, with the slot in use where one is named.
    #[must_use]
    pub fn to_csv(&self, slot: Option<&str>) -> String {
        let columns: [(Channel, &[f64], usize); 15] = [
            (Channel::TimeS, &self.time_s, 3),
            (Channel::Rpm, &self.rpm, 0),
            (Channel::ThrottlePct, &self.throttle_pct, 1),
            (Channel::MapKpa, &self.map_kpa, 1),
            (Channel::Lambda, &self.lambda, 3),
            (Channel::LambdaTarget, &self.lambda_target, 3),
            (Channel::EngineTempC, &self.engine_temp_c, 1),
            (Channel::AirTempC, &self.air_temp_c, 1),
            (Channel::BaroKpa, &self.baro_kpa, 1),
            (Channel::TrimPct, &self.trim_pct, 2),
            (Channel::PulseWidthMs, &self.pulse_width_ms, 3),
            (Channel::FuelCut, &self.fuel_cut, 0),
            (Channel::Gear, &self.gear, 0),
            (Channel::SpeedKph, &self.speed_kph, 1),
            (Channel::BatteryV, &self.battery_v, 2),
        ];
        let mut text = columns.iter().map(|(c, ..)| c.name()).collect::<Vec<_>>().join(",");
        let slot_title = slot.map(|_| format!(",{}", Channel::Slot.name())).unwrap_or_default();
        text.push_str(&slot_title);
        text.push('\n');
        for i in 0..self.len() {
            for (n, (_, values, decimals)) in columns.iter().enumerate() {
                if n > 0 {
                    text.push(',');
                }
                if values[i].is_finite() {
                    text.push_str(&units::fixed(values[i], *decimals));
                }
            }
            if let Some(slot) = slot {
                text.push(',');
                text.push_str(slot);
            }
            text.push('\n');
        }
        text
    }

    /// Appends one instant: noise and rounding on the logged side, nothing on the truth.
    pub(super) fn push(&mut self, exact: &Exact, rng: &mut ChaCha8Rng) {
        let mut noisy = |value: f64, sd: f64, step: f64| {
            let noise: f64 = StandardNormal.sample(rng);
            round_to(value + noise * sd, step)
        };
        self.time_s.push(exact.time_s);
        self.rpm.push(noisy(exact.rpm, RPM_NOISE, 1.0));
        let throttle = noisy(exact.throttle_pct, THROTTLE_NOISE_PCT, 0.1);
        self.throttle_pct.push(throttle.clamp(0.0, 100.0));
        self.map_kpa.push(noisy(exact.map_kpa, MAP_NOISE_KPA, 0.1).max(0.0));
        self.engine_temp_c.push(noisy(exact.engine_temp_c, TEMP_NOISE_C, 0.5));
        self.air_temp_c.push(noisy(exact.air_temp_c, TEMP_NOISE_C, 0.5));
        self.battery_v.push(noisy(exact.battery_v, BATTERY_NOISE_V, 0.01));
        self.baro_kpa.push(round_to(exact.baro_kpa, 0.1));
        self.lambda.push(round_to(exact.lambda, 0.001));
        self.lambda_target.push(round_to(exact.lambda_target, 0.001));
        let trim = if exact.trim_is_logged { round_to(exact.trim_pct, 0.1) } else { f64::NAN };
        self.trim_pct.push(trim);
        self.pulse_width_ms.push(round_to(exact.pulse_width_ms, 0.001));
        self.fuel_cut.push(f64::from(u8::from(exact.fuel_cut)));
        self.gear.push(exact.gear as f64);
        self.speed_kph.push(round_to(exact.speed_m_s * 3.6, 0.1));

        let truth = &mut self.truth;
        truth.steady_lambda_error.push(exact.steady_lambda_error);
        truth.cylinder_lambda.push(exact.cylinder_lambda);
        truth.delay_s.push(exact.delay_s);
        truth.trim_pct.push(exact.trim_pct);
        truth.throttle_pct.push(exact.throttle_pct);
        truth.map_kpa.push(exact.map_kpa);
        truth.wheel_kw.push(exact.wheel_kw);
    }
}

/// One instant before noise and rounding; `lambda` is the probe's output, its noise included.
pub(super) struct Exact {
    pub time_s: f64,
    pub rpm: f64,
    pub throttle_pct: f64,
    pub map_kpa: f64,
    pub lambda: f64,
    pub lambda_target: f64,
    pub engine_temp_c: f64,
    pub air_temp_c: f64,
    pub baro_kpa: f64,
    pub trim_pct: f64,
    pub trim_is_logged: bool,
    pub pulse_width_ms: f64,
    pub fuel_cut: bool,
    pub gear: usize,
    pub speed_m_s: f64,
    pub battery_v: f64,
    pub wheel_kw: f64,
    pub steady_lambda_error: f64,
    pub cylinder_lambda: f64,
    pub delay_s: f64,
}

/// Rounds to a step of the form 1, .1, .01, .001 so that the decimal reads cleanly.
fn round_to(value: f64, step: f64) -> f64 {
    let per_unit = (1.0 / step).round();
    (value * per_unit).round() / per_unit
}
