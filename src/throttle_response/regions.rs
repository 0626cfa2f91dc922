//! Steps of many rides → what they say together, region by region.

use super::step::{SETTLED_PCT, Step};
use serde::Serialize;

/// Fewer steps than this give no advice. Ours.
pub const FEWEST_STEPS: usize = 5;
/// Into about so many bands the speeds up to the limiter are divided. Ours.
const RPM_BANDS: f64 = 6.0;
/// Bands begin at whole multiples of this, 1/min.
const RPM_GRAIN: f64 = 500.0;
/// Where the bands of step size begin, %; the last is open. Ours.
const SIZE_FROM_PCT: [f64; 3] = [3.0, 10.0, 25.0];

/// Which way the hand went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// It opened the throttle.
    TipIn,
    /// It closed the throttle, and fuel flowed on.
    TipOut,
}

/// What a region's steps say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Lambda goes lean by more than 3 %.
    Lean,
    /// Lambda goes rich by more than 3 %.
    Rich,
    /// Lambda stays within 3 %.
    Holds,
    /// The steps differ too much to say.
    Uneven,
    /// Too few steps to say.
    TooFew,
}

/// A median with its quartiles.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Spread {
    /// A quarter lies below.
    pub lower: f64,
    /// Half lies below.
    pub median: f64,
    /// A quarter lies above.
    pub upper: f64,
}

impl Spread {
    /// Of any values, at least one; straight between the ranks.
    fn of(values: impl Iterator<Item = f64>) -> Option<Self> {
        let mut sorted: Vec<f64> = values.collect();
        sorted.sort_by(f64::total_cmp);
        let last = sorted.len().checked_sub(1)?;
        let at = |share: f64| {
            let place = share * last as f64;
            let (low, part) = (place.floor() as usize, place.fract());
            sorted[low] + part * (sorted[(low + 1).min(last)] - sorted[low])
        };
        Some(Self { lower: at(0.25), median: at(0.5), upper: at(0.75) })
    }
}

/// A region's steps on one revision.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct OnRevision {
    /// The revision that was ridden.
    pub revision: String,
    /// How many steps.
    pub steps: usize,
    /// Median peak, %: lean is positive.
    pub peak_pct: f64,
    /// Median time until lambda stays within 3 %, s.
    pub settle_s: f64,
}

/// Steps of one way, at like speed and of like size.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Region {
    /// Which way the hand went.
    pub way: Way,
    /// From this engine speed when the step began, 1/min.
    pub rpm_from: f64,
    /// Below this one, 1/min.
    pub rpm_to: f64,
    /// From this size of step, %.
    pub step_from_pct: f64,
    /// Below this one, %; none for the largest.
    pub step_to_pct: Option<f64>,
    /// What they say.
    pub verdict: Verdict,
    /// The revision whose steps are summed up here; none where those of all revisions are,
    /// since the newest has too few.
    pub revision: Option<String>,
    /// How many steps are summed up.
    pub steps: usize,
    /// How many more it takes for advice.
    pub missing: usize,
    /// How far lambda went, %: lean is positive.
    pub peak_pct: Spread,
    /// The same as the sensor showed it.
    pub read_peak_pct: Spread,
    /// Seconds until lambda stays within 3 %.
    pub settle_s: Spread,
    /// Share of the fuel that goes to the wall and is not made up for, the median.
    pub film_share: f64,
    /// Half of the steps or more end at high load.
    pub high_load: bool,
    /// Revision by revision, oldest first.
    pub trend: Vec<OnRevision>,
}

/// A step, and what it was ridden on.
#[derive(Debug, Clone, Copy)]
pub struct RiddenStep<'a> {
    /// The step.
    pub step: &'a Step,
    /// The number of the revision, and its name.
    pub revision: (u32, &'a str),
    /// It ends at high load.
    pub high_load: bool,
}

/// Where the bands of engine speed begin, up to the limiter, 1/min.
pub fn rpm_bands(rev_limit_rpm: f64) -> Vec<(f64, f64)> {
    let width = (rev_limit_rpm / RPM_BANDS / RPM_GRAIN).ceil().max(1.0) * RPM_GRAIN;
    let bands = (rev_limit_rpm / width).ceil().max(1.0) as usize;
    (0..bands).map(|band| (band as f64 * width, (band + 1) as f64 * width)).collect()
}

/// Sums up steps: openings first, by engine speed, then by size. Regions without a step
/// are left out.
pub fn regions(steps: &[RiddenStep<'_>], rev_limit_rpm: f64) -> Vec<Region> {
    let bands = rpm_bands(rev_limit_rpm);
    let mut found = Vec::new();
    for way in [Way::TipIn, Way::TipOut] {
        for (band, (rpm_from, rpm_to)) in bands.iter().enumerate() {
            for (k, step_from_pct) in SIZE_FROM_PCT.into_iter().enumerate() {
                let step_to_pct = SIZE_FROM_PCT.get(k + 1).copied();
                // Beyond the limiter an engine may overshoot; that is the last band's.
                let in_speed = |rpm: f64| rpm >= *rpm_from && (rpm < *rpm_to || band + 1 == bands.len());
                let in_size = |pct: f64| pct >= step_from_pct && step_to_pct.is_none_or(|to| pct < to);
                let inside = |s: &&RiddenStep<'_>| {
                    let size = s.step.size_pct();
                    (size > 0.0) == (way == Way::TipIn) && in_speed(s.step.rpm) && in_size(size.abs())
                };
                let here: Vec<RiddenStep<'_>> = steps.iter().filter(inside).copied().collect();
                found.extend(region(&here).map(|region| Region {
                    way,
                    rpm_from: *rpm_from,
                    rpm_to: *rpm_to,
                    step_from_pct,
                    step_to_pct,
                    ..region
                }));
            }
        }
    }
    found
}

