//! The vehicle and the day: what a pull's power is worked out with, each with its uncertainty.

use crate::physics::air::{moist_density, vapour_pa};
use crate::physics::power::{EU_134_2014_RANGE_K, din_70020, eu_134_2014, sae_j1349};
use crate::physics::road_load::{Going, Laden, forces, power_kw};
use crate::units::{KPH_PER_M_S, kelvin};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A number and how far it is off: its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Known {
    /// The number.
    pub value: f64,
    /// Its standard uncertainty: two in three such numbers lie within it.
    pub error: f64,
}

impl Known {
    /// A number and its standard uncertainty.
    pub const fn new(value: f64, error: f64) -> Self {
        Self { value, error }
    }
}

/// Where an uncertainty comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// Mass with rider, fuel and bags.
    Mass,
    /// Drag coefficient times frontal area.
    DragArea,
    /// Rolling resistance.
    Rolling,
    /// What turning parts add to the mass.
    Rotating,
    /// Inertia of the crank.
    CrankInertia,
    /// How true the logged road speed is.
    SpeedScale,
    /// How true the wheel's circumference in bike.yaml is.
    Circumference,
    /// Slope of the road.
    Grade,
    /// Wind.
    Wind,
    /// Temperature of the air.
    AirTemp,
    /// Pressure of the air.
    Pressure,
    /// Humidity of the air.
    Humidity,
    /// How true the dyno's scale is.
    DynoScale,
    /// Noise of the log, and how well pulls repeat.
    Repeat,
}

impl Cause {
    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            Cause::Mass => "mass",
            Cause::DragArea => "drag area",
            Cause::Rolling => "rolling resistance",
            Cause::Rotating => "turning parts",
            Cause::CrankInertia => "crank inertia",
            Cause::SpeedScale => "speedometer",
            Cause::Circumference => "wheel circumference",
            Cause::Grade => "slope",
            Cause::Wind => "wind",
            Cause::AirTemp => "air temperature",
            Cause::Pressure => "air pressure",
            Cause::Humidity => "humidity",
            Cause::DynoScale => "dyno scale",
            Cause::Repeat => "noise and repeatability",
        }
    }
}

/// To which air a power at full throttle is brought.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Correction {
    /// None: as it was.
    #[default]
    None,
    /// SAE J1349: 25 °C, 99 kPa dry.
    SaeJ1349,
    /// Regulation (EU) No 134/2014, the form of ISO 1585: 25 °C, 99 kPa dry.
    Eu1342014,
    /// DIN 70020: 20 °C, 101.3 kPa.
    Din70020,
}

/// Factors that the standards let a correction have. Source: ISO 1585 and SAE J1349, from memory;
/// DIN 70020 is held to the same here.
const ALLOWED_FACTOR: [f64; 2] = [0.93, 1.07];

impl Correction {
    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            Correction::None => "as measured",
            Correction::SaeJ1349 => "SAE J1349",
            Correction::Eu1342014 => "(EU) 134/2014",
            Correction::Din70020 => "DIN 70020",
        }
    }

    /// What the power is multiplied by. Units: kPa, °C, %.
    pub fn factor(self, pressure_kpa: f64, air_temp_c: f64, humidity_pct: f64) -> f64 {
        let dry_kpa = pressure_kpa - vapour_pa(air_temp_c, humidity_pct / 100.0) / 1000.0;
        match self {
            Correction::None => 1.0,
            Correction::SaeJ1349 => sae_j1349(dry_kpa, air_temp_c),
            Correction::Eu1342014 => eu_134_2014(dry_kpa, air_temp_c),
            Correction::Din70020 => din_70020(pressure_kpa, air_temp_c),
        }
    }

    /// What the standard has against it, in words. Units: °C.
    pub fn objection(self, factor: f64, air_temp_c: f64) -> Option<String> {
        let [low, high] = ALLOWED_FACTOR;
        let [cold_k, warm_k] = EU_134_2014_RANGE_K;
        match self {
            Correction::None => None,
            Correction::Eu1342014 if !(cold_k..=warm_k).contains(&kelvin(air_temp_c)) => Some(format!(
                "(EU) 134/2014 lets a correction count between {cold_k} and {warm_k} K; the air had {:.0} K",
                kelvin(air_temp_c)
            )),
            _ if !(low..=high).contains(&factor) => Some(format!(
                "{} corrects by {factor:.3}; beyond {low} to {high} (from memory) a corrected power no longer counts",
                self.words()
            )),
            _ => None,
        }
    }
}

