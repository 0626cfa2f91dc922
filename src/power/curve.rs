//! Pulls → one curve of power at the wheel over engine speed, with what its uncertainty is made of.

use super::conditions::{Cause, Conditions, Turning};
use super::local_polynomial::{Local, noise_sd};
use super::pulls::{Pull, PullRules, Trace, local};
use crate::ride::median;
use crate::units::KPH_PER_M_S;
use schemars::JsonSchema;
use serde::Serialize;

/// Power and torque over engine speed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Curve {
    /// Ascending in engine speed, on multiples of one step.
    pub points: Vec<CurvePoint>,
    /// What the uncertainty is made of, [`Cause::Repeat`] left out.
    pub parts: Vec<CurvePart>,
}

/// A point of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Engine speed, 1/min.
    pub rpm: f64,
    /// Power, kW.
    pub kw: f64,
    /// Standard uncertainty by noise and repetition, kW.
    pub random_kw: f64,
}

/// One part of a curve's uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct CurvePart {
    /// Where it comes from.
    pub cause: Cause,
    /// Whether another curve made with the same inputs is off in the same way.
    pub shared: bool,
    /// At each point, how the power moves with one standard uncertainty of the cause, kW.
    pub kw: Vec<f64>,
}

impl Curve {
    /// The standard uncertainty at a point, kW.
    pub fn error_kw(&self, at: usize) -> f64 {
        let parts: f64 = self.parts.iter().map(|part| part.kw[at].powi(2)).sum();
        (parts + self.points[at].random_kw.powi(2)).sqrt()
    }

    /// The point of the most power; `None` where there is no point.
    pub fn peak(&self) -> Option<usize> {
        (0..self.points.len()).max_by(|a, b| self.points[*a].kw.total_cmp(&self.points[*b].kw))
    }
}

/// What the scale of the road speed rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ScaleFrom {
    /// The log's own speed.
    Speed,
    /// Gearing and wheel circumference of bike.yaml.
    Gearing,
}

/// How the road speed of the pulls was had.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Trodden {
    /// Whether it was engine speed, scaled, and not the logged speed itself.
    pub by_rpm: bool,
    /// What its scale rests on.
    pub scale: ScaleFrom,
    /// Noise of the one that was used, % of it.
    pub noise_pct: f64,
    /// Noise of the other one, where there is one, % of it.
    pub other_noise_pct: Option<f64>,
}

/// The curve of pulls of one log. `kph_per_rpm` tells the gearing of a pull, where it is known;
/// the finer of logged speed and scaled engine speed is used.
///
/// Units: the step of the curve in 1/min. `None` where road speed is known of no pull.
pub fn of_pulls(
    trace: &Trace<'_>,
    pulls: &[Pull],
    kph_per_rpm: &dyn Fn(&Pull) -> Option<f64>,
    conditions: &Conditions,
    rules: &PullRules,
    step_rpm: f64,
) -> Option<(Curve, Trodden)> {
    let logged = trace.speed_kph.map(|speed| Series::new(trace, pulls, speed, rules));
    let engine = Series::new(trace, pulls, trace.rpm, rules);
    let geared = pulls.iter().any(|pull| kph_per_rpm(pull).is_some());
    let scale = if geared { ScaleFrom::Gearing } else { ScaleFrom::Speed };
    let by_rpm = match &logged {
        Some(logged) => engine.noise_pct < logged.noise_pct,
        None => true,
    };
    if logged.is_none() && !geared {
        return None;
    }
    let scale = if by_rpm { scale } else { ScaleFrom::Speed };
    let conditions = Conditions { scaled_by_circumference: scale == ScaleFrom::Gearing, ..*conditions };
    let mut single: Vec<Curve> = Vec::new();
    for (i, pull) in pulls.iter().enumerate() {
        let ratio = match (by_rpm, scale) {
            (false, _) => Some(1.0),
            (true, ScaleFrom::Gearing) => kph_per_rpm(pull),
            (true, ScaleFrom::Speed) => trace.speed_kph.and_then(|speed| {
                median(&pull.samples.clone().map(|i| speed[i] / trace.rpm[i]).collect::<Vec<_>>())
            }),
        };
        let Some(ratio) = ratio else { continue };
        let series = logged.as_ref().filter(|_| !by_rpm).unwrap_or(&engine);
        let m_s = ratio / KPH_PER_M_S;
        let turning = pull.samples.clone().zip(series.fits[i].iter().zip(&engine.fits[i]));
        let steps = turning.filter_map(|(_, (speed, rpm))| {
            let (speed, rpm) = ((*speed)?, (*rpm)?);
            let at = Turning {
                rpm: rpm.value,
                speed_m_s: speed.value * m_s,
                acceleration_m_s2: speed.slope * m_s,
            };
            let noise = series.noise_sd * m_s;
            let sd = [noise * speed.value_variance.sqrt(), noise * speed.slope_variance.sqrt()];
            Some((at, sd))
        });
        single.push(of_one(&steps.collect::<Vec<_>>(), &conditions, step_rpm));
    }
    let used = if by_rpm { engine.noise_pct } else { logged.as_ref().map_or(0.0, |l| l.noise_pct) };
    let other = if by_rpm { logged.as_ref().map(|l| l.noise_pct) } else { Some(engine.noise_pct) };
    let trodden = Trodden { by_rpm, scale, noise_pct: used, other_noise_pct: other };
    Some((mean_of(&single), trodden))
}

