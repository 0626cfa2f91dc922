//! Torque: from charge and mixture to the crankshaft, less pumping and friction. Only as good as a
//! lifelike rider needs; no spark map.

use super::air::{AirPath, Inlet, Plate};

/// Lower heating value of petrol, J/kg; from memory, unverified.
const HEATING_VALUE_J_KG: f64 = 42.0e6;
/// Vertex and curvature of relative torque over lambda: fits the published polynomial
/// (Crossley & Cook 1991, from memory; coefficients as published in Modelica_Synchronous).
const BEST_LAMBDA: f64 = 0.884;
const LAMBDA_CURVATURE: f64 = 1.07;
/// Beyond this the mixture no longer burns; misfire-free limit about 1.15–1.25, from memory.
const LEAN_FADE: (f64, f64) = (1.25, 1.6);
/// Friction mean pressure `a + b·krpm + c·krpm²`, kPa; common practice, no source.
const FRICTION_KPA: [f64; 3] = [75.0, 11.0, 1.2];
/// Exhaust back pressure over ambient at full flow, kPa; invented.
const BACK_PRESSURE_KPA: f64 = 6.0;
/// Friction of a cold engine over a warm one, per 60 K below 80 °C; invented.
const COLD_FRICTION: f64 = 0.5;

/// Relative torque at a lambda, 1 at best.
#[must_use]
pub fn lambda_torque(lambda: f64) -> f64 {
    let off = lambda - BEST_LAMBDA;
    let burn = ((LEAN_FADE.1 - lambda) / (LEAN_FADE.1 - LEAN_FADE.0)).clamp(0.0, 1.0);
    (1.0 - LAMBDA_CURVATURE * off * off).max(0.0) * burn
}

/// Indicated torque at best spark and an air charge. Units: kg per cylinder and cycle; result N m.
#[must_use]
pub fn indicated_nm(path: &AirPath, air_kg: f64, lambda: f64) -> f64 {
    let spec = path.spec;
    let joule = air_kg * f64::from(spec.cylinders) / spec.stoich_afr
        * HEATING_VALUE_J_KG
        * path.character.indicated_efficiency;
    joule * lambda_torque(lambda) / (core::f64::consts::TAU * spec.revs_per_cycle())
}

/// Torque lost to pumping and friction. Units: 1/min, kPa; result N m.
#[must_use]
pub fn lost_nm(path: &AirPath, rpm: f64, map_kpa: f64, inlet: &Inlet) -> f64 {
    let spec = path.spec;
    let krpm = rpm / 1000.0;
    let cold = ((353.0 - inlet.engine_k) / 60.0).clamp(0.0, 1.5);
    let friction = (FRICTION_KPA[0] + FRICTION_KPA[1] * krpm + FRICTION_KPA[2] * krpm * krpm)
        * (1.0 + COLD_FRICTION * cold);
    let back = BACK_PRESSURE_KPA * rpm / spec.rev_limit_rpm;
    let pumping = (inlet.baro_kpa + back - map_kpa).max(0.0);
    (friction + pumping) * 1e3 * spec.displacement_cc * 1e-6
        / (core::f64::consts::TAU * spec.revs_per_cycle())
}

/// Crankshaft torque in steady state at lambda 1. Units: 1/min, %; result N m.
#[must_use]
pub fn steady_nm(path: &AirPath, rpm: f64, throttle_pct: f64, inlet: &Inlet) -> f64 {
    let map_kpa = path.steady_map_kpa(rpm, Plate::warm(throttle_pct), inlet);
    let air_kg = path.air_per_cylinder_kg(rpm, map_kpa, inlet);
    indicated_nm(path, air_kg, 1.0) - lost_nm(path, rpm, map_kpa, inlet)
}

#[cfg(test)]
mod tests {
    use super::super::character::Character;
    use super::super::spec::BikeSpec;
    use super::*;

    #[test]
    fn relative_torque_follows_the_published_polynomial() {
        // Values computed from the published polynomial; the fit is within .004.
        for (lambda, torque) in [
            (0.75, 0.981),
            (0.80, 0.993),
            (0.85, 0.999),
            (0.90, 1.000),
            (0.95, 0.995),
            (1.00, 0.985),
            (1.05, 0.970),
            (1.10, 0.950),
            (1.15, 0.924),
        ] {
            assert!((lambda_torque(lambda) - torque).abs() < 0.004, "{lambda}");
        }
    }

    #[test]
    fn power_is_that_of_a_road_engine_of_its_size() {
        let spec = BikeSpec::fernhill_700();
        for character in [Character::mild()].into_iter().chain((0..20).map(Character::from_seed)) {
            let path = AirPath::new(&spec, &character);
            let inlet = Inlet::reference(&character);
            let kw = |rpm: f64| steady_nm(&path, rpm, 100.0, &inlet) * rpm / 9549.3;
            let best = (3..17).map(|k| kw(f64::from(k) * 500.0)).fold(0.0, f64::max);
            assert!((30.0..60.0).contains(&best), "{best} kW");
        }
    }
}