/// The vehicle and the day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// Mass with rider, fuel and bags, kg.
    pub mass_kg: Known,
    /// Drag coefficient times frontal area, m².
    pub cda_m2: Known,
    /// Rolling resistance over the weight.
    pub crr: Known,
    /// Mass with that of turning parts over the mass, the crank left out where its inertia is given.
    pub k_rot: Known,
    /// Inertia of what turns with the crank, kg m²; 0 where `k_rot` holds it.
    pub crank_inertia_kg_m2: Known,
    /// True road speed over the one that is used.
    pub speed_scale: Known,
    /// Whether that speed's scale is the wheel circumference of bike.yaml.
    pub scaled_by_circumference: bool,
    /// Slope, rise over run, %.
    pub grade_pct: Known,
    /// Wind against the bike, km/h.
    pub headwind_kph: Known,
    /// °C.
    pub air_temp_c: Known,
    /// kPa, absolute.
    pub pressure_kpa: Known,
    /// %.
    pub humidity_pct: Known,
    /// To which air the power is brought.
    pub correction: Correction,
}

/// How the engine and the road turn at one instant: 1/min, m/s, m/s².
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Turning {
    pub rpm: f64,
    pub speed_m_s: f64,
    pub acceleration_m_s2: f64,
}

/// A way to an input of the conditions.
type Place = fn(&mut Conditions) -> &mut Known;

impl Conditions {
    /// Every input with its cause, and whether another ride of the same bike has the same error.
    pub(super) fn inputs(&self) -> [(Cause, bool, Place); 11] {
        let scale = if self.scaled_by_circumference { Cause::Circumference } else { Cause::SpeedScale };
        [
            (Cause::Mass, true, |c| &mut c.mass_kg),
            (Cause::DragArea, true, |c| &mut c.cda_m2),
            (Cause::Rolling, true, |c| &mut c.crr),
            (Cause::Rotating, true, |c| &mut c.k_rot),
            (Cause::CrankInertia, true, |c| &mut c.crank_inertia_kg_m2),
            (scale, true, |c| &mut c.speed_scale),
            (Cause::Grade, false, |c| &mut c.grade_pct),
            (Cause::Wind, false, |c| &mut c.headwind_kph),
            (Cause::AirTemp, false, |c| &mut c.air_temp_c),
            (Cause::Pressure, false, |c| &mut c.pressure_kpa),
            (Cause::Humidity, false, |c| &mut c.humidity_pct),
        ]
    }

    /// What the power is multiplied by.
    pub fn factor(&self) -> f64 {
        self.correction.factor(self.pressure_kpa.value, self.air_temp_c.value, self.humidity_pct.value)
    }

    /// Power at the wheel, brought to the wanted air, kW:
    /// `[m g Crr cosθ + ½ ρ CdA (v + w)² + m g sinθ + k m a] v`.
    ///
    /// Source: `physics::road_load`; a crank that turns ω/v times as fast as the bike rolls adds
    /// `I (ω/v)²` to the mass.
    pub(super) fn wheel_kw(&self, turning: &Turning) -> f64 {
        let speed_m_s = turning.speed_m_s * self.speed_scale.value;
        let rad_per_m = turning.rpm * super::RAD_S_PER_RPM / speed_m_s;
        let crank_kg = self.crank_inertia_kg_m2.value * rad_per_m * rad_per_m;
        let bike = Laden {
            mass_kg: self.mass_kg.value,
            cda_m2: self.cda_m2.value,
            crr: self.crr.value,
            rotating: self.k_rot.value + crank_kg / self.mass_kg.value,
        };
        let going = Going {
            speed_m_s,
            headwind_m_s: self.headwind_kph.value / KPH_PER_M_S,
            grade: self.grade_pct.value / 100.0,
            acceleration_m_s2: turning.acceleration_m_s2 * self.speed_scale.value,
            air_kg_m3: moist_density(
                self.pressure_kpa.value,
                self.air_temp_c.value,
                self.humidity_pct.value / 100.0,
            ),
        };
        power_kw(forces(&bike, &going).sum_n(), speed_m_s) * self.factor()
    }

