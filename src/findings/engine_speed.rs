//! `engine_speed`: a speed that the limiter or the gearing does not allow.
//!
//! A pickup that sees two pulses a turn, or one in two turns, puts every sample into the
//! wrong cells, and nothing else in the log tells.

use super::{FindingEntry, Scene, Seen, Severity};
use crate::bike::Gearing;
use crate::ride::{Channel, median};
use crate::units::{self, KPH_PER_MPH};

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "engine_speed",
    about: "The engine turns far beyond its limiter for longer than an overrev lasts, or engine and road speed do \
            not fit the gearing. The second needs `gearing` in bike.yaml and a logged road speed; with a logged gear \
            it sees more.",
    severity: "serious above the limiter, and when engine speed looks doubled or halved; warning when road speed \
               looks like miles, or the gearing is another one",
    source: "arithmetic of the gearing; the limits are common practice, no source",
    look_at: "how many pulses a turn the logger is told to count, `rev_limit_rpm` and `gearing` in bike.yaml, and the \
              unit of the road speed",
    look: Some(look),
};

/// A wrong downshift may push an engine past its limiter, but not this far for this long, s.
const BEYOND_LIMIT: f64 = 1.15;
const OVERREV_S: f64 = 1.0;
/// Below this the clutch may slip, km/h.
const ROLLING_KPH: f64 = 25.0;
const ROLLING_RPM: f64 = 1500.0;
/// So much of a ride must be rolling, s, for the gears to be judged.
const ENOUGH_S: f64 = 60.0;
/// Other sprockets and tyres shift the ratio by less than this.
const OTHER_SPROCKETS: f64 = 1.25;
/// How near to a doubling, a halving or a mile a ratio must be to be called that.
const NEAR: f64 = 1.12;
/// Outside all gears by more than other sprockets for this long, s.
const OUTSIDE_S: f64 = 20.0;

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    let against_road = || {
        let gearing = scene.bike().gearing.as_ref()?;
        let speed = scene.channel(Channel::SpeedKph)?;
        match scene.channel(Channel::Gear) {
            Some(gear) => in_gear(scene, gearing, speed, gear),
            None => outside_gears(scene, gearing, speed),
        }
    };
    beyond_limit(scene).or_else(against_road).map(|seen| seen.in_channel(Channel::Rpm)).into_iter().collect()
}

fn beyond_limit(scene: &Scene<'_>) -> Option<Seen> {
    let limit = scene.bike().engine.rev_limit_rpm;
    let rpm = scene.rows.rpm();
    let beyond: Vec<bool> = rpm.iter().map(|rpm| *rpm > limit * BEYOND_LIMIT).collect();
    let highest = rpm.iter().copied().filter(|rpm| rpm.is_finite()).fold(0.0, f64::max);
    let seconds = scene.seconds(&beyond);
    (seconds >= OVERREV_S).then(|| {
        let saw = format!(
            "{} s above {} 1/min, up to {}, though bike.yaml has the limiter at {}",
            units::fixed(seconds, 1),
            units::fixed(limit * BEYOND_LIMIT, 0),
            units::fixed(highest, 0),
            units::fixed(limit, 0)
        );
        Seen::new(Severity::Serious, saw)
    })
}

/// Rows on which engine and road hang together.
fn rolling(scene: &Scene<'_>, speed: &[f64]) -> Vec<bool> {
    let rpm = scene.rows.rpm();
    speed.iter().zip(rpm).map(|(speed, rpm)| *speed >= ROLLING_KPH && *rpm >= ROLLING_RPM).collect()
}

/// Road speed over what the logged gear gives at the engine's speed.
fn in_gear(scene: &Scene<'_>, gearing: &Gearing, speed: &[f64], gear: &[f64]) -> Option<Seen> {
    let rpm = scene.rows.rpm();
    let number = |gear: f64| (gear.fract() == 0.0 && gear >= 1.0).then_some(gear as usize);
    let rows = rolling(scene, speed);
    let ratios = (0..speed.len()).filter(|i| rows[*i]).filter_map(|i| {
        let gear = number(gear[i]).filter(|gear| *gear <= gearing.gears.len())?;
        Some(speed[i] / gearing.speed_kph(rpm[i], gear))
    });
    let ratios: Vec<f64> = ratios.collect();
    if (ratios.len() as f64) * scene.interval_s() < ENOUGH_S {
        return None;
    }
    let ratio = median(&ratios)?;
    if (1.0 / OTHER_SPROCKETS..=OTHER_SPROCKETS).contains(&ratio) {
        return None;
    }
    let near = |wanted: f64| (wanted / NEAR..=wanted * NEAR).contains(&ratio);
    let (severity, guess) = match () {
        () if near(0.5) => (Severity::Serious, "engine speed looks counted twice"),
        () if near(2.0) => (Severity::Serious, "engine speed looks counted by half"),
        () if near(1.0 / KPH_PER_MPH) => (Severity::Warning, "road speed looks like miles an hour"),
        () if near(KPH_PER_MPH) => (Severity::Warning, "road speed looks turned into km/h twice"),
        () => (Severity::Warning, "engine speed, road speed or gearing is another one"),
    };
    let saw = format!(
        "road speed is {} times what the logged gear gives at the engine's speed: {guess}",
        units::fixed(ratio, 2)
    );
    Some(Seen::new(severity, saw))
}

