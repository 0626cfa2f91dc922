//! Bore, stroke and what follows from them.

use std::f64::consts::{PI, TAU};

/// Cubic millimetres in a cubic centimetre.
const MM3_PER_CC: f64 = 1000.0;
/// Millimetres in a metre.
const MM_PER_M: f64 = 1000.0;
/// kPa of one joule in a cubic centimetre.
const J_PER_CC_KPA: f64 = 1000.0;
/// Seconds in a minute.
const S_PER_MIN: f64 = 60.0;

/// Volume of a round disc: a cylinder's stroke, or a gasket.
///
/// Units: mm in, cm³ out.
///
/// # Source
/// Geometry.
pub fn disc_cc(bore_mm: f64, height_mm: f64) -> f64 {
    PI / 4.0 * bore_mm * bore_mm * height_mm / MM3_PER_CC
}

/// Compression ratio: the volume above the piston at the bottom over that at the top.
///
/// Units: cm³ of one cylinder; `clearance_cc` is all that is left at the top.
///
/// # Source
/// The definition.
pub fn compression_ratio(cylinder_cc: f64, clearance_cc: f64) -> f64 {
    (cylinder_cc + clearance_cc) / clearance_cc
}

/// What must be left above the piston at the top for a compression ratio.
///
/// Units: cm³ of one cylinder; the ratio is above 1.
///
/// # Source
/// [`compression_ratio`] turned round.
pub fn clearance_cc(cylinder_cc: f64, ratio: f64) -> f64 {
    cylinder_cc / (ratio - 1.0)
}

/// Mean effective pressure of a torque: the work of a cycle over the displacement.
///
/// Units: N m, cm³ of all cylinders and strokes of a cycle in, kPa out.
///
/// # Source
/// The definition: work of a cycle = torque · angle of a cycle.
pub fn mean_effective_kpa(torque_nm: f64, displacement_cc: f64, strokes: u32) -> f64 {
    let turns = f64::from(strokes) / 2.0;
    torque_nm * TAU * turns / displacement_cc * J_PER_CC_KPA
}

/// Mean speed of the piston: two strokes a turn.
///
/// Units: mm and 1/min in, m/s out.
///
/// # Source
/// The definition.
pub fn mean_piston_speed_m_s(stroke_mm: f64, rpm: f64) -> f64 {
    2.0 * stroke_mm / MM_PER_M * rpm / S_PER_MIN
}

/// Largest acceleration of the piston, at top dead centre.
///
/// Units: mm (rod from eye to eye) and 1/min in, m/s² out.
///
/// # Source
/// Second derivative of the slider-crank's travel at top dead centre, exact there:
/// r ω² (1 + r/l). Checked against numerical differentiation in `tests/reference`.
pub fn peak_piston_acceleration_m_s2(stroke_mm: f64, rod_mm: f64, rpm: f64) -> f64 {
    let radius_m = stroke_mm / 2.0 / MM_PER_M;
    let turn_rad_s = TAU * rpm / S_PER_MIN;
    radius_m * turn_rad_s * turn_rad_s * (1.0 + radius_m * MM_PER_M / rod_mm)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_effective_pressure_is_the_work_over_the_volume() {
        // 63.66 N m over two turns are 800 J; in 800 cm³ that is 1 J/cm³, 1000 kPa.
        let kpa = mean_effective_kpa(800.0 / (4.0 * PI), 800.0, 4);
        assert!((kpa - 1000.0).abs() < 1e-9, "{kpa}");
    }

    #[test]
    fn compression_and_clearance_are_each_other_s_inverse() {
        for ratio in [8.0, 11.3, 14.0] {
            assert!((compression_ratio(350.0, clearance_cc(350.0, ratio)) - ratio).abs() < 1e-9);
        }
    }

    #[test]
    fn a_round_stroke_has_a_round_speed() {
        // 60 mm at 10 000 rpm: 120 mm a turn, 166.67 turns a second.
        assert!((mean_piston_speed_m_s(60.0, 10_000.0) - 20.0).abs() < 1e-12);
    }
}
