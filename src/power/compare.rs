//! Two curves against each other: what was gained, and whether that is more than nothing.
//!
//! Everything is a ratio of two sums over points. A cause that both curves share moves both sums
//! the same way, and only what is left of it in the ratio counts; all others count in quadrature.

use super::COVERAGE;
use super::conditions::Cause;
use super::curve::Curve;
use super::torque_nm;
use schemars::JsonSchema;
use serde::Serialize;

/// A gain of the second over the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Gain {
    /// The first, in its unit.
    pub before: f64,
    /// The second.
    pub after: f64,
    /// How much more the second is, %.
    pub gain_pct: f64,
    /// Half the width of the band around it, %.
    pub band_pct: f64,
    /// Whether the gain, up or down, is more than that.
    pub is_more_than_uncertainty: bool,
}

impl Gain {
    /// What it says, in words.
    pub fn in_words(&self) -> &'static str {
        if self.is_more_than_uncertainty { "more than the uncertainty" } else { "within the uncertainty" }
    }
}

/// A gain at an engine speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct GainAt {
    /// Engine speed, 1/min.
    pub rpm: f64,
    /// Of the power, kW; that of the torque is the same in %.
    #[serde(flatten)]
    pub gain: Gain,
}

/// What two curves say about each other.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Comparison {
    /// The engine speeds that both cover, 1/min.
    pub from_rpm: f64,
    /// See `from_rpm`.
    pub to_rpm: f64,
    /// The most power in them, kW, each at its own engine speed.
    pub peak_power: Gain,
    /// The most torque in them, N m, each at its own engine speed.
    pub peak_torque: Gain,
    /// The mean power over them, kW: the area under the curves.
    pub area: Gain,
    /// At each engine speed.
    pub points: Vec<GainAt>,
    /// Causes that both share, so that most of them cancels.
    pub shared: Vec<Cause>,
}

/// Compares two curves; `None` where they have fewer than two engine speeds in common.
pub fn compare(before: &Curve, after: &Curve) -> Option<Comparison> {
    let common: Vec<(usize, usize)> = before
        .points
        .iter()
        .enumerate()
        .filter_map(|(i, b)| Some((i, after.points.iter().position(|a| a.rpm == b.rpm)?)))
        .collect();
    let rpm = |i: usize| before.points[i].rpm;
    let ((first, _), (last, _)) = (*common.first()?, *common.last()?);
    if common.len() < 2 {
        return None;
    }
    let gain = |b: &[(usize, f64)], a: &[(usize, f64)]| gain(before, b, after, a);
    let points = common.iter().map(|(b, a)| GainAt { rpm: rpm(*b), gain: gain(&[(*b, 1.0)], &[(*a, 1.0)]) });
    let top = |curve: &Curve, pick: &dyn Fn(&(usize, usize)) -> usize, of: &dyn Fn(&Curve, usize) -> f64| {
        let all = common.iter().map(pick);
        all.max_by(|x, y| of(curve, *x).total_cmp(&of(curve, *y))).unwrap_or_default()
    };
    let kw = |curve: &Curve, i: usize| curve.points[i].kw;
    let nm = |curve: &Curve, i: usize| torque_nm(curve.points[i].kw, curve.points[i].rpm);
    let per_nm = |curve: &Curve, i: usize| torque_nm(1.0, curve.points[i].rpm);
    let peak_power = gain(&[(top(before, &|c| c.0, &kw), 1.0)], &[(top(after, &|c| c.1, &kw), 1.0)]);
    let (nm_before, nm_after) = (top(before, &|c| c.0, &nm), top(after, &|c| c.1, &nm));
    let peak_torque = gain(&[(nm_before, per_nm(before, nm_before))], &[(nm_after, per_nm(after, nm_after))]);
    // Trapezia over the common speeds, over their span.
    let span = rpm(last) - rpm(first);
    let weight = |k: usize| {
        let below = if k > 0 { rpm(common[k].0) - rpm(common[k - 1].0) } else { 0.0 };
        let above = if k + 1 < common.len() { rpm(common[k + 1].0) - rpm(common[k].0) } else { 0.0 };
        0.5 * (below + above) / span
    };
    let [under_before, under_after]: [Vec<(usize, f64)>; 2] = [
        common.iter().enumerate().map(|(k, c)| (c.0, weight(k))).collect(),
        common.iter().enumerate().map(|(k, c)| (c.1, weight(k))).collect(),
    ];
    let is_shared = |cause: Cause| {
        let has = |curve: &Curve| curve.parts.iter().any(|part| part.cause == cause && part.shared);
        has(before) && has(after)
    };
    Some(Comparison {
        from_rpm: rpm(first),
        to_rpm: rpm(last),
        peak_power,
        peak_torque,
        area: gain(&under_before, &under_after),
        points: points.collect(),
        shared: before.parts.iter().map(|part| part.cause).filter(|cause| is_shared(*cause)).collect(),
    })
}

