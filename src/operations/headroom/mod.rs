//! `headroom`: how much more fuel injectors and pump can deliver.
//!
//! The newest map, bike.yaml and the rides' logged pulses enter; the duty they ask for,
//! what is left of it, and what a power would take leave. Nothing is changed.

mod map;

use super::error::OperationError;
use super::open::OpenBike;
use super::read_rides::{RideRead, read_rides, standings_of_build};
use super::run::Progress;
use crate::bike::{Injectors, StockBelow};
use crate::physics::{fuel, fuel_system, injector};
use crate::pipeline::signs;
use crate::ride::{Channel, Ride, median};
use crate::table::LoadAxis;
use map::{Delivery, USUAL_BATTERY_V, untold, weaknesses};
use serde::Serialize;
use std::path::PathBuf;

pub(super) use map::near_limit;
pub use map::{AirCase, CellDuty, FullLoadPoint, MapHeadroom};

/// What is asked.
#[derive(Debug, Clone)]
pub struct HeadroomRequest {
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// Rides or folders of rides; empty for the bike's own.
    pub rides: Vec<PathBuf>,
    /// A power to size for, kW at the crankshaft.
    pub target_kw: Option<f64>,
    /// Fuel for each kWh at full load, g.
    pub fuel_g_kwh: Option<f64>,
}

/// What the fuel system has left.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct HeadroomReport {
    /// The slot.
    pub slot: String,
    /// The newest revision.
    pub revision: String,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// What the injectors are held to.
    pub limits: DutyLimits,
    /// What the map asks for; none where it cannot be told.
    pub map: Option<MapHeadroom>,
    /// Why the map does not tell.
    pub map_untold: Option<String>,
    /// What the rides logged.
    pub rides: Vec<RideDuty>,
    /// The most that fits below the limit.
    pub supply: Supply,
    /// What the wanted power takes.
    pub target: Option<TargetPower>,
    /// What the sums leave out.
    pub notes: Vec<String>,
}

/// The injectors, and what they are held to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct DutyLimits {
    /// How many injectors.
    pub count: u32,
    /// Flow of one at the rated pressure, cm³/min.
    pub rated_cc_min: f64,
    /// Rated pressure difference, kPa.
    pub rated_kpa: f64,
    /// Pressure difference on the bike, kPa.
    pub rail_kpa: f64,
    /// Flow of one on the bike, cm³/min.
    pub rail_cc_min: f64,
    /// Highest duty, %.
    pub duty_limit_pct: f64,
    /// Battery voltage of the sums.
    pub battery_v: f64,
    /// Whether rides told it; else it is the usual one.
    pub battery_from_rides: bool,
    /// Dead time there, ms.
    pub dead_time_ms: f64,
}

/// The highest duty that a ride logged.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct RideDuty {
    /// Its name.
    pub file: String,
    /// The revision it was made on.
    pub revision: Option<String>,
    /// Why it says nothing, where it does not.
    pub trouble: Option<String>,
    /// Highest duty that three readings in a row show, %.
    pub duty_pct: Option<f64>,
    /// When, s.
    pub time_s: Option<f64>,
    /// Engine speed there, 1/min.
    pub rpm: Option<f64>,
    /// Load there, in the load axis' unit.
    pub load: Option<f64>,
    /// Battery voltage there.
    pub battery_v: Option<f64>,
    /// Seconds at the limit or beyond.
    pub over_limit_s: f64,
}

/// What fits below the duty limit at the limiter's speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Supply {
    /// Speed of the sum, 1/min.
    pub rpm: f64,
    /// Fuel, g/s.
    pub fuel_g_s: f64,
    /// The same as the pump must deliver it at the rail pressure, l/h.
    pub pump_l_h: f64,
    /// Power that it makes at the crankshaft, kW.
    pub power_kw: f64,
    /// Fuel for each kWh, g: a flag, or common practice.
    pub fuel_g_kwh: f64,
}

