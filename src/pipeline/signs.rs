//! Signs in the channels that both stages and findings look for: a reading that
//! does not move, one at its end stop, an engine without fuel.

use super::rows::Rows;
use crate::ride::{Channel, Ride};

/// End stops lie outside this band; a long steady hold inside it is no rail.
/// Common practice, no source.
const NEVER_A_RAIL: std::ops::RangeInclusive<f64> = 0.75..=1.25;

/// How far a reading at its end stop may lie from the outermost one, lambda: one step of a 10 bit
/// converter over a range of one lambda is 0.001, and noise of three steps to either side is
/// 0.006 from the lowest to the highest. Exhaust gas differs by more from cycle to cycle.
/// Converter arithmetic; that gas differs by more is common practice, no source.
const RAIL_NOISE: f64 = 0.006 + 1e-9;

/// Fewer readings than this lie that near together by chance. Common practice, no source.
const FEWEST_NOISY: usize = 12;

/// Where readings off the ends are as still for as long in more than this share of their time,
/// stillness at an end tells nothing. Common practice, no source.
const HARDLY_EVER: f64 = 0.01;

/// A cut that is logged seldom stays known for this long. Common practice, no source.
const CUT_LASTS_S: f64 = 2.0;

/// The stretches of at least `long_s` whose readings stay within `span`, as first
/// and last row; rows without a reading do not end a stretch.
///
/// Shape: `time_s` strictly ascending, `values` of the same length.
/// Units: s, and those of the channel.
pub fn still_stretches(time_s: &[f64], values: &[f64], span: f64, long_s: f64) -> Vec<(usize, usize)> {
    let mut stretches = Vec::new();
    let mut close = |(first, last): (usize, usize)| {
        if time_s[last] - time_s[first] >= long_s {
            stretches.push((first, last));
        }
    };
    let mut open: Option<(usize, usize)> = None;
    let (mut low, mut high) = (f64::NAN, f64::NAN);
    for (i, value) in values.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
        (low, high) = (low.min(*value), high.max(*value));
        open = match open {
            // Two infinite readings are not the same reading.
            Some((first, _)) if high - low <= span && (high - low).is_finite() => Some((first, i)),
            before => {
                before.into_iter().for_each(&mut close);
                (low, high) = (*value, *value);
                Some((i, i))
            }
        };
    }
    open.into_iter().for_each(&mut close);
    stretches
}

/// The samples inside those stretches.
pub fn still_for(time_s: &[f64], values: &[f64], span: f64, long_s: f64) -> Vec<bool> {
    let mut still = vec![false; values.len()];
    for (first, last) in still_stretches(time_s, values, span, long_s) {
        still[first..=last].fill(true);
    }
    still
}

/// An end of what a lambda reading can tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RailEnd {
    /// The lowest reading.
    Rich,
    /// The highest reading.
    Lean,
}

impl RailEnd {
    /// The word in reports.
    pub fn word(self) -> &'static str {
        match self {
            RailEnd::Rich => "rich",
            RailEnd::Lean => "lean",
        }
    }
}

/// The end at which a lambda reading sticks for at least `long_s`, where that can be an end
/// stop: at the ride's own lowest or highest value exactly, or within a converter's noise of it.
///
/// Exhaust gas can be that steady too, seen by a slow sensor or a logger that smooths. So
/// noisy readings count only where the rest of the ride is hardly ever that still for as
/// long, and where there are enough of them to tell.
///
/// Shape: `time_s` strictly ascending, `sensor` of the same length.
pub fn railed(time_s: &[f64], sensor: &[f64], long_s: f64) -> Vec<Option<RailEnd>> {
    let mut railed = vec![None; sensor.len()];
    let mut ends = ends(sensor);
    ends.retain(|(_, end)| !NEVER_A_RAIL.contains(end) && end.is_finite());
    let at_an_end = |v: f64| ends.iter().any(|(_, end)| (v - end).abs() <= RAIL_NOISE);
    let elsewhere = Elsewhere::of(time_s, sensor, at_an_end, long_s);
    for (which, end) in &ends {
        let exact = stretches_where(time_s, sensor, long_s, |v| v == *end);
        let noisy = stretches_where(time_s, sensor, long_s, |v| (v - end).abs() <= RAIL_NOISE);
        let noisy = noisy.into_iter().filter(|(first, last)| {
            let readings = sensor[*first..=*last].iter().filter(|v| !v.is_nan()).count();
            readings >= FEWEST_NOISY && elsewhere.is_hardly_ever_still(time_s[*last] - time_s[*first])
        });
        for (first, last) in exact.into_iter().chain(noisy) {
            for (railed, value) in railed[first..=last].iter_mut().zip(&sensor[first..=last]) {
                *railed = (!value.is_nan()).then_some(*which);
            }
        }
    }
    railed
}

