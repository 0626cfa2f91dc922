//! `throttle`: one that never closes, never opens, or jumps to nonsense.

use super::scene::{middle, percentile};
use super::{FindingEntry, Scene, Seen, Severity};
use crate::pipeline::signs;
use crate::ride::Channel;
use crate::table::LoadAxis;
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "throttle",
    about: "The throttle reads open while the engine idles at standstill or the controller cuts fuel, never opens \
            although the engine works, or jumps there and back within one reading.",
    severity: "warning from 2.5 % above the table's lowest load, serious from 6 % where the table's load is throttle; \
               warning when it never opens, and from five jumps on",
    source: "closed is 0 % by the meaning of the channel; the limits are common practice, no source",
    look_at: "the throttle sensor's zero in the controller, the idle stop and the cable, and the sensor's track",
    look: Some(look),
};

/// A closed throttle reads this far above zero. Common practice, no source.
const OFFSET_WARNING_PCT: f64 = 2.5;
const OFFSET_SERIOUS_PCT: f64 = 6.0;
/// Below this road speed, and this share of the rev limit, the bike stands and idles.
const STANDS_KPH: f64 = 2.0;
const IDLES_BELOW: f64 = 0.25;
/// So long must it be seen, s.
const ENOUGH_S: f64 = 5.0;
/// An engine above this share of its limit that never saw this opening was not
/// opened by a throttle that works.
const NEVER_OPENS_PCT: f64 = 8.0;
const WORKS_ABOVE: f64 = 0.6;
/// Readings rarer than this share may be noise.
const RAREST: f64 = 0.005;
/// No hand opens and closes by this within two readings of a fast log.
const JUMP_PCT: f64 = 30.0;
const FAST_S: f64 = 0.12;
const MANY_JUMPS: usize = 5;

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    let Some(throttle) = scene.channel(Channel::ThrottlePct) else { return Vec::new() };
    let found = [never_closes(scene, throttle), never_opens(scene, throttle), jumps(scene, throttle)];
    found.into_iter().flatten().map(|seen| seen.in_channel(Channel::ThrottlePct)).collect()
}

fn never_closes(scene: &Scene<'_>, throttle: &[f64]) -> Option<Seen> {
    let rpm = scene.rows.rpm();
    let limit_rpm = scene.bike().engine.rev_limit_rpm;
    let speed = scene.channel(Channel::SpeedKph);
    let cut = signs::logged_cut(&scene.rows);
    let idles = |i: usize| speed.is_some_and(|s| s[i] < STANDS_KPH) && rpm[i] < IDLES_BELOW * limit_rpm;
    // The rev limiter cuts fuel too, with the throttle open.
    let coasts = |i: usize| cut.as_ref().is_some_and(|c| c[i]) && rpm[i] < WORKS_ABOVE * limit_rpm;
    let closed: Vec<bool> =
        (0..throttle.len()).map(|i| scene.running[i] && (idles(i) || coasts(i))).collect();
    if scene.seconds(&closed) < ENOUGH_S {
        return None;
    }
    // A controller may count its idle stop as some per cent; its table then begins there.
    let lowest_load = match scene.bike().controller.load {
        LoadAxis::ThrottlePct => {
            scene.rows.ridden(scene.context).most_ridden().fuel.grid.load.breakpoints()[0].max(0.0)
        }
        LoadAxis::MapKpa => 0.0,
    };
    let reads = middle(&scene.values_where(throttle, &closed))?;
    let severity = match reads - lowest_load {
        offset if offset < OFFSET_WARNING_PCT => return None,
        offset if offset >= OFFSET_SERIOUS_PCT && scene.bike().controller.load == LoadAxis::ThrottlePct => {
            Severity::Serious
        }
        _ => Severity::Warning,
    };
    let saw = format!(
        "it reads {} % (median) in {} of idle at standstill and fuel cut, where it is closed",
        units::fixed(reads, 1),
        units::duration(scene.seconds(&closed))
    );
    Some(
        Seen::new(severity, saw).at_points(format!("up to {} rpm", units::fixed(WORKS_ABOVE * limit_rpm, 0))),
    )
}

