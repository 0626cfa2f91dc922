//! What a cell of the fuel table holds.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a cell of the fuel table holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FuelTableKind {
    /// Volumetric efficiency in %.
    VePct,
    /// Effective pulse width in ms, dead time excluded.
    PulseWidthMs,
    /// A percentage on top of a stock map.
    TrimPct,
}

impl FuelTableKind {
    /// What a map can be that an engine runs on by itself.
    pub const OF_STOCK: &'static [Self] = &[Self::VePct, Self::PulseWidthMs];

    /// The name in files.
    pub fn name(self) -> &'static str {
        match self {
            FuelTableKind::VePct => "ve_pct",
            FuelTableKind::PulseWidthMs => "pulse_width_ms",
            FuelTableKind::TrimPct => "trim_pct",
        }
    }

    /// What a table file may hold at most; a bike is held tighter by `blend`.
    /// Common practice, no source.
    pub fn allowed(self) -> std::ops::RangeInclusive<f64> {
        match self {
            FuelTableKind::VePct => 0.0..=250.0,
            FuelTableKind::PulseWidthMs => 0.0..=60.0,
            FuelTableKind::TrimPct => -90.0..=200.0,
        }
    }

    /// The amount of fuel a cell stands for, as a factor: a correction of so
    /// many percent multiplies this number, whatever kind of table it is.
    ///
    /// Contract section 3: for `trim_pct` the product applies to `1 + cell/100`.
    pub fn amount(self, cell: f64) -> f64 {
        match self {
            FuelTableKind::VePct | FuelTableKind::PulseWidthMs => cell,
            FuelTableKind::TrimPct => 1.0 + cell / 100.0,
        }
    }

    /// The cell that stands for an amount; the inverse of [`Self::amount`].
    pub fn cell(self, amount: f64) -> f64 {
        match self {
            FuelTableKind::VePct | FuelTableKind::PulseWidthMs => amount,
            FuelTableKind::TrimPct => (amount - 1.0) * 100.0,
        }
    }

    /// How much more fuel `after` gives than `before`, in %.
    pub fn change_pct(self, before: f64, after: f64) -> f64 {
        crate::units::change_pct(self.amount(before), self.amount(after))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_correction_applies_to_the_amount_of_fuel() {
        let trim = FuelTableKind::TrimPct;
        assert!((trim.cell(trim.amount(10.0) * 1.1) - 21.0).abs() < 1e-9);
        assert!((FuelTableKind::VePct.change_pct(50.0, 55.0) - 10.0).abs() < 1e-9);
    }
}
