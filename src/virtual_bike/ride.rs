//! One ride: rider, air, fuel, torque, road and probe stepped together, and the log that comes out.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::air::{AirPath, Ambient, Inlet, Plate, ZERO_C_K};
use super::chassis::{DRIVE_EFFICIENCY, Rolling};
use super::driveline::Driveline;
use super::dyno::Dyno;
use super::exhaust::{FREE_AIR_LAMBDA, Pipe, Probe};
use super::fuel::{
    Film, FuelCut, LoopPoint, LoopTrim, Pulse, Sensed, TipIn, cold_enrichment, commanded_fuel_kg,
    fast_idle_factor, film_share_and_tau, pulse, usable_share,
};
use super::log::{Exact, RideLog};
use super::pull::{Pull, PullRequest};
use super::rider::{Controls, Rider, Seen};
use super::route::Route;
use super::spec::ClosedLoop;
use super::torque::{indicated_nm, lost_nm};
use super::{RideRequest, RideStyle, Surface, VirtualBike};
use crate::table::LoadAxis;

/// Longest internal step, s.
const LONGEST_STEP_S: f64 = 0.004;
/// Random streams, one for each purpose, so that a change in one leaves the others alone.
const ROUTE_STREAM: u64 = 1;
const HAND_STREAM: u64 = 2;
const PROBE_STREAM: u64 = 3;
const LOGGER_STREAM: u64 = 4;

/// Share of a cold engine's extra idle air that the controller fuels. Invented.
const FAST_IDLE_KNOWN: f64 = 0.9;
/// Idle by spark: gain and limits of the torque factor, and the grip at which it is gone.
const IDLE_GAIN: f64 = 2.5;
const IDLE_SPARK: (f64, f64) = (0.25, 1.15);
const IDLE_GONE_PCT: f64 = 3.0;
const IDLE_HUNT_S: f64 = 3.7;
/// Extra idle speed of a cold engine, share per unit of extra idle air.
const COLD_IDLE_SPEED: f64 = 0.35;
/// Warm-up: fuel flow that gives the nominal warm-up time, and losses. Invented.
const WARMUP_FUEL_KG_S_L: f64 = 0.85e-3;
const WARMUP_SPAN_K: f64 = 64.0;
const HEAT_POWER: f64 = 0.6;
const LOSS_AT_60_K: f64 = 0.15;
const THERMOSTAT_BAND_K: f64 = 8.0;
const THERMOSTAT_STRENGTH: f64 = 5.0;
/// Heat soak of the intake air when standing. Invented.
const SOAK_K: f64 = 7.0;
const SOAK_FADES_M_S: f64 = 6.0;
const SOAK_S: f64 = 40.0;
/// Pressure falls by this per metre climbed near sea level, kPa/m; from memory.
const BARO_KPA_PER_M: f64 = 0.0118;
/// Charging voltage and its dip at idle. Common practice, no source.
const CHARGING_V: f64 = 14.1;
const IDLE_DIP_V: f64 = 0.8;
/// Gear the bike stands in on the dyno.
const DYNO_GEAR: usize = 5;

enum Driver<'a> {
    Road(Box<Rider<'a>>),
    Dyno(Dyno),
    Pull(Pull),
}

struct Simulation<'a> {
    path: AirPath<'a>,
    rolling: &'a Rolling,
    ambient: Ambient,
    inlet: Inlet,
    driver: Driver<'a>,
    fuel: Surface<'a>,
    mixture: Surface<'a>,
    line: Driveline,
    controls: Controls,
    time_s: f64,
    map_kpa: f64,
    engine_temp_c: f64,
    soak_k: f64,
    climbed_m: f64,
    idle_spark: f64,
    cut: FuelCut,
    cycle_phase: f64,
    event_phase: f64,
    event_s: f64,
    pulse: Pulse,
    lambda_target: f64,
    trim: LoopTrim,
    trim_pct: f64,
    tip_in: TipIn,
    film: Film,
    cylinder_lambda: f64,
    pipe: Pipe,
    probe: Probe<'a>,
    flow_kg_s: f64,
    wheel_kw: f64,
}

