//! What a fuel is made of, and the air it needs.

/// Standard atomic weights of carbon, hydrogen and oxygen, g/mol.
///
/// Source: IUPAC standard atomic weights, abridged (2021).
const CARBON: f64 = 12.011;
const HYDROGEN: f64 = 1.008;
const OXYGEN: f64 = 15.999;

/// Mass fraction of oxygen in dry air: mole fraction 0.20939, molar mass
/// 28.965 g/mol (the composition of CIPM-2007, Picard et al. 2008).
const AIR_OXYGEN_MASS_FRACTION: f64 = 0.20939 * 2.0 * OXYGEN / 28.965;

/// Density of the petrol that blends are made from, kg/m³. From memory; common
/// handbooks give 720 to 775, EN 228 allows the same range.
const PETROL_KG_M3: f64 = 745.0;
/// Density of ethanol at 15 °C, kg/m³. From memory (handbooks: 793 to 794).
const ETHANOL_KG_M3: f64 = 794.0;
/// Density of methanol at 15 °C, kg/m³. From memory (handbooks: 792 to 796).
const METHANOL_KG_M3: f64 = 796.0;

/// The elements of a fuel by mass fraction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Composition {
    /// Mass fraction of carbon.
    pub carbon: f64,
    /// Mass fraction of hydrogen.
    pub hydrogen: f64,
    /// Mass fraction of oxygen.
    pub oxygen: f64,
}

impl Composition {
    /// A fuel from its formula CcHhOo.
    pub fn from_formula(c: f64, h: f64, o: f64) -> Self {
        let mass = c * CARBON + h * HYDROGEN + o * OXYGEN;
        Self { carbon: c * CARBON / mass, hydrogen: h * HYDROGEN / mass, oxygen: o * OXYGEN / mass }
    }

    /// Petrol as CH1.85, a usual mean formula (Heywood, Internal Combustion
    /// Engine Fundamentals; from memory).
    pub fn petrol() -> Self {
        Self::from_formula(1.0, 1.85, 0.0)
    }

    /// Ethanol, C2H5OH.
    pub fn ethanol() -> Self {
        Self::from_formula(2.0, 6.0, 1.0)
    }

    /// Methanol, CH3OH.
    pub fn methanol() -> Self {
        Self::from_formula(1.0, 4.0, 1.0)
    }

    /// Petrol with ethanol, by the volume share of ethanol.
    ///
    /// Units: `ethanol_vol` is a fraction from 0 to 1.
    pub fn petrol_with_ethanol(ethanol_vol: f64) -> Self {
        let ethanol_mass = ethanol_vol * ETHANOL_KG_M3;
        let petrol_mass = (1.0 - ethanol_vol) * PETROL_KG_M3;
        let share = ethanol_mass / (ethanol_mass + petrol_mass);
        let (petrol, ethanol) = (Self::petrol(), Self::ethanol());
        let mix = |a: f64, b: f64| a * (1.0 - share) + b * share;
        Self {
            carbon: mix(petrol.carbon, ethanol.carbon),
            hydrogen: mix(petrol.hydrogen, ethanol.hydrogen),
            oxygen: mix(petrol.oxygen, ethanol.oxygen),
        }
    }

    /// Several fuels by volume, with the density of the mixture.
    ///
    /// Shape: volume parts (any unit, not all 0) with composition and density of each.
    /// Units: kg/m³.
    ///
    /// # Source
    /// Masses add up. Volumes are taken to do so too; petrol and ethanol swell by a few tenths
    /// of a percent.
    pub fn by_volume(parts: &[(f64, Self, f64)]) -> (Self, f64) {
        let volume: f64 = parts.iter().map(|(part, ..)| part).sum();
        let mass: f64 = parts.iter().map(|(part, _, kg_m3)| part * kg_m3).sum();
        let share = |of: fn(&Self) -> f64| -> f64 {
            parts.iter().map(|(part, fuel, kg_m3)| part * kg_m3 * of(fuel)).sum::<f64>() / mass
        };
        let blend = Self {
            carbon: share(|f| f.carbon),
            hydrogen: share(|f| f.hydrogen),
            oxygen: share(|f| f.oxygen),
        };
        (blend, mass / volume)
    }

