//! A ride's throttle steps: which of them tell, and what.

use super::film_fit::{Answering, FilmFit, SHARE_RANGE, Scene};
use super::moves::{Move, moves};
use crate::bike::FixedDelay;
use crate::pipeline::stages::TEMP_LASTS_S;
use crate::pipeline::{Course, Reason, RideContext, Rows, hold, rate, signs};
use crate::ride::Channel;
use serde::Serialize;
use std::collections::BTreeMap;

/// Lambda has settled when it stays within this of what is wanted, %.
pub const SETTLED_PCT: f64 = 3.0;
/// The hand must rest so long before a step, and at least so long behind it; behind it so
/// long is looked at. Film 0.2 to 0.8 s from memory: two time constants of it. Ours.
const REST_BEFORE_S: f64 = 0.5;
const REST_AFTER_S: f64 = 0.8;
const LOOK_AFTER_S: f64 = 2.0;
/// Resting is moving by no more than this, or this share of the step. Ours.
const REST_PCT: f64 = 1.5;
const REST_SHARE: f64 = 0.25;
/// The film is followed from so long before the step, s.
const FILM_FROM_S: f64 = 1.5;
/// Readings so long before the step tell how far the map is off there, s.
const MAP_FROM_S: f64 = 0.4;
/// After a cut the wall is dry for about this long, s. Film time constants from memory.
const DRY_S: f64 = 1.5;
/// A change of gear reaches so far behind itself, s. Common practice, no source.
const SHIFT_BEFORE_S: f64 = 0.3;
const SHIFT_AFTER_S: f64 = 0.8;
/// Speed that changes faster is a clutch, 1/min per s, over this time. Common practice, no source.
const CLUTCH_RPM_S: f64 = 3500.0;
const CLUTCH_OVER_S: f64 = 0.15;
/// A gear that is logged seldom stays known for this long, s. Common practice, no source.
const GEAR_LASTS_S: f64 = 5.0;
/// A closed throttle above this speed is overrun where the log tells no cut.
/// Common practice, no source.
const CLOSED_PCT: f64 = 1.5;
const OVERRUN_RPM: f64 = 2200.0;
/// Readings further apart than this do not show a peak, s. Ours.
const SPARSE_S: f64 = 0.13;
/// Fewest readings of a step. Ours.
const FEWEST_READINGS: usize = 8;
/// A peak that is known worse than this, or a fit that leaves more than this unexplained,
/// tells nothing, %. Ours.
const PEAK_ERROR_PCT: f64 = 3.0;
const UNEXPLAINED_PCT: f64 = 3.0;
/// Where bike.yaml names no region the closed loop works within this of lambda 1.
/// Common practice, no source.
const NEAR_STOICH: f64 = 0.03;
/// Ways of answering that are tried, engine cycles; one holds for a ride. Fuel is metered
/// ahead of the intake, which hides a part of the manifold's filling. Ours.
const FILLING_CYCLES: [f64; 3] = [0.0, 0.5, 1.0];
const LATER_CYCLES: [f64; 5] = [-0.5, 0.0, 0.5, 1.0, 1.5];

macro_rules! discards {
    ($($name:ident = $key:literal, $about:literal;)*) => {
        $(static $name: Reason = Reason { key: $key, about: $about };)*
        /// Why a step does not tell, in the order in which the reasons are looked for.
        pub static DISCARDS: &[&Reason] = &[$(&$name),*];
    };
}

discards! {
    OTHER_SLOT = "other_slot", "ridden on another slot";
    COLD = "cold_engine", "the engine is cold, or its temperature unknown";
    NO_POINT = "no_operating_point", "rpm or load is missing, or the engine stands";
    SHIFT = "gear_change", "a change of gear or a clutch";
    OVERRUN = "overrun_before", "overrun or a fuel cut before it: the walls were dry";
    CUT = "fuel_cut", "fuel was cut behind it";
    ANOTHER = "another_step", "the hand moved again too soon, or had not come to rest before";
    SPARSE = "log_too_sparse", "too few lambda readings to see a peak";
    INVALID = "sensor_not_valid", "lambda beyond what the sensor can tell, or stuck";
    HIDDEN_TRIM = "hidden_trim", "the closed loop works there and its trim is not logged";
    UNCLEAR = "unclear_answer", "the readings leave open how far lambda went";
}

