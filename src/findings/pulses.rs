//! `pulses`: injector on times that are not those of the ridden table.
//!
//! Where the table holds pulse widths, a log that carries them shows which table
//! the controller really held: a ride filed under the wrong revision, or a
//! controller that corrects by itself, would bend the map unseen.

use super::scene::{SLOW_LASTS_S, middle, percentile};
use super::{FindingEntry, Scene, Seen, Severity};
use crate::bike::{ClosedLoopMode, Density, FuelTableKind, Mixture};
use crate::physics::{air, injector};
use crate::ride::Channel;
use crate::table::LoadAxis;
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "pulses",
    about: "For pulse-width tables with `pulse_width_ms` and `battery_v` in the log: the effective pulse (logged less \
            dead time) against the ridden table.",
    severity: "warning when the median of steady warm running is off by 4 %, serious from 10 %",
    source: "effective pulse = table / wanted lambda, times air density and (1 + trim) where the controller does \
             these: the contract of bike.yaml; the limits are common practice, no source",
    look_at: "the folder rides/r<N>/ the ride lies in, the dead time in bike.yaml, and corrections the controller \
              makes by itself",
    look: Some(look),
};

/// Table, rounding and dead time explain less than this. Common practice, no source.
const WARNING: f64 = 0.04;
const SERIOUS: f64 = 0.10;
/// Steady running needed, s.
const ENOUGH_S: f64 = 60.0;
/// The shortest pulse whose dead time is known well enough to be taken off, ms. Common practice, no source.
const LEAST_EFFECTIVE_MS: f64 = 0.5;

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    compare(scene).into_iter().collect()
}

fn compare(scene: &Scene<'_>) -> Option<Seen> {
    let bike = scene.bike();
    let controller = &bike.controller;
    if controller.fuel_table != FuelTableKind::PulseWidthMs
        || bike.closed_loop.mode == ClosedLoopMode::Unlogged
    {
        return None;
    }
    let points = bike.injectors.as_ref()?.dead_time_points();
    let pulse = scene.channel(Channel::PulseWidthMs)?;
    let battery = scene.rows.held(Channel::BatteryV, SLOW_LASTS_S)?;
    let held = |channel| scene.rows.held(channel, SLOW_LASTS_S);
    let (target, air_temp, baro) =
        (held(Channel::LambdaTarget), held(Channel::AirTempC), held(Channel::BaroKpa));
    let trim = match bike.closed_loop.mode {
        ClosedLoopMode::TrimLogged => Some(scene.channel(Channel::TrimPct)?),
        ClosedLoopMode::None | ClosedLoopMode::Unlogged => None,
    };
    let (rpm, load) = (scene.rows.rpm(), scene.rows.load());
    let ridden = scene.rows.ridden(scene.context);
    let off = |i: usize| {
        let table = ridden.tables(i).fuel.at(rpm[i], load[i]);
        let wanted = match controller.mixture {
            Mixture::Controller => {
                let logged = target.as_ref().map(|t| t[i]).filter(|t| t.is_finite() && *t > 0.0);
                logged.unwrap_or_else(|| ridden.tables(i).mixture.at(rpm[i], load[i]))
            }
            Mixture::Table => 1.0,
        };
        let density = match (controller.density, controller.load) {
            (Density::None, _) => 1.0,
            (Density::Controller, LoadAxis::MapKpa) => {
                1.0 / air::reference_over_ridden_at_pressure(air_temp.as_ref()?[i])
            }
            (Density::Controller, LoadAxis::ThrottlePct) => {
                1.0 / air::reference_over_ridden(baro.as_ref()?[i], air_temp.as_ref()?[i])
            }
        };
        let meant = table / wanted * density * (1.0 + trim.map_or(0.0, |t| t[i]) / 100.0);
        let effective = pulse[i] - injector::dead_time_ms(&points, battery[i]);
        let ratio = effective / meant - 1.0;
        (effective >= LEAST_EFFECTIVE_MS && ratio.is_finite()).then_some((i, ratio))
    };
    let found: Vec<(usize, f64)> = (0..pulse.len()).filter(|i| scene.steady[*i]).filter_map(off).collect();
    if found.len() as f64 * scene.interval_s() < ENOUGH_S {
        return None;
    }
    let ratios: Vec<f64> = found.iter().map(|(_, r)| *r).collect();
    let by = middle(&ratios)?;
    let severity = match by.abs() {
        size if size < WARNING => return None,
        size if size < SERIOUS => Severity::Warning,
        _ => Severity::Serious,
    };
    let saw = format!(
        "the effective pulses are {} % off the ridden table (median of {} of steady running; from {} to {} % in four fifths of it)",
        units::signed(by * 100.0, 1),
        units::duration(found.len() as f64 * scene.interval_s()),
        units::signed(percentile(&ratios, 0.1)? * 100.0, 1),
        units::signed(percentile(&ratios, 0.9)? * 100.0, 1)
    );
    let (first, last) = (found.first()?.0, found.last()?.0);
    let time = scene.time_s();
    Some(Seen::new(severity, saw).in_channel(Channel::PulseWidthMs).between(time[first], time[last]))
}

