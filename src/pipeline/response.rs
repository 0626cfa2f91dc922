//! What the lambda sensor would read while the engine moves, if the ridden table
//! were right everywhere.
//!
//! Operating points over time enter; the predicted reading, and when each point
//! shows at the sensor, leave. Between injector and logged number stand the wall
//! film, the filling of the manifold, engine cycles, the flow through the pipe,
//! and the sensor's lag. What is left when the prediction is taken out of the
//! measured reading is the error of the table, and not the way the hand moved.

use super::delay::FoundDelay;
use super::gas_flow::gas_flow_with_kg_s;
use super::lag::{Decay, Decayed, lagged};
use super::rows::{RideContext, Rows};
use super::signs::logged_cut;
use crate::bike::{ClosedLoopMode, FixedDelay, FuelTableKind, Mixture};
use crate::physics::air;
use crate::ride::Channel;
use crate::table::LoadAxis;
use crate::units::kelvin;
use std::borrow::Cow;

/// Pressure in the exhaust pipe, close to ambient. Common practice, no source.
const EXHAUST_KPA: f64 = 101.3;
/// Over a longer gap, and over more than so many rows of a slow log, nobody knows
/// what the engine did: film and sensor start anew.
const LONGEST_GAP_S: f64 = 0.5;
const LONGEST_GAP_ROWS: f64 = 3.0;
/// A trim that is logged seldom stays known for this long. Common practice, no source.
const TRIM_LASTS_S: f64 = 1.0;
/// Unburnt air; no sensor reads beyond it. Common practice, no source.
const FREE_AIR_LAMBDA: f64 = 3.0;
/// The film leaves faster the faster the engine turns: its time constant falls
/// with the root of speed, here from this speed. That it depends strongly on
/// speed: SAE 2009-01-0591 (abstract read); the power is from memory.
const FILM_AT_RPM: f64 = 3000.0;

/// How fuel and air follow the hand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Following {
    /// Share of the fuel that lands on the wall and is not made up for by the controller.
    pub film_share: f64,
    /// Time constant with which the film leaves the wall at 3000 1/min, s.
    pub film_s: f64,
    /// Time constant of the manifold's filling, engine cycles.
    pub filling_cycles: f64,
}

impl Default for Following {
    /// Warm film: share 0.1–0.4 of which a controller makes up for about half,
    /// 0.2–0.8 s (Aquino, SAE 810494; values from memory). Manifold: about one
    /// cycle, its volume over what a cycle breathes. Common practice, no source.
    fn default() -> Self {
        Self { film_share: 0.1, film_s: 0.4, filling_cycles: 1.0 }
    }
}

/// How a ride's lambda was brought to its operating points.
#[derive(Debug)]
pub struct Alignment<'a> {
    /// The ride as the mixture saw it.
    pub course: Course<'a>,
    /// The delay that was taken back.
    pub delay: FixedDelay,
    /// How it was found, where bike.yaml leaves it to the rides.
    pub found: Option<FoundDelay>,
}

/// The ride as the mixture saw it.
#[derive(Debug)]
pub struct Course<'a> {
    time_s: Cow<'a, [f64]>,
    /// Air of a cycle if the table is right, in any unit; NaN where the engine
    /// does not run or its point is unknown.
    air: Vec<f64>,
    /// Lambda that the controller means to give.
    meant: Vec<f64>,
    cut: Vec<bool>,
    cycle_s: Vec<f64>,
    /// Time through the pipe for each cm³ of it, s.
    transit_s_per_ml: Vec<f64>,
    /// A cycle at the speed for which the film's time constant is given, s.
    film_cycle_s: f64,
    fills: bool,
    gap_s: f64,
}

