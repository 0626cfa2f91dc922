//! What a road and the air ask of a motorcycle.

/// Standard gravity rounded, m/s².
pub const GRAVITY_M_S2: f64 = 9.81;

/// A motorcycle with its rider.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Laden {
    /// Mass with rider, fuel and bags, kg.
    pub mass_kg: f64,
    /// Drag coefficient times frontal area, m².
    pub cda_m2: f64,
    /// Rolling resistance over the load on the wheels.
    pub crr: f64,
    /// Mass that the turning wheels and engine seem to add, over the mass: 1.03 to 1.06, from
    /// memory.
    pub rotating: f64,
}

/// The ride it is on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Going {
    /// Road speed, m/s.
    pub speed_m_s: f64,
    /// Wind against it, m/s; negative from behind.
    pub headwind_m_s: f64,
    /// Rise over run.
    pub grade: f64,
    /// Acceleration, m/s².
    pub acceleration_m_s2: f64,
    /// Density of the air, kg/m³.
    pub air_kg_m3: f64,
}

/// Forces against the bike, N.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forces {
    /// Of the tyres.
    pub rolling_n: f64,
    /// Of the air; negative when the wind pushes.
    pub drag_n: f64,
    /// Of the slope; negative downhill.
    pub slope_n: f64,
    /// Of inertia; negative when it slows.
    pub inertia_n: f64,
}

impl Forces {
    /// All together, N.
    pub fn sum_n(&self) -> f64 {
        self.rolling_n + self.drag_n + self.slope_n + self.inertia_n
    }
}

/// `m g Crr cosθ`, `½ ρ CdA (v + w)²`, `m g sinθ` and `k m a`.
///
/// Units: as in the fields; N out.
///
/// # Source
/// The road-load equation of textbooks, from memory; with the coefficients of 40 CFR 86.529-98
/// it gives that table's power in `tests/reference`.
pub fn forces(bike: &Laden, going: &Going) -> Forces {
    let cos = 1.0 / (1.0 + going.grade * going.grade).sqrt();
    let weight_n = bike.mass_kg * GRAVITY_M_S2;
    let through_air_m_s = going.speed_m_s + going.headwind_m_s;
    Forces {
        rolling_n: weight_n * bike.crr * cos,
        drag_n: 0.5 * going.air_kg_m3 * bike.cda_m2 * through_air_m_s * through_air_m_s.abs(),
        slope_n: weight_n * going.grade * cos,
        inertia_n: bike.rotating * bike.mass_kg * going.acceleration_m_s2,
    }
}

/// Power of a force at a road speed.
///
/// Units: N and m/s in, kW out.
pub fn power_kw(force_n: f64, speed_m_s: f64) -> f64 {
    force_n * speed_m_s / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wind_from_behind_that_is_faster_than_the_bike_pushes() {
        let bike = Laden { mass_kg: 300.0, cda_m2: 0.5, crr: 0.015, rotating: 1.05 };
        let going =
            Going { speed_m_s: 5.0, headwind_m_s: -15.0, grade: 0.0, acceleration_m_s2: 0.0, air_kg_m3: 1.2 };
        assert!(forces(&bike, &going).drag_n < 0.0);
        assert!(forces(&bike, &Going { grade: -0.05, ..going }).slope_n < 0.0);
    }
}
