//! `two_sensors`: the cylinders' lambdas held against each other.
//!
//! The map is corrected by their mean, so that one cylinder runs leaner than the
//! mean says; and a dead sensor drags the mean.

use super::scene::{middle, percentile};
use super::{FindingEntry, Scene, Seen, Severity};
use crate::pipeline::signs;
use crate::ride::Channel;
use crate::statistics::Moments;
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "two_sensors",
    about: "With two lambda sensors: how far the cylinders differ over steady warm running, and whether one sensor is \
            dead.",
    severity: "warning when they differ by 3 % and more, serious when one does not follow the engine and the other does",
    source: "common practice, no source",
    look_at: "the leaner cylinder's injector, intake joint and exhaust joint: the leaner one is what burns pistons; \
              a dead sensor is replaced, or its column left out of the log",
    look: Some(look),
};

/// Cylinders differ by this. Common practice, no source.
const DIFFERENT: f64 = 0.03;
/// A difference that changes by this from light to high load is said to depend on it.
const DEPENDS: f64 = 0.02;
/// Steady running needed, s.
const ENOUGH_S: f64 = 60.0;
/// A living sensor moves by this between the 5th and 95th percentile while a dead
/// one stays below a fifth of what the other does, or follows none of it. Common
/// practice, no source.
const LIVES: f64 = 0.04;
const DEAD_SHARE: f64 = 0.2;
const FOLLOWS: f64 = 0.15;
/// A reading that stands still for most of the warm time is dead as well.
const STILL_S: f64 = 4.0;
const STILL_SPAN: f64 = 0.0005;
const STILL_SHARE: f64 = 0.5;

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    let [first, second] = scene.rows.sensors() else { return Vec::new() };
    let both = |mask: &[bool]| -> Vec<bool> {
        (0..mask.len()).map(|i| mask[i] && !first[i].is_nan() && !second[i].is_nan()).collect()
    };
    let fuelled = both(&scene.fuelled);
    let seen = match scene.seconds(&fuelled) < ENOUGH_S {
        true => None,
        false => dead(scene, [first, second], &fuelled)
            .or_else(|| different(scene, first, second, &both(&scene.steady))),
    };
    seen.into_iter().collect()
}

/// One sensor that does not follow the engine while the other does.
fn dead(scene: &Scene<'_>, sensors: [&[f64]; 2], mask: &[bool]) -> Option<Seen> {
    let span = |values: &[f64]| {
        let there = scene.values_where(values, mask);
        Some(percentile(&there, 0.95)? - percentile(&there, 0.05)?)
    };
    let spans = [span(sensors[0])?, span(sensors[1])?];
    let still = sensors.map(|sensor| {
        let still = signs::still_for(scene.time_s(), sensor, STILL_SPAN, STILL_S);
        let still: Vec<bool> = still.iter().zip(mask).map(|(s, m)| *s && *m).collect();
        scene.seconds(&still) / scene.seconds(mask)
    });
    let together = correlation(&scene.values_where(sensors[0], mask), &scene.values_where(sensors[1], mask));
    (0..2).find_map(|dead| {
        let lives = 1 - dead;
        let quiet = spans[dead] < DEAD_SHARE * spans[lives];
        let is_dead = still[dead] >= STILL_SHARE || (quiet && together < FOLLOWS);
        if spans[lives] < LIVES || still[lives] >= STILL_SHARE || !is_dead {
            return None;
        }
        let channel = [Channel::Lambda, Channel::Lambda2][dead];
        let saw = format!(
            "`{}` does not follow the engine: it moves by {} while the other sensor moves by {}, and stands still for {} % of the time",
            channel.name(),
            units::fixed(spans[dead], 3),
            units::fixed(spans[lives], 3),
            units::fixed(still[dead] * 100.0, 0)
        );
        Some(Seen::new(Severity::Serious, saw).in_channel(channel))
    })
}

fn different(scene: &Scene<'_>, first: &[f64], second: &[f64], mask: &[bool]) -> Option<Seen> {
    if scene.seconds(mask) < ENOUGH_S {
        return None;
    }
    let load = scene.rows.load();
    let ratio = |low: f64, high: f64| {
        let part = (0..mask.len()).filter(|i| mask[*i] && (low..=high).contains(&load[*i]));
        middle(&part.map(|i| second[i] / first[i] - 1.0).collect::<Vec<f64>>())
    };
    let all = ratio(f64::NEG_INFINITY, f64::INFINITY)?;
    if all.abs() < DIFFERENT {
        return None;
    }
    let loads = scene.values_where(load, mask);
    let (low, high) = (percentile(&loads, 1.0 / 3.0)?, percentile(&loads, 2.0 / 3.0)?);
    let (light, heavy) = (ratio(f64::NEG_INFINITY, low)?, ratio(high, f64::INFINITY)?);
    let unit = scene.bike().controller.load.unit();
    let with_load = match (heavy - light).abs() >= DEPENDS {
        true => "it depends on load",
        false => "it hardly depends on load",
    };
    let leaner = if all > 0.0 { Channel::Lambda2 } else { Channel::Lambda };
    let saw = format!(
        "`{}` reads {} % leaner than the other cylinder (median of steady running); {with_load}: `lambda_2` against `lambda` {} % up to {} {unit}, {} % from {} {unit}",
        leaner.name(),
        units::fixed(all.abs() * 100.0, 1),
        units::signed(light * 100.0, 1),
        units::fixed(low, 0),
        units::signed(heavy * 100.0, 1),
        units::fixed(high, 0)
    );
    Some(Seen::new(Severity::Warning, saw).in_channel(leaner).at_points("steady warm running"))
}

/// Pearson's correlation; 0 where one does not move.
fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let pairs: Vec<(f64, f64)> = a.iter().copied().zip(b.iter().copied()).collect();
    Moments::of(&pairs).and_then(|moments| moments.correlation()).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{found, usual};
    use crate::ride::Channel;

    fn with_second(second: impl Fn(f64, usize) -> f64) -> Vec<String> {
        let mut channels = usual(6000, |_, _, usual| usual);
        let lambda = channels.iter().find(|(c, _)| *c == Channel::Lambda).expect("there").1.clone();
        let second = lambda.iter().enumerate().map(|(i, l)| second(*l, i)).collect();
        channels.push((Channel::Lambda2, second));
        found(&channels)
    }

    #[test]
    fn cylinders_that_differ_are_a_warning_and_a_dead_sensor_is_serious() {
        assert!(with_second(|l, i| l * 1.01 + 0.002 * (i % 5) as f64).is_empty());
        assert_eq!(with_second(|l, _| l * 1.05), ["two_sensors warning"]);
        assert_eq!(with_second(|l, _| l * 0.95), ["two_sensors warning"]);
        assert_eq!(with_second(|_, _| 0.70), ["two_sensors serious"]);
        assert_eq!(with_second(|_, i| 0.97 + 0.002 * (i % 4) as f64), ["two_sensors serious"]);
    }
}