impl<'a> Course<'a> {
    /// Looks at every row, dropped or not.
    pub fn new(rows: &Rows<'a>, context: &RideContext<'_>, exhaust_temp_c: f64, running_rpm: f64) -> Self {
        let (rpm, load) = (rows.rpm(), rows.load());
        let bike = context.bike;
        let ridden = rows.ridden(context);
        let (fuel, wanted) = (ridden.fuel(rows), ridden.wanted(rows));
        let map_kpa = rows.channel(Channel::MapKpa);
        let gas_kg_m3 = EXHAUST_KPA * 1000.0 / (air::R_AIR * kelvin(exhaust_temp_c));
        let mut course = Self {
            time_s: Cow::Borrowed(rows.time_s()),
            air: vec![f64::NAN; rows.len()],
            meant: meant_lambda(rows, context),
            cut: logged_cut(rows).unwrap_or_else(|| vec![false; rows.len()]),
            cycle_s: rpm.iter().map(|r| f64::from(bike.engine.strokes) / 2.0 * 60.0 / r).collect(),
            transit_s_per_ml: vec![f64::NAN; rows.len()],
            film_cycle_s: f64::from(bike.engine.strokes) / 2.0 * 60.0 / FILM_AT_RPM,
            fills: bike.controller.load == LoadAxis::ThrottlePct,
            gap_s: (rows.interval_s() * LONGEST_GAP_ROWS).max(LONGEST_GAP_S),
        };
        for i in 0..rows.len() {
            if rpm[i] >= running_rpm.max(1.0) && load[i].is_finite() {
                let cell = fuel(i);
                let flow = gas_flow_with_kg_s(bike, cell, rpm[i], load[i], map_kpa.map(|m| m[i]));
                let given = fuel_of_cycle(context, cell, rpm[i], load[i]);
                course.air[i] = match bike.controller.mixture {
                    Mixture::Controller => given,
                    Mixture::Table => given * wanted(i),
                };
                course.transit_s_per_ml[i] = gas_kg_m3 * 1e-6 / flow;
            }
        }
        course
    }

    /// The same course with these rows alone, as if the engine had run only where it
    /// is said to have.
    ///
    /// Shape: `runs` has one entry a row of this course.
    pub fn within(&self, rows: &[usize], runs: &[bool]) -> Course<'static> {
        let of_rows = |values: &[f64]| -> Vec<f64> { rows.iter().map(|i| values[*i]).collect() };
        Course {
            time_s: Cow::Owned(of_rows(&self.time_s)),
            air: rows.iter().map(|i| if runs[*i] { self.air[*i] } else { f64::NAN }).collect(),
            meant: of_rows(&self.meant),
            cut: rows.iter().map(|i| self.cut[*i]).collect(),
            cycle_s: of_rows(&self.cycle_s),
            transit_s_per_ml: of_rows(&self.transit_s_per_ml),
            film_cycle_s: self.film_cycle_s,
            fills: self.fills,
            gap_s: self.gap_s,
        }
    }

    /// How many rows there are.
    pub fn len(&self) -> usize {
        self.air.len()
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.air.is_empty()
    }

    /// Air of a cycle, in any unit; NaN where unknown.
    pub fn air(&self) -> &[f64] {
        &self.air
    }

    /// Lambda that the controller means to give.
    pub fn meant(&self) -> &[f64] {
        &self.meant
    }

    /// When what happened at a row shows in the reading; the sensor's lag counts
    /// as a delay by its time constant, exact for ramps.
    pub fn shows_at_s(&self, i: usize, delay: &FixedDelay) -> f64 {
        self.arrives_s(i, delay) + delay.lag_s
    }

    /// Seconds after which a row's mixture shows, for reports.
    pub fn delay_s(&self, i: usize, delay: &FixedDelay) -> f64 {
        self.shows_at_s(i, delay) - self.time_s[i]
    }

    /// The rows' times, s.
    pub fn time_s(&self) -> &[f64] {
        &self.time_s
    }

    /// Whether fuel is cut.
    pub fn cut(&self) -> &[bool] {
        &self.cut
    }

    /// Longest time over which neighbouring rows belong together, s.
    pub fn gap_s(&self) -> f64 {
        self.gap_s
    }

    fn arrives_s(&self, i: usize, delay: &FixedDelay) -> f64 {
        let way_s = delay.cycles * self.cycle_s[i] + delay.transport_ml * self.transit_s_per_ml[i];
        self.time_s[i] + way_s
    }

    /// Lambda of the mixture in the cylinders, row by row.
    ///
    /// # Source
    /// Film: `ṁ_film = X ṁ_inj − m/τ`, Aquino, SAE 810494 (1981), equations from
    /// memory; filling: a first-order lag, Hendricks and Sorenson, SAE 900616 (1990).
    pub fn cylinder_lambda(&self, following: &Following) -> Vec<f64> {
        let filled = |i: usize, dt_s: f64| {
            let tau_s = following.filling_cycles * self.cycle_s[i];
            Decayed { tau_s, left: (-dt_s / tau_s).exp() }
        };
        let air = match self.fills {
            true => Cow::Owned(lagged(&self.time_s, &self.air, self.gap_s, 0..self.len(), filled)),
            false => Cow::Borrowed(&self.air),
        };
        // Fuel per second, since the film knows no cycles.
        let injected =
            |i: usize| if self.cut[i] { 0.0 } else { self.air[i] / self.meant[i] / self.cycle_s[i] };
        let share = following.film_share;
        let mut film: Option<f64> = None;
        let mut before_s = f64::NEG_INFINITY;
        let mut lambda = vec![f64::NAN; self.len()];
        for i in 0..self.len() {
            let now = injected(i);
            if !now.is_finite() || !air[i].is_finite() {
                film = None;
                continue;
            }
            let tau_s = following.film_s * (self.cycle_s[i] / self.film_cycle_s).sqrt();
            let settled = share * tau_s * now;
            let dt_s = self.time_s[i] - before_s;
            before_s = self.time_s[i];
            let enters = match film {
                Some(mass) if dt_s <= self.gap_s => {
                    let next = settled + (mass - settled) * (-dt_s / tau_s).exp();
                    film = Some(next);
                    (now - (next - mass) / dt_s).max(0.0)
                }
                _ => {
                    film = Some(settled);
                    now
                }
            };
            let fuel = enters * self.cycle_s[i];
            lambda[i] = if fuel * FREE_AIR_LAMBDA > air[i] { air[i] / fuel } else { FREE_AIR_LAMBDA };
        }
        lambda
    }

    /// What the sensor reads at each row's own time when the cylinders hold `lambda`.
    pub fn reading(&self, lambda: &[f64], delay: &FixedDelay) -> Vec<f64> {
        // Gas does not overtake gas.
        let mut arrivals: Vec<(f64, f64)> = Vec::with_capacity(self.len());
        let mut latest = f64::NEG_INFINITY;
        for (i, lambda) in lambda.iter().enumerate() {
            let at_s = self.arrives_s(i, delay);
            if lambda.is_finite() && at_s.is_finite() {
                latest = latest.max(at_s);
                arrivals.push((latest, *lambda));
            }
        }
        let mut next = 0;
        let gas: Vec<f64> = self
            .time_s
            .iter()
            .map(|t| {
                while next < arrivals.len() && arrivals[next].0 < *t {
                    next += 1;
                }
                between(next.checked_sub(1).map(|k| arrivals[k]), arrivals.get(next).copied(), *t, self.gap_s)
            })
            .collect();
        let mut decay = Decay::new(delay.lag_s);
        lagged(&self.time_s, &gas, self.gap_s, 0..gas.len(), |_, dt_s| decay.over(dt_s))
    }

    /// The larger of a signal's trails behind and ahead of it, each a first-order lag.
    pub fn trails(&self, values: &[f64], tau_s: f64) -> Vec<f64> {
        let mut decay = Decay::new(tau_s);
        let mut trails =
            lagged(&self.time_s, values, self.gap_s, 0..values.len(), |_, dt_s| decay.over(dt_s));
        let backwards = (0..values.len()).rev();
        let ahead = lagged(&self.time_s, values, self.gap_s, backwards, |_, dt_s| decay.over(dt_s));
        for (trail, ahead) in trails.iter_mut().zip(ahead) {
            *trail = trail.max(ahead);
        }
        trails
    }
}