#[cfg(test)]
mod tests {
    use super::super::of_one_ride;
    use super::super::tests::{found_on, usual, written};
    use crate::bike::{Bike, Density, FuelTableKind, Mixture};
    use crate::pipeline::RideContext;
    use crate::pipeline::stages::tests::bike;
    use crate::ride::{Channel, Ride};
    use std::path::Path;

    #[test]
    fn pulses_on_another_slot_are_not_held_against_this_slot_s_table() {
        let (mut bike, tables) = bike();
        bike.controller.fuel_table = FuelTableKind::PulseWidthMs;
        bike.controller.mixture = Mixture::Table;
        bike.controller.density = Density::None;
        let mut channels = usual(6000, |_, _, usual| usual);
        channels.push((Channel::PulseWidthMs, vec![99.0; 6000]));
        channels.push((Channel::BatteryV, vec![13.0; 6000]));
        let on = |slot: &str| {
            let slots = |(i, line): (usize, &str)| format!("{line},{}\n", if i == 0 { "slot" } else { slot });
            let text: String = written(&channels).lines().enumerate().map(slots).collect();
            let ride = Ride::read(Path::new("ride.csv"), text.as_bytes(), &crate::ride::Loggers::none())
                .expect("a ride");
            let context = RideContext::of_one_slot(&bike, &tables, "main");
            of_one_ride(&ride, &context).len()
        };
        assert_eq!((on("main"), on("economy")), (1, 0));
    }

    fn found(factor: f64, change: impl Fn(&mut Bike)) -> Vec<String> {
        let (_, tables) = bike();
        let mut channels = usual(6000, |_, _, usual| usual);
        let of = |channel: Channel| channels.iter().find(|(c, _)| *c == channel).expect("there").1.clone();
        let (rpm, throttle) = (of(Channel::Rpm), of(Channel::ThrottlePct));
        // 13 V in the sample bike's dead times.
        let dead_ms = crate::physics::injector::dead_time_ms(
            &bike().0.injectors.expect("given").dead_time_points(),
            13.0,
        );
        let pulse = rpm.iter().zip(&throttle).map(|(r, t)| tables.fuel.at(*r, *t) * factor + dead_ms);
        channels.push((Channel::PulseWidthMs, pulse.collect()));
        channels.push((Channel::BatteryV, vec![13.0; rpm.len()]));
        found_on(&channels, |b| {
            b.controller.fuel_table = FuelTableKind::PulseWidthMs;
            b.controller.mixture = Mixture::Table;
            b.controller.density = Density::None;
            change(b);
        })
    }

    #[test]
    fn pulses_of_another_table_are_named_by_how_far_they_are_off() {
        assert!(found(1.02, |_| {}).is_empty());
        assert_eq!(found(0.94, |_| {}), ["pulses warning"]);
        assert_eq!(found(1.2, |_| {}), ["pulses serious"]);
        assert!(found(1.2, |b| b.controller.fuel_table = FuelTableKind::VePct).is_empty());
    }
}
