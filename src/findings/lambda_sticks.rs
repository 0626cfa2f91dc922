//! `lambda_frozen` and `lambda_railed`: a reading that stands still while the
//! engine does not, or that lies at an end of its range while fuel flows.
//!
//! The stage `lambda_valid` drops such samples. When there are many, the rest of
//! the ride is not to be trusted either.

use super::scene::{percentile, stretches};
use super::{FindingEntry, Scene, Seen, Severity};
use crate::pipeline::signs::{self, RailEnd};
use crate::ride::Channel;
use crate::units;

/// What is known of a frozen reading.
pub static FROZEN: FindingEntry = FindingEntry {
    name: "lambda_frozen",
    about: "The lambda reading does not move for ten seconds and more while speed or load do, or hardly moves for \
            half a minute while both move far.",
    severity: "warning from 2 % of the warm running time, serious from 20 %",
    source: "exhaust gas never holds lambda within 0.0005 through a change of load, nor within 0.02 through half a \
             minute of riding; common practice, no source",
    look_at: "the lambda sensor, its plug, and the logger's channel for it",
    look: Some(frozen),
};

/// What is known of a railed reading.
pub static RAILED: FindingEntry = FindingEntry {
    name: "lambda_railed",
    about: "The lambda reading sticks at its lowest or highest value while the engine burns fuel.",
    severity: "warning from 3 % of the warm running time, serious from 30 %",
    source: "common practice, no source",
    look_at: "the range the logger gives the sensor, the sensor's free-air calibration, and whether the map is far \
              too rich or lean there",
    look: Some(railed),
};

/// Longer than the stage `lambda_valid` asks for: a coarse log of a closed loop
/// may stand still for some seconds. Common practice, no source.
const STILL_S: f64 = 10.0;
/// As the stage `lambda_valid` has them.
const STILL_SPAN: f64 = 0.0005;
/// A reading that hangs in a converter's noise for so long is none either, where the engine moves
/// far. Common practice, no source: over such movement any mixture changes by more.
const NOISY_STILL_S: f64 = 30.0;
const NOISY_SPAN: f64 = 0.02;
const MOVES_FAR_RPM: f64 = 1500.0;
const MOVES_FAR_LOAD: f64 = 20.0;
const RAILED_S: f64 = 0.4;
/// Movement of the engine that no sensor sleeps through. Common practice, no source.
const MOVES_RPM: f64 = 500.0;
const MOVES_LOAD: f64 = 6.0;
const FROZEN_WARNING: f64 = 0.02;
const FROZEN_SERIOUS: f64 = 0.20;
const RAILED_WARNING: f64 = 0.03;
const RAILED_SERIOUS: f64 = 0.30;
/// Shares of less time than this mean nothing, s. Common practice, no source.
const ENOUGH_S: f64 = 60.0;

fn frozen(scene: &Scene<'_>) -> Vec<Seen> {
    let spans = |first: usize, last: usize| {
        let span = |values: &[f64]| {
            let part: Vec<f64> = (first..=last).filter(|i| scene.fuelled[*i]).map(|i| values[i]).collect();
            percentile(&part, 0.95).unwrap_or_default() - percentile(&part, 0.05).unwrap_or_default()
        };
        (span(scene.rows.rpm()), span(scene.rows.load()))
    };
    let moves = |(rpm, load): (f64, f64)| rpm >= MOVES_RPM || load >= MOVES_LOAD;
    let moves_far = |(rpm, load): (f64, f64)| rpm >= MOVES_FAR_RPM && load >= MOVES_FAR_LOAD;
    let lambda = &scene.rows.sensors()[0];
    let mut mask = vec![false; lambda.len()];
    let still = |span: f64, long_s: f64| signs::still_stretches(scene.time_s(), lambda, span, long_s);
    let frozen = still(STILL_SPAN, STILL_S).into_iter().filter(|(first, last)| moves(spans(*first, *last)));
    let noisy =
        still(NOISY_SPAN, NOISY_STILL_S).into_iter().filter(|(first, last)| moves_far(spans(*first, *last)));
    for (first, last) in frozen.chain(noisy) {
        mask[first..=last].copy_from_slice(&scene.fuelled[first..=last]);
    }
    share_of_time(scene, &mask, (FROZEN_WARNING, FROZEN_SERIOUS), "does not move while the engine does")
}