/// A channel, smoothed over every pull, with the noise of its readings.
struct Series {
    fits: Vec<Vec<Option<Local>>>,
    noise_sd: f64,
    noise_pct: f64,
}

impl Series {
    fn new(trace: &Trace<'_>, pulls: &[Pull], values: &[f64], rules: &PullRules) -> Self {
        let half_s = rules.window_s / 2.0;
        let fit_all = |pull: &Pull| -> Vec<Option<Local>> {
            pull.samples.clone().map(|at| local(trace.time_s, values, &pull.stretch, at, half_s)).collect()
        };
        let fits: Vec<Vec<Option<Local>>> = pulls.iter().map(fit_all).collect();
        let readings: Vec<f64> =
            pulls.iter().flat_map(|pull| &values[pull.samples.clone()]).copied().collect();
        let flat: Vec<Option<Local>> = fits.iter().flatten().copied().collect();
        // A series that cannot be fitted is no series to use.
        let sd = noise_sd(&readings, &flat).unwrap_or(f64::INFINITY);
        let noise_pct = 100.0 * sd / median(&readings).unwrap_or(f64::NAN).abs();
        let noise_pct = if noise_pct.is_nan() { f64::INFINITY } else { noise_pct };
        Self { fits, noise_sd: sd, noise_pct }
    }
}

/// The curve of one pull: between two of its samples power goes on a line over engine speed.
fn of_one(steps: &[(Turning, [f64; 2])], conditions: &Conditions, step_rpm: f64) -> Curve {
    let inputs = conditions.inputs();
    let mut curve = Curve {
        points: Vec::new(),
        parts: inputs
            .iter()
            .map(|(cause, shared, _)| CurvePart { cause: *cause, shared: *shared, kw: vec![] })
            .collect(),
    };
    let Some(((first, _), (last, _))) = steps.first().zip(steps.last()) else { return curve };
    let mut rpm = (first.rpm / step_rpm).ceil() * step_rpm;
    while rpm <= last.rpm {
        let pair = steps.windows(2).find(|pair| pair[0].0.rpm <= rpm && rpm <= pair[1].0.rpm);
        if let Some([(low, low_sd), (high, high_sd)]) = pair.and_then(|p| <&[_; 2]>::try_from(p).ok()) {
            let share = if high.rpm > low.rpm { (rpm - low.rpm) / (high.rpm - low.rpm) } else { 0.0 };
            let between = |a: f64, b: f64| a + (b - a) * share;
            let at = Turning {
                rpm,
                speed_m_s: between(low.speed_m_s, high.speed_m_s),
                acceleration_m_s2: between(low.acceleration_m_s2, high.acceleration_m_s2),
            };
            let sd = [between(low_sd[0], high_sd[0]), between(low_sd[1], high_sd[1])];
            let kw = conditions.wheel_kw(&at);
            let faster = Turning { speed_m_s: at.speed_m_s + sd[0], ..at };
            let harder = Turning { acceleration_m_s2: at.acceleration_m_s2 + sd[1], ..at };
            let random_kw = (conditions.wheel_kw(&faster) - kw).hypot(conditions.wheel_kw(&harder) - kw);
            curve.points.push(CurvePoint { rpm, kw, random_kw });
            for (part, (_, _, place)) in curve.parts.iter_mut().zip(&inputs) {
                part.kw.push(conditions.part_kw(*place, &at));
            }
        }
        rpm += step_rpm;
    }
    curve
}

/// The mean of several pulls, point by point. How much they differ counts where it is more than
/// their noise says; it is pooled over the curve, since two or three pulls tell little at a point.
pub(super) fn mean_of(single: &[Curve]) -> Curve {
    let mut rpms: Vec<f64> = single.iter().flat_map(|curve| curve.points.iter().map(|p| p.rpm)).collect();
    rpms.sort_by(f64::total_cmp);
    rpms.dedup();
    let Some(first) = single.first() else { return Curve::default() };
    let mut mean = Curve {
        points: Vec::new(),
        parts: first.parts.iter().map(|part| CurvePart { kw: Vec::new(), ..part.clone() }).collect(),
    };
    let mut pulls_at = Vec::new();
    let (mut squares, mut free) = (0.0, 0.0);
    for rpm in rpms {
        let here: Vec<(&Curve, usize)> = single
            .iter()
            .filter_map(|curve| Some((curve, curve.points.iter().position(|p| p.rpm == rpm)?)))
            .collect();
        let n = here.len() as f64;
        let kw = here.iter().map(|(curve, i)| curve.points[*i].kw).sum::<f64>() / n;
        let noise: f64 = here.iter().map(|(curve, i)| curve.points[*i].random_kw.powi(2)).sum();
        squares += here.iter().map(|(curve, i)| (curve.points[*i].kw / kw - 1.0).powi(2)).sum::<f64>();
        free += n - 1.0;
        mean.points.push(CurvePoint { rpm, kw, random_kw: noise.sqrt() / n });
        for (p, part) in mean.parts.iter_mut().enumerate() {
            part.kw.push(here.iter().map(|(curve, i)| curve.parts[p].kw[*i]).sum::<f64>() / n);
        }
        pulls_at.push(n);
    }
    let spread = if free > 0.0 { (squares / free).sqrt() } else { 0.0 };
    for (point, n) in mean.points.iter_mut().zip(pulls_at) {
        point.random_kw = point.random_kw.max(spread * point.kw.abs() / n.sqrt());
    }
    mean
}

