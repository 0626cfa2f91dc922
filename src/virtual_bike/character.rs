//! The seeded character of one engine: what makes two bikes of the same specification differ.
//! Every field is public, so a benchmark can vary one thing at a time.
//!
//! Sizes marked "from memory" are unverified common knowledge of engines; all others are invented
//! within what a workshop would call normal (common practice, no source).

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// One intake resonance: a bell over speed as a share of the rev limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bump {
    pub centre: f64,
    pub width: f64,
    /// Relative gain at full load; negative for a trough.
    pub height: f64,
}

/// Low-speed reversion of a cam with overlap: a breathing dip, and exhaust that runs back past the
/// probe so that it reads lean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reversion {
    /// Centre and width of the dip, share of the rev limit.
    pub centre: f64,
    pub width: f64,
    /// Share of the charge lost at the centre.
    pub depth: f64,
    /// Relative false-lean reading as flow goes to zero.
    pub false_lean: f64,
    /// Exhaust flow per litre displacement at which half the false reading is gone, kg/s.
    pub half_at_kg_s_l: f64,
}

/// Volumetric efficiency over speed and load.
#[derive(Debug, Clone, PartialEq)]
pub struct Breathing {
    /// Speed of best breathing, share of the rev limit.
    pub peak: f64,
    /// s(n) at that speed.
    ///
    /// s .90–.97 and y −5…−10 kPa (from memory) would put VE at 35 kPa near .7, above the .45–.60
    /// (from memory) that goes with them; the invented values are steeper and lie lower.
    pub slope_at_peak: f64,
    pub falloff_below: f64,
    pub falloff_above: f64,
    /// y(n) at standstill, kPa; hotter cams lie lower.
    pub offset_kpa: f64,
    pub bumps: [Bump; 3],
    pub reversion: Reversion,
    /// Share of the way from air to engine temperature that the charge is heated. With any of it
    /// the plain density law no longer holds off the reference air.
    pub charge_heating: f64,
}

/// The throttle plates and the idle bypass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throttle {
    pub closed_angle_deg: f64,
    /// How much a progressive grip cam slows the first opening: 0 straight, .5 half as fast.
    pub progressive: f64,
    /// Manifold over ambient pressure wide open at the rev limit; nearer 1 is a bigger throttle.
    pub wide_open_ratio: f64,
    /// Manifold pressure at warm idle, kPa.
    pub idle_map_kpa: f64,
}

/// The pipe between the valves and the probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExhaustPipe {
    /// Volume to the probe per litre displacement, l/l.
    pub volume_per_displacement: f64,
    /// Cycles from metering to the open exhaust valve, .6–1.5, from memory.
    pub delay_cycles: f64,
    /// Gas temperature near zero flow and its rise toward full flow, K.
    pub low_flow_k: f64,
    pub rise_k: f64,
    /// Air drawn in by a leaking joint, kg/s; none by default.
    pub leak_kg_s: f64,
}

/// The wideband probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Probe {
    /// First-order lag at high flow, s; 50–100 ms in all (abstract read).
    pub lag_s: f64,
    /// Relative growth of the lag toward zero flow.
    pub slower_at_low_flow: f64,
    /// White noise of one logged value, lambda.
    pub noise_sd: f64,
    /// Constant offset drawn once per ride, sd, lambda.
    pub ride_offset_sd: f64,
    /// Slow wander within the ride, sd, lambda, and its time constant.
    pub wander_sd: f64,
    pub wander_s: f64,
    /// Time from switch-on until it reads, cold and just stopped, s.
    pub light_off_cold_s: f64,
    pub light_off_hot_s: f64,
}

/// Wall film: share X that lands on the wall and the time constant tau it leaves with.
///
/// Warm X .1–.4, tau .2–.8 s; cold X .5–.8, tau 1–3 s, from memory.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FilmNature {
    pub share_warm: f64,
    pub tau_warm_s: f64,
    pub share_cold: f64,
    pub tau_cold_s: f64,
    /// tau falls with (3000/rpm) to this power, X with a third of it.
    pub rpm_power: f64,
    /// Share of the film that the controller's acceleration enrichment makes up for, 0–1.
    pub compensation: f64,
}

/// Warm-up, and how well the controller follows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thermal {
    /// Time to warm up from 20 °C on the road, s.
    pub warmup_s: f64,
    pub thermostat_c: f64,
    /// Below this the engine needs, and the controller gives, more fuel.
    pub cold_below_c: f64,
    /// Extra fuel needed and given 60 K below that, and the shape of both over temperature.
    pub need: f64,
    pub need_power: f64,
    pub given: f64,
    pub given_power: f64,
    /// Extra idle air 60 K below, share of the bypass.
    pub fast_idle: f64,
}

