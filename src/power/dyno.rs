//! A dyno's sheet → a curve.

use super::conditions::{Cause, Conditions, Known};
use super::curve::{Curve, CurvePart, CurvePoint};
use super::{power_kw, torque_nm};

/// How far a dyno is trusted. Common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DynoTrust {
    /// Standard uncertainty of its scale, which two sheets of the same dyno share, %.
    pub scale_pct: f64,
    /// Standard uncertainty of one curve against another of the same dyno, %.
    pub repeat_pct: f64,
}

impl Default for DynoTrust {
    fn default() -> Self {
        Self { scale_pct: 3.0, repeat_pct: 1.0 }
    }
}

/// Rows further apart than this are not joined by a line, 1/min.
const FURTHEST_RPM: f64 = 1000.0;

/// The curve of rows of (1/min, kW), in any order and of any number of runs: the mean torque of
/// the rows within half a step, and a line between neighbours where there are none.
///
/// Units: the step in 1/min. The conditions tell the air, where a correction is wanted.
pub fn of_sheet(
    rows: &[(f64, f64)],
    trust: DynoTrust,
    air: [Known; 3],
    conditions: &Conditions,
    step_rpm: f64,
) -> Curve {
    let mut sorted: Vec<(f64, f64)> = rows.iter().map(|(rpm, kw)| (*rpm, torque_nm(*kw, *rpm))).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Of rows of the same speed, as several coarse runs have, none goes before the others.
    let sorted: Vec<(f64, f64)> = sorted
        .chunk_by(|a, b| a.0 == b.0)
        .map(|same| (same[0].0, same.iter().map(|row| row.1).sum::<f64>() / same.len() as f64))
        .collect();
    let mut curve = Curve::default();
    let (Some(first), Some(last)) = (sorted.first(), sorted.last()) else { return curve };
    let factor = conditions.factor();
    let mut rpm = (first.0 / step_rpm).ceil() * step_rpm;
    while rpm <= last.0 {
        if let Some(nm) = torque_at(&sorted, rpm, step_rpm / 2.0) {
            let kw = power_kw(nm, rpm) * factor;
            curve.points.push(CurvePoint { rpm, kw, random_kw: kw.abs() * trust.repeat_pct / 100.0 });
        }
        rpm += step_rpm;
    }
    let share = |cause, shared, by: f64| CurvePart {
        cause,
        shared,
        kw: curve.points.iter().map(|point| point.kw * by).collect(),
    };
    let mut parts = vec![share(Cause::DynoScale, true, trust.scale_pct / 100.0)];
    let [temp, pressure, humidity] = air.map(|known| known.error);
    let moved = |t: f64, p: f64, h: f64| {
        let [air_temp, air_pressure, air_humidity] = air.map(|known| known.value);
        let at = |sign: f64| {
            conditions.correction.factor(
                air_pressure + sign * p,
                air_temp + sign * t,
                air_humidity + sign * h,
            )
        };
        0.5 * (at(1.0) - at(-1.0)) / factor
    };
    parts.push(share(Cause::AirTemp, false, moved(temp, 0.0, 0.0)));
    parts.push(share(Cause::Pressure, false, moved(0.0, pressure, 0.0)));
    parts.push(share(Cause::Humidity, false, moved(0.0, 0.0, humidity)));
    curve.parts = parts;
    curve
}

fn torque_at(sorted: &[(f64, f64)], rpm: f64, half_rpm: f64) -> Option<f64> {
    let from = sorted.partition_point(|row| row.0 < rpm - half_rpm);
    let to = sorted.partition_point(|row| row.0 <= rpm + half_rpm);
    let near = &sorted[from..to];
    // The mean of rows stands at their mean speed, so one-sided rows would lean the curve.
    let both_sides = near.iter().any(|row| row.0 <= rpm) && near.iter().any(|row| row.0 >= rpm);
    if near.len() > 2 && both_sides {
        return Some(near.iter().map(|row| row.1).sum::<f64>() / near.len() as f64);
    }
    let above = sorted.partition_point(|row| row.0 < rpm);
    let high = sorted.get(above)?;
    if high.0 == rpm {
        return Some(high.1);
    }
    let low = sorted.get(above.checked_sub(1)?)?;
    let gap = high.0 - low.0;
    (gap <= FURTHEST_RPM).then(|| low.1 + (high.1 - low.1) * (rpm - low.0) / gap)
}

#[cfg(test)]
mod tests {
    use super::super::conditions::tests::exact;
    use super::*;

    #[test]
    fn coarse_and_fine_sheets_give_the_same_curve() {
        let conditions = exact(1.0, 1.0, 0.0, 1.0);
        let air = [conditions.air_temp_c, conditions.pressure_kpa, conditions.humidity_pct];
        let sheet = |step: usize| -> Vec<(f64, f64)> {
            (3000u32..8001)
                .step_by(step)
                .map(|rpm| (f64::from(rpm), power_kw(60.0, f64::from(rpm))))
                .rev()
                .collect()
        };
        for step in [20, 130, 500] {
            let curve = of_sheet(&sheet(step), DynoTrust::default(), air, &conditions, 250.0);
            assert!(curve.points.len() >= 19, "{step}: {}", curve.points.len());
            for point in &curve.points {
                assert!((torque_nm(point.kw, point.rpm) - 60.0).abs() < 1e-9, "{step}: {point:?}");
            }
        }
        // Two coarse runs: neither goes before the other.
        let runs: Vec<(f64, f64)> = [3000.0, 3500.0, 4000.0]
            .into_iter()
            .flat_map(|rpm| [(rpm, power_kw(50.0, rpm)), (rpm, power_kw(70.0, rpm))])
            .collect();
        let curve = of_sheet(&runs, DynoTrust::default(), air, &conditions, 250.0);
        assert!(curve.points.iter().all(|p| (torque_nm(p.kw, p.rpm) - 60.0).abs() < 1e-9), "{curve:?}");
        assert!(of_sheet(&sheet(2500), DynoTrust::default(), air, &conditions, 250.0).points.len() < 5);
    }
}
