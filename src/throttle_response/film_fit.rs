//! One throttle step and the readings after it → the film that explains them.
//!
//! Unknown are the share of the fuel that goes to the wall and is not made up for, its
//! time constant, and how far the map is off before and behind the step. The last two are
//! the map's fault and not the step's: they are taken out.

use crate::bike::FixedDelay;
use crate::pipeline::{Course, Following};

/// Spread of one independent reading about the fit, as a ratio. Measured on virtual bikes.
const READING_SPREAD: f64 = 0.012;
/// What is presumed of the unknowns where the readings do not tell: the share, and how
/// much more the map is off behind the step than before it. Ours.
const SHARE_SPREAD: f64 = 0.4;
const MAP_SPREAD: f64 = 0.05;
const MAP_STEP_SPREAD: f64 = 0.04;
/// Film time constants that are tried, s at 3000 1/min, and how much a halving or doubling
/// of the usual 0.4 s is held against one, in squared standard deviations.
/// Warm film .2–.8 s: from memory.
const FILM_S: [f64; 5] = [0.1, 0.2, 0.4, 0.8, 1.6];
const USUAL_FILM_S: f64 = 0.4;
const PER_OCTAVE: f64 = 1.0;
/// Shares beyond these are no film's.
pub(super) const SHARE_RANGE: (f64, f64) = (-1.0, 0.9);
/// Difference over which slopes are taken, and how often the step is repeated.
const SHARE_STEP: f64 = 0.02;
const PASSES: usize = 4;
/// Share, map error before, and its change.
const UNKNOWNS: usize = 3;

/// When air and fuel answer the hand beside each other, alike for all steps of a ride.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Answering {
    /// Time constant by which the air lags the fuel, as a manifold fills, engine cycles.
    pub filling_cycles: f64,
    /// How much later than the delay in use both show, engine cycles: fuel is metered ahead
    /// of the intake.
    pub later_cycles: f64,
}

/// The film that explains a step's readings best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FilmFit {
    /// Share of the fuel that lands on the wall and is not made up for; negative where
    /// the controller gives too much.
    pub share: f64,
    /// Its standard error.
    pub share_error: f64,
    /// Time constant at 3000 1/min, s.
    pub film_s: f64,
    /// How far the map is off before the step, as a logarithm of lambda.
    pub map_before: f64,
    /// How much more it is off behind it.
    pub map_step: f64,
    /// Root mean square of what is left, as a ratio.
    pub unexplained: f64,
    /// What speaks against it, in squared standard deviations.
    pub cost: f64,
}

/// What a step is fitted to.
pub(super) struct Scene<'a> {
    /// The course from well before the step to well behind it.
    pub course: &'a Course<'static>,
    /// How it shows in the readings.
    pub delay: &'a FixedDelay,
    /// Row and logged lambda of each reading that counts.
    pub readings: &'a [(usize, f64)],
    /// How far the hand has come, 0 to 1, as the sensor sees it.
    pub progress: &'a [f64],
    /// Seconds from reading to reading.
    pub interval_s: f64,
}