/// A value on the line between two known ones, NaN where they lie too far apart.
fn between(before: Option<(f64, f64)>, after: Option<(f64, f64)>, at: f64, gap_s: f64) -> f64 {
    match (before, after) {
        (_, Some((t, value))) if t == at => value,
        (Some((t0, v0)), Some((t1, v1))) if t1 - t0 <= gap_s => v0 + (v1 - v0) * (at - t0) / (t1 - t0),
        _ => f64::NAN,
    }
}

/// Fuel of a cycle at wanted lambda 1 if the ridden table, which holds `cell` at the
/// point, is right; in any unit.
fn fuel_of_cycle(context: &RideContext<'_>, cell: f64, rpm: f64, load: f64) -> f64 {
    let controller = &context.bike.controller;
    let amount = controller.fuel_table.amount(cell);
    match (controller.fuel_table, controller.load) {
        (FuelTableKind::PulseWidthMs, _) | (FuelTableKind::VePct, LoadAxis::ThrottlePct) => amount,
        (_, LoadAxis::MapKpa) => amount * load,
        // The stock map below the trim is not known.
        (FuelTableKind::TrimPct, LoadAxis::ThrottlePct) => amount * super::gas_flow::usual_filling(rpm, load),
    }
}

/// Lambda that the controller means to give at each row, its own trim included.
fn meant_lambda(rows: &Rows<'_>, context: &RideContext<'_>) -> Vec<f64> {
    let target = match context.bike.controller.mixture {
        Mixture::Controller => rows.logged_target(),
        Mixture::Table => None,
    };
    let trim = match context.bike.closed_loop.mode {
        ClosedLoopMode::TrimLogged => rows.held(Channel::TrimPct, TRIM_LASTS_S),
        _ => None,
    };
    let ridden = rows.ridden(context);
    let asked = ridden.wanted(rows);
    let meant = |i: usize| {
        let logged = target.as_ref().map(|t| t[i]).filter(|t| !t.is_nan());
        let wanted = logged.unwrap_or_else(|| asked(i));
        // An unknown trim leaves unknown what was meant.
        match &trim {
            Some(trim) => wanted / (1.0 + trim[i] / 100.0),
            None => wanted,
        }
    };
    (0..rows.len()).map(meant).collect()
}