/// The gain of a weighted sum of points. Noise and repetition are taken as one error of the
/// whole curve, which is the careful way.
fn gain(before: &Curve, b: &[(usize, f64)], after: &Curve, a: &[(usize, f64)]) -> Gain {
    let sum =
        |at: &[(usize, f64)], of: &dyn Fn(usize) -> f64| at.iter().map(|(i, w)| w * of(*i)).sum::<f64>();
    let value_before = sum(b, &|i| before.points[i].kw);
    let value_after = sum(a, &|i| after.points[i].kw);
    let mut squares = (sum(b, &|i| before.points[i].random_kw) / value_before).powi(2)
        + (sum(a, &|i| after.points[i].random_kw) / value_after).powi(2);
    let share = |part: &super::CurvePart, at: &[(usize, f64)], value: f64| sum(at, &|i| part.kw[i]) / value;
    for part in &before.parts {
        let twin = after.parts.iter().find(|other| part.shared && other.shared && other.cause == part.cause);
        let moved = twin.map_or(0.0, |twin| share(twin, a, value_after)) - share(part, b, value_before);
        squares += moved * moved;
    }
    for part in &after.parts {
        let has_twin =
            before.parts.iter().any(|other| part.shared && other.shared && other.cause == part.cause);
        if !has_twin {
            squares += share(part, a, value_after).powi(2);
        }
    }
    let ratio = value_after / value_before;
    let gain_pct = (ratio - 1.0) * 100.0;
    let band_pct = COVERAGE * ratio.abs() * squares.sqrt() * 100.0;
    Gain {
        before: value_before,
        after: value_after,
        gain_pct,
        band_pct,
        is_more_than_uncertainty: gain_pct.abs() > band_pct,
    }
}

#[cfg(test)]
mod tests {
    use super::super::{CurvePart, CurvePoint};
    use super::*;

    fn curve(scale: f64, shared: bool) -> Curve {
        let points: Vec<CurvePoint> = (12..=32)
            .map(|k| {
                let rpm = 250.0 * f64::from(k);
                CurvePoint { rpm, kw: scale * (10.0 + rpm / 200.0), random_kw: 0.0 }
            })
            .collect();
        let kw = points.iter().map(|p| 0.05 * p.kw).collect();
        Curve { points, parts: vec![CurvePart { cause: Cause::Mass, shared, kw }] }
    }

    #[test]
    fn what_both_share_cancels_and_what_each_has_for_itself_does_not() {
        let found = compare(&curve(1.0, true), &curve(1.04, true)).expect("in common");
        assert!((found.area.gain_pct - 4.0).abs() < 1e-9 && found.area.band_pct < 1e-9);
        assert!(found.area.is_more_than_uncertainty);
        assert_eq!(found.shared, [Cause::Mass]);
        let found = compare(&curve(1.0, false), &curve(1.04, false)).expect("in common");
        // 5 % each, independent: √2 · 5 % · 1.04, two of them.
        assert!((found.area.band_pct - 2.0 * 1.04 * 5.0 * 2f64.sqrt()).abs() < 1e-9);
        assert!(!found.area.is_more_than_uncertainty && found.shared.is_empty());
    }

    #[test]
    fn only_the_common_speeds_count_and_too_few_are_no_comparison() {
        let mut short = curve(1.1, true);
        short.points.truncate(5);
        let found = compare(&curve(1.0, true), &short).expect("in common");
        assert_eq!((found.from_rpm, found.to_rpm, found.points.len()), (3000.0, 4000.0, 5));
        // Trapezia of a straight line: the mean of its ends.
        assert!((found.area.before - 0.5 * (25.0 + 30.0)).abs() < 1e-9);
        assert!((found.peak_power.after - 33.0).abs() < 1e-9);
        short.points.truncate(1);
        assert!(compare(&curve(1.0, true), &short).is_none());
    }
}
