//! Power: what the day's air takes of it, and the fuel it needs.
//!
//! The corrections are for full throttle. Fuel is corrected by the density of the air instead.

/// Whole kelvin at 0 °C, as these standards write it.
const STANDARD_ZERO_K: f64 = 273.0;
/// Dry pressure and temperature that SAE J1349 and the regulation refer to, kPa and K.
const REFERENCE_DRY_KPA: f64 = 99.0;
const REFERENCE_K: f64 = 298.0;
/// Pressure and temperature that DIN 70020 refers to, kPa and K.
const DIN_KPA: f64 = 101.3;
const DIN_K: f64 = 293.0;
/// Exponents of pressure and temperature in the regulation.
const PRESSURE_EXPONENT: f64 = 1.2;
const TEMPERATURE_EXPONENT: f64 = 0.6;
/// What SAE J1349 takes of the indicated power and of the friction that the air does not touch:
/// a mechanical efficiency of 85 %.
const J1349_INDICATED: f64 = 1.18;
const J1349_FRICTION: f64 = 0.18;

/// Air temperatures between which the regulation lets a measurement count, K.
pub const EU_134_2014_RANGE_K: [f64; 2] = [283.0, 318.0];

/// By how much a power measured at full throttle is multiplied: SAE J1349, spark ignition.
///
/// Units: dry pressure in kPa, °C.
///
/// # Source
/// SAE J1349 as quoted by secondary pages: 1.18 (99/pd) √((t+273)/298) − 0.18.
pub fn sae_j1349(dry_kpa: f64, air_temp_c: f64) -> f64 {
    let by_air = REFERENCE_DRY_KPA / dry_kpa * ((air_temp_c + STANDARD_ZERO_K) / REFERENCE_K).sqrt();
    J1349_INDICATED * by_air - J1349_FRICTION
}

/// The same by Regulation (EU) No 134/2014 for L-category vehicles, in the form of ISO 1585
/// (which itself leaves motorcycles out).
///
/// Units: dry pressure in kPa, °C.
///
/// # Source
/// Annex II, appendix 2.2: 298 K and 99 kPa dry were read there; the exponents 1.2 and 0.6
/// are from memory.
pub fn eu_134_2014(dry_kpa: f64, air_temp_c: f64) -> f64 {
    (REFERENCE_DRY_KPA / dry_kpa).powf(PRESSURE_EXPONENT)
        * ((air_temp_c + STANDARD_ZERO_K) / REFERENCE_K).powf(TEMPERATURE_EXPONENT)
}

/// The same by DIN 70020, which knows no humidity.
///
/// Units: pressure (not dry) in kPa, °C.
///
/// # Source
/// From memory, unverified: (1013/p) √((273+t)/293), p in mbar.
pub fn din_70020(pressure_kpa: f64, air_temp_c: f64) -> f64 {
    DIN_KPA / pressure_kpa * ((air_temp_c + STANDARD_ZERO_K) / DIN_K).sqrt()
}

/// Fuel that a power burns in an hour.
///
/// Units: kW and g/kWh in, kg/h out.
///
/// # Source
/// The definition of specific consumption.
pub fn fuel_kg_h(power_kw: f64, specific_g_kwh: f64) -> f64 {
    power_kw * specific_g_kwh / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_reference_air_needs_no_correction_and_thin_air_much() {
        assert!((sae_j1349(99.0, 25.0) - 1.0).abs() < 1e-12);
        assert!((eu_134_2014(99.0, 25.0) - 1.0).abs() < 1e-12);
        assert!((din_70020(101.3, 20.0) - 1.0).abs() < 1e-12);
        for factor in [sae_j1349, eu_134_2014, din_70020] {
            assert!(factor(85.0, 25.0) > factor(95.0, 25.0));
            assert!(factor(95.0, 35.0) > factor(95.0, 15.0));
        }
    }
}
