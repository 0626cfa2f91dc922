//! Air: density, the smooth true volumetric efficiency, throttle flow, and the manifold that
//! fills and empties between them. Nothing here knows a table grid.

use super::character::Character;
use super::spec::BikeSpec;

/// Gas constant of dry air, J/(kg K).
pub const R_AIR: f64 = 287.05;
/// Reference air of the tool: 25 °C, 99 kPa, dry (contract section 3).
pub const REF_AIR_TEMP_K: f64 = 298.15;
pub const REF_BARO_KPA: f64 = 99.0;
pub const ZERO_C_K: f64 = 273.15;

/// Ratio of specific heats of air, and the critical ratio and flow factor that follow from it.
const GAMMA: f64 = 1.4;
const CHOKED_RATIO: f64 = 0.528_281_787_717_174;
const CHOKED_FACTOR: f64 = 0.684_731_456_341_3;
/// Above this pressure ratio the flow factor is continued as a straight line through zero at 1, so
/// that the wide-open throttle does not make the manifold infinitely stiff. A modelling choice.
const LINEAR_FROM_RATIO: f64 = 0.98;
/// Share of the offset y that is exhaust left in the cylinder and so follows the outer pressure;
/// invented, near 1/(γ(ε−1)) of that pressure.
const RESIDUAL_SHARE: f64 = 0.5;
/// The offset y shrinks by this share from standstill to the rev limit; invented.
const OFFSET_SHRINKS: f64 = 0.2;
/// No cylinder charge below this pressure term, kPa: keeps the charge positive in deep overrun.
const LEAST_CHARGE_KPA: f64 = 2.0;
/// The manifold is never emptier than this, kPa.
const LEAST_MAP_KPA: f64 = 3.0;

/// The air around the bike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ambient {
    pub air_temp_c: f64,
    pub baro_kpa: f64,
    /// Relative humidity, %.
    pub humidity_rh: f64,
}

impl Ambient {
    /// The reference air: 25 °C, 99 kPa, dry.
    #[must_use]
    pub fn reference() -> Self {
        Self { air_temp_c: 25.0, baro_kpa: REF_BARO_KPA, humidity_rh: 0.0 }
    }
}

/// Air as the engine breathes it at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inlet {
    pub temp_k: f64,
    pub baro_kpa: f64,
    /// Share of the pressure that is dry air.
    pub dry_share: f64,
    /// Engine (wall) temperature, K; matters only with charge heating.
    pub engine_k: f64,
}

impl Inlet {
    /// The inlet for an ambient and an engine temperature.
    ///
    /// # Source
    /// Vapour pressure `611.2 exp(17.62 t/(243.12+t))` Pa (Magnus form, from memory). The dry share is taken by
    /// pressure; the small molar-mass effect on flow is left out.
    #[must_use]
    pub fn new(air_temp_c: f64, baro_kpa: f64, humidity_rh: f64, engine_temp_c: f64) -> Self {
        let vapour_kpa = humidity_rh / 100.0 * 0.6112 * libm::exp(17.62 * air_temp_c / (243.12 + air_temp_c));
        Self {
            temp_k: air_temp_c + ZERO_C_K,
            baro_kpa,
            dry_share: (1.0 - vapour_kpa / baro_kpa).clamp(0.8, 1.0),
            engine_k: engine_temp_c + ZERO_C_K,
        }
    }

    /// Reference air with a fully warm engine: where the true table is defined.
    #[must_use]
    pub fn reference(character: &Character) -> Self {
        Self {
            temp_k: REF_AIR_TEMP_K,
            baro_kpa: REF_BARO_KPA,
            dry_share: 1.0,
            engine_k: character.thermal.thermostat_c + ZERO_C_K,
        }
    }
}

/// Compressible flow factor Ψ of an orifice against the pressure ratio downstream/upstream.
///
/// # Source
/// Isentropic orifice, choked below .528: from memory, unverified.
#[must_use]
pub fn flow_factor(ratio: f64) -> f64 {
    flow_factor_and_slope(ratio).0
}

/// The flow factor and its derivative.
///
/// `Ψ² = 2γ/(γ−1) (r^(2/γ) − r^((γ+1)/γ))`, with `root = r^(1/γ)`: `root²` and `r·root`.
fn flow_factor_and_slope(ratio: f64) -> (f64, f64) {
    if ratio <= CHOKED_RATIO {
        return (CHOKED_FACTOR, 0.0);
    }
    let at = ratio.min(LINEAR_FROM_RATIO);
    let root = libm::pow(at, 1.0 / GAMMA);
    let scale = 2.0 * GAMMA / (GAMMA - 1.0);
    let factor = (scale * root * (root - at)).max(0.0).sqrt();
    if ratio > LINEAR_FROM_RATIO {
        let slope = -factor / (1.0 - LINEAR_FROM_RATIO);
        return (-slope * (1.0 - ratio), slope);
    }
    let slope = scale * (2.0 * root * root / at - (GAMMA + 1.0) * root) / GAMMA;
    (factor, slope / (2.0 * factor))
}