/// Rides and logs. See [`VirtualBike::ride`].
pub(super) fn ride(
    bike: &VirtualBike,
    fuel: Surface<'_>,
    mixture: Surface<'_>,
    request: &RideRequest,
) -> RideLog {
    let rolling = Rolling::new(&bike.spec, &bike.character);
    let driver = |path| driver_of(path, &rolling, request);
    run(bike, &rolling, fuel, mixture, request, driver)
}

/// Pulls and logs. See [`VirtualBike::pull`].
pub(super) fn pull(
    bike: &VirtualBike,
    fuel: Surface<'_>,
    mixture: Surface<'_>,
    request: &PullRequest,
) -> RideLog {
    let rolling = Rolling::new(&bike.spec, &bike.character);
    let driver = |_: AirPath<'_>| Driver::Pull(Pull::new(request, &bike.spec));
    run(bike, &rolling, fuel, mixture, &request.ride(), driver)
}

fn driver_of<'a>(path: AirPath<'a>, rolling: &'a Rolling, request: &RideRequest) -> Driver<'a> {
    let spec = path.spec;
    match request.style {
        RideStyle::Dyno => Driver::Dyno(Dyno::new(
            request.minutes * 60.0,
            spec.idle_rpm,
            spec.rev_limit_rpm,
            &mut stream(request.seed, ROUTE_STREAM),
        )),
        RideStyle::Road | RideStyle::Spirited => {
            let top_kph = spec.rev_limit_rpm / rolling.rpm(6, 1.0) * 3.6;
            let rng = stream(request.seed, ROUTE_STREAM);
            let route = Route::new(request.style, top_kph, request.cold_start, rng);
            let hand = stream(request.seed, HAND_STREAM);
            Driver::Road(Box::new(Rider::new(path, rolling, route, hand)))
        }
    }
}

fn run<'a>(
    bike: &'a VirtualBike,
    rolling: &'a Rolling,
    fuel: Surface<'a>,
    mixture: Surface<'a>,
    request: &RideRequest,
    driver: impl FnOnce(AirPath<'a>) -> Driver<'a>,
) -> RideLog {
    let rate_hz = if request.rate_hz.is_finite() { request.rate_hz.clamp(1.0, 1000.0) } else { 20.0 };
    let seconds = if request.minutes.is_finite() { request.minutes.max(0.0) * 60.0 } else { 0.0 };
    let samples = (seconds * rate_hz).floor() as usize;
    let steps = (1.0 / rate_hz / LONGEST_STEP_S).ceil().max(1.0) as usize;
    let dt_s = 1.0 / rate_hz / steps as f64;

    let mut probe_rng = stream(request.seed, PROBE_STREAM);
    let mut logger_rng = stream(request.seed, LOGGER_STREAM);
    let driver = driver(AirPath::new(&bike.spec, &bike.character));
    let mut simulation = Simulation::new(bike, rolling, fuel, mixture, request, driver, &mut probe_rng);
    let mut log = RideLog::default();
    for sample in 0..samples {
        simulation.log(&mut log, 1.0 / rate_hz, &mut probe_rng, &mut logger_rng);
        // Air and engine temperature move slowly: once per sample is enough.
        simulation.warm_up(1.0 / rate_hz);
        simulation.inlet = simulation.inlet_now();
        for step in 0..steps {
            simulation.time_s = (sample as f64 + step as f64 / steps as f64) / rate_hz;
            simulation.step(dt_s);
        }
        simulation.time_s = (sample + 1) as f64 / rate_hz;
    }
    log
}

fn stream(seed: u64, purpose: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(purpose);
    rng
}

