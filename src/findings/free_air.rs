//! In a long fuel cut nothing but air passes the sensor. `no_free_air`: one that never
//! shows it is dead, slow, or sees something else. `rich_in_cuts`: one that shows the
//! opposite reads upside down.

use super::scene::stretches;
use super::{FindingEntry, Scene, Seen, Severity};
use crate::pipeline::signs::{self, RailEnd};
use crate::ride::{Channel, median};
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "no_free_air",
    about: "In a fuel cut of two seconds and more a wideband sensor must rise to free air, or to the lean end of its \
            range. Needs a logged fuel cut.",
    severity: "warning when fewer than a fifth of at least five such cuts show air",
    source: "air is all that passes the engine then; the pipe is empty within about half a second (delay as in the \
             stage `align`); the limits are common practice, no source",
    look_at: "the lambda sensor and its heater, whether it sits too far down the exhaust, and whether its signal \
              passes through a filter",
    look: Some(look),
};

/// What is known of readings that go the wrong way.
pub static RICH: FindingEntry = FindingEntry {
    name: "rich_in_cuts",
    about: "In fuel cuts of two seconds and more lambda goes rich, where nothing but air passes the sensor: the column \
            holds the equivalence ratio (fuel over air, 1/lambda), or the sensor's line is drawn upside down. Needs a \
            logged fuel cut.",
    severity: "serious when most of at least five such cuts read rich",
    source: "air is all that passes the engine then; equivalence ratio = 1/lambda by definition; the limits are common \
             practice, no source",
    look_at: "what the logger's column holds, lambda or its inverse, and the two ends of the sensor's calibration line",
    look: Some(look_rich),
};

/// A cut must outlast transport and lag by far. Common practice, no source.
const LONG_CUT_S: f64 = 2.0;
/// The last air of a cut passes the sensor this much later at most.
const STILL_PASSING_S: f64 = 0.5;
/// From this lambda on the sensor reads air, as in the stage `overrun`.
const FREE_AIR_LAMBDA: f64 = 1.4;
/// A reading this near the ride's highest is at the lean end.
const AT_END: f64 = 0.01;
/// A reading that sticks at the ride's highest this long is at the end of its range, s.
const RAILED_S: f64 = 0.4;
/// The sensor is warm after this. Common practice, no source; as the stage `warm` has it.
const SENSOR_WARM_S: f64 = 25.0;
const FEWEST_CUTS: usize = 5;
const SHARE_WITH_AIR: f64 = 0.2;
/// Richer than this is never air, and richer by so much than where fuel burns.
const RICH_LAMBDA: f64 = 0.8;
const RICHER_BY: f64 = 0.08;
const MOST: f64 = 0.6;
/// From the start of a cut on the pipe empties and the sensor follows, s.
const EMPTY_AFTER_S: f64 = 1.0;

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    let cuts = long_cuts(scene);
    let channels = [Channel::Lambda, Channel::Lambda2];
    channels.into_iter().filter_map(|channel| one_sensor(scene, channel, &cuts)).collect()
}

fn look_rich(scene: &Scene<'_>) -> Vec<Seen> {
    let cuts = long_cuts(scene);
    let channels = [Channel::Lambda, Channel::Lambda2];
    channels.into_iter().filter_map(|channel| rich_sensor(scene, channel, &cuts)).collect()
}

/// The cuts that are long enough, as first and last row; none where there are too few.
fn long_cuts(scene: &Scene<'_>) -> Vec<(usize, usize)> {
    let Some(cut) = signs::logged_cut(&scene.rows) else { return Vec::new() };
    let time = scene.time_s();
    let warm_from_s = time.first().copied().unwrap_or_default() + SENSOR_WARM_S;
    let driven: Vec<bool> = cut.iter().zip(&scene.running).map(|(cut, running)| *cut && *running).collect();
    let long: Vec<(usize, usize)> = stretches(&driven)
        .into_iter()
        .filter(|(first, last)| time[*first] >= warm_from_s && time[*last] - time[*first] >= LONG_CUT_S)
        .collect();
    if long.len() < FEWEST_CUTS { Vec::new() } else { long }
}

