//! What road and air ask of the bike.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What road and air ask of the bike; what is left out is taken as usual. Each error is a standard
/// uncertainty: two in three such numbers lie within it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Chassis {
    /// Mass with rider, fuel and bags, kg.
    #[schemars(range(min = 50.0, max = 2000.0))]
    pub mass_kg: f64,
    /// How far the mass may be off, kg.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 500.0))]
    pub mass_error_kg: Option<f64>,
    /// Drag coefficient times frontal area, m².
    #[serde(default)]
    #[schemars(range(min = 0.05, max = 3.0))]
    pub cda_m2: Option<f64>,
    /// How far the drag area may be off, m².
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub cda_error_m2: Option<f64>,
    /// Rolling resistance over the weight.
    #[serde(default)]
    #[schemars(range(min = 0.001, max = 0.1))]
    pub crr: Option<f64>,
    /// How far the rolling resistance may be off.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 0.05))]
    pub crr_error: Option<f64>,
    /// Mass with that of turning parts over the mass; of the wheels alone where the crank's inertia is given.
    #[serde(default)]
    #[schemars(range(min = 1.0, max = 1.5))]
    pub k_rot: Option<f64>,
    /// How far that may be off.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 0.3))]
    pub k_rot_error: Option<f64>,
    /// Inertia of all that turns with the crank, kg m².
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub crank_inertia_kg_m2: Option<f64>,
    /// How far that may be off, kg m².
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    pub crank_inertia_error_kg_m2: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::super::Bike;
    use super::super::tests::{SAMPLE, messages};
    use std::path::Path;

    #[test]
    fn a_chassis_needs_its_mass_and_keeps_to_what_can_be() {
        let with = |chassis: &str| format!("{SAMPLE}chassis: {chassis}\n");
        let bike =
            Bike::parse(Path::new("bike.yaml"), &with("{ mass_kg: 245, cda_m2: 0.55 }")).expect("valid");
        assert_eq!(bike.chassis.map(|c| (c.mass_kg, c.cda_m2, c.crr)), Some((245.0, Some(0.55), None)));
        for (bad, word) in [
            ("{ mass_kg: 0 }", "mass_kg"),
            ("{ cda_m2: 0.5 }", "mass_kg"),
            ("{ mass_kg: 245, cda_m2: -0.5 }", "cda_m2"),
            ("{ mass_kg: 245, k_rot: .nan }", "finite number"),
        ] {
            let found = messages(&with(bad));
            assert!(found.len() == 1 && found[0].contains(word), "{bad}: {found:#?}");
        }
    }
}