/// What one step of the throttle did to lambda.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Step {
    /// When it began, s.
    pub time_s: f64,
    /// Throttle before it, %.
    pub from_pct: f64,
    /// Throttle behind it, %.
    pub to_pct: f64,
    /// How fast the hand was, %/s, without sign.
    pub rate_pct_s: f64,
    /// Engine speed when it began, 1/min.
    pub rpm: f64,
    /// Air of a cycle behind it over that before it, as the ridden table has it.
    pub air_ratio: f64,
    /// How far lambda in the cylinders went from what was wanted, %: lean is positive.
    pub peak_pct: f64,
    /// Standard error of that, as far as the readings' noise goes.
    pub peak_error_pct: f64,
    /// The same as the sensor showed it, which its lag makes smaller.
    pub read_peak_pct: f64,
    /// Seconds from the beginning of the step until lambda stays within 3 % of what was wanted.
    pub settle_s: f64,
    /// Share of the fuel that goes to the wall and is not made up for; negative where too
    /// much is given. Rough on large steps, where it trades with the filling of the manifold.
    pub film_share: f64,
    /// How far the map itself is off behind the step, %; taken out of the peak.
    pub map_error_pct: f64,
}

impl Step {
    /// How far the throttle moved, %: opening is positive.
    pub fn size_pct(&self) -> f64 {
        self.to_pct - self.from_pct
    }
}

/// A step that does not tell, and why.
pub type Discarded = &'static Reason;

/// The steps of a ride.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RideSteps {
    /// Those that tell.
    pub steps: Vec<Step>,
    /// How many openings do not tell, by reason.
    pub discarded_openings: BTreeMap<&'static str, usize>,
    /// How many closings do not tell, by reason.
    pub discarded_closings: BTreeMap<&'static str, usize>,
    /// How air and fuel answered.
    pub answering: Answering,
}

/// Looks at every step of the throttle in a ride.
///
/// `None` where the log has no throttle, or its lambda was never aligned.
///
/// # Source
/// Film: Aquino, SAE 810494 (1981), equations from memory, and filling as in
/// [`Course::cylinder_lambda`]; fitted by least squares with priors.
pub fn steps_of_ride(rows: &Rows<'_>, here: &[bool], context: &RideContext<'_>) -> Option<RideSteps> {
    let throttle = rows.channel(Channel::ThrottlePct)?;
    let alignment = rows.alignment()?;
    let ride = JudgedRide::new(rows, here, context, throttle, (&alignment.course, &alignment.delay));
    let mut told = RideSteps::default();
    let mut seen: Vec<(Move, Seen)> = Vec::new();
    for found in moves(rows.time_s(), throttle, alignment.course.gap_s()) {
        match ride.look(&found) {
            Ok(step) => seen.push((found, step)),
            Err(reason) => told.count(throttle, &found, reason),
        }
    }
    // One way of answering holds for the whole ride: the one that explains all steps best.
    let ways: Vec<Answering> = FILLING_CYCLES
        .into_iter()
        .flat_map(|filling_cycles| {
            LATER_CYCLES.map(|later_cycles| Answering { filling_cycles, later_cycles })
        })
        .collect();
    let fits: Vec<Vec<Option<FilmFit>>> =
        seen.iter().map(|(_, seen)| ways.iter().map(|way| seen.scene(&ride).fit(way)).collect()).collect();
    let whole = || fits.iter().filter(|fits| fits.iter().all(Option::is_some));
    let cost = |way: usize| -> f64 { whole().filter_map(|fits| fits[way]).map(|fit| fit.cost).sum() };
    let best = (0..ways.len()).min_by(|a, b| cost(*a).total_cmp(&cost(*b)))?;
    told.answering = ways[best];
    for ((found, seen), fits) in seen.iter().zip(&fits) {
        match fits[best].and_then(|fit| seen.tell(&ride, found, &fit, &told.answering)) {
            Some(step) => told.steps.push(step),
            None => told.count(throttle, found, &UNCLEAR),
        }
    }
    Some(told)
}