/// What a power takes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct TargetPower {
    /// At the crankshaft, kW.
    pub power_kw: f64,
    /// Fuel, g/s.
    pub fuel_g_s: f64,
    /// The same as the pump must deliver it at the rail pressure, l/h.
    pub pump_l_h: f64,
    /// Smallest injector that stays below the limit, cm³/min at the rated pressure; none
    /// where its dead time leaves it no time.
    pub injector_cc_min: Option<f64>,
    /// Whether today's are large enough.
    pub enough: bool,
}

/// Works out what the fuel system has left.
///
/// # Errors
/// When bike.yaml gives no injectors, there is no such slot, or rides cannot be listed.
pub fn headroom(
    bike: &OpenBike,
    request: &HeadroomRequest,
    progress: &dyn Progress,
) -> Result<HeadroomReport, OperationError> {
    let slot = bike.slot(request.slot.as_deref())?;
    let settings = &bike.folder.bike;
    let Some(injectors) = &settings.injectors else {
        return Err(OperationError::failed(
            "bike.yaml gives no `injectors`, so nothing tells how much fuel fits",
            "add count, flow_cc_min, rated_kpa, rail_kpa and dead_time_ms",
        ));
    };
    let standings = standings_of_build(bike, &slot, &request.rides)?;
    let (strokes, load) = (settings.engine.strokes, settings.controller.load);
    let read = read_rides(bike, &standings, progress, |_, log| {
        logged_duty(log, strokes, load, injectors.duty_limit_pct, &slot)
    })?;
    let volts: Vec<f64> = read.iter().filter_map(|ride| ride.said.as_ref().ok()?.usual_battery_v).collect();
    let battery_v = median(&volts);
    let at_v = battery_v.unwrap_or(USUAL_BATTERY_V);
    let below = StockBelow::of(&slot, settings, &bike.folder.work_tree());
    let delivery = Delivery::of(settings, at_v, below.as_ref()).expect("injectors were just looked at");
    let rpm = settings.engine.rev_limit_rpm;
    let fuel_g_s = delivery.limit_g_s(rpm);
    let usual_g_kwh = || fuel_system::usual_full_load_g_kwh(settings.stoich_afr);
    let fuel_g_kwh = request.fuel_g_kwh.unwrap_or_else(usual_g_kwh);
    let fuel_kg_m3 = fuel::known_density_kg_m3(&settings.fuel_name).unwrap_or(fuel::TYPICAL_FUEL_KG_M3);
    let target = request.target_kw.map(|power_kw| {
        let fuel_g_s = fuel_system::power_fuel_g_s(power_kw, fuel_g_kwh);
        let share = fuel_system::open_share(injectors.duty_limit_pct, delivery.dead_ms(at_v), rpm, strokes);
        let pressures = (injectors.rated_kpa, injectors.rail_kpa);
        let size = fuel_system::injector_cc_min(fuel_g_s, fuel_kg_m3, (injectors.count, share), pressures);
        TargetPower {
            power_kw,
            fuel_g_s,
            pump_l_h: fuel_system::volume_l_h(fuel_g_s, fuel_kg_m3),
            injector_cc_min: Some(size).filter(|size| size.is_finite()),
            enough: size <= injectors.flow_cc_min,
        }
    });
    Ok(HeadroomReport {
        revision: bike.newest_name(),
        load_axis: load,
        limits: limits(injectors, &delivery, at_v, battery_v.is_some()),
        map: delivery.map(bike.today(&slot)),
        map_untold: untold(settings, &slot, below.as_ref()),
        rides: read.into_iter().map(told).collect(),
        supply: Supply {
            rpm,
            fuel_g_s,
            pump_l_h: fuel_system::volume_l_h(fuel_g_s, fuel_kg_m3),
            power_kw: fuel_system::fuel_power_kw(fuel_g_s, fuel_g_kwh),
            fuel_g_kwh,
        },
        target,
        notes: weaknesses(settings, below.as_ref()),
        slot,
    })
}

