//! Vehicle, road and air: what was said, what bike.yaml or the log says, what is usual.

use super::super::OperationError;
use super::super::calc::quantity::Quantity;
use crate::bike::Bike;
use crate::power::{Conditions, Correction, Known};
use schemars::JsonSchema;
use serde::Serialize;

/// A number as it was said, with its standard uncertainty where that was said too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Given {
    /// The number.
    pub value: f64,
    /// Its standard uncertainty.
    pub error: Option<f64>,
}

impl Given {
    /// Reads `245`, `245±5`, `245+-5` or `540lb`; the uncertainty is in the flag's own unit.
    ///
    /// # Errors
    /// Words, when it is no number, one of another quantity, or beyond the range.
    pub fn read(text: &str, quantity: &Quantity, [low, high]: [f64; 2]) -> Result<Self, String> {
        let (front, behind) = match text.split_once('±').or_else(|| text.split_once("+-")) {
            Some((front, behind)) => (front, Some(behind)),
            None => (text, None),
        };
        let value = quantity.read(front)?;
        if !(low..=high).contains(&value) {
            let unit = quantity.native();
            return Err(format!("must be from {low} to {high} {unit}, got {value}").replace(" ,", ","));
        }
        let error =
            behind.map(|text| text.trim().parse::<f64>().map_err(|_| format!("`{text}` is not a number")));
        let error = error.transpose()?;
        if error.is_some_and(|error| !(0.0..=(high - low)).contains(&error)) {
            return Err(format!("`{text}`: what stands behind ± must be from 0 to {}", high - low));
        }
        Ok(Self { value, error })
    }
}

/// Where a number comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum From {
    /// The command line.
    Flag,
    /// bike.yaml.
    BikeYaml,
    /// The log.
    Log,
    /// Nobody said it: it is usual.
    Usual,
}

/// A number that was used.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UsedInput {
    /// Its name with its unit.
    pub name: &'static str,
    /// It, with its standard uncertainty.
    #[serde(flatten)]
    pub known: Known,
    /// Where it comes from.
    pub from: From,
}

/// What was said of vehicle and day.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct VehicleGiven {
    /// Mass with rider, fuel and bags, kg.
    pub mass_kg: Option<Given>,
    /// Drag area, m².
    pub cda_m2: Option<Given>,
    /// Rolling resistance over the weight.
    pub crr: Option<Given>,
    /// Mass with that of turning parts over the mass.
    pub k_rot: Option<Given>,
    /// Inertia of what turns with the crank, kg m².
    pub crank_inertia_kg_m2: Option<Given>,
    /// How true the road speed is: the true one over it.
    pub speed_scale: Option<Given>,
    /// Slope, %.
    pub grade_pct: Option<Given>,
    /// Wind against the bike, km/h.
    pub headwind_kph: Option<Given>,
    /// °C.
    pub air_temp_c: Option<Given>,
    /// kPa.
    pub pressure_kpa: Option<Given>,
    /// %.
    pub humidity_pct: Option<Given>,
}

/// An input: its name, what is usual, and the standard uncertainty of a usual and of a given one.
///
/// Common practice, no source, where nothing else stands: drag area .18 to .70 m² (Cossalter, as
/// quoted elsewhere), rolling resistance .012 to .02 and turning parts 1.03 to 1.06 from memory.
struct Usual {
    name: &'static str,
    value: f64,
    error: f64,
    given_error: f64,
}

const fn usual(name: &'static str, value: f64, error: f64, given_error: f64) -> Usual {
    Usual { name, value, error, given_error }
}

const MASS: Usual = usual("mass_kg", f64::NAN, 5.0, 5.0);
const DRAG_AREA: Usual = usual("cda_m2", 0.5, 0.1, 0.05);
const ROLLING: Usual = usual("crr", 0.015, 0.003, 0.002);
const ROTATING: Usual = usual("k_rot", 1.05, 0.02, 0.01);
/// Of the wheels alone: from memory.
const WHEELS: Usual = usual("k_rot", 1.035, 0.01, 0.01);
const CRANK: Usual = usual("crank_inertia_kg_m2", 0.0, 0.0, 0.005);
const SPEED_SCALE: Usual = usual("speed_scale", 1.0, 0.01, 0.005);
const GRADE: Usual = usual("grade_pct", 0.0, 0.5, 0.2);
const WIND: Usual = usual("headwind_kph", 0.0, 7.0, 4.0);
const AIR_TEMP: Usual = usual("air_temp_c", 20.0, 8.0, 3.0);
const PRESSURE: Usual = usual("pressure_kpa", 100.0, 2.5, 0.5);
const HUMIDITY: Usual = usual("humidity_pct", 50.0, 25.0, 10.0);

impl Usual {
    fn used(&self, flag: Option<Given>, yaml: Option<Given>, logged: Option<f64>) -> UsedInput {
        let logged = logged.map(|value| Given { value, error: None });
        let said = [(flag, From::Flag), (yaml, From::BikeYaml), (logged, From::Log)];
        let said = said.into_iter().find_map(|(given, from)| Some((given?, from)));
        let (known, from) = match said {
            Some((given, from)) => (Known::new(given.value, given.error.unwrap_or(self.given_error)), from),
            None => (Known::new(self.value, self.error), From::Usual),
        };
        UsedInput { name: self.name, known, from }
    }
}