fn never_opens(scene: &Scene<'_>, throttle: &[f64]) -> Option<Seen> {
    // Most rides open it for longer than the rarest share; then there is no more to look at.
    let opens = (0..throttle.len()).filter(|i| scene.running[*i] && throttle[*i] >= NEVER_OPENS_PCT).count();
    if opens as f64 > RAREST * throttle.len() as f64 + 1.0 {
        return None;
    }
    let widest = percentile(&scene.values_where(throttle, &scene.running), 1.0 - RAREST)?;
    let fastest = percentile(&scene.values_where(scene.rows.rpm(), &scene.running), 0.98)?;
    let limit_rpm = scene.bike().engine.rev_limit_rpm;
    (widest < NEVER_OPENS_PCT && fastest > WORKS_ABOVE * limit_rpm).then(|| {
        let saw = format!(
            "it never exceeds {} % although the engine turns {} rpm",
            units::fixed(widest, 1),
            units::fixed(fastest, 0)
        );
        Seen::new(Severity::Warning, saw)
    })
}

fn jumps(scene: &Scene<'_>, throttle: &[f64]) -> Option<Seen> {
    let time = scene.time_s();
    let jumped = |i: &usize| {
        let (before, here, after) = (throttle[i - 1], throttle[*i], throttle[i + 1]);
        let there_and_back = (here - before).abs() >= JUMP_PCT
            && (here - after).abs() >= JUMP_PCT
            && (here - before).signum() == (here - after).signum();
        there_and_back && time[i + 1] - time[i - 1] <= FAST_S
    };
    let jumps: Vec<usize> = (1..throttle.len().max(1) - 1).filter(jumped).collect();
    let (first, last) = (*jumps.first()?, *jumps.last()?);
    (jumps.len() >= MANY_JUMPS).then(|| {
        let saw = format!(
            "{} there and back of {} % and more within one reading, the first at {} s to {} %",
            units::counted(jumps.len(), "jump"),
            units::plain(JUMP_PCT),
            units::fixed(time[first], 1),
            units::fixed(throttle[first], 1)
        );
        Seen::new(Severity::Warning, saw).between(time[first], time[last])
    })
}

#[cfg(test)]
mod tests {
    use super::super::tests::{found, found_on, usual};
    use crate::ride::Channel;
    use crate::table::LoadAxis;

    fn ride(throttle: impl Fn(f64, usize) -> f64) -> Vec<(Channel, Vec<f64>)> {
        usual(6000, |channel, i, usual| match channel {
            Channel::ThrottlePct => throttle(usual, i),
            _ => usual,
        })
    }

    #[test]
    fn a_zero_that_moved_is_named_by_how_far() {
        assert!(found(&ride(|t, _| t + 1.0)).is_empty());
        assert_eq!(found(&ride(|t, _| t + 5.0)), ["throttle warning"]);
        assert_eq!(found(&ride(|t, _| t + 9.0)), ["throttle serious"]);
        let mut by_pressure = ride(|t, _| t + 9.0);
        by_pressure.push((Channel::MapKpa, vec![60.0; 6000]));
        let found = found_on(&by_pressure, |b| b.controller.load = LoadAxis::MapKpa);
        assert_eq!(found, ["throttle warning"], "there it only tells overrun and transients");
    }

    #[test]
    fn one_that_never_opens_and_one_that_jumps_are_named() {
        assert_eq!(found(&ride(|t, i| if i % 900 == 450 { 100.0 } else { t })), ["throttle warning"]);
        let fast = usual(6000, |channel, i, usual| match channel {
            Channel::ThrottlePct => 2.0 + (i % 3) as f64,
            Channel::Rpm => 6800.0 + 100.0 * (i as f64 / 90.0).sin(),
            _ => usual,
        });
        assert!(found(&fast).contains(&"throttle warning".to_owned()));
    }
}