fn rich_sensor(scene: &Scene<'_>, channel: Channel, cuts: &[(usize, usize)]) -> Option<Seen> {
    let time = scene.time_s();
    let lambda = scene.channel(channel)?;
    let burning = median(&scene.values_where(lambda, &scene.fuelled))?;
    let in_cut = |(first, last): &(usize, usize)| {
        let empty = (*first..=*last).filter(|i| time[*i] - time[*first] >= EMPTY_AFTER_S);
        median(&empty.map(|i| lambda[i]).collect::<Vec<f64>>())
    };
    let read: Vec<f64> = cuts.iter().filter_map(in_cut).collect();
    let rich = read.iter().filter(|v| **v <= RICH_LAMBDA && **v <= burning - RICHER_BY).count();
    if read.len() < FEWEST_CUTS || (rich as f64) < read.len() as f64 * MOST {
        return None;
    }
    let saw = format!(
        "in {rich} of {} fuel cuts longer than {} s `{}` goes rich, to {} in their middle one, from {} where fuel burns",
        read.len(),
        units::plain(LONG_CUT_S),
        channel.name(),
        units::fixed(median(&read)?, 2),
        units::fixed(burning, 2)
    );
    let ends = (time[cuts[0].0], time[cuts[cuts.len() - 1].1]);
    Some(Seen::new(Severity::Serious, saw).in_channel(channel).between(ends.0, ends.1))
}

fn one_sensor(scene: &Scene<'_>, channel: Channel, cuts: &[(usize, usize)]) -> Option<Seen> {
    let time = scene.time_s();
    let lambda = scene.channel(channel)?;
    let highest = lambda.iter().copied().filter(|v| !v.is_nan()).max_by(f64::total_cmp)?;
    let lean_end = signs::railed(time, lambda, RAILED_S).contains(&Some(RailEnd::Lean));
    let air = if lean_end { FREE_AIR_LAMBDA.min(highest - AT_END) } else { FREE_AIR_LAMBDA };
    let peak = |(first, last): &(usize, usize)| {
        let until = time[*last] + STILL_PASSING_S;
        let during = (*first..lambda.len()).take_while(|i| time[*i] <= until).map(|i| lambda[i]);
        during.filter(|v| !v.is_nan()).fold(f64::NEG_INFINITY, f64::max)
    };
    let peaks: Vec<f64> = cuts.iter().map(peak).filter(|p| p.is_finite()).collect();
    let with_air = peaks.iter().filter(|peak| **peak >= air).count();
    if peaks.len() < FEWEST_CUTS || with_air as f64 >= peaks.len() as f64 * SHARE_WITH_AIR {
        return None;
    }
    let highest_peak = peaks.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let saw = format!(
        "{} of {} fuel cuts longer than {} s show air; the highest `{}` in them is {}",
        with_air,
        peaks.len(),
        units::plain(LONG_CUT_S),
        channel.name(),
        units::fixed(highest_peak, 2)
    );
    let ends = (time[cuts[0].0], time[cuts[cuts.len() - 1].1]);
    Some(Seen::new(Severity::Warning, saw).in_channel(channel).between(ends.0, ends.1))
}

#[cfg(test)]
mod tests {
    use super::super::tests::found;
    use crate::ride::Channel;

    fn ride(air: f64) -> Vec<(Channel, Vec<f64>)> {
        let cut = |i: usize| i % 400 >= 300 && i >= 600;
        let at = |value: &dyn Fn(usize) -> f64| (0..4000).map(value).collect::<Vec<f64>>();
        vec![
            (Channel::Rpm, at(&|_| 3500.0)),
            (Channel::ThrottlePct, at(&|i| if cut(i) { 0.0 } else { 14.0 })),
            (Channel::EngineTempC, at(&|_| 88.0)),
            (Channel::FuelCut, at(&|i| f64::from(u8::from(cut(i))))),
            (
                Channel::Lambda,
                at(&|i| if i > 12 && cut(i - 12) { air } else { 0.98 + 0.003 * (i % 7) as f64 }),
            ),
        ]
    }

    #[test]
    fn a_sensor_that_shows_no_air_in_long_cuts_is_named_and_one_that_does_is_not() {
        assert_eq!(found(&ride(1.1)), ["no_free_air warning"]);
        assert!(found(&ride(3.0)).is_empty());
        // A logger that clips at 1.36 shows as much air as it can.
        assert!(found(&ride(1.36)).is_empty());
    }

    #[test]
    fn a_sensor_that_goes_rich_where_only_air_passes_is_serious() {
        assert_eq!(found(&ride(0.606)), ["no_free_air warning", "rich_in_cuts serious"]);
        assert_eq!(found(&ride(0.95)), ["no_free_air warning"], "slow or dead, but not upside down");
    }

    #[test]
    fn without_a_logged_cut_nothing_is_said() {
        let without: Vec<_> = ride(1.1).into_iter().filter(|(c, _)| *c != Channel::FuelCut).collect();
        assert!(found(&without).is_empty());
    }
}