impl VehicleGiven {
    /// The vehicle, from what was said and bike.yaml.
    ///
    /// # Errors
    /// Without a mass.
    pub(super) fn vehicle(&self, bike: Option<&Bike>) -> Result<Vec<UsedInput>, OperationError> {
        let chassis = bike.and_then(|bike| bike.chassis);
        let yaml = |value: Option<f64>, error: Option<f64>| value.map(|value| Given { value, error });
        let mass = chassis.map(|c| Given { value: c.mass_kg, error: c.mass_error_kg });
        if self.mass_kg.is_none() && mass.is_none() {
            return Err(OperationError::failed(
                "nothing tells the mass of the bike with its rider, on which all power from a pull rests",
                "weigh it and say --mass-kg 245, or put `chassis: { mass_kg: 245 }` into bike.yaml",
            ));
        }
        let drag = chassis.and_then(|c| yaml(c.cda_m2, c.cda_error_m2));
        let rolling = chassis.and_then(|c| yaml(c.crr, c.crr_error));
        let rotating = chassis.and_then(|c| yaml(c.k_rot, c.k_rot_error));
        let crank = chassis.and_then(|c| yaml(c.crank_inertia_kg_m2, c.crank_inertia_error_kg_m2));
        let has_crank = self.crank_inertia_kg_m2.or(crank).is_some();
        let turning = if has_crank { WHEELS } else { ROTATING };
        Ok(vec![
            MASS.used(self.mass_kg, mass, None),
            DRAG_AREA.used(self.cda_m2, drag, None),
            ROLLING.used(self.crr, rolling, None),
            turning.used(self.k_rot, rotating, None),
            CRANK.used(self.crank_inertia_kg_m2, crank, None),
            SPEED_SCALE.used(self.speed_scale, None, None),
        ])
    }

    /// Slope and wind.
    pub(super) fn road(&self) -> Vec<UsedInput> {
        vec![GRADE.used(self.grade_pct, None, None), WIND.used(self.headwind_kph, None, None)]
    }

    /// The air, from what was said and what was logged: °C, kPa, %.
    ///
    /// # Errors
    /// When a correction is wanted and nothing tells the air.
    pub(super) fn air(
        &self,
        logged: [Option<f64>; 3],
        correction: Correction,
    ) -> Result<Vec<UsedInput>, OperationError> {
        let [temp_c, pressure_kpa, humidity_pct] = logged;
        let air = vec![
            AIR_TEMP.used(self.air_temp_c, None, temp_c),
            PRESSURE.used(self.pressure_kpa, None, pressure_kpa),
            HUMIDITY.used(self.humidity_pct, None, humidity_pct),
        ];
        if correction != Correction::None && air[..2].iter().any(|input| input.from == From::Usual) {
            return Err(OperationError::failed(
                "a correction needs the temperature and the pressure of the air, and nothing tells them",
                "say --air-temp-c 22 and --pressure-kpa 99.5 (absolute, where it was ridden, not at sea level)",
            ));
        }
        Ok(air)
    }
}

/// What was used, as the sums want it; what is not in the lists weighs nothing.
pub(super) fn conditions(vehicle: &[UsedInput], day: &[UsedInput], correction: Correction) -> Conditions {
    let known = |name: &str, without: f64| {
        let found = vehicle.iter().chain(day).find(|input| input.name == name);
        found.map_or(Known::new(without, 0.0), |input| input.known)
    };
    Conditions {
        mass_kg: known(MASS.name, 1.0),
        cda_m2: known(DRAG_AREA.name, 0.0),
        crr: known(ROLLING.name, 0.0),
        k_rot: known(ROTATING.name, 1.0),
        crank_inertia_kg_m2: known(CRANK.name, 0.0),
        speed_scale: known(SPEED_SCALE.name, 1.0),
        scaled_by_circumference: false,
        grade_pct: known(GRADE.name, 0.0),
        headwind_kph: known(WIND.name, 0.0),
        air_temp_c: known(AIR_TEMP.name, AIR_TEMP.value),
        pressure_kpa: known(PRESSURE.name, PRESSURE.value),
        humidity_pct: known(HUMIDITY.name, HUMIDITY.value),
        correction,
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::calc::quantity::{AREA, MASS as MASS_UNITS};
    use super::*;

    #[test]
    fn numbers_are_read_with_their_uncertainty_and_refused_where_they_cannot_be() {
        let mass = |text: &str| Given::read(text, &MASS_UNITS, [50.0, 2000.0]);
        assert_eq!(mass("245"), Ok(Given { value: 245.0, error: None }));
        assert_eq!(mass("245±4"), Ok(Given { value: 245.0, error: Some(4.0) }));
        assert_eq!(mass("245kg+-4.5"), Ok(Given { value: 245.0, error: Some(4.5) }));
        assert!((mass("540lb").expect("pounds").value - 244.94).abs() < 0.01);
        for bad in ["0", "nan", "inf", "-245", "245±-1", "245±nan", "245±x", "heavy", "245s"] {
            assert!(mass(bad).is_err(), "{bad}");
        }
        let said = Given::read("-0.5", &AREA, [0.05, 3.0]).expect_err("negative");
        assert!(said.contains("from 0.05 to 3 m2"), "{said}");
    }
}
