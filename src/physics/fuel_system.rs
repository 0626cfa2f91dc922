//! What injectors and pump can deliver, and what a power takes.

use super::fuel::Composition;
use super::{injector, power};

const S_PER_H: f64 = 3600.0;
const G_PER_KG: f64 = 1000.0;

/// Common practice, no source: fuel for each kWh at the crankshaft of a naturally aspirated
/// motorcycle engine at full load, mixture rich for power.
pub const USUAL_FULL_LOAD_G_KWH: f64 = 320.0;

/// The same of another fuel, g/kWh: as much air burns at the same power, so that the mass goes with the
/// stoichiometric ratio. Common practice, no source: cooling and octane of alcohols are left out.
pub fn usual_full_load_g_kwh(stoich_afr: f64) -> f64 {
    specific_of_fuel(USUAL_FULL_LOAD_G_KWH, stoich_afr)
}

/// A specific consumption on petrol, brought to another fuel by the air that it needs, g/kWh.
pub fn specific_of_fuel(petrol_g_kwh: f64, stoich_afr: f64) -> f64 {
    petrol_g_kwh * Composition::petrol().stoich_afr() / stoich_afr
}

/// Fuel flow that a power takes.
///
/// Units: kW at the crankshaft and g/kWh in, g/s out.
pub fn power_fuel_g_s(power_kw: f64, fuel_g_kwh: f64) -> f64 {
    power::fuel_kg_h(power_kw, fuel_g_kwh) * G_PER_KG / S_PER_H
}

/// Power that a fuel flow makes; the inverse of [`power_fuel_g_s`].
///
/// Units: g/s and g/kWh in, kW out.
pub fn fuel_power_kw(fuel_g_s: f64, fuel_g_kwh: f64) -> f64 {
    fuel_g_s / power_fuel_g_s(1.0, fuel_g_kwh)
}

/// Volume flow of a mass flow, as pumps are rated.
///
/// Units: g/s and kg/m³ in, l/h out.
pub fn volume_l_h(fuel_g_s: f64, density_kg_m3: f64) -> f64 {
    fuel_g_s / density_kg_m3 * S_PER_H
}

/// Share of the time in which fuel flows when an injector is held to a duty: its dead time
/// counts as duty and gives nothing. Never below zero.
///
/// Units: %, ms and 1/min in, 0 to 1 out; one injection a cycle.
pub fn open_share(duty_pct: f64, dead_ms: f64, rpm: f64, strokes: u32) -> f64 {
    ((duty_pct - injector::duty_pct(dead_ms, rpm, strokes)) / 100.0).max(0.0)
}

/// Static flow of one injector that a fuel flow takes.
///
/// Units: g/s of the whole engine, kg/m³, how many injectors, share of the time they are
/// open, and pressures in kPa; cm³/min at the rated pressure out. Infinite where they are
/// never open.
///
/// # Source
/// [`injector::flow_for_fuel_cc_min`] and [`injector::flow_at_pressure`].
pub fn injector_cc_min(
    fuel_g_s: f64,
    density_kg_m3: f64,
    (count, open_share): (u32, f64),
    (rated_kpa, rail_kpa): (f64, f64),
) -> f64 {
    let fuel_kg_h = fuel_g_s * S_PER_H / G_PER_KG;
    let at_rail = injector::flow_for_fuel_cc_min(fuel_kg_h, density_kg_m3, count, open_share * 100.0);
    injector::flow_at_pressure(at_rail, rail_kpa, rated_kpa)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fuel_that_needs_less_air_takes_more_of_itself() {
        // Ethanol 9.0, petrol 14.6 by mass (Heywood, table D.4, from memory): 1.62 times as much.
        let ethanol = usual_full_load_g_kwh(9.0);
        assert!((ethanol / USUAL_FULL_LOAD_G_KWH - 1.62).abs() < 0.01, "{ethanol}");
    }

    #[test]
    fn an_injector_that_is_sized_delivers_what_it_was_sized_for() {
        // 50 kW at 320 g/kWh are 4.444 g/s, 21.48 l/h of petrol of 745 kg/m³: worked out by hand.
        let fuel = power_fuel_g_s(50.0, USUAL_FULL_LOAD_G_KWH);
        assert!((fuel - 4.4444).abs() < 1e-4 && (fuel_power_kw(fuel, 320.0) - 50.0).abs() < 1e-9);
        assert!((volume_l_h(fuel, 745.0) - 21.477).abs() < 1e-3);
        // 85 % at 8000 1/min, .8 ms of 15 ms dead: 79.67 % of the time.
        let share = open_share(85.0, 0.8, 8000.0, 4);
        assert!((share - 0.79667).abs() < 1e-5);
        let size = injector_cc_min(fuel, 745.0, (2, share), (300.0, 400.0));
        let flow = injector::mass_flow_g_s(injector::flow_at_pressure(size, 300.0, 400.0), 745.0);
        assert!((flow * 2.0 * share - fuel).abs() < 1e-9);
        assert_eq!(open_share(5.0, 5.0, 8000.0, 4), 0.0);
    }
}