/// How still a sensor's readings are off the ends of a ride.
struct Elsewhere {
    /// How long it is read there, s.
    seconds: f64,
    /// The still stretches there, s.
    still_s: Vec<f64>,
}

impl Elsewhere {
    fn of(time_s: &[f64], sensor: &[f64], at_an_end: impl Fn(f64) -> bool, long_s: f64) -> Self {
        // What is infinite ends a stretch.
        let off: Vec<f64> = sensor.iter().map(|v| if at_an_end(*v) { f64::INFINITY } else { *v }).collect();
        let seconds = (1..off.len()).filter(|i| off[*i].is_finite()).map(|i| time_s[i] - time_s[i - 1]).sum();
        let still = still_stretches(time_s, &off, RAIL_NOISE, long_s);
        Self { seconds, still_s: still.iter().map(|(first, last)| time_s[*last] - time_s[*first]).collect() }
    }

    fn is_hardly_ever_still(&self, for_s: f64) -> bool {
        let still_s: f64 = self.still_s.iter().filter(|s| **s >= for_s).sum();
        still_s <= HARDLY_EVER * self.seconds
    }
}

/// The stretches of at least `long_s` of readings that all do; rows without a reading do
/// not end one.
fn stretches_where(
    time_s: &[f64],
    values: &[f64],
    long_s: f64,
    does: impl Fn(f64) -> bool,
) -> Vec<(usize, usize)> {
    let mut stretches = Vec::new();
    let mut close = |(first, last): (usize, usize)| {
        if time_s[last] - time_s[first] >= long_s {
            stretches.push((first, last));
        }
    };
    let mut open: Option<(usize, usize)> = None;
    for (i, value) in values.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
        match does(*value) {
            true => open = Some((open.map_or(i, |(first, _)| first), i)),
            false => open.take().into_iter().for_each(&mut close),
        }
    }
    open.into_iter().for_each(&mut close);
    stretches
}

/// The lowest and highest reading of a ride.
fn ends(lambda: &[f64]) -> Vec<(RailEnd, f64)> {
    // The least and the largest of numbers pass over what is none.
    let (low, high) = lambda.iter().fold((f64::NAN, f64::NAN), |(low, high), v| (low.min(*v), high.max(*v)));
    [(RailEnd::Rich, low), (RailEnd::Lean, high)].into_iter().filter(|(_, v)| !v.is_nan()).collect()
}

/// Where the log itself says whether fuel is cut; `None` when it never says.
pub fn logged_cut(rows: &Rows<'_>) -> Option<Vec<bool>> {
    let cut = rows.held(Channel::FuelCut, CUT_LASTS_S)?;
    let known = cut.iter().any(|v| !v.is_nan());
    known.then(|| cut.iter().map(|v| *v > 0.5).collect())
}

/// Where fuel is cut: as the log says, or else where the throttle is closed at speed.
///
/// With `believe_log` false a closed throttle at speed counts in any case.
///
/// Units: % and 1/min.
pub fn overrun(rows: &Rows<'_>, closed_throttle_pct: f64, overrun_rpm: f64, believe_log: bool) -> Vec<bool> {
    let cut = logged_cut(rows);
    let throttle = rows.channel(Channel::ThrottlePct);
    let guess = !believe_log || cut.is_none();
    let closed = |i: usize| guess && throttle.is_some_and(|t| t[i] <= closed_throttle_pct);
    (0..rows.len())
        .map(|i| cut.as_ref().is_some_and(|c| c[i]) || (closed(i) && rows.rpm()[i] >= overrun_rpm))
        .collect()
}

