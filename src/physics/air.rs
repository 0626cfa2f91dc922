//! Air: density and what a cylinder traps of it.

use crate::units::{kelvin, plain};

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

/// Pressure of the water vapour in the air.
///
/// Units: °C and relative humidity from 0 to 1 in, Pa out.
///
/// # Source
/// The Magnus form of WMO (611.2 Pa, 17.62, 243.12 °C), for −45 to 60 °C.
pub fn vapour_pa(temp_c: f64, humidity: f64) -> f64 {
    humidity * 611.2 * (17.62 * temp_c / (243.12 + temp_c)).exp()
}

/// Relative humidity below which no air on the road is, %. Common practice, no source: deserts
/// reach a few percent.
const DRIEST_PCT: f64 = 2.0;

/// Temperatures of the air that power is measured in, °C. Common practice, no source.
pub const MEASURED_TEMP_C: [f64; 2] = [-40.0, 60.0];
/// Its absolute pressures, kPa. Common practice, no source.
pub const MEASURED_KPA: [f64; 2] = [50.0, 110.0];

/// A question where a relative humidity is one that no air has: most likely a share in place of
/// percent. 0 stands for dry air, with which sums are made.
///
/// Units: % in.
pub fn doubtful_humidity(humidity_pct: f64) -> Option<String> {
    if humidity_pct <= 0.0 || humidity_pct >= DRIEST_PCT {
        return None;
    }
    let said = plain(humidity_pct);
    let meant = match humidity_pct <= 1.0 {
        true => format!("did you mean {}? ", plain((humidity_pct * 100.0 * 1e6).round() / 1e6)),
        false => String::new(),
    };
    Some(format!("{said} % is drier than any air; {meant}(0 is dry air, 100 saturated)"))
}

/// Density of moist air.
///
/// Units: kPa, °C and relative humidity from 0 to 1 in, kg/m³ out.
///
/// # Source
/// Partial pressures of ideal gases; saturation pressure by the Magnus form of
/// WMO (611.2 Pa, 17.62, 243.12 °C). Checked against CIPM-2007 values.
pub fn moist_density(pressure_kpa: f64, temp_c: f64, humidity: f64) -> f64 {
    let vapour_pa = vapour_pa(temp_c, humidity);
    let t = kelvin(temp_c);
    (pressure_kpa * 1000.0 - vapour_pa) / (R_AIR * t) + vapour_pa / (R_VAPOUR * t)
}

/// Temperature and pressure of the standard atmosphere at sea level, K and kPa; its fall of
/// temperature, K/m; and g/(R·fall), the exponent of its pressure. Source: ISO 2533.
const STANDARD_K: f64 = 288.15;
const STANDARD_KPA: f64 = 101.325;
const FALL_K_M: f64 = 0.0065;
const STANDARD_EXPONENT: f64 = 9.80665 / (287.052_87 * FALL_K_M);
/// Density of the standard atmosphere at sea level, kg/m³. Source: ISO 2533.
const STANDARD_KG_M3: f64 = 1.225;

/// Pressure of the standard atmosphere.
///
/// Units: m (geopotential, up to 11 000) in, kPa out.
///
/// # Source
/// ISO 2533: 288.15 K and 101.325 kPa at sea level, 6.5 K colder a kilometre.
pub fn standard_pressure_kpa(altitude_m: f64) -> f64 {
    STANDARD_KPA * (1.0 - FALL_K_M * altitude_m / STANDARD_K).powf(STANDARD_EXPONENT)
}

/// The altitude at which the standard atmosphere is as dense: density altitude.
///
/// Units: kg/m³, above 0, in; m out, below 0 where air is denser than at sea level.
///
/// # Source
/// ISO 2533, its density turned round; only as good as the standard up to 11 000 m.
pub fn density_altitude_m(density_kg_m3: f64) -> f64 {
    let thinner = (density_kg_m3 / STANDARD_KG_M3).powf(1.0 / (STANDARD_EXPONENT - 1.0));
    STANDARD_K / FALL_K_M * (1.0 - thinner)
}

/// How much fuel a controller adds that believes the air to be at another temperature.
///
/// Neither rpm nor load stand in it: a controller that reckons air by density adds the same
/// share everywhere in the map.
///
/// Units: °C in, % of the fuel out; below 0 where it takes fuel away.
///
/// # Source
/// Density of a gas at equal pressure goes with 1/T: fuel goes with T/T_read.
pub fn enrichment_by_bias_pct(temp_c: f64, read_c: f64) -> f64 {
    (kelvin(temp_c) / kelvin(read_c) - 1.0) * 100.0
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
    fn a_humidity_that_no_air_has_is_asked_about() {
        assert_eq!(doubtful_humidity(0.0), None);
        assert_eq!(doubtful_humidity(50.0), None);
        let said = doubtful_humidity(0.55).expect("a share");
        assert_eq!(said, "0.55 % is drier than any air; did you mean 55? (0 is dry air, 100 saturated)");
        assert!(doubtful_humidity(1.0).expect("a share").contains("did you mean 100?"));
        assert!(!doubtful_humidity(1.5).expect("too dry").contains("mean"));
    }

    #[test]
    fn thinner_air_needs_a_richer_reference_value() {
        assert!(reference_over_ridden(90.0, 30.0) > 1.0);
        assert!((reference_over_ridden(REFERENCE_KPA, REFERENCE_TEMP_C) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn colder_by_reading_is_richer_by_a_few_percent() {
        assert!((enrichment_by_bias_pct(25.0, 15.0) - 3.470).abs() < 1e-3);
        assert!(enrichment_by_bias_pct(25.0, 35.0) < 0.0);
        assert_eq!(enrichment_by_bias_pct(25.0, 25.0), 0.0);
    }

    #[test]
    fn flow_follows_the_cycle_count() {
        // 0.4 g a cylinder, two cylinders, four strokes, 6000 rpm: 50 cycles/s.
        assert!((engine_flow_kg_s(0.4, 2, 4, 6000.0) - 0.04).abs() < 1e-12);
    }
}