/// Ratios that no gear has.
fn outside_gears(scene: &Scene<'_>, gearing: &Gearing, speed: &[f64]) -> Option<Seen> {
    let rpm = scene.rows.rpm();
    let rows = rolling(scene, speed);
    // The road speeds of an engine speed, by the shortest and the longest gear.
    let gears: Vec<usize> = (1..=gearing.gears.len()).collect();
    let of = |rpm: f64| gears.iter().map(move |gear| gearing.speed_kph(rpm, *gear));
    let slower: Vec<bool> = (0..rows.len())
        .map(|i| rows[i] && of(rpm[i]).fold(f64::INFINITY, f64::min) > speed[i] * OTHER_SPROCKETS)
        .collect();
    let faster: Vec<bool> = (0..rows.len())
        .map(|i| rows[i] && of(rpm[i]).fold(0.0, f64::max) * OTHER_SPROCKETS < speed[i])
        .collect();
    let (slower_s, faster_s) = (scene.seconds(&slower), scene.seconds(&faster));
    let saw = |seconds: f64, gear: &str, guess: &str| {
        let seconds = units::fixed(seconds, 0);
        format!(
            "for {seconds} s it turns {gear} gear allows at the road speed, by more than a quarter: {guess}"
        )
    };
    match () {
        () if slower_s >= OUTSIDE_S => {
            let guess = "engine speed may be counted twice, or road speed be in miles";
            Some(Seen::new(Severity::Serious, saw(slower_s, "faster than first", guess)))
        }
        () if faster_s >= OUTSIDE_S => {
            let guess = "engine speed may be counted by half";
            Some(Seen::new(Severity::Serious, saw(faster_s, "slower than top", guess)))
        }
        () => None,
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{found, found_on};
    use super::*;

    fn gearing() -> Gearing {
        Gearing {
            primary: 1.8,
            gears: vec![2.55, 1.88, 1.50, 1.27, 1.11, 1.00],
            last: 2.79,
            wheel_circumference_mm: 1940.0,
        }
    }

    /// Three minutes through the gears, engine and road speed off by these factors.
    fn ride(rpm_by: f64, speed_by: f64, logs_gear: bool) -> Vec<(Channel, Vec<f64>)> {
        let rows = 3600;
        let gear = |i: usize| 1 + (i / 200) % 6;
        let rpm = |i: usize| 3000.0 + 900.0 * (i as f64 * 0.05 / 9.0).sin();
        let at = |value: &dyn Fn(usize) -> f64| (0..rows).map(value).collect::<Vec<f64>>();
        let mut channels = vec![
            (Channel::Rpm, at(&|i| rpm(i) * rpm_by)),
            (Channel::ThrottlePct, at(&|i| 16.0 + 8.0 * (i as f64 * 0.05 / 7.0).sin())),
            (Channel::SpeedKph, at(&|i| (gearing().speed_kph(rpm(i), gear(i)) * speed_by).round())),
            (Channel::Lambda, at(&|i| 0.97 + 0.04 * (i as f64 * 0.05 / 7.0).sin())),
            (Channel::EngineTempC, at(&|i| 88.0 + (i as f64 * 0.05 / 40.0).sin())),
        ];
        if logs_gear {
            channels.push((Channel::Gear, at(&|i| gear(i) as f64)));
        }
        channels
    }

    fn geared(channels: &[(Channel, Vec<f64>)]) -> Vec<String> {
        found_on(channels, |bike| bike.gearing = Some(gearing()))
    }

    #[test]
    fn a_speed_counted_twice_or_by_half_is_serious_and_miles_are_a_warning() {
        for logs_gear in [true, false] {
            assert!(geared(&ride(1.0, 1.0, logs_gear)).is_empty());
            assert!(geared(&ride(1.0, 1.08, logs_gear)).is_empty(), "other sprockets");
            assert_eq!(geared(&ride(2.0, 1.0, logs_gear)), ["engine_speed serious"]);
            assert_eq!(geared(&ride(0.5, 1.0, logs_gear)), ["engine_speed serious"]);
        }
        assert_eq!(geared(&ride(1.0, 1.0 / KPH_PER_MPH, true)), ["engine_speed warning"]);
    }

    #[test]
    fn beyond_the_limiter_for_long_is_serious_without_any_gearing() {
        let mut fast = ride(1.0, 1.0, false);
        assert!(found(&fast).is_empty());
        fast[0].1[1000..1019].fill(16_000.0);
        assert!(found(&fast).iter().all(|f| !f.starts_with("engine_speed")), "an overrev");
        fast[0].1[1000..1100].fill(16_000.0);
        assert!(found(&fast).contains(&"engine_speed serious".to_owned()));
    }
}