#[cfg(test)]
mod tests {
    use super::super::conditions::tests::exact;
    use super::super::{Known, find_pulls};
    use super::*;

    /// A pull at constant wheel power of 30 kW, on rails: m k v a = P − resistance, integrated.
    fn pull(kph_step: f64) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let (mut v, mut t) = (18.0, 0.0);
        let (mut time_s, mut rpm, mut kph) = (vec![], vec![], vec![]);
        let fine_s = 0.001;
        while v < 45.0 {
            if time_s.len() as f64 * 0.05 <= t + 1e-9 {
                time_s.push(time_s.len() as f64 * 0.05);
                rpm.push(v * 180.0);
                kph.push((v * 3.6 / kph_step).round() * kph_step);
            }
            let against = 250.0 * 9.81 * 0.015 + 0.5 * 1.2 * 0.5 * v * v;
            v += (30_000.0 / v - against) / (1.05 * 250.0) * fine_s;
            t += fine_s;
        }
        (time_s, rpm, kph)
    }

    #[test]
    fn a_known_power_comes_back_by_the_finer_of_two_speeds() {
        let rules = PullRules::default();
        let conditions = exact(250.0, 0.5, 0.015, 1.05);
        for (kph_step, by_rpm) in [(1.0, true), (1e-9, false)] {
            let (time_s, mut rpm, kph) = pull(kph_step);
            if !by_rpm {
                rpm.iter_mut().for_each(|rpm| *rpm = (*rpm / 10.0).round() * 10.0);
            }
            let trace = Trace { time_s: &time_s, rpm: &rpm, speed_kph: Some(&kph), ..Trace::default() };
            let found = find_pulls(&trace, &rules);
            assert_eq!(found.pulls.len(), 1, "{:?}", found.unused);
            let (curve, trodden) =
                of_pulls(&trace, &found.pulls, &|_| None, &conditions, &rules, 250.0).expect("a speed");
            assert_eq!(trodden.by_rpm, by_rpm);
            assert_eq!(trodden.scale, ScaleFrom::Speed);
            assert!(curve.points.len() > 10);
            for point in &curve.points {
                assert!((point.kw / 30.0 - 1.0).abs() < 0.01, "{point:?}");
            }
        }
    }

    #[test]
    fn the_gearing_serves_where_no_speed_is_logged_and_nothing_where_neither_is() {
        let rules = PullRules::default();
        let (time_s, rpm, _) = pull(1.0);
        let trace = Trace { time_s: &time_s, rpm: &rpm, ..Trace::default() };
        let found = find_pulls(&trace, &rules);
        let conditions = Conditions { speed_scale: Known::new(1.0, 0.01), ..exact(250.0, 0.5, 0.015, 1.05) };
        let geared = |_: &Pull| Some(3.6 / 180.0);
        let (curve, trodden) =
            of_pulls(&trace, &found.pulls, &geared, &conditions, &rules, 250.0).expect("a gearing");
        assert_eq!(trodden.scale, ScaleFrom::Gearing);
        assert!((curve.points[4].kw / 30.0 - 1.0).abs() < 0.005);
        // Inertia goes with the square of the scale: 1 % of it is nearly 2 % of the power.
        let scale = curve.parts.iter().find(|part| part.cause == Cause::Circumference).expect("a part");
        assert!((0.5..0.65).contains(&scale.kw[4]), "{}", scale.kw[4]);
        assert!(of_pulls(&trace, &found.pulls, &|_| None, &conditions, &rules, 250.0).is_none());
    }

    #[test]
    fn pulls_that_differ_widen_the_band_of_their_mean() {
        let one = |kw: f64| Curve {
            points: vec![CurvePoint { rpm: 5000.0, kw, random_kw: 0.01 }],
            parts: vec![CurvePart { cause: Cause::Mass, shared: true, kw: vec![0.3] }],
        };
        let mean = mean_of(&[one(29.0), one(31.0)]);
        assert_eq!(mean.points[0].kw, 30.0);
        // Standard deviation √2, of the mean 1.
        assert!((mean.points[0].random_kw - 1.0).abs() < 1e-9);
        assert!((mean.error_kw(0) - 1.0_f64.hypot(0.3)).abs() < 1e-9);
    }
}