/// Cylinder charge as a function of manifold pressure at one engine speed: the rpm part done.
#[derive(Debug, Clone, Copy)]
pub struct ChargeLine {
    slope: f64,
    offset_kpa: f64,
    bump: f64,
    reversion: f64,
    baro_kpa: f64,
}

impl ChargeLine {
    /// `η_v · p` at this speed. Units: kPa in, kPa out.
    #[must_use]
    pub fn charge_kpa(&self, map_kpa: f64) -> f64 {
        let wave = 1.0 + self.bump * map_kpa / self.baro_kpa;
        let line = self.slope * map_kpa + self.offset_kpa;
        line.max(LEAST_CHARGE_KPA) * wave * self.reversion
    }
}

/// The opening between air box and manifold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    pub throttle_pct: f64,
    /// Idle bypass area over that of a warm engine.
    pub bypass: f64,
}

impl Plate {
    /// A throttle opening on a warm engine. Units: %.
    #[must_use]
    pub fn warm(throttle_pct: f64) -> Self {
        Self { throttle_pct, bypass: 1.0 }
    }
}

/// The engine as a pump: a spec and a character with the sizes that follow from both.
#[derive(Debug, Clone, Copy)]
pub struct AirPath<'a> {
    pub spec: &'a BikeSpec,
    pub character: &'a Character,
    /// Effective area of the wide-open throttle, m².
    open_m2: f64,
    /// Effective area of the idle bypass on a warm engine, m².
    bypass_m2: f64,
}

impl<'a> AirPath<'a> {
    /// Sizes throttle and idle bypass so that the character's pressures come out.
    #[must_use]
    pub fn new(spec: &'a BikeSpec, character: &'a Character) -> Self {
        let mut path = Self { spec, character, open_m2: 0.0, bypass_m2: 0.0 };
        let inlet = Inlet::reference(character);
        let speed = REF_BARO_KPA * 1e3 / (R_AIR * REF_AIR_TEMP_K).sqrt();
        let area = |rpm: f64, map_kpa: f64| {
            path.engine_flow_kg_s(rpm, map_kpa, &inlet) / (speed * flow_factor(map_kpa / REF_BARO_KPA))
        };
        let throttle = &character.throttle;
        let open_m2 = area(spec.rev_limit_rpm, throttle.wide_open_ratio * REF_BARO_KPA);
        let bypass_m2 = area(spec.idle_rpm, throttle.idle_map_kpa);
        path.open_m2 = open_m2;
        path.bypass_m2 = bypass_m2;
        path
    }

    /// The charge line at an engine speed.
    ///
    /// `η_v p = s(n) p + y(n)` times intake resonance (grows with load) and the low-speed
    /// reversion dip of a hot cam.
    ///
    /// # Source
    /// The form and the sizes of s and y: from memory, unverified (after Hendricks &
    /// Sorenson's mean-value engine); the curves over rpm are invented.
    #[must_use]
    pub fn charge_line(&self, rpm: f64, baro_kpa: f64) -> ChargeLine {
        let breathing = &self.character.breathing;
        let x = rpm / self.spec.rev_limit_rpm;
        let octave = libm::log((x / breathing.peak).max(0.02));
        let side = 1.0 / (1.0 + libm::exp(-octave / 0.15));
        let falloff = breathing.falloff_below + (breathing.falloff_above - breathing.falloff_below) * side;
        let slope = breathing.slope_at_peak * libm::exp(-falloff * octave * octave);
        let bump =
            breathing.bumps.iter().map(|bump| bump.height * bell((x - bump.centre) / bump.width)).sum();
        let reversion = 1.0
            - breathing.reversion.depth * bell((x - breathing.reversion.centre) / breathing.reversion.width);
        let residual = 1.0 + RESIDUAL_SHARE * (baro_kpa / REF_BARO_KPA - 1.0);
        ChargeLine {
            slope,
            offset_kpa: breathing.offset_kpa * (1.0 - OFFSET_SHRINKS * x) * residual,
            bump,
            reversion,
            baro_kpa,
        }
    }

