//! How the mixture follows the throttle: what each step of the hand did to lambda.
//!
//! One ride with its alignment enters; its throttle steps leave, each with how far
//! lambda went from what was wanted and for how long, or with the reason why it does
//! not tell. [`regions`] sums them up by engine speed and size of the step.
//!
//! Known weaknesses: the sensor's lag hides a part of every peak. It is not inverted,
//! which would blow up noise; a film is fitted whose reading, lag included, is the one
//! that was logged, and the peak is the film's. So a peak is as good as the lag in use:
//! 0.03 s of error in it are about a tenth of a short peak. Fuelling that follows no film
//! (a timed squirt) is told by its mean course, or not at all.

mod film_fit;
mod moves;
pub mod regions;
mod step;

pub use film_fit::{Answering, FilmFit};
pub use moves::{Move, moves};
pub use step::{DISCARDS, Discarded, RideSteps, Step, steps_of_ride};

#[cfg(test)]
mod tests;