impl<'a> Simulation<'a> {
    fn new(
        bike: &'a VirtualBike,
        rolling: &'a Rolling,
        fuel: Surface<'a>,
        mixture: Surface<'a>,
        request: &RideRequest,
        driver: Driver<'a>,
        probe_rng: &mut ChaCha8Rng,
    ) -> Self {
        let (spec, character) = (&bike.spec, &bike.character);
        let path = AirPath::new(spec, character);
        let warm = Inlet::reference(character);
        let idle_map = character.throttle.idle_map_kpa;
        let idle_air = path.air_per_cylinder_kg(spec.idle_rpm, idle_map, &warm);
        let idle_spark =
            lost_nm(&path, spec.idle_rpm, idle_map, &warm) / indicated_nm(&path, idle_air, 0.95).max(1e-3);
        let engine_temp_c = if request.cold_start {
            request.ambient.air_temp_c
        } else {
            character.thermal.thermostat_c - 1.0
        };
        let mut simulation = Self {
            path,
            rolling,
            ambient: request.ambient,
            inlet: warm,
            driver,
            fuel,
            mixture,
            line: Driveline { rpm: spec.idle_rpm, speed_m_s: 0.0, locked: false },
            controls: Controls { clutch_in: true, ..Controls::default() },
            time_s: 0.0,
            map_kpa: idle_map,
            engine_temp_c,
            soak_k: 0.0,
            climbed_m: 0.0,
            idle_spark,
            cut: FuelCut::default(),
            cycle_phase: 0.0,
            event_phase: 0.0,
            event_s: 0.0,
            pulse: Pulse { on_ms: 0.0, fuel_kg: 0.0 },
            lambda_target: 1.0,
            trim: LoopTrim::default(),
            trim_pct: 0.0,
            tip_in: TipIn::default(),
            film: Film::default(),
            cylinder_lambda: 1.0,
            pipe: Pipe::new(spec, character),
            probe: Probe::new(spec, character, request.cold_start, probe_rng),
            flow_kg_s: path.engine_flow_kg_s(spec.idle_rpm, idle_map, &warm),
            wheel_kw: 0.0,
        };
        simulation.inlet = simulation.inlet_now();
        // The starter has done its work: film and enrichment are in balance with idle.
        let inlet = simulation.inlet;
        simulation.meter(&inlet);
        let rate = simulation.pulse.fuel_kg / spec.cycle_s(spec.idle_rpm);
        let (share, tau_s) = simulation.film_nature(spec.idle_rpm);
        simulation.tip_in = TipIn::settled(rate);
        simulation.film = Film::settled(rate, share, tau_s);
        simulation.meter(&inlet);
        simulation
    }

    fn inlet_now(&self) -> Inlet {
        Inlet::new(
            self.ambient.air_temp_c + self.soak_k,
            self.ambient.baro_kpa - BARO_KPA_PER_M * self.climbed_m,
            self.ambient.humidity_rh,
            self.engine_temp_c,
        )
    }

    fn sensed(&self, inlet: &Inlet) -> Sensed {
        Sensed {
            rpm: self.line.rpm,
            throttle_pct: self.controls.grip_pct,
            map_kpa: self.map_kpa,
            air_temp_k: inlet.temp_k,
            baro_kpa: inlet.baro_kpa,
        }
    }