impl RideSteps {
    fn count(&mut self, throttle_pct: &[f64], found: &Move, reason: Discarded) {
        let opens = throttle_pct[found.last] > throttle_pct[found.first];
        let counts = if opens { &mut self.discarded_openings } else { &mut self.discarded_closings };
        *counts.entry(reason.key).or_default() += 1;
    }
}

/// A ride with everything that steps are judged by.
struct JudgedRide<'a, 'r> {
    time_s: &'a [f64],
    rpm: &'a [f64],
    throttle_pct: &'a [f64],
    lambda: Vec<f64>,
    course: &'a Course<'r>,
    delay: &'a FixedDelay,
    interval_s: f64,
    elsewhere: Vec<bool>,
    cold: Vec<bool>,
    shifts: Vec<bool>,
    cut: Vec<bool>,
    invalid: Vec<bool>,
    hidden: Vec<bool>,
}

impl<'a, 'r> JudgedRide<'a, 'r> {
    fn new(
        rows: &'a Rows<'_>,
        here: &[bool],
        context: &RideContext<'_>,
        throttle_pct: &'a [f64],
        (course, delay): (&'a Course<'r>, &'a FixedDelay),
    ) -> Self {
        let (time_s, rpm, load) = (rows.time_s(), rows.rpm(), rows.load());
        let bike = context.bike;
        let temp = rows.held(Channel::EngineTempC, TEMP_LASTS_S);
        let is_warm = |i: usize| temp.as_ref().is_some_and(|t| t[i] >= bike.warm.engine_temp_c);
        let gear = rows.held(Channel::Gear, GEAR_LASTS_S);
        let mut shifts: Vec<bool> =
            rate(time_s, rpm, CLUTCH_OVER_S, f64::INFINITY).iter().map(|r| *r > CLUTCH_RPM_S).collect();
        if let Some(gear) = gear {
            (1..rows.len()).for_each(|i| shifts[i] |= (gear[i] - gear[i - 1]).abs() > 0.5);
        }
        let lambda = logged_lambda(rows);
        let valid = bike.lambda_sensor.valid;
        let stuck = signs::railed(time_s, &lambda, REST_AFTER_S);
        let invalid =
            lambda.iter().zip(stuck).map(|(l, stuck)| stuck.is_some() || *l < valid[0] || *l > valid[1]);
        let ridden = rows.ridden(context);
        let hidden = (0..rows.len()).map(|i| {
            let wanted = ridden.tables(i).mixture.at(rpm[i], load[i]);
            bike.closed_loop.hides_trim_at(rpm[i], load[i], wanted, NEAR_STOICH)
        });
        Self {
            interval_s: reading_interval_s(time_s, &lambda),
            elsewhere: here.iter().map(|here| !here).collect(),
            cold: (0..rows.len()).map(|i| !is_warm(i)).collect(),
            shifts: hold(time_s, &shifts, SHIFT_BEFORE_S, SHIFT_AFTER_S),
            cut: signs::overrun(rows, CLOSED_PCT, OVERRUN_RPM, true),
            invalid: invalid.collect(),
            hidden: hidden.collect(),
            time_s,
            rpm,
            throttle_pct,
            lambda,
            course,
            delay,
        }
    }

    /// The rows from one time to another.
    fn rows(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let at = |t: f64| self.time_s.partition_point(|time| *time < t);
        at(from_s)..at(to_s).max(at(from_s))
    }

    /// What a step is to be fitted to, or why it does not tell.
    fn look(&self, found: &Move) -> Result<Seen, Discarded> {
        let (begins_s, ends_s) = (self.time_s[found.first], self.time_s[found.last]);
        let (before, behind) = (self.throttle_pct[found.first], self.throttle_pct[found.last]);
        let rests = REST_PCT.max(REST_SHARE * (behind - before).abs());
        let moved = |level: f64, i: usize| (self.throttle_pct[i] - level).abs() > rests;
        let mut look = self.rows(ends_s, ends_s + LOOK_AFTER_S);
        if let Some(again) = look.clone().find(|i| moved(behind, *i)) {
            look.end = again;
        }
        let Some(last) = look.clone().last() else { return Err(&SPARSE) };
        let whole = self.rows(begins_s - REST_BEFORE_S, self.time_s[last]);
        let any = |mask: &[bool], mut rows: std::ops::Range<usize>| rows.any(|i| mask[i]);
        let air = self.course.air();
        let rest = self.rows(begins_s - REST_BEFORE_S, begins_s);
        if any(&self.elsewhere, whole.clone()) {
            Err(&OTHER_SLOT)
        } else if any(&self.cold, whole.clone()) {
            Err(&COLD)
        } else if whole.clone().any(|i| !(air[i] > 0.0 && self.course.meant()[i] > 0.0)) {
            Err(&NO_POINT)
        } else if any(&self.shifts, whole.clone()) {
            Err(&SHIFT)
        } else if any(&self.cut, self.rows(begins_s - DRY_S, begins_s)) {
            Err(&OVERRUN)
        } else if any(&self.cut, self.rows(begins_s, self.time_s[last])) {
            Err(&CUT)
        } else if self.time_s[last] - ends_s < REST_AFTER_S - self.interval_s
            || rest.clone().any(|i| moved(before, i))
        {
            Err(&ANOTHER)
        } else if self.time_s[rest.start] > begins_s - REST_BEFORE_S + SPARSE_S {
            Err(&SPARSE)
        } else if any(&self.hidden, whole) {
            Err(&HIDDEN_TRIM)
        } else {
            self.readings(found, last)
        }
    }

    /// The readings that belong to a step whose hand rests until the row `last`.
    fn readings(&self, found: &Move, last: usize) -> Result<Seen, Discarded> {
        let begins_s = self.time_s[found.first];
        let until_s = self.course.shows_at_s(last, self.delay);
        let counted = self.rows(begins_s - MAP_FROM_S, until_s);
        if counted.clone().any(|i| self.invalid[i]) {
            return Err(&INVALID);
        }
        let from = self.rows(begins_s - FILM_FROM_S, begins_s).start;
        let range: Vec<usize> = (from..counted.end).collect();
        let course = self.course.within(&range, &vec![true; self.time_s.len()]);
        let (before, behind) = (self.throttle_pct[found.first], self.throttle_pct[found.last]);
        let mut come = 0.0;
        let progress: Vec<f64> = range
            .iter()
            .map(|i| {
                let now = (self.throttle_pct[*i] - before) / (behind - before);
                come = if now.is_finite() { now.clamp(0.0, 1.0) } else { come };
                come
            })
            .collect();
        let progress = course.reading(&progress, self.delay);
        // A gap in the log leaves open what the sensor should have seen.
        let plain = course.reading(course.meant(), self.delay);
        let told = |i: &usize| {
            self.lambda[*i].is_finite() && plain[*i - from].is_finite() && progress[*i - from].is_finite()
        };
        let readings: Vec<(usize, f64)> = counted.filter(told).map(|i| (i - from, self.lambda[i])).collect();
        if readings.len() < FEWEST_READINGS || self.interval_s > SPARSE_S {
            return Err(&SPARSE);
        }
        Ok(Seen { course, readings, progress, from, last: last - from })
    }
}

/// What the sensors logged at each row's own time, the mean where two read.
fn logged_lambda(rows: &Rows<'_>) -> Vec<f64> {
    let first = rows.channel(Channel::Lambda).unwrap_or_default();
    match rows.channel(Channel::Lambda2) {
        None => first.to_vec(),
        Some(second) => {
            let mean = |(a, b): (&f64, &f64)| match (a.is_finite(), b.is_finite()) {
                (true, true) => 0.5 * (a + b),
                (true, false) => *a,
                (false, _) => *b,
            };
            first.iter().zip(second).map(mean).collect()
        }
    }
}

/// The usual time from one lambda reading to the next, s.
fn reading_interval_s(time_s: &[f64], lambda: &[f64]) -> f64 {
    let there: Vec<f64> = time_s.iter().zip(lambda).filter(|(_, l)| l.is_finite()).map(|(t, _)| *t).collect();
    let steps: Vec<f64> = there.windows(2).map(|pair| pair[1] - pair[0]).collect();
    crate::ride::median(&steps).unwrap_or(f64::INFINITY)
}

/// A step that may tell.
struct Seen {
    course: Course<'static>,
    /// Row of the course, and lambda.
    readings: Vec<(usize, f64)>,
    progress: Vec<f64>,
    /// The ride's row where the course begins.
    from: usize,
    /// The course's last row at which the hand rests.
    last: usize,
}

impl Seen {
    fn scene<'s>(&'s self, ride: &'s JudgedRide<'_, '_>) -> Scene<'s> {
        Scene {
            course: &self.course,
            delay: ride.delay,
            readings: &self.readings,
            progress: &self.progress,
            interval_s: ride.interval_s,
        }
    }

