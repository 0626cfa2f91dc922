//! Fuel: how the controller turns a table cell into a pulse, what the table would have to hold,
//! and the wall film between injector and cylinder.

use super::air::{AirPath, Inlet, Plate, R_AIR, REF_AIR_TEMP_K, REF_BARO_KPA};
use super::character::{FilmNature, StockMap, Thermal};
use super::spec::{BikeSpec, ClosedLoop};
use crate::bike::{FuelTableKind, Region};
use crate::table::LoadAxis;

/// Temperature span over which cold needs and enrichment grow from nothing to full, K. Invented.
const COLD_SPAN_K: f64 = 60.0;
/// Extra fuel right after the start, share, and how fast it fades. Invented.
const AFTER_START: f64 = 0.12;
const AFTER_START_S: f64 = 12.0;
/// The narrow-band loop: where it works and how fast it integrates. Invented.
const LOOP_TARGET: (f64, f64) = (0.97, 1.03);
const LOOP_ABOVE_C: f64 = 55.0;
const LOOP_GAIN_PCT_PER_S: f64 = 25.0;
const LOOP_LIMIT_PCT: f64 = 25.0;
/// The loop sees only rich or lean beyond this error, as a narrow-band probe would. Invented.
const LOOP_SEES_UP_TO: f64 = 0.06;
/// Acceleration enrichment never takes away more than this share of the wanted fuel.
const LEAST_COMPENSATED: f64 = 0.4;

/// Overrun fuel cut: closed grip, speed limits as multiples of idle, hold-off. Invented.
const CLOSED_GRIP_PCT: f64 = 0.8;
const CUT_ABOVE_IDLE: f64 = 1.9;
const CUT_UNTIL_IDLE: f64 = 1.55;
const CUT_AFTER_S: f64 = 0.35;
/// The limiter lets go this far below the limit, 1/min.
const LIMITER_BAND_RPM: f64 = 150.0;
/// What the controller senses when it meters.
#[derive(Debug, Clone, Copy)]
pub struct Sensed {
    pub rpm: f64,
    pub throttle_pct: f64,
    pub map_kpa: f64,
    pub air_temp_k: f64,
    pub baro_kpa: f64,
}

impl Sensed {
    /// The value on the load axis.
    #[must_use]
    pub fn load(&self, axis: LoadAxis) -> f64 {
        match axis {
            LoadAxis::ThrottlePct => self.throttle_pct,
            LoadAxis::MapKpa => self.map_kpa,
        }
    }
}

/// Fuel per cylinder and cycle that one unit of table factor stands for, in the reference air.
/// Units: kg.
fn unit_fuel_kg(path: &AirPath, rpm: f64, load: f64) -> f64 {
    let spec = path.spec;
    match spec.table {
        FuelTableKind::VePct => {
            let kpa = match spec.load {
                LoadAxis::ThrottlePct => REF_BARO_KPA,
                LoadAxis::MapKpa => load,
            };
            kpa * 1e3 * spec.cylinder_m3() / (R_AIR * REF_AIR_TEMP_K) / spec.stoich_afr
        }
        FuelTableKind::PulseWidthMs => spec.injector_kg_per_ms(),
        FuelTableKind::TrimPct => stock_fuel_kg(path, rpm, load),
    }
}

fn factor_of(table: FuelTableKind, value: f64) -> f64 {
    match table {
        FuelTableKind::VePct => value / 100.0,
        FuelTableKind::PulseWidthMs => value,
        FuelTableKind::TrimPct => 1.0 + value / 100.0,
    }
}

fn value_of(table: FuelTableKind, factor: f64) -> f64 {
    match table {
        FuelTableKind::VePct => factor * 100.0,
        FuelTableKind::PulseWidthMs => factor,
        FuelTableKind::TrimPct => (factor - 1.0) * 100.0,
    }
}

/// Dry air per cylinder and cycle at (rpm, load) in steady state in the reference air. Units: kg.
fn reference_air_kg(path: &AirPath, rpm: f64, load: f64) -> f64 {
    let inlet = Inlet::reference(path.character);
    let map_kpa = match path.spec.load {
        LoadAxis::ThrottlePct => path.steady_map_kpa(rpm, Plate::warm(load), &inlet),
        LoadAxis::MapKpa => load,
    };
    path.air_per_cylinder_kg(rpm, map_kpa, &inlet)
}