    fn step(&mut self, dt_s: f64) {
        let inlet = self.inlet;
        self.drive(&inlet, dt_s);
        let rpm = self.line.rpm;
        let grip = self.controls.grip_pct;
        let thermal = &self.path.character.thermal;
        let bypass = fast_idle_factor(thermal, self.engine_temp_c);
        let plate = Plate { throttle_pct: grip, bypass };
        let (map_kpa, air_kg) = self.path.step_manifold(self.map_kpa, dt_s, rpm, plate, &inlet);
        self.map_kpa = map_kpa;
        self.cut.step(self.path.spec, rpm, grip, dt_s);

        let cycle_s = self.path.spec.cycle_s(rpm);
        let cycles = dt_s / cycle_s;
        self.cycle_phase += cycles;
        self.event_phase += cycles * f64::from(self.path.spec.cylinders);
        self.event_s += dt_s;
        if self.event_phase >= 1.0 {
            self.event_phase -= self.event_phase.floor();
            self.take_in(air_kg, cycle_s, rpm);
        }
        if self.cycle_phase >= 1.0 {
            // Metered after the intake above: the pulse belongs to the next cycle, as it does on
            // an engine that injects before the valve opens.
            self.cycle_phase -= self.cycle_phase.floor();
            self.meter(&inlet);
        }
        self.flow_kg_s = air_kg * f64::from(self.path.spec.cylinders) / cycle_s
            * (1.0 + 1.0 / (self.path.spec.stoich_afr * self.cylinder_lambda));
        let gas = self.pipe.step(cycles, self.flow_kg_s, inlet.baro_kpa, dt_s);
        self.probe.step(gas, self.flow_kg_s, dt_s);
        self.turn(air_kg, bypass, &inlet, dt_s);
    }

    fn drive(&mut self, inlet: &Inlet, dt_s: f64) {
        match &mut self.driver {
            Driver::Road(rider) => {
                let seen = Seen {
                    time_s: self.time_s,
                    speed_m_s: self.line.speed_m_s,
                    clutch_locked: self.line.locked,
                    engine_temp_c: self.engine_temp_c,
                };
                self.controls = rider.step(&seen, inlet, dt_s);
            }
            Driver::Dyno(dyno) => {
                dyno.step(dt_s);
                self.controls =
                    Controls { grip_pct: dyno.throttle_pct, gear: DYNO_GEAR, ..Controls::default() };
            }
            Driver::Pull(pull) => self.controls = pull.step(self.line.rpm, dt_s),
        }
    }

    /// The controller computes the pulse of the next cycle.
    fn meter(&mut self, inlet: &Inlet) {
        let (spec, character) = (self.path.spec, self.path.character);
        let sensed = self.sensed(inlet);
        let load = sensed.load(spec.load);
        let cycle_s = spec.cycle_s(sensed.rpm);
        self.lambda_target = (self.mixture)(sensed.rpm, load);
        let probe = self.probe.reading(self.time_s).filter(|_| !self.cut.is_on());
        let at = LoopPoint {
            rpm: sensed.rpm,
            load,
            lambda_target: self.lambda_target,
            probe,
            engine_temp_c: self.engine_temp_c,
        };
        self.trim_pct = self.trim.step(spec.closed_loop, &at, cycle_s);
        let mut meant_kg = 0.0;
        if !self.cut.is_on() {
            let value = (self.fuel)(sensed.rpm, load);
            meant_kg = commanded_fuel_kg(&self.path, value, self.lambda_target, &sensed)
                * self.fast_idle_fuel(inlet)
                * (1.0 + self.trim_pct / 100.0)
                * cold_enrichment(&character.thermal, self.engine_temp_c, self.time_s);
        }
        let (share, tau_s) = self.film_nature(sensed.rpm);
        let known = share * character.film.compensation;
        meant_kg = self.tip_in.step(meant_kg / cycle_s, known, tau_s, cycle_s) * cycle_s;
        let error_ms = character.dead_time_error_ms;
        self.pulse = pulse(spec, meant_kg, sensed.rpm, self.battery_v(), error_ms);
    }

    /// The controller opens the idle bypass of a cold engine and knows, not quite, how much air
    /// that adds to what an alpha-N table says. A manifold-pressure table sees it by itself.
    fn fast_idle_fuel(&self, inlet: &Inlet) -> f64 {
        let bypass = fast_idle_factor(&self.path.character.thermal, self.engine_temp_c);
        if bypass <= 1.0 || self.path.spec.load == LoadAxis::MapKpa {
            return 1.0;
        }
        let rpm = self.line.rpm;
        let throttle_pct = self.controls.grip_pct;
        let air_kg = |bypass: f64| {
            let map_kpa = self.path.steady_map_kpa(rpm, Plate { throttle_pct, bypass }, inlet);
            self.path.air_per_cylinder_kg(rpm, map_kpa, inlet)
        };
        1.0 + FAST_IDLE_KNOWN * (air_kg(bypass) / air_kg(1.0) - 1.0)
    }

