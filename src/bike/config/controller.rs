//! What the controller's tables mean.

use super::fuel_table::FuelTableKind;
use super::meaning::Meaning;
use crate::table::{LoadAxis, Resolution};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the controller's tables mean.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Controller {
    /// What a cell of the fuel table holds.
    pub fuel_table: FuelTableKind,
    /// The load axis of the tables.
    pub load: LoadAxis,
    /// Who divides by the wanted lambda.
    #[serde(default)]
    pub mixture: Mixture,
    /// Who corrects for air temperature and pressure.
    #[serde(default)]
    pub density: Density,
    /// Whether the slots hold one truth of how the engine breathes.
    #[serde(default)]
    pub breathing: Breathing,
    /// The smallest step a cell of the fuel table can hold.
    pub resolution: f64,
    /// The least and the most trim that an add-on module can hold, %; for `trim_pct` tables only.
    #[serde(default)]
    pub trim_range_pct: Option<[f64; 2]>,
}

/// Who divides by the wanted lambda.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Mixture {
    /// The controller divides by the mixture table itself.
    #[default]
    Controller,
    /// The fuel table has the mixture baked in.
    Table,
}

/// Who corrects for air temperature and pressure.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Density {
    /// The controller does it itself.
    #[default]
    Controller,
    /// Nobody does.
    None,
}

/// Whether a ride on one slot says what the fuel tables of the others should hold.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Breathing {
    /// A ride feeds the fuel table of the slot it was made on.
    #[default]
    Own,
    /// The fuel tables of all slots describe the same air; the slots differ in the wanted
    /// lambda alone, so that a ride on any of them feeds them all.
    Shared,
}

impl Controller {
    /// What is wrong with the range of an add-on module.
    pub(super) fn check_trim_range(&self, meaning: &mut Meaning<'_>) {
        if let Some([low, high]) = self.trim_range_pct {
            let kind = self.fuel_table;
            let allowed = FuelTableKind::TrimPct.allowed();
            // NaN is never within.
            let fine = low < high && allowed.contains(&low) && allowed.contains(&high);
            let at = ["controller", "trim_range_pct"];
            if kind != FuelTableKind::TrimPct {
                let what =
                    format!("`trim_range_pct` is for tables of trim_pct, and fuel_table is {}", kind.name());
                meaning.say(&at, what);
            } else if !fine {
                let what = format!(
                    "`trim_range_pct` must be two ascending numbers between {} and {} such as [-20, 30], got [{low}, {high}]",
                    allowed.start(),
                    allowed.end()
                );
                meaning.say(&at, what);
            }
        }
    }

    /// What stands against one truth of how the engine breathes.
    pub(super) fn check_breathing(&self, meaning: &mut Meaning<'_>) {
        if self.breathing == Breathing::Own {
            return;
        }
        let why = match (self.mixture, self.fuel_table) {
            (Mixture::Table, _) => {
                "with `mixture: table` each fuel table has its own wanted lambda baked in, so that no two slots hold \
                 the same"
            }
            (Mixture::Controller, FuelTableKind::TrimPct) => {
                "a `trim_pct` table stands on a stock map that nobody knows, and slots may stand on different ones"
            }
            (Mixture::Controller, FuelTableKind::VePct | FuelTableKind::PulseWidthMs) => return,
        };
        meaning.say(
            &["controller", "breathing"],
            format!(
                "`breathing: shared` needs `mixture: controller` and a fuel table of ve_pct or pulse_width_ms: {why}; \
                 write `breathing: own`, or leave it out"
            ),
        );
    }

    /// The step of the fuel table; `None` once it is wrong.
    pub(super) fn read_resolution(&self, meaning: &mut Meaning<'_>) -> Option<Resolution> {
        let step = self.resolution;
        let resolution = Resolution::new(step).filter(|_| (0.001..=10.0).contains(&step));
        if resolution.is_none() {
            let what =
                format!("`resolution` must be a step from 0.001 to 10 such as 0.1, 0.5 or 1, got {step}");
            meaning.say(&["controller", "resolution"], what);
        }
        resolution
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SAMPLE, messages};

    #[test]
    fn slots_share_their_breathing_only_where_their_fuel_tables_can_hold_the_same() {
        let with = |breathing: &str, mixture: &str, kind: &str| {
            let line = format!("mixture: {mixture}\n  breathing: {breathing}");
            messages(&SAMPLE.replace("mixture: controller", &line).replace("ve_pct", kind))
        };
        for kind in ["ve_pct", "pulse_width_ms"] {
            assert_eq!(with("shared", "controller", kind), Vec::<String>::new());
            let refused = with("shared", "table", kind);
            assert!(refused[0].starts_with("bike.yaml:10:14: `breathing: shared` needs"), "{refused:?}");
            assert!(refused[0].contains("baked in") && refused[0].contains("write `breathing: own`"));
        }
        assert!(with("shared", "controller", "trim_pct")[0].contains("stock map"));
        assert_eq!(with("own", "table", "trim_pct"), Vec::<String>::new());
    }

    #[test]
    fn a_module_s_range_is_for_trims_ascends_and_holds_numbers() {
        let with = |kind: &str, range: &str| {
            let trims = SAMPLE.replace("fuel_table: ve_pct", &format!("fuel_table: {kind}"));
            messages(
                &trims.replace("resolution: 0.1", &format!("resolution: 0.1\n  trim_range_pct: {range}")),
            )
        };
        assert_eq!(with("trim_pct", "[-20, 30]"), [""; 0]);
        for (kind, range, why) in [
            ("trim_pct", "[30, -20]", "ascending"),
            ("trim_pct", "[-20, 300]", "between -90 and 200"),
            ("trim_pct", "[.nan, 30]", "finite"),
            ("trim_pct", "20", "trim_range_pct"),
            ("ve_pct", "[-20, 30]", "for tables of trim_pct"),
        ] {
            let found = with(kind, range);
            assert!(found.iter().any(|m| m.contains(why)), "{range}: {found:#?}");
        }
    }
}