fn limits(
    injectors: &Injectors,
    delivery: &Delivery<'_>,
    battery_v: f64,
    battery_from_rides: bool,
) -> DutyLimits {
    DutyLimits {
        count: injectors.count,
        rated_cc_min: injectors.flow_cc_min,
        rated_kpa: injectors.rated_kpa,
        rail_kpa: injectors.rail_kpa,
        rail_cc_min: delivery.flow_cc_min(),
        duty_limit_pct: injectors.duty_limit_pct,
        battery_v,
        battery_from_rides,
        dead_time_ms: delivery.dead_ms(battery_v),
    }
}

/// What a log says of duty and battery.
struct LoggedDuty {
    duty_pct: f64,
    time_s: f64,
    rpm: f64,
    load: Option<f64>,
    battery_v: Option<f64>,
    over_limit_s: f64,
    usual_battery_v: Option<f64>,
}

/// Below this speed the engine is being started, 1/min. Common practice, no source.
const RUNNING_RPM: f64 = 400.0;

/// The highest duty of a log on a slot, single readings passed over.
fn logged_duty(
    log: &Ride,
    strokes: u32,
    load: LoadAxis,
    limit_pct: f64,
    slot: &str,
) -> Result<LoggedDuty, String> {
    let needed = |channel: Channel| {
        log.values(channel)
            .filter(|values| values.iter().any(|v| v.is_finite()))
            .ok_or_else(|| format!("has no values for `{}`", channel.name()))
    };
    let (time_s, rpm, pulse) =
        (needed(Channel::TimeS)?, needed(Channel::Rpm)?, needed(Channel::PulseWidthMs)?);
    let here = signs::on_slot(log, slot);
    let rows: Vec<(usize, f64)> = (0..time_s.len())
        .filter(|i| here[*i] && rpm[*i] > RUNNING_RPM && pulse[*i].is_finite())
        .map(|i| (i, injector::duty_pct(pulse[i], rpm[i], strokes)))
        .collect();
    // A single reading may be torn between speed and pulse: the lowest of three counts.
    let held = rows
        .windows(3)
        .map(|three| (three[1].0, three.iter().map(|(_, d)| *d).fold(f64::INFINITY, f64::min)));
    let (row, duty_pct) = held
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .ok_or_else(|| format!("has too few values for `{}` on this slot", Channel::PulseWidthMs.name()))?;
    let at = |channel: Channel| log.values(channel).map(|v| v[row]).filter(|v| v.is_finite());
    let over = rows.iter().filter(|(_, duty)| *duty >= limit_pct).count();
    let running: Vec<f64> = log
        .values(Channel::BatteryV)
        .map(|volts| rows.iter().map(|(i, _)| volts[*i]).filter(|v| v.is_finite()).collect())
        .unwrap_or_default();
    Ok(LoggedDuty {
        duty_pct,
        time_s: time_s[row],
        rpm: rpm[row],
        load: at(match load {
            LoadAxis::ThrottlePct => Channel::ThrottlePct,
            LoadAxis::MapKpa => Channel::MapKpa,
        }),
        battery_v: at(Channel::BatteryV),
        over_limit_s: over as f64 * log.sample_interval_s(),
        usual_battery_v: median(&running),
    })
}

fn told(ride: RideRead<LoggedDuty>) -> RideDuty {
    let (trouble, said) = match ride.said {
        Ok(said) => (None, Some(said)),
        Err(why) => (Some(why), None),
    };
    let said = said.as_ref();
    RideDuty {
        file: ride.file,
        revision: ride.revision,
        trouble,
        duty_pct: said.map(|s| s.duty_pct),
        time_s: said.map(|s| s.time_s),
        rpm: said.map(|s| s.rpm),
        load: said.and_then(|s| s.load),
        battery_v: said.and_then(|s| s.battery_v),
        over_limit_s: said.map_or(0.0, |s| s.over_limit_s),
    }
}