    /// Dry air that one cylinder takes in per cycle. Units: rpm, kPa; result kg.
    #[must_use]
    pub fn air_per_cylinder_kg(&self, rpm: f64, map_kpa: f64, inlet: &Inlet) -> f64 {
        let charge = self.charge_line(rpm, inlet.baro_kpa).charge_kpa(map_kpa);
        self.kg_per_kpa(inlet) * charge * inlet.dry_share
    }

    /// Gas that the engine draws from the manifold. Units: kg/s.
    #[must_use]
    pub fn engine_flow_kg_s(&self, rpm: f64, map_kpa: f64, inlet: &Inlet) -> f64 {
        let charge = self.charge_line(rpm, inlet.baro_kpa).charge_kpa(map_kpa);
        charge * self.flow_per_kpa(rpm, inlet)
    }

    /// Gas mass in one cylinder per kPa of charge, with charge heating relative to the reference.
    fn kg_per_kpa(&self, inlet: &Inlet) -> f64 {
        let heating = self.character.breathing.charge_heating;
        let reference = Inlet::reference(self.character);
        let charge_k = |inlet: &Inlet| inlet.temp_k + heating * (inlet.engine_k - inlet.temp_k);
        let heated = charge_k(inlet) * REF_AIR_TEMP_K / charge_k(&reference);
        self.spec.cylinder_m3() * 1e3 / (R_AIR * heated)
    }

    fn flow_per_kpa(&self, rpm: f64, inlet: &Inlet) -> f64 {
        self.kg_per_kpa(inlet) * f64::from(self.spec.cylinders) / self.spec.cycle_s(rpm)
    }

    /// Flow through the throttle plus bypass as area times speed. Units: %, result kg/s at Ψ = 1.
    fn throttle_capacity(&self, plate: Plate, inlet: &Inlet) -> f64 {
        let throttle = &self.character.throttle;
        let closed = throttle.closed_angle_deg.to_radians();
        let grip = (plate.throttle_pct / 100.0).clamp(0.0, 1.0);
        let opening = grip * (1.0 - throttle.progressive * (1.0 - grip));
        let angle = closed + opening * (core::f64::consts::FRAC_PI_2 - closed);
        let share = 1.0 - libm::cos(angle) / libm::cos(closed);
        let area = self.open_m2 * share + self.bypass_m2 * plate.bypass;
        area * inlet.baro_kpa * 1e3 / (R_AIR * inlet.temp_k).sqrt()
    }

    /// Manifold pressure one step later, kPa, and the dry air per cylinder and cycle it gives, kg.
    ///
    /// `dp/dt = (R T/V)(ṁ_th − ṁ_cyl)`, stepped semi-implicitly because the wide-open throttle is
    /// stiff. Units: kPa, s, 1/min, %.
    ///
    /// # Source
    /// Hendricks & Sorenson, SAE 900616 (abstract read; equation from memory, unverified).
    #[must_use]
    pub fn step_manifold(
        &self,
        map_kpa: f64,
        dt_s: f64,
        rpm: f64,
        plate: Plate,
        inlet: &Inlet,
    ) -> (f64, f64) {
        let capacity = self.throttle_capacity(plate, inlet);
        let line = self.charge_line(rpm, inlet.baro_kpa);
        let per_kpa = self.flow_per_kpa(rpm, inlet);
        let (factor, steepness) = flow_factor_and_slope(map_kpa / inlet.baro_kpa);
        let here = capacity * factor - per_kpa * line.charge_kpa(map_kpa);
        let slope = capacity * steepness / inlet.baro_kpa - per_kpa * line.slope;
        let volume = self.spec.displacement_cc * 1e-6 * self.character.manifold_per_displacement;
        let fill = R_AIR * inlet.temp_k / volume * 1e-3;
        let next = map_kpa + dt_s * fill * here / (1.0 - dt_s * fill * slope);
        let next = next.clamp(LEAST_MAP_KPA, inlet.baro_kpa);
        (next, self.kg_per_kpa(inlet) * line.charge_kpa(next) * inlet.dry_share)
    }

    /// Manifold pressure at which throttle flow and engine flow balance. Units: kPa.
    #[must_use]
    pub fn steady_map_kpa(&self, rpm: f64, plate: Plate, inlet: &Inlet) -> f64 {
        let capacity = self.throttle_capacity(plate, inlet);
        let line = self.charge_line(rpm, inlet.baro_kpa);
        let per_kpa = self.flow_per_kpa(rpm, inlet);
        let net = |p: f64| capacity * flow_factor(p / inlet.baro_kpa) - per_kpa * line.charge_kpa(p);
        falling_root(net, LEAST_MAP_KPA, inlet.baro_kpa)
    }
}