impl Scene<'_> {
    /// The best film for a way of answering; `None` where the readings allow none.
    pub fn fit(&self, answering: &Answering) -> Option<FilmFit> {
        let fits = FILM_S.iter().filter_map(|film_s| {
            let fit = self.fit_share(*film_s, answering)?;
            let octaves = (film_s / USUAL_FILM_S).log2();
            Some(FilmFit { cost: fit.cost + PER_OCTAVE * octaves * octaves, ..fit })
        });
        fits.min_by(|a, b| a.cost.total_cmp(&b.cost))
    }

    /// Logarithm of what the sensor reads of a share, at each reading.
    fn predict(&self, share: f64, film_s: f64, answering: &Answering) -> Vec<f64> {
        let following = Following { film_share: share, film_s, filling_cycles: answering.filling_cycles };
        let seen = self.course.reading(&self.course.cylinder_lambda(&following), &self.shown(answering));
        self.readings.iter().map(|(row, _)| seen[*row].ln()).collect()
    }

    /// The delay after which the cylinders' mixture shows.
    fn shown(&self, answering: &Answering) -> FixedDelay {
        FixedDelay { cycles: (self.delay.cycles + answering.later_cycles).max(0.0), ..*self.delay }
    }

    /// Gauss-Newton steps of the share, the map's part solved along.
    fn fit_share(&self, film_s: f64, answering: &Answering) -> Option<FilmFit> {
        // Readings closer than the lag's memory repeat each other.
        let weight =
            (self.interval_s / (2.0 * self.delay.lag_s).max(self.interval_s)) / READING_SPREAD.powi(2);
        let priors = [SHARE_SPREAD, MAP_SPREAD, MAP_STEP_SPREAD].map(|spread| 1.0 / (spread * spread));
        let mut share = 0.0;
        let mut found = None;
        for _ in 0..PASSES {
            let here = self.predict(share, film_s, answering);
            let aside = self.predict(share + SHARE_STEP, film_s, answering);
            let mut left = [[0.0; UNKNOWNS]; UNKNOWNS];
            let mut right = [0.0; UNKNOWNS];
            for (k, (row, lambda)) in self.readings.iter().enumerate() {
                let slope = (aside[k] - here[k]) / SHARE_STEP;
                let by = [slope, 1.0, self.progress[*row]];
                // Against the share itself, so that its prior pulls towards none.
                let rest = lambda.ln() - here[k] + slope * share;
                for i in 0..UNKNOWNS {
                    right[i] += weight * by[i] * rest;
                    (0..UNKNOWNS).for_each(|j| left[i][j] += weight * by[i] * by[j]);
                }
            }
            (0..UNKNOWNS).for_each(|i| left[i][i] += priors[i]);
            let (at, variance) = solve(left, right)?;
            share = at[0].clamp(SHARE_RANGE.0, SHARE_RANGE.1);
            found = Some((at, variance));
        }
        let ([_, map_before, map_step], variance) = found?;
        let seen = self.predict(share, film_s, answering);
        let squares: f64 = self
            .readings
            .iter()
            .zip(&seen)
            .map(|((row, lambda), seen)| {
                let rest = lambda.ln() - seen - map_before - map_step * self.progress[*row];
                rest * rest
            })
            .sum();
        let held = [share, map_before, map_step];
        let against: f64 = held.iter().zip(priors).map(|(value, prior)| prior * value * value).sum();
        let cost = weight * squares + against;
        cost.is_finite().then_some(FilmFit {
            share,
            share_error: variance.sqrt(),
            film_s,
            map_before,
            map_step,
            unexplained: (squares / self.readings.len() as f64).sqrt(),
            cost,
        })
    }

    /// How far the cylinders' lambda lies from what is meant, row by row, as a ratio less one.
    pub fn excursion(&self, fit: &FilmFit, answering: &Answering) -> Vec<f64> {
        let filling_cycles = answering.filling_cycles;
        let following = Following { film_share: fit.share, film_s: fit.film_s, filling_cycles };
        let lambda = self.course.cylinder_lambda(&following);
        lambda.iter().zip(self.course.meant()).map(|(lambda, meant)| lambda / meant - 1.0).collect()
    }

    /// The same as the sensor showed it, the map's part taken out; at each reading.
    pub fn as_read(&self, fit: &FilmFit, answering: &Answering) -> Vec<f64> {
        let meant = self.course.reading(self.course.meant(), &self.shown(answering));
        let shown = |(row, lambda): &(usize, f64)| {
            let map = fit.map_before + fit.map_step * self.progress[*row];
            (lambda.ln() - meant[*row].ln() - map).exp() - 1.0
        };
        self.readings.iter().map(shown).collect()
    }
}

/// The solution of three equations, and the variance of the first unknown when the left
/// side stands in units of inverse variance; `None` where they do not tell.
fn solve(mut left: [[f64; UNKNOWNS]; UNKNOWNS], right: [f64; UNKNOWNS]) -> Option<([f64; UNKNOWNS], f64)> {
    // Gauss-Jordan; the priors keep every pivot positive.
    let mut sides = right.map(|value| [value, 0.0]);
    sides[0][1] = 1.0;
    for i in 0..UNKNOWNS {
        let pivot = left[i][i];
        if !(pivot > 0.0 && pivot.is_finite()) {
            return None;
        }
        left[i] = left[i].map(|value| value / pivot);
        sides[i] = sides[i].map(|value| value / pivot);
        for k in (0..UNKNOWNS).filter(|k| *k != i) {
            let factor = left[k][i];
            (0..UNKNOWNS).for_each(|j| left[k][j] -= factor * left[i][j]);
            (0..2).for_each(|j| sides[k][j] -= factor * sides[i][j]);
        }
    }
    let at = sides.map(|side| side[0]);
    at.iter().all(|value| value.is_finite()).then_some((at, sides[0][1]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_equations_are_solved_with_the_variance_of_the_first() {
        // Checked by hand: the inverse of diag(4, 2, 1) coupled by 1 between the first two.
        let (at, variance) =
            solve([[4.0, 1.0, 0.0], [1.0, 2.0, 0.0], [0.0, 0.0, 1.0]], [6.0, 5.0, 3.0]).expect("regular");
        assert!((at[0] - 1.0).abs() < 1e-12 && (at[1] - 2.0).abs() < 1e-12 && (at[2] - 3.0).abs() < 1e-12);
        assert!((variance - 2.0 / 7.0).abs() < 1e-12);
        assert!(solve([[0.0; 3]; 3], [0.0; 3]).is_none());
    }
}
