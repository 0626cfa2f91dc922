//! `knock`: the controller heard the engine knock.
//!
//! Nothing lies here; but a map is not to be trusted, nor leaned by hand, where it knocks.

use super::{FindingEntry, Scene, Seen, Severity};
use crate::evidence::FEWEST_EVENTS;
use crate::ride::Channel;
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "knock",
    about: "The log counts events of knock.",
    severity: "warning from two events on, note for a single one, which may be noise of the sensor",
    source: "the meaning of the channel; how many events are noise is common practice, no source",
    look_at: "fuel, heat, a lean mixture, deposits and too much advance, before it is ridden hard again; no cell \
              near it is leaned, and `rideloop knock` brings spark below where it knocked",
    look: Some(look),
};

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    let Some(counts) = scene.channel(Channel::KnockCount) else { return Vec::new() };
    let (rpm, load, time_s) = (scene.rows.rpm(), scene.rows.load(), scene.time_s());
    let heard: Vec<usize> = (0..counts.len()).filter(|i| scene.running[*i] && counts[*i] > 0.0).collect();
    let events: f64 = heard.iter().map(|i| counts[*i]).sum();
    let (Some(first), Some(last)) = (heard.first(), heard.last()) else { return Vec::new() };
    let severity = if events >= f64::from(FEWEST_EVENTS) { Severity::Warning } else { Severity::Note };
    let ends = |values: &[f64]| {
        let known = heard.iter().map(|i| values[*i]).filter(|v| v.is_finite());
        known.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
    };
    let span = |(low, high): (f64, f64)| match units::fixed(low, 0) == units::fixed(high, 0) {
        true => units::fixed(low, 0),
        false => format!("{} to {}", units::fixed(low, 0), units::fixed(high, 0)),
    };
    let region =
        format!("{} rpm, load {} {}", span(ends(rpm)), span(ends(load)), scene.bike().controller.load.unit());
    let saw = format!("{} of knock", units::counted(events.round().max(1.0) as usize, "event"));
    let seen = Seen::new(severity, saw).in_channel(Channel::KnockCount).at_points(region);
    vec![seen.between(time_s[*first], time_s[*last])]
}

#[cfg(test)]
mod tests {
    use super::super::tests::found;
    use super::*;

    fn ride_with(events: &[(usize, f64)]) -> Vec<(Channel, Vec<f64>)> {
        let n = 4000;
        let mut counts = vec![0.0; n];
        events.iter().for_each(|(i, count)| counts[*i] = *count);
        let wave = |i: usize| (i as f64 / 40.0).sin();
        vec![
            (Channel::Rpm, (0..n).map(|i| 4000.0 + 800.0 * wave(i)).collect()),
            (Channel::ThrottlePct, (0..n).map(|i| 20.0 + 19.9 * wave(i)).collect()),
            (Channel::Lambda, (0..n).map(|i| 0.95 + 0.02 * wave(7 * i)).collect()),
            (Channel::KnockCount, counts),
        ]
    }

    fn of_knock(events: &[(usize, f64)]) -> Vec<String> {
        found(&ride_with(events)).into_iter().filter(|found| found.starts_with("knock ")).collect()
    }

    #[test]
    fn two_events_warn_one_is_noted_and_none_is_silent() {
        assert_eq!(of_knock(&[(1000, 1.0), (1500, 2.0)]), ["knock warning"]);
        assert_eq!(of_knock(&[(1000, 1.0)]), ["knock note"]);
        assert!(of_knock(&[(1000, f64::NAN), (1100, -3.0)]).is_empty());
    }
}