    /// By how much the power moves when an input moves by its uncertainty, kW, with its sign.
    pub(super) fn part_kw(&self, place: Place, turning: &Turning) -> f64 {
        let moved = |by: f64| {
            let mut conditions = *self;
            let known = place(&mut conditions);
            known.value += by * known.error;
            conditions.wheel_kw(turning)
        };
        0.5 * (moved(1.0) - moved(-1.0))
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in super::super) fn exact(mass_kg: f64, cda_m2: f64, crr: f64, k_rot: f64) -> Conditions {
        let known = |value| Known::new(value, 0.0);
        Conditions {
            mass_kg: known(mass_kg),
            cda_m2: known(cda_m2),
            crr: known(crr),
            k_rot: known(k_rot),
            crank_inertia_kg_m2: known(0.0),
            speed_scale: known(1.0),
            scaled_by_circumference: false,
            grade_pct: known(0.0),
            headwind_kph: known(0.0),
            air_temp_c: known(25.0),
            pressure_kpa: known(102.69),
            humidity_pct: known(0.0),
            correction: Correction::None,
        }
    }

    #[test]
    fn the_worked_examples_come_out() {
        // Worked out for this project: 300 kg, CdA .5, Crr .015, 1.2 kg/m³: 50/90/130 km/h -> 1.42/5.79/
        // 15.72 kW; +2 m/s² at 100 km/h with k_rot 1.05 -> 25.2 kW. 102.69 kPa at 25 °C is 1.2 kg/m³.
        let bike = exact(300.0, 0.5, 0.015, 1.05);
        let kw = |kph: f64, a: f64| {
            bike.wheel_kw(&Turning { rpm: 5000.0, speed_m_s: kph / 3.6, acceleration_m_s2: a })
        };
        for (kph, a, want) in [(50.0, 0.0, 1.42), (90.0, 0.0, 5.79), (130.0, 0.0, 15.72), (100.0, 2.0, 25.2)]
        {
            assert!((kw(kph, a) / want - 1.0).abs() < 0.005, "{kph}: {}", kw(kph, a));
        }
    }

    #[test]
    fn a_part_is_the_derivative_times_the_uncertainty() {
        let turning = Turning { rpm: 6000.0, speed_m_s: 30.0, acceleration_m_s2: 3.0 };
        let bike = Conditions { mass_kg: Known::new(300.0, 3.0), ..exact(300.0, 0.5, 0.015, 1.05) };
        let (_, _, mass) = bike.inputs()[0];
        let by_hand_kw = 3.0 * (9.81 * 0.015 + 1.05 * 3.0) * 30.0 / 1000.0;
        assert!((bike.part_kw(mass, &turning) - by_hand_kw).abs() < 1e-9);
        // A crank of .03 kg m² that turns 20.94 rad/m adds 13.16 kg.
        let crank = Conditions { crank_inertia_kg_m2: Known::new(0.03, 0.0), ..bike };
        let rad_per_m = 6000.0 * std::f64::consts::TAU / 60.0 / 30.0;
        let more_kw = 0.03 * rad_per_m * rad_per_m * 3.0 * 30.0 / 1000.0;
        assert!((crank.wheel_kw(&turning) - bike.wheel_kw(&turning) - more_kw).abs() < 1e-9);
    }

    #[test]
    fn a_correction_that_no_longer_counts_is_objected_to() {
        let din = Correction::Din70020;
        assert!(din.objection(1.05, 20.0).is_none());
        assert!(din.objection(1.12, 20.0).expect("too far").contains("0.93 to 1.07"));
        assert!(Correction::Eu1342014.objection(1.0, 50.0).expect("too hot").contains("318"));
        assert!(Correction::None.objection(2.0, 90.0).is_none());
    }
}
