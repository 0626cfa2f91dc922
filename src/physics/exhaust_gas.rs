//! Lambda from what comes out of the exhaust.

/// What an analyser reads of dry exhaust gas.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DryExhaust {
    /// Carbon dioxide, volume %.
    pub co2_pct: f64,
    /// Carbon monoxide, volume %.
    pub co_pct: f64,
    /// Oxygen, volume %.
    pub o2_pct: f64,
    /// Hydrocarbons, ppm by volume.
    pub hc_ppm: f64,
    /// Carbon atoms in the molecule that the hydrocarbons are counted as: 6 for hexane.
    pub hc_carbons: f64,
    /// Nitrogen monoxide, ppm by volume.
    pub no_ppm: f64,
}

/// Equilibrium constant of the water gas, CO · H2O / (CO2 · H2), at which the exhaust's
/// composition freezes: 3.5, the equilibrium at about 1740 K. The value of the method; from
/// memory.
pub const WATER_GAS: f64 = 3.5;

/// Volume % of one ppm.
const PCT_PER_PPM: f64 = 1e-4;

/// Lambda by balance of carbon, hydrogen and oxygen; `None` where the gas holds no CO2, which
/// no combustion gives.
///
/// What false air does to the sample cannot be told: it reads lean. Hydrogen is not measured
/// but reckoned from the water gas.
///
/// Units: `hydrogen_per_carbon` and `oxygen_per_carbon` by atoms of the fuel.
///
/// # Source
/// J. Brettschneider, Bosch Technische Berichte 6(4):177–186 (1979). The citation was checked,
/// the form of the equation is from memory; it gives back the lambda of cantera's equilibrium
/// exhaust in `tests/reference`.
pub fn lambda(gas: &DryExhaust, hydrogen_per_carbon: f64, oxygen_per_carbon: f64) -> Option<f64> {
    if gas.co2_pct <= 0.0 {
        return None;
    }
    let burnt = gas.co2_pct + gas.co_pct;
    let water = hydrogen_per_carbon / 4.0 * WATER_GAS / (WATER_GAS + gas.co_pct / gas.co2_pct);
    let oxygen = gas.co2_pct
        + gas.co_pct / 2.0
        + gas.o2_pct
        + gas.no_ppm * PCT_PER_PPM / 2.0
        + (water - oxygen_per_carbon / 2.0) * burnt;
    let carbon = burnt + gas.hc_carbons * gas.hc_ppm * PCT_PER_PPM;
    let needed = (1.0 + hydrogen_per_carbon / 4.0 - oxygen_per_carbon / 2.0) * carbon;
    Some(oxygen / needed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn burnt_without_rest_is_lambda_one_and_oxygen_is_lean() {
        let exact =
            DryExhaust { co2_pct: 15.5, co_pct: 0.0, o2_pct: 0.0, hc_ppm: 0.0, hc_carbons: 6.0, no_ppm: 0.0 };
        assert!((lambda(&exact, 1.85, 0.0).expect("burnt") - 1.0).abs() < 1e-12);
        assert!(lambda(&DryExhaust { o2_pct: 1.0, ..exact }, 1.85, 0.0) > Some(1.0));
        assert!(lambda(&DryExhaust { co_pct: 1.0, ..exact }, 1.85, 0.0) < Some(1.0));
        assert!(lambda(&DryExhaust { hc_ppm: 500.0, ..exact }, 1.85, 0.0) < Some(1.0));
        assert_eq!(lambda(&DryExhaust { co2_pct: 0.0, ..exact }, 1.85, 0.0), None);
    }
}