    /// Atoms of hydrogen for one of carbon.
    pub fn hydrogen_per_carbon(&self) -> f64 {
        self.hydrogen / HYDROGEN / (self.carbon / CARBON)
    }

    /// Atoms of oxygen for one of carbon.
    pub fn oxygen_per_carbon(&self) -> f64 {
        self.oxygen / OXYGEN / (self.carbon / CARBON)
    }

    /// Mass of dry air that burns one mass of fuel completely to CO2 and H2O.
    ///
    /// Units: kg air per kg fuel.
    ///
    /// # Source
    /// Atom balance: each C takes two O, each two H take one O, less the oxygen
    /// the fuel brings. Checked against cantera in
    /// `tests/reference`; handbook values that rest on older figures for air lie
    /// up to 0.1 % lower.
    pub fn stoich_afr(&self) -> f64 {
        let oxygen_needed =
            self.carbon * 2.0 * OXYGEN / CARBON + self.hydrogen * OXYGEN / (2.0 * HYDROGEN) - self.oxygen;
        oxygen_needed / AIR_OXYGEN_MASS_FRACTION
    }
}

/// The fuels known by name.
pub const KNOWN_FUELS: [&str; 6] = ["petrol", "E5", "E10", "E85", "ethanol", "methanol"];

/// The composition of a fuel known by name.
pub fn known(name: &str) -> Option<Composition> {
    match name {
        "petrol" => Some(Composition::petrol()),
        "E5" => Some(Composition::petrol_with_ethanol(0.05)),
        "E10" => Some(Composition::petrol_with_ethanol(0.10)),
        "E85" => Some(Composition::petrol_with_ethanol(0.85)),
        "ethanol" => Some(Composition::ethanol()),
        "methanol" => Some(Composition::methanol()),
        _ => None,
    }
}

/// The density of a fuel known by name, kg/m³ at 15 °C; from memory (handbook ranges).
pub fn known_density_kg_m3(name: &str) -> Option<f64> {
    let with_ethanol = |vol: f64| vol * ETHANOL_KG_M3 + (1.0 - vol) * PETROL_KG_M3;
    match name {
        "petrol" => Some(PETROL_KG_M3),
        "E5" => Some(with_ethanol(0.05)),
        "E10" => Some(with_ethanol(0.10)),
        "E85" => Some(with_ethanol(0.85)),
        "ethanol" => Some(ETHANOL_KG_M3),
        "methanol" => Some(METHANOL_KG_M3),
        _ => None,
    }
}

/// Density assumed for injector sums when nothing better is given, kg/m³.
pub const TYPICAL_FUEL_KG_M3: f64 = PETROL_KG_M3;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blending_by_volume_is_what_the_named_blends_do() {
        for (name, vol) in [("E5", 0.05), ("E10", 0.10), ("E85", 0.85)] {
            let (blend, kg_m3) = Composition::by_volume(&[
                (1.0 - vol, Composition::petrol(), PETROL_KG_M3),
                (vol, Composition::ethanol(), ETHANOL_KG_M3),
            ]);
            let want = known(name).expect("known");
            assert!((blend.stoich_afr() - want.stoich_afr()).abs() < 1e-12, "{name}");
            assert!((kg_m3 - known_density_kg_m3(name).expect("known")).abs() < 1e-9, "{name}");
        }
        assert!((Composition::petrol().hydrogen_per_carbon() - 1.85).abs() < 1e-12);
        assert!((Composition::ethanol().oxygen_per_carbon() - 0.5).abs() < 1e-12);
        assert!(KNOWN_FUELS.iter().all(|name| known_density_kg_m3(name).is_some()));
    }
}
