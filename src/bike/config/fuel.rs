//! The fuel as bike.yaml gives it.

use super::meaning::Meaning;
use crate::physics::fuel::{self, Composition};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The fuel as it was given.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct FuelFile {
    /// A known fuel: petrol, E5, E10, E85, ethanol or methanol.
    #[serde(default)]
    name: Option<String>,
    /// Mass fraction of carbon.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    carbon: Option<f64>,
    /// Mass fraction of hydrogen.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    hydrogen: Option<f64>,
    /// Mass fraction of oxygen.
    #[serde(default)]
    #[schemars(range(min = 0.0, max = 1.0))]
    oxygen: Option<f64>,
    /// Mass of air per mass of fuel at lambda 1.
    #[serde(default)]
    #[schemars(range(min = 1.0, max = 40.0))]
    stoich_afr: Option<f64>,
}

impl FuelFile {
    /// Its name, or how it was given, and its stoichiometric AFR; `None` once something is wrong.
    pub(super) fn read(&self, meaning: &mut Meaning<'_>) -> Option<(String, f64)> {
        let parts = [self.carbon, self.hydrogen, self.oxygen];
        let by_parts = parts.iter().any(Option::is_some);
        let ways = [self.name.is_some(), by_parts, self.stoich_afr.is_some()];
        if ways.iter().filter(|given| **given).count() != 1 {
            meaning.say(
                &["fuel"],
                "`fuel` is given in one way: a `name`, or `carbon`, `hydrogen`, `oxygen`, or `stoich_afr`",
            );
            return None;
        }
        if let Some(name) = &self.name {
            let Some(composition) = fuel::known(name) else {
                let known = fuel::KNOWN_FUELS.join(", ");
                meaning.say(&["fuel", "name"], format!("`name` must be one of {known}, got `{name}`"));
                return None;
            };
            return Some((name.clone(), composition.stoich_afr()));
        }
        if let Some(afr) = self.stoich_afr {
            return Some((format!("fuel of stoichiometric AFR {afr}"), afr));
        }
        let [carbon, hydrogen, oxygen] = parts.map(Option::unwrap_or_default);
        let sum = carbon + hydrogen + oxygen;
        if !(0.98..=1.0 + 1e-9).contains(&sum) {
            meaning.say(&["fuel"], format!("the mass fractions must add up to 1, got {sum:.3}"));
            return None;
        }
        let afr = Composition { carbon, hydrogen, oxygen }.stoich_afr();
        if afr < 1.0 {
            meaning.say(&["fuel"], "this composition does not burn");
            return None;
        }
        Some(("fuel of given composition".to_owned(), afr))
    }
}
