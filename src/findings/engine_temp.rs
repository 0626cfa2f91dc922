//! `engine_temp`: a temperature that never rises, jumps, or never moves at all.
//!
//! Warm starts are honest: a ride that begins at the thermostat's temperature
//! and stays there says nothing wrong. Air-cooled heads move fast, but not by
//! tens of degrees within a second.

use super::scene::middle;
use super::{FindingEntry, Scene, Seen, Severity};
use crate::bike::Cooling;
use crate::ride::Channel;
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "engine_temp",
    about: "The engine temperature stays cold although the engine runs long, jumps further than metal can, or never \
            moves by the last digit. Where bike.yaml says `cooling: liquid`, it runs hotter than coolant can.",
    severity: "serious when the coolant of a running engine boils for most of the ride; \
               warning when it rises by less than 5 °C in ten minutes from a cold start, is not warm after 25 minutes \
               of running, or jumps more than twice; \
               note when it is constant for twenty minutes of a moving ride, or jumps once or twice",
    source: "common practice, no source",
    look_at: "the temperature sensor, its plug and its place on the engine, and whether the thermostat closes",
    look: Some(look),
};

/// A cold engine under load warms by more than this in that time. Common practice, no source.
const LEAST_RISE_C: f64 = 5.0;
const LONG_S: f64 = 600.0;
/// Every engine under way is warm after this, s. Common practice, no source.
const VERY_LONG_S: f64 = 1500.0;
/// Half glycol under the usual cap boils near this. Common practice, no source.
const BOILS_C: f64 = 128.0;
/// A head may warm by some °C in a second; no engine changes like this. Common practice, no source.
const JUMP_C: f64 = 15.0;
const JUMP_WITHIN_S: f64 = 1.0;
const FEW_JUMPS: usize = 2;
/// Constant to the last digit for this long, s.
const CONSTANT_S: f64 = 1200.0;
/// While speed moves by this between the 10th and 90th percentile, 1/min.
const MOVES_RPM: f64 = 800.0;

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    let Some(temp) = scene.channel(Channel::EngineTempC) else { return Vec::new() };
    let time = scene.time_s();
    let there: Vec<(f64, f64)> = (0..temp.len())
        .filter(|i| !temp[*i].is_nan() && scene.running[*i])
        .map(|i| (time[i], temp[i]))
        .collect();
    let found =
        [boiling(scene, &there), cold(scene, &there).or_else(|| constant(scene, &there)), jumps(&there)];
    found.into_iter().flatten().map(|seen| seen.in_channel(Channel::EngineTempC)).collect()
}

/// Coolant hotter than any cap holds.
fn boiling(scene: &Scene<'_>, there: &[(f64, f64)]) -> Option<Seen> {
    if scene.bike().engine.cooling != Some(Cooling::Liquid) {
        return None;
    }
    let middle = middle(&there.iter().map(|(_, c)| *c).collect::<Vec<f64>>())?;
    (middle > BOILS_C).then(|| {
        let saw = format!(
            "most of the time the coolant is at {} °C or more, where it boils; read as °F that is {} °C",
            units::fixed(middle, 0),
            units::fixed((middle - 32.0) / 1.8, 0)
        );
        Seen::new(Severity::Serious, saw)
    })
}

/// Never warm, and hardly any warmer than at the start.
fn cold(scene: &Scene<'_>, there: &[(f64, f64)]) -> Option<Seen> {
    let (from_s, first) = *there.first()?;
    let to_s = there.last()?.0;
    let highest = there.iter().map(|(_, c)| *c).fold(f64::NEG_INFINITY, f64::max);
    let run_s = scene.seconds(&scene.running);
    let warm_c = scene.bike().warm.engine_temp_c;
    let hardly_rises = run_s >= LONG_S && highest - first < LEAST_RISE_C;
    (highest < warm_c && (hardly_rises || run_s >= VERY_LONG_S)).then(|| {
        let saw = format!(
            "from {} °C it rises to {} °C at most in {} of running, below the {} °C of a warm engine",
            units::fixed(first, 1),
            units::fixed(highest, 1),
            units::duration(run_s),
            units::plain(warm_c)
        );
        Seen::new(Severity::Warning, saw).between(from_s, to_s)
    })
}

