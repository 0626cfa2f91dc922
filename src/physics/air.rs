//! Air: density and what a cylinder traps of it.

use crate::units::kelvin;

/// Specific gas constant of dry air, J/(kg K). Source: ISO 2533 (287.05287), rounded.
pub const R_AIR: f64 = 287.05;
/// Specific gas constant of water vapour, J/(kg K): 8.314 463 / 0.018 015.
pub const R_VAPOUR: f64 = 461.5;

/// The air that tables of uncompensated controllers are brought to: 25 °C and
/// 99 kPa dry, the reference of power correction for L-category vehicles
/// (Regulation EU 134/2014, Annex II: 298.2 K, 99 kPa dry).
pub const REFERENCE_TEMP_C: f64 = 25.0;
/// See [`REFERENCE_TEMP_C`].
pub const REFERENCE_KPA: f64 = 99.0;

/// Density of dry air.
///
/// Units: kPa and °C in, kg/m³ out.
///
/// # Source
/// Ideal gas; the difference from CIPM-2007 is below 0.1 % between 0 and 35 °C.
pub fn dry_density(pressure_kpa: f64, temp_c: f64) -> f64 {
    pressure_kpa * 1000.0 / (R_AIR * kelvin(temp_c))
}

/// Density of moist air.
///
/// Units: kPa, °C and relative humidity from 0 to 1 in, kg/m³ out.
///
/// # Source
/// Partial pressures of ideal gases; saturation pressure by the Magnus form of
/// WMO (611.2 Pa, 17.62, 243.12 °C). Checked against CIPM-2007 values.
pub fn moist_density(pressure_kpa: f64, temp_c: f64, humidity: f64) -> f64 {
    let vapour_pa = humidity * 611.2 * (17.62 * temp_c / (243.12 + temp_c)).exp();
    let t = kelvin(temp_c);
    (pressure_kpa * 1000.0 - vapour_pa) / (R_AIR * t) + vapour_pa / (R_VAPOUR * t)
}

/// How much the density of the reference air exceeds that of the ridden air.
///
/// Humidity is not logged by bikes; the air is taken as dry, which is wrong by
/// up to about 2 % on a hot, wet day.
///
/// Units: kPa and °C in, a ratio out.
pub fn reference_over_ridden(baro_kpa: f64, air_temp_c: f64) -> f64 {
    dry_density(REFERENCE_KPA, REFERENCE_TEMP_C) / dry_density(baro_kpa, air_temp_c)
}

/// The same at equal pressure, for tables over manifold pressure, whose load
/// axis already holds the pressure.
///
/// Units: °C in, a ratio out.
pub fn reference_over_ridden_at_pressure(air_temp_c: f64) -> f64 {
    kelvin(air_temp_c) / kelvin(REFERENCE_TEMP_C)
}

/// Air trapped by one cylinder in one cycle.
///
/// Units: `ve` as a ratio, pressure in kPa, cylinder volume in cm³, °C in; g out.
///
/// # Source
/// Speed-density equation, Hendricks and Sorenson, SAE 900616 (1990).
pub fn cylinder_air_g(ve: f64, pressure_kpa: f64, cylinder_cc: f64, air_temp_c: f64) -> f64 {
    // kPa · cm³ is 1e-3 J, and 1e-3 J / (J/kg) is 1e-3 kg: the result is in grams.
    ve * pressure_kpa * cylinder_cc / (R_AIR * kelvin(air_temp_c))
}

/// Mass flow of air through the whole engine.
///
/// Units: `air_g` per cylinder and cycle, rpm; kg/s out.
pub fn engine_flow_kg_s(air_g: f64, cylinders: u32, strokes: u32, rpm: f64) -> f64 {
    let cycles_per_s = rpm / 60.0 / (f64::from(strokes) / 2.0);
    air_g * f64::from(cylinders) * cycles_per_s / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinner_air_needs_a_richer_reference_value() {
        assert!(reference_over_ridden(90.0, 30.0) > 1.0);
        assert!((reference_over_ridden(REFERENCE_KPA, REFERENCE_TEMP_C) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn flow_follows_the_cycle_count() {
        // 0.4 g a cylinder, two cylinders, four strokes, 6000 rpm: 50 cycles/s.
        assert!((engine_flow_kg_s(0.4, 2, 4, 6000.0) - 0.04).abs() < 1e-12);
    }
}