/// A smooth error of the stock controller map against the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StockBump {
    /// Centre as share of rev limit and of full load, and widths.
    pub rpm: f64,
    pub load: f64,
    pub rpm_width: f64,
    pub load_width: f64,
    pub height: f64,
}

/// The map the factory put into the controller; used by trim tables.
#[derive(Debug, Clone, PartialEq)]
pub struct StockMap {
    pub bias: f64,
    pub bumps: [StockBump; 4],
    /// Baked-in lambda at light and at full load (when the controller does not divide itself).
    pub lambda_cruise: f64,
    pub lambda_full: f64,
}

/// Everything that rolls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chassis {
    /// Mass with rider at 700 cc; smaller bikes are lighter.
    pub mass_kg: f64,
    /// Drag area, m²; .18–.70 (Cossalter, quoted by a secondary page).
    pub cda_m2: f64,
    /// Rolling resistance, .012–.02, from memory.
    pub crr: f64,
    /// Rotating mass factor, 1.03–1.06, from memory.
    pub rotating: f64,
    /// Six ratios relative to top gear.
    pub gears: [f64; 6],
}

/// All of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Character {
    pub breathing: Breathing,
    pub throttle: Throttle,
    /// Manifold volume over displacement.
    pub manifold_per_displacement: f64,
    pub exhaust: ExhaustPipe,
    pub probe: Probe,
    pub film: FilmNature,
    pub thermal: Thermal,
    pub stock: StockMap,
    pub chassis: Chassis,
    /// Swing of the idle speed, 1/min.
    pub idle_hunt_rpm: f64,
    /// Best share of the fuel's heat that becomes indicated work.
    pub indicated_efficiency: f64,
    /// True minus assumed injector dead time, ms; none by default.
    pub dead_time_error_ms: f64,
}

impl Character {
    /// A friendly road engine with a good sensor: what the demo rides.
    #[must_use]
    pub fn mild() -> Self {
        Self {
            breathing: Breathing {
                peak: 0.72,
                slope_at_peak: 1.03,
                falloff_below: 0.065,
                falloff_above: 1.1,
                offset_kpa: -14.0,
                bumps: [
                    Bump { centre: 0.38, width: 0.055, height: -0.045 },
                    Bump { centre: 0.55, width: 0.07, height: 0.06 },
                    Bump { centre: 0.84, width: 0.08, height: 0.05 },
                ],
                reversion: Reversion {
                    centre: 0.20,
                    width: 0.08,
                    depth: 0.015,
                    false_lean: 0.02,
                    half_at_kg_s_l: 0.0012,
                },
                charge_heating: 0.0,
            },
            throttle: Throttle {
                closed_angle_deg: 6.0,
                progressive: 0.05,
                wide_open_ratio: 0.966,
                idle_map_kpa: 36.0,
            },
            manifold_per_displacement: 1.3,
            exhaust: ExhaustPipe {
                volume_per_displacement: 1.25,
                delay_cycles: 1.1,
                low_flow_k: 680.0,
                rise_k: 480.0,
                leak_kg_s: 0.0,
            },
            probe: Probe {
                lag_s: 0.065,
                slower_at_low_flow: 0.5,
                noise_sd: 0.006,
                ride_offset_sd: 0.003,
                wander_sd: 0.002,
                wander_s: 240.0,
                light_off_cold_s: 20.0,
                light_off_hot_s: 8.0,
            },
            film: FilmNature {
                share_warm: 0.22,
                tau_warm_s: 0.40,
                share_cold: 0.62,
                tau_cold_s: 1.8,
                rpm_power: 0.5,
                compensation: 0.5,
            },
            thermal: Thermal {
                warmup_s: 260.0,
                thermostat_c: 84.0,
                cold_below_c: 72.0,
                need: 0.28,
                need_power: 0.8,
                given: 0.34,
                given_power: 1.4,
                fast_idle: 0.7,
            },
            stock: StockMap {
                bias: 0.0,
                bumps: [
                    StockBump { rpm: 0.3, load: 0.15, rpm_width: 0.12, load_width: 0.2, height: -0.07 },
                    StockBump { rpm: 0.5, load: 0.5, rpm_width: 0.12, load_width: 0.25, height: 0.06 },
                    StockBump { rpm: 0.7, load: 0.9, rpm_width: 0.15, load_width: 0.3, height: -0.08 },
                    StockBump { rpm: 0.9, load: 0.3, rpm_width: 0.15, load_width: 0.25, height: 0.04 },
                ],
                lambda_cruise: 1.0,
                lambda_full: 0.89,
            },
            chassis: Chassis {
                mass_kg: 275.0,
                cda_m2: 0.48,
                crr: 0.015,
                rotating: 1.05,
                gears: [2.55, 1.88, 1.50, 1.27, 1.11, 1.0],
            },
            idle_hunt_rpm: 30.0,
            indicated_efficiency: 0.385,
            dead_time_error_ms: 0.0,
        }
    }