#[cfg(test)]
mod tests {
    use super::super::rows::tests::ride;
    use super::super::stages::tests::bike;
    use super::*;

    /// A throttle step at row 100 of 400 at 20 Hz and 3000 1/min, seen through `following`.
    fn step_answer(following: &Following, cut: Vec<f64>) -> (Vec<f64>, Vec<f64>) {
        let n = 400;
        let throttle = (0..n).map(|i| if i < 100 { 10.0 } else { 32.0 }).collect();
        let log = ride(&[
            (Channel::Rpm, vec![3000.0; n]),
            (Channel::ThrottlePct, throttle),
            (Channel::Lambda, vec![1.0; n]),
            (Channel::LambdaTarget, vec![1.0; n]),
            (Channel::FuelCut, cut),
        ]);
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let rows = Rows::new(&log, bike.controller.load).expect("channels");
        let course = Course::new(&rows, &context, 627.0, 400.0);
        let lambda = course.cylinder_lambda(following);
        let reading = course.reading(&lambda, &FixedDelay { cycles: 2.5, transport_ml: 0.0, lag_s: 0.1 });
        (lambda, reading)
    }

    #[test]
    fn the_film_answers_a_step_as_the_closed_form_says() {
        // An air step by r: lambda = r/(r − X (r − 1) e^(−t/τ)), the solution of Aquino's equations.
        let following = Following { film_share: 0.3, film_s: 0.4, filling_cycles: 0.0 };
        let (lambda, _) = step_answer(&following, vec![0.0; 400]);
        assert!(lambda[..100].iter().all(|l| (l - 1.0).abs() < 1e-12), "balance before the step");
        let (_, tables) = bike();
        let r = tables.fuel.at(3000.0, 32.0) / tables.fuel.at(3000.0, 10.0);
        // A row holds the mean over the 0.05 s before it.
        let mean = |t: f64| {
            let decay = 0.4 / 0.05 * ((-(t - 0.05) / 0.4f64).exp() - (-t / 0.4f64).exp());
            r / (r - 0.3 * (r - 1.0) * decay)
        };
        for k in 1..40 {
            let want = mean(f64::from(k) * 0.05);
            assert!((lambda[99 + k as usize] - want).abs() < 1e-9, "{k}: {} {want}", lambda[99 + k as usize]);
        }
    }

    #[test]
    fn the_reading_comes_after_delay_and_lag() {
        let (lambda, reading) =
            step_answer(&Following { film_share: 0.0, ..Following::default() }, vec![0.0; 400]);
        let lowest = |values: &[f64]| {
            (0..values.len())
                .filter(|i| values[*i].is_finite())
                .min_by(|a, b| values[*a].total_cmp(&values[*b]))
        };
        // The filling lags behind the fuel: a rich moment, 2.5 cycles of 40 ms before it shows.
        let (made, shown) = (lowest(&lambda).expect("rows"), lowest(&reading).expect("rows"));
        assert!((2..=4).contains(&(shown - made)), "{made} {shown}");
        assert!(reading[shown] > lambda[made], "the lag rounds it off");
    }

    #[test]
    fn a_fuel_cut_reads_as_air_and_the_film_must_build_up_again() {
        let cut: Vec<f64> = (0..400).map(|i| if (200..260).contains(&i) { 1.0 } else { 0.0 }).collect();
        let (lambda, _) = step_answer(&Following { film_share: 0.3, ..Following::default() }, cut);
        assert_eq!(lambda[259], FREE_AIR_LAMBDA);
        assert!(lambda[261] > 1.1 && lambda[300] < 1.01, "{} {}", lambda[261], lambda[300]);
    }
}