/// A smooth bell, close to the Gaussian one and cheaper: `(1 + z²/8)^-4`.
pub(super) fn bell(z: f64) -> f64 {
    let base = 1.0 + z * z / 8.0;
    let square = base * base;
    1.0 / (square * square)
}

/// Root of a falling function between two ends, by false position with the Illinois halving.
/// An end is returned when the sign does not change.
fn falling_root(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    const TOLERANCE_KPA: f64 = 1e-7;
    const MOST_STEPS: usize = 60;
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa <= 0.0 {
        return a;
    }
    if fb >= 0.0 {
        return b;
    }
    let mut kept = 0;
    let mut x = a;
    for _ in 0..MOST_STEPS {
        let previous = x;
        x = (a * fb - b * fa) / (fb - fa);
        let fx = f(x);
        if fx > 0.0 {
            (a, fa) = (x, fx);
            if kept == 1 {
                fb *= 0.5;
            }
            kept = 1;
        } else {
            (b, fb) = (x, fx);
            if kept == -1 {
                fa *= 0.5;
            }
            kept = -1;
        }
        if (x - previous).abs() < TOLERANCE_KPA {
            break;
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flow_factor_joins_at_the_critical_ratio_and_ends_at_zero() {
        assert!((flow_factor(0.2) - flow_factor(0.53)).abs() < 1e-4);
        assert!((flow_factor(0.9799) - flow_factor(0.9801)).abs() < 2e-3);
        assert_eq!(flow_factor(1.0), 0.0);
    }

    #[test]
    fn slope_of_the_flow_factor_is_its_derivative() {
        for ratio in [0.3, 0.55, 0.7, 0.9, 0.97, 0.99] {
            let numeric = (flow_factor(ratio + 1e-6) - flow_factor(ratio - 1e-6)) / 2e-6;
            assert!((flow_factor_and_slope(ratio).1 - numeric).abs() < 1e-5, "{ratio}");
        }
    }

    #[test]
    fn charge_has_the_size_of_published_mean_value_engines() {
        // From memory: VE ≈ .45–.60 at 30–40 kPa, .85–1.0 wide open;
        // hard to reach with the s and y given there, so .35–.78 is allowed.
        let spec = BikeSpec::fernhill_700();
        for character in [Character::mild()].into_iter().chain((0..40).map(Character::from_seed)) {
            let path = AirPath::new(&spec, &character);
            for rpm in [2500.0, 4000.0, 6000.0] {
                let ve = |p: f64| path.charge_line(rpm, REF_BARO_KPA).charge_kpa(p) / p;
                assert!((0.35..0.78).contains(&ve(35.0)), "{rpm} {}", ve(35.0));
                assert!((0.65..1.12).contains(&ve(97.0)), "{rpm} {}", ve(97.0));
            }
        }
    }

    #[test]
    fn manifold_settles_at_the_steady_pressure() {
        let spec = BikeSpec::fernhill_700();
        for character in [Character::mild(), Character::from_seed(7)] {
            let path = AirPath::new(&spec, &character);
            let inlet = Inlet::reference(&character);
            for (rpm, throttle) in [(1250.0, 0.0), (3000.0, 10.0), (3000.0, 100.0), (7800.0, 35.0)] {
                let mut map = 60.0;
                for _ in 0..2000 {
                    map = path.step_manifold(map, 0.004, rpm, Plate::warm(throttle), &inlet).0;
                }
                let steady = path.steady_map_kpa(rpm, Plate::warm(throttle), &inlet);
                assert!((map - steady).abs() < 1e-3, "{rpm} {throttle}: {map} {steady}");
            }
            let idle = path.steady_map_kpa(spec.idle_rpm, Plate::warm(0.0), &inlet);
            assert!((idle - character.throttle.idle_map_kpa).abs() < 0.01);
        }
    }

    #[test]
    fn charge_agrees_with_the_worked_example() {
        // Worked out for this project: 500 cc cylinder, η .85, 90 kPa, 35 °C -> 432.4 mg.
        let spec = BikeSpec { displacement_cc: 500.0, cylinders: 1, ..BikeSpec::fernhill_700() };
        let character = Character::mild();
        let inlet = Inlet::new(35.0, 99.0, 0.0, 84.0);
        let kg = AirPath::new(&spec, &character).kg_per_kpa(&inlet) * 0.85 * 90.0;
        assert!((kg * 1e6 - 432.4).abs() < 0.5, "{kg}");
    }
}
