//! Injectors: flow, pulse width, duty, dead time.

/// Flow at another pressure difference.
///
/// Units: any flow, both pressures in the same unit.
///
/// # Source
/// Flow through an orifice goes with the root of the pressure difference
/// (Bernoulli); common practice for injectors.
pub fn flow_at_pressure(flow: f64, rated_kpa: f64, actual_kpa: f64) -> f64 {
    flow * (actual_kpa / rated_kpa).sqrt()
}

/// Mass flow of an open injector.
///
/// Units: cm³/min and kg/m³ in, g/s out.
pub fn mass_flow_g_s(flow_cc_min: f64, density_kg_m3: f64) -> f64 {
    flow_cc_min / 60.0 * density_kg_m3 / 1000.0
}

/// Fuel for an air mass at a wanted lambda.
///
/// Units: any mass, the same out.
pub fn fuel_for_air(air: f64, lambda: f64, stoich_afr: f64) -> f64 {
    air / (lambda * stoich_afr)
}

/// Effective opening time for a fuel mass, dead time excluded.
///
/// Units: g and g/s in, ms out.
pub fn effective_pulse_ms(fuel_g: f64, mass_flow_g_s: f64) -> f64 {
    fuel_g / mass_flow_g_s * 1000.0
}

/// Share of the time one injector is commanded open, one injection a cycle.
///
/// Units: ms (dead time included) and rpm in, % out.
pub fn duty_pct(pulse_ms: f64, rpm: f64, strokes: u32) -> f64 {
    pulse_ms / period_ms(rpm, strokes) * 100.0
}

/// Time of one working cycle: two turns of a four-stroke, one of a two-stroke.
///
/// Units: 1/min in, ms out.
pub fn period_ms(rpm: f64, strokes: u32) -> f64 {
    60_000.0 * f64::from(strokes) / 2.0 / rpm
}

/// Duty beyond which an injector may no longer close in time, %. Common practice; an injector
/// service's glossary says about 85.
pub const USUAL_DUTY_LIMIT_PCT: f64 = 85.0;

/// Flow that one injector must have for the whole engine's fuel at a duty.
///
/// Units: kg/h, kg/m³, % in; cm³/min out.
///
/// # Source
/// Mass over density; the injectors share it, and each is open for the duty only.
pub fn flow_for_fuel_cc_min(fuel_kg_h: f64, density_kg_m3: f64, injectors: u32, duty_pct: f64) -> f64 {
    const CC_PER_M3: f64 = 1e6;
    let whole_cc_min = fuel_kg_h / density_kg_m3 * CC_PER_M3 / 60.0;
    whole_cc_min / f64::from(injectors) / (duty_pct / 100.0)
}

/// Dead time at a battery voltage, linear between the points, held beyond them.
///
/// Shape: `points` are (V, ms), ascending in V, at least one.
/// Units: V in, ms out.
pub fn dead_time_ms(points: &[(f64, f64)], battery_v: f64) -> f64 {
    let after = points.partition_point(|(v, _)| *v < battery_v);
    match (after.checked_sub(1).map(|i| points[i]), points.get(after)) {
        (None, Some(first)) => first.1,
        (Some(last), None) => last.1,
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (battery_v - a.0) / (b.0 - a.0),
        (None, None) => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dead_time_is_linear_inside_and_held_outside() {
        let points = [(10.0, 1.35), (12.0, 1.02), (14.0, 0.80)];
        assert_eq!(dead_time_ms(&points, 8.0), 1.35);
        assert!((dead_time_ms(&points, 11.0) - 1.185).abs() < 1e-12);
        assert_eq!(dead_time_ms(&points, 14.0), 0.80);
        assert_eq!(dead_time_ms(&points, 16.0), 0.80);
    }
}