/// What the factory's controller would inject: the truth with a smooth error, with its own
/// mixture baked in when the controller does not divide by the mixture table. Units: kg.
fn stock_fuel_kg(path: &AirPath, rpm: f64, load: f64) -> f64 {
    let stock = &path.character.stock;
    let share = (rpm / path.spec.rev_limit_rpm, load / 100.0);
    let lambda = if path.spec.mixture_in_controller { 1.0 } else { stock_lambda(stock, share.1) };
    let error: f64 = stock
        .bumps
        .iter()
        .map(|bump| {
            let r = (share.0 - bump.rpm) / bump.rpm_width;
            let l = (share.1 - bump.load) / bump.load_width;
            bump.height * libm::exp(-0.5 * (r * r + l * l))
        })
        .sum();
    reference_air_kg(path, rpm, load) * (1.0 + stock.bias + error) / (path.spec.stoich_afr * lambda)
}

fn stock_lambda(stock: &StockMap, load_share: f64) -> f64 {
    let full = 1.0 / (1.0 + libm::exp(-(load_share - 0.55) / 0.08));
    stock.lambda_cruise + (stock.lambda_full - stock.lambda_cruise) * full
}

/// The table value that gives exactly the wanted lambda in steady state in the reference air.
///
/// Units: rpm 1/min, load on the spec's axis; result in the table's unit. When the controller
/// divides by the mixture table the result does not depend on `lambda_wanted`.
///
/// # Source
/// `PW = m_fuel/Q`, `m_fuel = m_air/(λ AFR_s)`: mass balance.
#[must_use]
pub fn true_table_value(path: &AirPath, rpm: f64, load: f64, lambda_wanted: f64) -> f64 {
    let lambda = if path.spec.mixture_in_controller { 1.0 } else { lambda_wanted };
    let needed = reference_air_kg(path, rpm, load) / (path.spec.stoich_afr * lambda);
    value_of(path.spec.table, needed / unit_fuel_kg(path, rpm, load))
}

/// Fuel per cylinder and cycle that the controller means to inject on a warm engine in steady
/// state without closed loop. Units: kg.
///
/// With `density_in_controller` the reference fuel is scaled by the density of the sensed air:
/// pressure and temperature on a throttle axis, temperature alone on a manifold-pressure axis,
/// where the load already carries the pressure.
#[must_use]
pub fn commanded_fuel_kg(path: &AirPath, value: f64, lambda_target: f64, sensed: &Sensed) -> f64 {
    let spec = path.spec;
    let load = sensed.load(spec.load);
    let density = match (spec.density_in_controller, spec.load) {
        (false, _) => 1.0,
        (true, LoadAxis::MapKpa) => REF_AIR_TEMP_K / sensed.air_temp_k,
        (true, LoadAxis::ThrottlePct) => sensed.baro_kpa / REF_BARO_KPA * REF_AIR_TEMP_K / sensed.air_temp_k,
    };
    let divisor = if spec.mixture_in_controller { lambda_target } else { 1.0 };
    (unit_fuel_kg(path, sensed.rpm, load) * factor_of(spec.table, value) * density / divisor).max(0.0)
}

/// One injection as it happens.
#[derive(Debug, Clone, Copy)]
pub struct Pulse {
    /// Injector on time, dead time included, ms; never longer than the cycle.
    pub on_ms: f64,
    /// Fuel that really leaves the injectors of one cylinder, kg.
    pub fuel_kg: f64,
}

/// Turns meant fuel into an on time and back into delivered fuel.
///
/// Units: kg, 1/min, V, ms (`dead_error_ms` = true minus assumed dead time).
#[must_use]
pub fn pulse(spec: &BikeSpec, meant_kg: f64, rpm: f64, battery_v: f64, dead_error_ms: f64) -> Pulse {
    if meant_kg <= 0.0 {
        return Pulse { on_ms: 0.0, fuel_kg: 0.0 };
    }
    let dead_ms = spec.dead_time_at(battery_v);
    let period_ms = spec.cycle_s(rpm) * 1e3;
    let on_ms = (meant_kg / spec.injector_kg_per_ms() + dead_ms).min(period_ms);
    let open_ms = (on_ms - dead_ms - dead_error_ms).max(0.0);
    Pulse { on_ms, fuel_kg: open_ms * spec.injector_kg_per_ms() }
}

fn coldness(thermal: &Thermal, engine_temp_c: f64) -> f64 {
    ((thermal.cold_below_c - engine_temp_c) / COLD_SPAN_K).clamp(0.0, 1.4)
}

/// Share of the metered fuel that burns on a cold engine.
#[must_use]
pub fn usable_share(thermal: &Thermal, engine_temp_c: f64) -> f64 {
    let cold = coldness(thermal, engine_temp_c);
    if cold <= 0.0 { 1.0 } else { 1.0 / (1.0 + thermal.need * libm::pow(cold, thermal.need_power)) }
}