    /// What the step did, if its fit says so clearly.
    fn tell(
        &self,
        ride: &JudgedRide<'_, '_>,
        found: &Move,
        fit: &FilmFit,
        answering: &Answering,
    ) -> Option<Step> {
        let scene = self.scene(ride);
        let time_s = self.course.time_s();
        let behind = |fit: &FilmFit| -> Vec<(f64, f64)> {
            let excursion = scene.excursion(fit, answering);
            let rows = (found.first - self.from)..=self.last;
            rows.map(|i| (time_s[i], excursion[i] * 100.0)).filter(|(_, e)| e.is_finite()).collect()
        };
        let excursion = behind(fit);
        let peak_pct = peak(&excursion, None);
        let aside = FilmFit { share: fit.share + fit.share_error.min(0.1), ..*fit };
        let slope =
            (peak(&behind(&aside), Some(peak_pct)) - peak_pct).abs() / fit.share_error.clamp(1e-9, 0.1);
        let peak_error_pct = slope * fit.share_error;
        let at_end = fit.share <= SHARE_RANGE.0 || fit.share >= SHARE_RANGE.1;
        if at_end || peak_error_pct > PEAK_ERROR_PCT || fit.unexplained * 100.0 > UNEXPLAINED_PCT {
            return None;
        }
        let air = self.course.air();
        let (first, last) = (found.first, found.last);
        let begins_s = ride.time_s[first];
        let outside = excursion.iter().rev().find(|(_, e)| e.abs() > SETTLED_PCT);
        let throttle = ride.throttle_pct;
        Some(Step {
            time_s: begins_s,
            from_pct: throttle[first],
            to_pct: throttle[last],
            rate_pct_s: ((throttle[last] - throttle[first]) / (ride.time_s[last] - begins_s)).abs(),
            rpm: ride.rpm[first],
            air_ratio: air[last - self.from] / air[first - self.from],
            peak_pct,
            peak_error_pct,
            read_peak_pct: read_peak(&scene.as_read(fit, answering), peak_pct),
            settle_s: outside.map_or(0.0, |(t, _)| t - begins_s),
            film_share: fit.share,
            map_error_pct: (fit.map_before + fit.map_step).exp_m1() * 100.0,
        })
    }
}

/// The furthest excursion, on the side where time and size together are larger: that the air
/// lags the fuel for a cycle makes a short rich blip ahead of a long lean course. On the side
/// of `like`, where one is given.
///
/// Shape: (s, %), ascending in time.
fn peak(excursion: &[(f64, f64)], like: Option<f64>) -> f64 {
    let area: f64 = excursion.windows(2).map(|pair| (pair[1].0 - pair[0].0) * pair[1].1).sum();
    let sign = like.unwrap_or(area).signum();
    sign * excursion.iter().map(|(_, e)| sign * e).fold(0.0, f64::max)
}

/// The largest of the medians of three neighbours, so that one noisy reading is no peak,
/// on the side of `towards`.
fn read_peak(shown: &[f64], towards: f64) -> f64 {
    let middle = |three: &[f64]| {
        three.iter().sum::<f64>()
            - three.iter().copied().fold(f64::INFINITY, f64::min)
            - three.iter().copied().fold(f64::NEG_INFINITY, f64::max)
    };
    let sign = towards.signum();
    sign * shown.windows(3).map(|three| sign * middle(three)).fold(0.0, f64::max) * 100.0
}
