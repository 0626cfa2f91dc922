//! What another engine, other injectors or another fuel do to the opening time of an injector.
//!
//! Two engines enter; the factors by which the fuel of a cell and the time to inject it differ leave.

use super::injector::flow_at_pressure;

/// What decides how long an injector must be open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fuelling {
    /// Displacement of all cylinders, cm³.
    pub displacement_cc: f64,
    /// Flow of all injectors together at the pressure of the rail, cm³/min.
    pub flow_cc_min: f64,
    /// Mass of air per mass of fuel at lambda 1.
    pub stoich_afr: f64,
    /// Density of the fuel, kg/m³.
    pub fuel_kg_m3: f64,
}

/// By what each of them multiplies the effective opening time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factors {
    /// More displacement breathes more air.
    pub displacement: f64,
    /// A larger flow needs less time.
    pub injectors: f64,
    /// A fuel that needs less air needs more mass.
    pub fuel_mass: f64,
    /// A denser fuel flows more mass through the same orifice.
    pub fuel_density: f64,
}

impl Factors {
    /// All of them together.
    pub fn product(&self) -> f64 {
        self.displacement * self.injectors * self.fuel_mass * self.fuel_density
    }
}

/// Flow of several injectors at the rail's pressure.
///
/// Units: cm³/min of one at the rated pressure, kPa; cm³/min out.
pub fn flow_of_all(count: u32, flow_cc_min: f64, rated_kpa: f64, rail_kpa: f64) -> f64 {
    f64::from(count) * flow_at_pressure(flow_cc_min, rated_kpa, rail_kpa)
}

/// The factors from one engine to another, at the same volumetric efficiency and lambda.
///
/// # Source
/// Fuel = air/(lambda · stoichiometric ratio), and air at the same volumetric efficiency goes with
/// displacement (speed-density equation, Hendricks and Sorenson, SAE 900616). Through an orifice
/// mass flows with the root of density times pressure difference (Bernoulli).
pub fn factors(from: &Fuelling, to: &Fuelling) -> Factors {
    Factors {
        displacement: to.displacement_cc / from.displacement_cc,
        injectors: from.flow_cc_min / to.flow_cc_min,
        fuel_mass: from.stoich_afr / to.stoich_afr,
        fuel_density: (from.fuel_kg_m3 / to.fuel_kg_m3).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_bigger_engine_on_bigger_injectors_and_e85_by_hand() {
        let from =
            Fuelling { displacement_cc: 650.0, flow_cc_min: 400.0, stoich_afr: 14.7, fuel_kg_m3: 745.0 };
        let rail = flow_of_all(2, 230.0, 300.0, 400.0);
        // 230 · √(4/3) is 265.581; two of them 531.162.
        assert!((rail - 531.162).abs() < 1e-3, "{rail}");
        let to = Fuelling { displacement_cc: 700.0, flow_cc_min: rail, stoich_afr: 9.8, fuel_kg_m3: 786.65 };
        let found = factors(&from, &to);
        // 700/650; 400/531.162; 14.7/9.8; √(745/786.65), each by hand.
        assert!((found.displacement - 1.076_92).abs() < 1e-5);
        assert!((found.injectors - 0.753_07).abs() < 1e-5);
        assert!((found.fuel_mass - 1.5).abs() < 1e-12);
        assert!((found.fuel_density - 0.973_17).abs() < 1e-5, "{}", found.fuel_density);
        assert!((found.product() - 1.183_85).abs() < 1e-5, "{}", found.product());
    }

    fn engine() -> impl Strategy<Value = Fuelling> {
        (20.0..10_000.0f64, 10.0..5000.0f64, 1.0..40.0f64, 500.0..1200.0f64).prop_map(
            |(cc, flow, afr, kg)| Fuelling {
                displacement_cc: cc,
                flow_cc_min: flow,
                stoich_afr: afr,
                fuel_kg_m3: kg,
            },
        )
    }

    proptest! {
        #[test]
        fn there_and_back_is_no_change(a in engine(), b in engine()) {
            let round = factors(&a, &b).product() * factors(&b, &a).product();
            prop_assert!((round - 1.0).abs() < 1e-12);
        }
    }
}