/// Factor by which the controller enriches a cold or just started engine.
#[must_use]
pub fn cold_enrichment(thermal: &Thermal, engine_temp_c: f64, since_start_s: f64) -> f64 {
    let cold = coldness(thermal, engine_temp_c);
    if cold <= 0.0 {
        return 1.0;
    }
    let after_start = AFTER_START * libm::exp(-since_start_s / AFTER_START_S);
    1.0 + thermal.given * libm::pow(cold, thermal.given_power) + after_start
}

/// Idle air of a cold engine over that of a warm one.
#[must_use]
pub fn fast_idle_factor(thermal: &Thermal, engine_temp_c: f64) -> f64 {
    1.0 + thermal.fast_idle * coldness(thermal, engine_temp_c)
}

/// When the controller shuts the fuel off: overrun and rev limit.
#[derive(Debug, Clone, Copy, Default)]
pub struct FuelCut {
    closed_for_s: f64,
    overrun: bool,
    limiter: bool,
}

impl FuelCut {
    /// Looks again. Units: 1/min, %, s.
    pub fn step(&mut self, spec: &BikeSpec, rpm: f64, throttle_pct: f64, dt_s: f64) {
        let closed = throttle_pct < CLOSED_GRIP_PCT;
        self.closed_for_s = if closed { self.closed_for_s + dt_s } else { 0.0 };
        if !closed || rpm < CUT_UNTIL_IDLE * spec.idle_rpm {
            self.overrun = false;
        } else if self.closed_for_s > CUT_AFTER_S && rpm > CUT_ABOVE_IDLE * spec.idle_rpm {
            self.overrun = true;
        }
        if rpm > spec.rev_limit_rpm {
            self.limiter = true;
        } else if rpm < spec.rev_limit_rpm - LIMITER_BAND_RPM {
            self.limiter = false;
        }
    }

    /// No fuel now.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.overrun || self.limiter
    }

    /// No spark either.
    #[must_use]
    pub fn by_limiter(&self) -> bool {
        self.limiter
    }
}

/// Fuel on the port wall.
///
/// `ṁ_ff = X ṁ_inj − m_ff/τ`, `ṁ_cyl = (1−X) ṁ_inj + m_ff/τ`, stepped exactly for a constant
/// injection over the step.
///
/// # Source
/// Aquino, SAE 810494 (title seen; equations from memory, unverified).
#[derive(Debug, Clone, Copy, Default)]
pub struct Film {
    mass: f64,
}

impl Film {
    /// A film in balance with a constant injection rate.
    #[must_use]
    pub fn settled(rate: f64, share: f64, tau_s: f64) -> Self {
        Self { mass: share * tau_s * rate }
    }

    /// Mean rate into the cylinder over a step. Units: any rate, s.
    pub fn step(&mut self, injected: f64, share: f64, tau_s: f64, dt_s: f64) -> f64 {
        let settled = share * tau_s * injected;
        let next = settled + (self.mass - settled) * libm::exp(-dt_s / tau_s);
        let into_cylinder = injected - (next - self.mass) / dt_s;
        self.mass = next;
        into_cylinder.max(0.0)
    }
}

/// X and tau at a speed and engine temperature. Units: 1/min, °C; result share, s.
///
/// # Source
/// Sizes from memory, unverified; that both depend strongly on speed and
/// temperature in small four-strokes: SAE 2009-01-0591 (abstract read). The curves are invented.
#[must_use]
pub fn film_share_and_tau(nature: &FilmNature, thermal: &Thermal, rpm: f64, temp_c: f64) -> (f64, f64) {
    let cold = coldness(thermal, temp_c).min(1.0);
    let speed = libm::log(3000.0 / rpm.max(300.0));
    let share = (nature.share_warm + (nature.share_cold - nature.share_warm) * cold)
        * libm::exp(nature.rpm_power / 3.0 * speed);
    let tau_s = (nature.tau_warm_s + (nature.tau_cold_s - nature.tau_warm_s) * cold)
        * libm::exp(nature.rpm_power * speed);
    (share.clamp(0.02, 0.85), tau_s.clamp(0.05, 5.0))
}

/// The controller's acceleration enrichment: it inverts a film of part of the true share.
#[derive(Debug, Clone, Copy, Default)]
pub struct TipIn {
    film_rate: f64,
}

impl TipIn {
    /// In balance with a constant rate.
    #[must_use]
    pub fn settled(rate: f64) -> Self {
        Self { film_rate: rate }
    }

    /// Injection rate for a wanted cylinder rate. Units: any rate, s.
    pub fn step(&mut self, wanted: f64, share: f64, tau_s: f64, dt_s: f64) -> f64 {
        let injected = ((wanted - share * self.film_rate) / (1.0 - share))
            .clamp(LEAST_COMPENSATED * wanted, 2.5 * wanted);
        self.film_rate += (injected - self.film_rate) * (1.0 - libm::exp(-dt_s / tau_s));
        injected
    }
}