    fn film_nature(&self, rpm: f64) -> (f64, f64) {
        let character = self.path.character;
        film_share_and_tau(&character.film, &character.thermal, rpm, self.engine_temp_c)
    }

    /// A cylinder closes on its charge: fuel through the film, mixture into the pipe.
    fn take_in(&mut self, air_kg: f64, cycle_s: f64, rpm: f64) {
        let (share, tau_s) = self.film_nature(rpm);
        let rate = self.pulse.fuel_kg / cycle_s;
        let into_kg = self.film.step(rate, share, tau_s, self.event_s) * cycle_s;
        self.event_s = 0.0;
        let burns_kg = into_kg * usable_share(&self.path.character.thermal, self.engine_temp_c);
        let stoich_kg = air_kg / self.path.spec.stoich_afr;
        self.cylinder_lambda =
            if burns_kg * FREE_AIR_LAMBDA > stoich_kg { stoich_kg / burns_kg } else { FREE_AIR_LAMBDA };
        self.pipe.meter(self.cylinder_lambda);
    }

    /// Crank and road.
    fn turn(&mut self, air_kg: f64, bypass: f64, inlet: &Inlet, dt_s: f64) {
        if let Driver::Dyno(dyno) = &self.driver {
            self.line.rpm = dyno.rpm;
            self.line.speed_m_s = dyno.rpm / self.rolling.rpm(DYNO_GEAR, 1.0);
        }
        let idle = self.path.spec.idle_rpm;
        let rpm = self.line.rpm;
        let hunt =
            self.path.character.idle_hunt_rpm * libm::sin(core::f64::consts::TAU * self.time_s / IDLE_HUNT_S);
        let wanted_rpm = idle * (1.0 + COLD_IDLE_SPEED * (bypass - 1.0)) + hunt;
        let spark = (self.idle_spark * (1.0 + IDLE_GAIN * (wanted_rpm - rpm) / wanted_rpm))
            .clamp(IDLE_SPARK.0, IDLE_SPARK.1);
        let open = (self.controls.grip_pct / IDLE_GONE_PCT).min(1.0);
        let spark = spark + (1.0 - spark) * open;
        let fired = if self.controls.ignition_cut || self.cut.by_limiter() { 0.0 } else { spark };
        let engine_nm = indicated_nm(&self.path, air_kg, self.cylinder_lambda) * fired
            - lost_nm(&self.path, rpm, self.map_kpa, inlet);
        let omega = rpm * core::f64::consts::TAU / 60.0;
        self.wheel_kw = engine_nm * DRIVE_EFFICIENCY * omega / 1000.0;
        match &self.driver {
            Driver::Dyno(_) => return,
            Driver::Pull(pull) => {
                self.line = pull.roll(self.line, self.rolling, &self.ambient, engine_nm, dt_s);
            }
            Driver::Road(_) => self.line.step(self.rolling, &self.controls, engine_nm, idle, dt_s),
        }
        self.climbed_m += self.controls.grade * self.line.speed_m_s * dt_s;
    }