/// Where a slot is in use; everywhere when the log does not tell slots.
///
/// Where the log does not say, the slot it said last is still in use; before it
/// says anything, nobody knows.
pub fn on_slot(ride: &Ride, slot: &str) -> Vec<bool> {
    let Some(slots) = ride.slots() else { return vec![true; ride.samples()] };
    let mut in_use = None;
    let told = slots.map(|told| {
        in_use = told.or(in_use);
        in_use == Some(slot)
    });
    told.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Numbers from -1 to 1 that repeat for a seed; evenly spread.
    fn noise(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        move || {
            // Xorshift; any spread will do.
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        }
    }

    /// A level from 200 s on, for so long, with so much noise.
    #[derive(Clone, Copy)]
    struct Held {
        lambda: f64,
        seconds: f64,
        noise: f64,
    }

    /// Ten minutes of lambda between 0.85 and 1.1 in steps that last so long on average, seen
    /// with that lag and noise, but for what is held.
    fn ride(
        rate_hz: f64,
        (steps_s, lag_s, noise_to): (f64, f64, f64),
        held: Held,
        seed: u64,
    ) -> (Vec<f64>, Vec<f64>) {
        let mut random = noise(seed);
        let (mut gas, mut seen, mut until_s) = (0.95, 0.95, 0.0);
        let time_s: Vec<f64> = (0..(600.0 * rate_hz) as usize).map(|i| i as f64 / rate_hz).collect();
        let read = |t: &f64| {
            if *t >= until_s {
                (gas, until_s) = (0.975 + 0.125 * random(), t + steps_s * (1.0 + 0.9 * random()));
            }
            let is_held = (200.0..200.0 + held.seconds).contains(t);
            let now = if is_held { held.lambda } else { gas };
            seen += (now - seen) / (1.0 + lag_s * rate_hz);
            let noise_to = if is_held { held.noise } else { noise_to };
            ((seen + noise_to * random()) * 1000.0).round() / 1000.0
        };
        let sensor = time_s.iter().map(read).collect();
        (time_s, sensor)
    }

    fn railed_s(time_s: &[f64], sensor: &[f64], end: RailEnd) -> f64 {
        let railed = railed(time_s, sensor, 0.4);
        railed.iter().filter(|r| **r == Some(end)).count() as f64 * (time_s[1] - time_s[0])
    }

    /// The readings that are railed though they are not the lowest or highest exactly.
    fn by_noise(time_s: &[f64], sensor: &[f64]) -> Vec<f64> {
        let (ends, railed) = (ends(sensor), railed(time_s, sensor, 0.4));
        let is_off = |v: &f64| ends.iter().all(|(_, end)| v != end);
        sensor.iter().zip(railed).filter(|(v, r)| r.is_some() && is_off(v)).map(|(v, _)| *v).collect()
    }

    proptest! {
        #[test]
        fn a_reading_stuck_in_a_converters_noise_is_railed_at_its_end(
            rate_hz in 5.0..50.0f64,
            noise_to in 0.0..0.0025f64,
            rich in proptest::bool::ANY,
            seed in 1u64..10_000,
        ) {
            let (lambda, end, other) = match rich {
                true => (0.65, RailEnd::Rich, RailEnd::Lean),
                false => (1.40, RailEnd::Lean, RailEnd::Rich),
            };
            let held = Held { lambda, seconds: 60.0, noise: noise_to };
            let (time_s, sensor) = ride(rate_hz, (3.0, 0.0, 0.012), held, seed);
            let found = railed_s(&time_s, &sensor, end);
            prop_assert!((found - 60.0).abs() < 0.5, "{found} s");
            prop_assert_eq!(railed_s(&time_s, &sensor, other), 0.0);
        }

        #[test]
        fn an_honest_rich_pull_of_a_noisy_sensor_is_none(rate_hz in 10.0..50.0f64, seed in 1u64..10_000) {
            let held = Held { lambda: 0.72, seconds: 8.0, noise: 0.010 };
            let (time_s, sensor) = ride(rate_hz, (3.0, 0.1, 0.010), held, seed);
            // By chance some lie together once in thousands of pulls.
            let found = by_noise(&time_s, &sensor).len() as f64 / rate_hz;
            prop_assert!(found < 1.3, "{found} s");
        }

        #[test]
        fn an_honest_rich_pull_of_a_log_that_smooths_is_none(rate_hz in 1.0..2.0f64, seed in 1u64..10_000) {
            let held = Held { lambda: 0.72, seconds: 15.0, noise: 0.003 };
            let (time_s, sensor) = ride(rate_hz, (16.0, 0.6, 0.003), held, seed);
            prop_assert_eq!(by_noise(&time_s, &sensor), Vec::<f64>::new());
        }
    }

    #[test]
    fn a_sensor_that_is_that_still_elsewhere_tells_nothing_by_its_stillness() {
        let mut random = noise(7);
        let time_s: Vec<f64> = (0..6000).map(|i| f64::from(i) * 0.1).collect();
        // A closed loop as a slow sensor sees it, and a pull of ten seconds.
        let level = |i: usize| if (3000..3100).contains(&i) { 0.72 } else { 1.0 };
        let sensor: Vec<f64> = (0..6000).map(|i| level(i) + 0.002 * random()).collect();
        assert_eq!(railed_s(&time_s, &sensor, RailEnd::Rich), 0.0);
        // The same for half the ride, longer than it was ever that still.
        let stuck = |i: usize| {
            if i >= 3000 { 0.72 } else { 1.0 + 0.02 * f64::from(u8::from((i / 50).is_multiple_of(2))) }
        };
        let sensor: Vec<f64> = (0..6000).map(|i| stuck(i) + 0.002 * random()).collect();
        assert!((railed_s(&time_s, &sensor, RailEnd::Rich) - 300.0).abs() < 0.2);
    }

    #[test]
    fn no_honest_ride_loses_a_reading_that_is_not_at_its_end_exactly() {
        use super::super::stages::tests::bike;
        use crate::ride::Loggers;
        use crate::virtual_bike::{Ambient, BikeSpec, Character, RideRequest, RideStyle, VirtualBike};
        let (bike, tables) = bike();
        // The virtual sensor has stops of its own, which fuel cuts and a map far too rich reach:
        // what lies there is no honest reading.
        const BETWEEN_STOPS: std::ops::RangeInclusive<f64> = 0.61..=1.64;
        let lost = |time_s: &[f64], sensor: &[f64]| {
            by_noise(time_s, sensor).iter().filter(|v| BETWEEN_STOPS.contains(v)).count()
        };
        for seed in 1..=6 {
            let twin = VirtualBike { spec: BikeSpec::of(&bike), character: Character::from_seed(seed) };
            // Rich enough that full throttle lies beyond what can be no rail.
            let request = RideRequest {
                seed,
                minutes: 12.0,
                rate_hz: 20.0,
                cold_start: false,
                ambient: Ambient::reference(),
                style: RideStyle::Spirited,
            };
            let richer = |r: f64, l: f64| tables.fuel.at(r, l) * 1.25;
            let log = twin.ride(&richer, &|r, l| tables.mixture.at(r, l), &request).to_csv(None);
            let ride = Ride::read(std::path::Path::new("ride.csv"), log.as_bytes(), &Loggers::none())
                .expect("a ride");
            let (time_s, sensor) =
                (ride.values(Channel::TimeS).expect("times"), ride.values(Channel::Lambda).expect("lambda"));
            assert_eq!(lost(time_s, sensor), 0, "seed {seed}");
            // The same of a logger that smooths over half a second and a second.
            for rows in [10, 20] {
                let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
                let slow: Vec<f64> = sensor.chunks_exact(rows).map(mean).collect();
                let slow_s: Vec<f64> = time_s.chunks_exact(rows).map(mean).collect();
                assert_eq!(lost(&slow_s, &slow), 0, "seed {seed}, {rows} rows");
            }
        }
    }
}