fn jumps(there: &[(f64, f64)]) -> Option<Seen> {
    let jumped = |w: &&[(f64, f64)]| w[1].0 - w[0].0 <= JUMP_WITHIN_S && (w[1].1 - w[0].1).abs() >= JUMP_C;
    let jumps: Vec<&[(f64, f64)]> = there.windows(2).filter(jumped).collect();
    let first = jumps.first()?;
    let saw = format!(
        "{} of {} °C and more from one reading to the next, the first at {} s from {} to {} °C",
        units::counted(jumps.len(), "jump"),
        units::plain(JUMP_C),
        units::fixed(first[0].0, 0),
        units::fixed(first[0].1, 1),
        units::fixed(first[1].1, 1)
    );
    let severity = if jumps.len() > FEW_JUMPS { Severity::Warning } else { Severity::Note };
    Some(Seen::new(severity, saw).between(first[0].0, jumps[jumps.len() - 1][1].0))
}

fn constant(scene: &Scene<'_>, there: &[(f64, f64)]) -> Option<Seen> {
    let (mut start, mut longest) = (0, (0, 0));
    for i in 0..there.len() {
        if there[i].1 != there[start].1 {
            start = i;
        }
        if there[i].0 - there[start].0 > there[longest.1].0 - there[longest.0].0 {
            longest = (start, i);
        }
    }
    let (first, last) = (there.get(longest.0)?, there.get(longest.1)?);
    if last.0 - first.0 < CONSTANT_S {
        return None;
    }
    let rpm = scene.values_where(scene.rows.rpm(), &scene.running);
    let at = |share| super::scene::percentile(&rpm, share).unwrap_or_default();
    (at(0.9) - at(0.1) >= MOVES_RPM).then(|| {
        let saw = format!(
            "it is {} °C to the last digit for {} of a ride that moves",
            units::fixed(first.1, 1),
            units::duration(last.0 - first.0)
        );
        Seen::new(Severity::Note, saw).between(first.0, last.0)
    })
}

#[cfg(test)]
mod tests {
    use super::super::tests::{found, found_on, usual};
    use crate::bike::Cooling;
    use crate::ride::Channel;

    fn temps(rows: usize, temp: impl Fn(usize) -> f64) -> Vec<String> {
        found(&usual(rows, |channel, i, usual| match channel {
            Channel::EngineTempC => temp(i),
            _ => usual,
        }))
    }

    #[test]
    fn an_engine_that_never_warms_up_and_one_that_jumps_are_named() {
        assert_eq!(temps(14_000, |_| 21.0), ["engine_temp warning"]);
        assert_eq!(temps(6000, |i| if i % 1000 == 999 { 140.0 } else { 88.0 }), ["engine_temp warning"]);
        assert_eq!(temps(6000, |i| if i == 999 { 140.0 } else { 88.0 }), ["engine_temp note"]);
    }

    #[test]
    fn warm_starts_slow_warm_ups_and_hot_heads_are_honest() {
        assert!(temps(14_000, |_| 90.0).is_empty());
        assert!(temps(14_000, |i| 20.0 + i as f64 * 0.003).is_empty());
        assert_eq!(temps(32_000, |i| (20.0 + i as f64 * 0.003).min(55.0)), ["engine_temp warning"]);
        assert!(temps(14_000, |i| 130.0 + 25.0 * (i as f64 / 150.0).sin()).is_empty());
    }

    #[test]
    fn coolant_that_boils_all_ride_long_is_serious_where_there_is_coolant() {
        let fahrenheit = usual(8000, |channel, _, value| match channel {
            Channel::EngineTempC => value * 1.8 + 32.0,
            _ => value,
        });
        let on = |cooling| found_on(&fahrenheit, |bike| bike.engine.cooling = cooling);
        assert_eq!(on(Some(Cooling::Liquid)), ["engine_temp serious"]);
        assert!(on(Some(Cooling::Air)).is_empty() && on(None).is_empty());
    }
}