    fn warm_up(&mut self, dt_s: f64) {
        let (spec, thermal) = (self.path.spec, &self.path.character.thermal);
        let fuel_kg_s = self.pulse.fuel_kg * f64::from(spec.cylinders) / spec.cycle_s(self.line.rpm);
        let nominal = WARMUP_FUEL_KG_S_L * spec.displacement_cc / 1e3;
        let over_air_k = self.engine_temp_c - self.ambient.air_temp_c;
        let heat = if fuel_kg_s > 0.0 { libm::pow(fuel_kg_s / nominal, HEAT_POWER) } else { 0.0 };
        let open = ((self.engine_temp_c - thermal.thermostat_c) / THERMOSTAT_BAND_K + 0.25).clamp(0.0, 1.2);
        let loss = LOSS_AT_60_K * over_air_k / 60.0 + THERMOSTAT_STRENGTH * open;
        self.engine_temp_c += WARMUP_SPAN_K / thermal.warmup_s * (heat - loss) * dt_s;
        let soak = match self.driver {
            Driver::Dyno(_) | Driver::Pull(_) => 0.0,
            Driver::Road(_) => {
                SOAK_K
                    * (over_air_k / 65.0).clamp(0.0, 1.5)
                    * libm::exp(-self.line.speed_m_s / SOAK_FADES_M_S)
            }
        };
        self.soak_k += (soak - self.soak_k) * dt_s / SOAK_S;
    }

    fn battery_v(&self) -> f64 {
        let over_idle = (self.line.rpm / self.path.spec.idle_rpm - 1.0).max(0.0);
        CHARGING_V - IDLE_DIP_V * libm::exp(-2.0 * over_idle)
    }

    fn steady_lambda_error(&self, sensed: &Sensed, inlet: &Inlet) -> f64 {
        let spec = self.path.spec;
        let load = sensed.load(spec.load);
        let target = (self.mixture)(sensed.rpm, load);
        let value = (self.fuel)(sensed.rpm, load);
        let warm = Inlet { engine_k: Inlet::reference(self.path.character).engine_k, ..*inlet };
        let map_kpa = match spec.load {
            LoadAxis::MapKpa => sensed.map_kpa,
            LoadAxis::ThrottlePct => {
                self.path.steady_map_kpa(sensed.rpm, Plate::warm(sensed.throttle_pct), &warm)
            }
        };
        let meant_kg = commanded_fuel_kg(&self.path, value, target, sensed);
        let error_ms = self.path.character.dead_time_error_ms;
        let fuel_kg = pulse(spec, meant_kg, sensed.rpm, self.battery_v(), error_ms).fuel_kg;
        let air_kg = self.path.air_per_cylinder_kg(sensed.rpm, map_kpa, &warm);
        air_kg / (spec.stoich_afr * fuel_kg.max(1e-12)) / target - 1.0
    }

    fn log(
        &mut self,
        log: &mut RideLog,
        since_last_s: f64,
        probe_rng: &mut ChaCha8Rng,
        logger_rng: &mut ChaCha8Rng,
    ) {
        let inlet = self.inlet;
        let sensed = self.sensed(&inlet);
        let exact = Exact {
            time_s: self.time_s,
            rpm: sensed.rpm,
            throttle_pct: sensed.throttle_pct,
            map_kpa: self.map_kpa,
            lambda: self.probe.log(self.time_s, since_last_s, probe_rng),
            lambda_target: self.lambda_target,
            engine_temp_c: self.engine_temp_c,
            air_temp_c: inlet.temp_k - ZERO_C_K,
            baro_kpa: inlet.baro_kpa,
            trim_pct: self.trim_pct,
            trim_is_logged: !matches!(self.path.spec.closed_loop, ClosedLoop::Unlogged { .. }),
            pulse_width_ms: self.pulse.on_ms,
            fuel_cut: self.cut.is_on(),
            gear: self.controls.gear,
            speed_m_s: self.line.speed_m_s,
            battery_v: self.battery_v(),
            wheel_kw: self.wheel_kw,
            steady_lambda_error: self.steady_lambda_error(&sensed, &inlet),
            cylinder_lambda: self.cylinder_lambda,
            delay_s: self.pipe.steady_delay_s(self.path.spec, sensed.rpm, self.flow_kg_s, inlet.baro_kpa),
        };
        log.push(&exact, logger_rng);
    }
}