fn railed(scene: &Scene<'_>) -> Vec<Seen> {
    let lambda = &scene.rows.sensors()[0];
    let railed = signs::railed(scene.time_s(), lambda, RAILED_S);
    let of_end = |end: RailEnd| -> Vec<bool> {
        railed.iter().zip(&scene.fuelled).map(|(r, f)| *r == Some(end) && *f).collect()
    };
    let (rich, lean) = (of_end(RailEnd::Rich), of_end(RailEnd::Lean));
    let at = |end: RailEnd, mask: &[bool]| {
        format!("{} s at the {} end", units::fixed(scene.seconds(mask), 0), end.word())
    };
    let what = match (rich.contains(&true), lean.contains(&true)) {
        (true, true) => {
            let (rich, lean) = (at(RailEnd::Rich, &rich), at(RailEnd::Lean, &lean));
            format!("sticks at both ends of its range ({rich}, {lean})")
        }
        (false, true) => "sticks at the lean end of its range".to_owned(),
        (_, false) => "sticks at the rich end of its range".to_owned(),
    };
    let mask: Vec<bool> = rich.iter().zip(&lean).map(|(rich, lean)| *rich || *lean).collect();
    share_of_time(scene, &mask, (RAILED_WARNING, RAILED_SERIOUS), &what)
}

fn share_of_time(scene: &Scene<'_>, mask: &[bool], limits: (f64, f64), what: &str) -> Vec<Seen> {
    let (seconds, of) = (scene.seconds(mask), scene.seconds(&scene.fuelled));
    let share = seconds / of;
    let severity = match share {
        share if of < ENOUGH_S || share < limits.0 => return Vec::new(),
        share if share < limits.1 => Severity::Warning,
        _ => Severity::Serious,
    };
    let parts = stretches(mask);
    let time = scene.time_s();
    let (Some(first), Some(last)) = (parts.first(), parts.last()) else { return Vec::new() };
    let saw = format!(
        "`lambda` {what} for {} of {} of warm running ({} %), first at {} s, where it reads {}",
        units::duration(seconds),
        units::duration(of),
        units::fixed(share * 100.0, 0),
        units::fixed(time[first.0], 0),
        units::fixed(scene.rows.sensors()[0][first.0], 3),
    );
    vec![Seen::new(severity, saw).in_channel(Channel::Lambda).between(time[first.0], time[last.1])]
}

#[cfg(test)]
mod tests {
    use super::super::tests::{found, usual};
    use crate::ride::Channel;

    #[test]
    fn a_sensor_that_sticks_from_the_middle_on_is_serious_and_for_a_moment_a_warning() {
        let stuck = |from: usize, to: usize, at: f64| {
            usual(6000, |channel, i, usual| match channel {
                Channel::Lambda if (from..to).contains(&i) => at,
                _ => usual,
            })
        };
        assert_eq!(found(&stuck(3000, 6000, 0.97)), ["lambda_frozen serious"]);
        assert_eq!(found(&stuck(3000, 3400, 0.97)), ["lambda_frozen warning"]);
        assert!(found(&stuck(3000, 3060, 0.97)).is_empty());
        assert_eq!(found(&stuck(3000, 6000, 0.65)), ["lambda_frozen serious", "lambda_railed serious"]);
    }

    #[test]
    fn a_steady_reading_of_a_steady_engine_is_no_lie() {
        let held = usual(6000, |channel, _, usual| match channel {
            Channel::Rpm => 4000.0,
            Channel::ThrottlePct => 20.0,
            Channel::Lambda => 0.95,
            _ => usual,
        });
        assert!(found(&held).is_empty());
    }
}