    /// An engine drawn from a seed, from tame to hot. The same seed gives the same engine.
    #[must_use]
    pub fn from_seed(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut within = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
        let base = Self::mild();
        // One number rules: a hot cam peaks high, dips low, idles high and hunts.
        let hot = within(0.0, 1.0);
        let breathing = Breathing {
            peak: 0.62 + 0.18 * hot + within(-0.03, 0.03),
            slope_at_peak: within(1.00, 1.07),
            falloff_below: 0.05 + 0.045 * hot + within(-0.01, 0.01),
            falloff_above: within(0.7, 1.5),
            offset_kpa: -12.5 - 3.0 * hot + within(-0.7, 0.7),
            bumps: [
                Bump {
                    centre: within(0.30, 0.42),
                    width: within(0.045, 0.075),
                    height: -within(0.02, 0.05 + 0.04 * hot),
                },
                Bump { centre: within(0.48, 0.62), width: within(0.05, 0.09), height: within(0.02, 0.08) },
                Bump {
                    centre: within(0.76, 0.92),
                    width: within(0.06, 0.1),
                    height: within(0.01, 0.04 + 0.04 * hot),
                },
            ],
            reversion: Reversion {
                centre: within(0.16, 0.26),
                width: within(0.05, 0.09),
                depth: 0.01 + 0.12 * hot * within(0.6, 1.0),
                false_lean: 0.01 + 0.09 * hot * within(0.5, 1.0),
                half_at_kg_s_l: within(0.0009, 0.0016 + 0.001 * hot),
            },
            charge_heating: within(0.0, 0.10),
        };
        let probe = Probe {
            lag_s: within(0.05, 0.085),
            slower_at_low_flow: within(0.2, 0.9),
            noise_sd: within(0.004, 0.012),
            ride_offset_sd: within(0.002, 0.008),
            wander_sd: within(0.001, 0.005),
            wander_s: within(120.0, 500.0),
            ..base.probe
        };
        let film = FilmNature {
            share_warm: within(0.12, 0.35),
            tau_warm_s: within(0.25, 0.7),
            share_cold: within(0.5, 0.75),
            tau_cold_s: within(1.2, 2.6),
            rpm_power: within(0.3, 0.7),
            compensation: within(0.2, 0.8),
        };
        let bumps = core::array::from_fn(|_| StockBump {
            rpm: within(0.15, 0.95),
            load: within(0.05, 0.95),
            rpm_width: within(0.08, 0.2),
            load_width: within(0.12, 0.35),
            height: within(-0.10, 0.10),
        });
        Self {
            breathing,
            throttle: Throttle {
                closed_angle_deg: within(4.0, 9.0),
                progressive: within(0.0, 0.3),
                wide_open_ratio: within(0.945, 0.975),
                idle_map_kpa: 33.0 + 14.0 * hot + within(-2.0, 2.0),
            },
            manifold_per_displacement: within(0.8, 2.2),
            exhaust: ExhaustPipe {
                volume_per_displacement: within(0.7, 2.4),
                delay_cycles: within(0.8, 1.5),
                low_flow_k: within(620.0, 740.0),
                rise_k: within(380.0, 560.0),
                leak_kg_s: 0.0,
            },
            probe,
            film,
            thermal: Thermal {
                warmup_s: within(180.0, 420.0),
                thermostat_c: within(80.0, 92.0),
                need: within(0.22, 0.34),
                given: within(0.24, 0.42),
                fast_idle: within(0.4, 1.0),
                ..base.thermal
            },
            stock: StockMap {
                bias: within(-0.04, 0.04),
                bumps,
                lambda_cruise: within(0.98, 1.03),
                lambda_full: within(0.85, 0.92),
            },
            chassis: Chassis {
                mass_kg: within(245.0, 320.0),
                cda_m2: within(0.38, 0.60),
                crr: within(0.012, 0.018),
                ..base.chassis
            },
            idle_hunt_rpm: 15.0 + 70.0 * hot,
            indicated_efficiency: within(0.37, 0.395),
            dead_time_error_ms: 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_engine_and_another_seed_another() {
        assert_eq!(Character::from_seed(3), Character::from_seed(3));
        assert_ne!(Character::from_seed(3), Character::from_seed(4));
    }
}