/// Where the loop stands.
#[derive(Debug, Clone, Copy)]
pub struct LoopPoint {
    pub rpm: f64,
    pub load: f64,
    pub lambda_target: f64,
    /// Reading of a lit probe while fuel is on.
    pub probe: Option<f64>,
    pub engine_temp_c: f64,
}

/// The slow integrator toward lambda 1.
#[derive(Debug, Clone, Copy, Default)]
pub struct LoopTrim {
    integral_pct: f64,
}

impl LoopTrim {
    /// The trim in force now. Units: s, result %. Zero wherever the loop does not work.
    pub fn step(&mut self, mode: ClosedLoop, at: &LoopPoint, dt_s: f64) -> f64 {
        let region: Option<Region> = match mode {
            ClosedLoop::None => return 0.0,
            ClosedLoop::TrimLogged { region } | ClosedLoop::Unlogged { region } => region,
        };
        let wanted = match region {
            Some(region) => region.contains(at.rpm, at.load),
            None => (LOOP_TARGET.0..=LOOP_TARGET.1).contains(&at.lambda_target),
        };
        let Some(lambda) = at.probe.filter(|_| wanted && at.engine_temp_c > LOOP_ABOVE_C) else {
            return 0.0;
        };
        let error = (lambda - 1.0).clamp(-LOOP_SEES_UP_TO, LOOP_SEES_UP_TO);
        self.integral_pct =
            (self.integral_pct + LOOP_GAIN_PCT_PER_S * error * dt_s).clamp(-LOOP_LIMIT_PCT, LOOP_LIMIT_PCT);
        self.integral_pct
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Peak lambda after an air step of `ratio`, and the time until it is below 1.02.
    fn step_answer(share: f64, tau_s: f64, ratio: f64) -> (f64, f64) {
        let dt_s = 1e-4;
        let mut film = Film::settled(1.0, share, tau_s);
        let (mut peak, mut until_s, mut t_s): (f64, f64, f64) = (0.0, 0.0, 0.0);
        while t_s < 6.0 {
            let lambda = ratio / film.step(ratio, share, tau_s, dt_s);
            t_s += dt_s;
            peak = peak.max(lambda);
            if lambda > 1.02 {
                until_s = t_s;
            }
        }
        (peak, until_s)
    }

    #[test]
    fn film_step_answers_agree_with_the_closed_form() {
        // λ(t) = r/(r − X (r−1) e^(−t/τ)): X .3 tau .4 r 2 -> 1.18, .81 s; X .5 tau .8 -> 1.33, 2.0 s.
        let (peak, until_s) = step_answer(0.3, 0.4, 2.0);
        assert!((peak - 1.18).abs() < 0.005 && (until_s - 0.81).abs() < 0.01, "{peak} {until_s}");
        let (peak, until_s) = step_answer(0.5, 0.8, 2.0);
        assert!((peak - 1.33).abs() < 0.005 && (until_s - 2.0).abs() < 0.05, "{peak} {until_s}");
    }

    #[test]
    fn film_keeps_the_mass() {
        let mut film = Film::default();
        let mut balance = 0.0;
        for k in 0..500 {
            let injected = if k % 37 < 20 { 2.0 } else { 0.5 };
            balance += (injected - film.step(injected, 0.4, 0.6, 0.01)) * 0.01;
        }
        assert!((balance - film.mass).abs() < 1e-12);
    }

    #[test]
    fn full_compensation_cancels_the_film() {
        let (share, tau_s, dt_s) = (0.3, 0.4, 0.01);
        let mut film = Film::settled(1.0, share, tau_s);
        let mut tip_in = TipIn::settled(1.0);
        for _ in 0..200 {
            let injected = tip_in.step(1.8, share, tau_s, dt_s);
            let lambda = 1.8 / film.step(injected, share, tau_s, dt_s);
            assert!((lambda - 1.0).abs() < 0.01, "{lambda}");
        }
    }

    #[test]
    fn pulse_never_outlasts_the_cycle_and_returns_the_meant_fuel() {
        let spec = BikeSpec::fernhill_700();
        let short = pulse(&spec, 10e-6, 3000.0, 14.0, 0.0);
        assert!((short.fuel_kg - 10e-6).abs() < 1e-12);
        let clipped = pulse(&spec, 200e-6, 8000.0, 14.0, 0.0);
        assert!((clipped.on_ms - 15.0).abs() < 1e-9 && clipped.fuel_kg < 200e-6);
    }
}