/// The steps of one region summed up; its bounds are the caller's.
fn region(all: &[RiddenStep<'_>]) -> Option<Region> {
    let mut revisions: Vec<(u32, &str)> = all.iter().map(|s| s.revision).collect();
    revisions.sort_unstable();
    revisions.dedup();
    let of = |revision: (u32, &str)| -> Vec<RiddenStep<'_>> {
        all.iter().filter(|s| s.revision == revision).copied().collect()
    };
    let newest = *revisions.last()?;
    // The controller may have been changed since: where the newest revision has enough to
    // say, the older ones are silent.
    let on_newest = of(newest);
    let alone = on_newest.len() >= FEWEST_STEPS || revisions.len() == 1;
    let steps = if alone { &on_newest } else { all };
    let spread = |value: fn(&Step) -> f64| Spread::of(steps.iter().map(|s| value(s.step)));
    let peak_pct = spread(|s| s.peak_pct)?;
    let trend = revisions.iter().filter_map(|revision| {
        let there = of(*revision);
        Some(OnRevision {
            revision: revision.1.to_owned(),
            steps: there.len(),
            peak_pct: Spread::of(there.iter().map(|s| s.step.peak_pct))?.median,
            settle_s: Spread::of(there.iter().map(|s| s.step.settle_s))?.median,
        })
    });
    Some(Region {
        way: Way::TipIn,
        rpm_from: 0.0,
        rpm_to: 0.0,
        step_from_pct: 0.0,
        step_to_pct: None,
        verdict: verdict(steps.len(), &peak_pct),
        revision: alone.then(|| newest.1.to_owned()),
        steps: steps.len(),
        missing: FEWEST_STEPS.saturating_sub(steps.len()),
        peak_pct,
        read_peak_pct: spread(|s| s.read_peak_pct)?,
        settle_s: spread(|s| s.settle_s)?,
        film_share: spread(|s| s.film_share)?.median,
        high_load: 2 * steps.iter().filter(|s| s.high_load).count() >= steps.len(),
        trend: trend.collect(),
    })
}

fn verdict(steps: usize, peak_pct: &Spread) -> Verdict {
    let Spread { lower, median, upper } = *peak_pct;
    if steps < FEWEST_STEPS {
        Verdict::TooFew
    } else if median > SETTLED_PCT && lower > 0.0 {
        Verdict::Lean
    } else if median < -SETTLED_PCT && upper < 0.0 {
        Verdict::Rich
    } else if median.abs() <= SETTLED_PCT && (lower >= -SETTLED_PCT || upper <= SETTLED_PCT) {
        Verdict::Holds
    } else {
        Verdict::Uneven
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(rpm: f64, to_pct: f64, peak_pct: f64) -> Step {
        Step {
            time_s: 0.0,
            from_pct: 10.0,
            to_pct,
            rate_pct_s: 60.0,
            rpm,
            air_ratio: 2.0,
            peak_pct,
            peak_error_pct: 1.0,
            read_peak_pct: 0.8 * peak_pct,
            settle_s: 0.5,
            film_share: 0.2,
            map_error_pct: 0.0,
        }
    }

    fn summed(steps: &[(Step, u32)]) -> Vec<Region> {
        let names: Vec<String> = steps.iter().map(|(_, n)| format!("r{n}")).collect();
        let ridden = steps.iter().zip(&names).map(|((step, n), name)| RiddenStep {
            step,
            revision: (*n, name),
            high_load: step.to_pct > 50.0,
        });
        regions(&ridden.collect::<Vec<_>>(), 8200.0)
    }

    #[test]
    fn steps_go_to_their_regions_and_few_of_them_give_no_advice() {
        assert_eq!(rpm_bands(8200.0)[1], (1500.0, 3000.0));
        let mut steps: Vec<(Step, u32)> =
            (0..5).map(|i| (step(2000.0, 30.0, 6.0 + f64::from(i)), 1)).collect();
        steps.push((step(9000.0, 14.0, 1.0), 1));
        steps.push((step(2000.0, 2.0, -5.0), 1));
        let found = summed(&steps);
        assert_eq!(found.len(), 3);
        assert_eq!((found[0].verdict, found[0].steps, found[0].missing), (Verdict::Lean, 5, 0));
        assert_eq!((found[0].peak_pct.lower, found[0].peak_pct.median), (7.0, 8.0));
        assert_eq!((found[1].rpm_from, found[1].verdict, found[1].missing), (7500.0, Verdict::TooFew, 4));
        assert_eq!((found[2].way, found[2].step_from_pct), (Way::TipOut, 3.0));
    }

    #[test]
    fn the_newest_revision_speaks_alone_once_it_has_enough() {
        let of = |n: u32, peak: f64, count: usize| vec![(step(2000.0, 30.0, peak), n); count];
        let few = summed(&[of(2, 9.0, 6), of(10, 1.0, 3)].concat());
        assert_eq!((few[0].revision.as_deref(), few[0].steps), (None, 9));
        let enough = summed(&[of(2, 9.0, 6), of(10, 1.0, 5)].concat());
        assert_eq!((enough[0].revision.as_deref(), enough[0].verdict), (Some("r10"), Verdict::Holds));
        let trend: Vec<&str> = enough[0].trend.iter().map(|t| t.revision.as_str()).collect();
        assert_eq!(trend, ["r2", "r10"]);
    }

    #[test]
    fn steps_that_contradict_each_other_are_uneven() {
        let steps: Vec<(Step, u32)> =
            [-9.0, -8.0, 1.0, 8.0, 9.0].map(|peak| (step(2000.0, 30.0, peak), 1)).to_vec();
        assert_eq!(summed(&steps)[0].verdict, Verdict::Uneven);
    }
}
