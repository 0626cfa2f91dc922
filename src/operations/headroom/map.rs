//! Injector duty of every cell of a map.
//!
//! Tables, injectors and an air enter; how long the injectors are open where leaves.

use crate::bike::{
    Bike, Density, FuelTableKind, Injectors, Mixture, SlotTables, StockBelow, stock_and_trim, stock_path,
};
use crate::physics::{air, fuel, fuel_system, injector};
use crate::table::LoadAxis;
use crate::units;
use serde::Serialize;

/// Cold, dense air that a bike may meet, °C and kPa: a frosty day of high pressure. Ours.
const COLD_AIR: (f64, f64) = (0.0, 103.0);
/// Charging voltage where no ride tells it. Common practice, no source.
pub(super) const USUAL_BATTERY_V: f64 = 14.0;
/// How far the voltage is let sag, V.
pub(super) const SAG_V: f64 = 1.0;
/// From so many points below the limit on a cell is named. Ours.
pub(super) const NEAR_POINTS: f64 = 5.0;

/// Duty of one point of the map.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct CellDuty {
    /// 1/min.
    pub rpm: f64,
    /// In the load axis' unit.
    pub load: f64,
    /// Pulse, dead time included, ms.
    pub pulse_width_ms: f64,
    /// Share of the time the injector is commanded open, %.
    pub duty_pct: f64,
}

/// The full-load line at one speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct FullLoadPoint {
    /// 1/min.
    pub rpm: f64,
    /// Where the most fuel is needed, in the load axis' unit.
    pub load: f64,
    /// Duty in the reference air, %.
    pub reference_duty_pct: f64,
    /// Duty in cold air, %.
    pub cold_duty_pct: f64,
}

/// What the map needs in one air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, schemars::JsonSchema)]
pub struct AirCase {
    /// °C.
    pub air_temp_c: f64,
    /// kPa.
    pub baro_kpa: f64,
    /// The point of the highest duty.
    pub highest: CellDuty,
    /// How much more fuel than there still fits below the limit, %; negative beyond it.
    pub more_fuel_pct: f64,
    /// Where the limit is reached along the full-load line, 1/min; beyond the limiter the
    /// last pulse is held.
    pub limit_rpm: f64,
    /// The highest duty with 1 V less, %.
    pub sag_duty_pct: f64,
    /// How much leaner it would run there with 1 V less, were it not made up for, %.
    pub sag_lean_pct: f64,
    /// The most fuel the engine takes, g/s.
    pub fuel_g_s: f64,
}

/// What the map needs of the injectors.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct MapHeadroom {
    /// In the reference air of the tables.
    pub reference: AirCase,
    /// In cold, dense air.
    pub cold: AirCase,
    /// Cells within 5 points of the limit or beyond it in cold air, the highest first.
    pub near: Vec<CellDuty>,
    /// The full-load line, slowest first, up to the limiter.
    pub full_load: Vec<FullLoadPoint>,
}

/// Injectors, fuel and battery as sums take them.
pub(super) struct Delivery<'a> {
    bike: &'a Bike,
    injectors: &'a Injectors,
    battery_v: f64,
    /// What lies below a table of trims.
    below: Option<&'a StockBelow>,
}

impl<'a> Delivery<'a> {
    /// `None` where bike.yaml gives no injectors.
    pub fn of(bike: &'a Bike, battery_v: f64, below: Option<&'a StockBelow>) -> Option<Self> {
        Some(Self { bike, injectors: bike.injectors.as_ref()?, battery_v, below })
    }

    pub fn dead_ms(&self, battery_v: f64) -> f64 {
        injector::dead_time_ms(&self.injectors.dead_time_points(), battery_v)
    }

    /// Flow of one injector at the pressure on the bike, cm³/min.
    pub fn flow_cc_min(&self) -> f64 {
        let Injectors { flow_cc_min, rated_kpa, rail_kpa, .. } = *self.injectors;
        injector::flow_at_pressure(flow_cc_min, rated_kpa, rail_kpa)
    }

    /// Flow of all injectors held open, g/s.
    pub fn static_g_s(&self) -> f64 {
        let one = injector::mass_flow_g_s(self.flow_cc_min(), fuel::TYPICAL_FUEL_KG_M3);
        one * f64::from(self.injectors.count)
    }

    /// Fuel of the whole engine when the injectors are held to their limit, g/s.
    pub fn limit_g_s(&self, rpm: f64) -> f64 {
        let (limit, strokes) = (self.injectors.duty_limit_pct, self.bike.engine.strokes);
        self.static_g_s() * fuel_system::open_share(limit, self.dead_ms(self.battery_v), rpm, strokes)
    }

    /// How long the injectors must flow in a cycle in the reference air, ms; `None` for trims on an
    /// unknown map.
    fn effective_ms(&self, tables: &SlotTables, rpm: f64, load: f64) -> Option<f64> {
        let controller = &self.bike.controller;
        let cell = tables.fuel.at(rpm, load);
        let wanted = || tables.mixture.at(rpm, load);
        let lambda = match controller.mixture {
            Mixture::Controller => wanted(),
            Mixture::Table => 1.0,
        };
        match controller.fuel_table {
            FuelTableKind::PulseWidthMs => Some(cell / lambda),
            FuelTableKind::VePct => Some(self.ms_for_ve(cell, lambda, load)),
            FuelTableKind::TrimPct => {
                let below = self.below?;
                let both = stock_and_trim(&below.table, &tables.fuel, rpm, load);
                Some(match below.kind {
                    // The stock controller's own target is not known; rides are brought to this one.
                    FuelTableKind::VePct => self.ms_for_ve(both, wanted(), load),
                    FuelTableKind::PulseWidthMs | FuelTableKind::TrimPct => both,
                })
            }
        }
    }

    fn ms_for_ve(&self, ve_pct: f64, lambda: f64, load: f64) -> f64 {
        let kpa = match self.bike.controller.load {
            LoadAxis::ThrottlePct => air::REFERENCE_KPA,
            LoadAxis::MapKpa => load,
        };
        let engine = &self.bike.engine;
        let air_g = air::cylinder_air_g(ve_pct / 100.0, kpa, engine.cylinder_cc(), air::REFERENCE_TEMP_C);
        let fuel_g = injector::fuel_for_air(air_g, lambda, self.bike.stoich_afr);
        injector::effective_pulse_ms(fuel_g, self.static_g_s() / f64::from(engine.cylinders))
    }

    /// How much more air a cycle takes in cold air. Over manifold pressure the load holds
    /// the pressure already.
    fn cold_factor(&self) -> f64 {
        let (temp_c, kpa) = COLD_AIR;
        match self.bike.controller.load {
            LoadAxis::ThrottlePct => 1.0 / air::reference_over_ridden(kpa, temp_c),
            LoadAxis::MapKpa => 1.0 / air::reference_over_ridden_at_pressure(temp_c),
        }
    }

    fn duty(&self, rpm: f64, load: f64, effective_ms: f64, battery_v: f64) -> CellDuty {
        let pulse_width_ms = effective_ms + self.dead_ms(battery_v);
        let duty_pct = injector::duty_pct(pulse_width_ms, rpm, self.bike.engine.strokes);
        CellDuty { rpm, load, pulse_width_ms, duty_pct }
    }

    /// What a map needs; `None` for a trim table on an unknown map.
    pub fn map(&self, tables: &SlotTables) -> Option<MapHeadroom> {
        let cold_factor = self.cold_factor();
        let limiter = self.bike.engine.rev_limit_rpm;
        let grid = &tables.fuel.grid;
        let mut speeds: Vec<f64> = grid.rpm.breakpoints().iter().copied().filter(|r| *r < limiter).collect();
        speeds.push(limiter);
        speeds.retain(|rpm| *rpm > 0.0);
        let mut near = Vec::new();
        let mut line: Vec<(f64, f64, f64)> = Vec::new();
        for rpm in speeds {
            let mut most: Option<(f64, f64, f64)> = None;
            for load in grid.load.breakpoints() {
                let effective_ms = self.effective_ms(tables, rpm, *load)?;
                let cold = self.duty(rpm, *load, effective_ms * cold_factor, self.battery_v);
                if cold.duty_pct >= self.injectors.duty_limit_pct - NEAR_POINTS {
                    near.push(cold);
                }
                if most.is_none_or(|(_, _, before)| effective_ms > before) {
                    most = Some((rpm, *load, effective_ms));
                }
            }
            line.extend(most);
        }
        near.sort_by(|a, b| b.duty_pct.total_cmp(&a.duty_pct));
        let full_load = line.iter().map(|(rpm, load, effective_ms)| FullLoadPoint {
            rpm: *rpm,
            load: *load,
            reference_duty_pct: self.duty(*rpm, *load, *effective_ms, self.battery_v).duty_pct,
            cold_duty_pct: self.duty(*rpm, *load, effective_ms * cold_factor, self.battery_v).duty_pct,
        });
        Some(MapHeadroom {
            reference: self.case(&line, 1.0, (air::REFERENCE_TEMP_C, air::REFERENCE_KPA))?,
            cold: self.case(&line, cold_factor, COLD_AIR)?,
            near,
            full_load: full_load.collect(),
        })
    }

    /// The full-load line, as (rpm, load, effective ms in the reference air), in one air.
    fn case(
        &self,
        line: &[(f64, f64, f64)],
        factor: f64,
        (air_temp_c, baro_kpa): (f64, f64),
    ) -> Option<AirCase> {
        let strokes = self.bike.engine.strokes;
        let limit = self.injectors.duty_limit_pct;
        let at = |(rpm, load, effective_ms): &(f64, f64, f64), battery_v: f64| {
            self.duty(*rpm, *load, effective_ms * factor, battery_v)
        };
        let duties: Vec<CellDuty> = line.iter().map(|point| at(point, self.battery_v)).collect();
        let (k, highest) =
            duties.iter().copied().enumerate().max_by(|a, b| a.1.duty_pct.total_cmp(&b.1.duty_pct))?;
        let effective_ms = line[k].2 * factor;
        let sag_ms = self.dead_ms(self.battery_v - SAG_V) - self.dead_ms(self.battery_v);
        let dead_pct = injector::duty_pct(self.dead_ms(self.battery_v), highest.rpm, strokes);
        let flows = line
            .iter()
            .map(|(rpm, _, ms)| self.static_g_s() * injector::duty_pct(ms * factor, *rpm, strokes) / 100.0);
        Some(AirCase {
            air_temp_c,
            baro_kpa,
            highest,
            more_fuel_pct: units::change_pct(highest.duty_pct - dead_pct, limit - dead_pct),
            limit_rpm: limit_rpm(&duties, limit)?,
            sag_duty_pct: at(&line[k], self.battery_v - SAG_V).duty_pct,
            sag_lean_pct: units::change_pct(effective_ms - sag_ms, effective_ms),
            fuel_g_s: flows.fold(0.0, f64::max),
        })
    }
}

/// The speed at which a line of rising speeds first reaches a duty; beyond its end the last
/// pulse is held, so that duty goes with speed.
fn limit_rpm(line: &[CellDuty], limit_pct: f64) -> Option<f64> {
    let last = line.last()?;
    Some(match line.iter().position(|point| point.duty_pct >= limit_pct) {
        Some(0) => line[0].rpm,
        Some(k) => {
            let (a, b) = (line[k - 1], line[k]);
            a.rpm + (b.rpm - a.rpm) * (limit_pct - a.duty_pct) / (b.duty_pct - a.duty_pct)
        }
        None => last.rpm * limit_pct / last.duty_pct,
    })
}

/// One line of warning where a map brings the injectors near their limit in cold air.
pub(in crate::operations) fn near_limit(
    bike: &Bike,
    tables: &SlotTables,
    below: Option<&StockBelow>,
) -> Option<String> {
    let delivery = Delivery::of(bike, USUAL_BATTERY_V, below)?;
    let limit = delivery.injectors.duty_limit_pct;
    let cold = delivery.map(tables)?.cold;
    let CellDuty { rpm, load, duty_pct, .. } = cold.highest;
    if duty_pct < limit - NEAR_POINTS {
        return None;
    }
    Some(format!(
        "injectors: at {} 1/min and {} the map asks for {} % duty in cold air; the limit is {} %: `rideloop headroom` \
         tells more",
        units::plain(rpm),
        bike.controller.load.named(load),
        units::fixed(duty_pct, 0),
        units::plain(limit)
    ))
}

/// What cannot be told of a bike whose tables do not give the flow.
pub(super) fn untold(bike: &Bike, slot: &str, below: Option<&StockBelow>) -> Option<String> {
    (bike.controller.fuel_table == FuelTableKind::TrimPct && below.is_none()).then(|| {
        format!(
            "a trim table does not tell the pulse, and {} is no map that suits the engine (`rideloop check` says why, \
             where the file is there); only rides with `pulse_width_ms` tell the duty",
            stock_path(slot)
        )
    })
}

/// What the sums leave out for this bike.
pub(super) fn weaknesses(bike: &Bike, below: Option<&StockBelow>) -> Vec<String> {
    let mut notes = vec![
        "presumed: one injection a cycle, injectors that flow as on petrol of 745 kg/m³, and a pump and filter that \
         hold the rail pressure"
            .to_owned(),
    ];
    notes.extend(below.map(|below| {
        format!(
            "the stock map is taken as {} by the size of its cells, and {}",
            below.kind.name(),
            match below.kind {
                FuelTableKind::VePct => "its controller as aiming at the wanted lambda here",
                FuelTableKind::PulseWidthMs | FuelTableKind::TrimPct =>
                    "its pulses as those of its own mixture",
            }
        )
    }));
    if bike.controller.density == Density::None {
        notes.push(
            "the controller does not correct for air density: in cold air it gives no more than in the reference air, \
             and runs lean by what it lacks"
                .to_owned(),
        );
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::stages::tests::bike;

    /// The worked example of the fuel sums: 500 cm³ cylinder, 90 kPa, 35 °C.
    #[test]
    fn the_duty_of_a_cell_is_that_of_a_sum_by_hand() {
        let (mut bike, mut tables) = bike();
        bike.engine.displacement_cc = 1000.0;
        bike.engine.cylinders = 2;
        bike.engine.rev_limit_rpm = 6000.0;
        bike.stoich_afr = 14.0;
        let dead_time_ms = [("14".to_owned(), 0.9)].into_iter().collect();
        let (flow_cc_min, rated_kpa, rail_kpa) = (220.0, 300.0, 300.0);
        let duty_limit_pct = 85.0;
        bike.injectors =
            Some(Injectors { count: 2, flow_cc_min, rated_kpa, rail_kpa, duty_limit_pct, dead_time_ms });
        tables.fuel.values.fill(85.0);
        tables.mixture.values.fill(0.9);
        let map = Delivery::of(&bike, 14.0, None).expect("injectors").map(&tables).expect("VE");
        // .85 · 99 kPa · 500 cm³ / (287.05 · 298.15 K) = 491.6 mg; /(.9 · 14) = 39.02 mg;
        // at 2.7317 g/s 14.283 ms, with .9 ms dead 15.183 of 20 ms: by hand.
        let highest = map.reference.highest;
        assert!((highest.pulse_width_ms - 15.183).abs() < 0.01, "{highest:?}");
        assert!((highest.duty_pct - 75.92).abs() < 0.05 && highest.rpm == 6000.0, "{highest:?}");
        // (85 − 4.5)/(75.92 − 4.5) − 1 = 12.7 %; the pulse held, 85 % come at 6718 1/min.
        assert!((map.reference.more_fuel_pct - 12.7).abs() < 0.2, "{:?}", map.reference);
        assert!((map.reference.limit_rpm - 6718.0).abs() < 8.0, "{:?}", map.reference);
        // Cold air is 13.56 % denser: 16.22 + .9 = 17.12 ms, 85.6 %.
        assert!((map.cold.highest.duty_pct - 85.6).abs() < 0.1, "{:?}", map.cold);
        assert!(map.cold.limit_rpm < 6000.0 && !map.near.is_empty());
        assert!(near_limit(&bike, &tables, None).is_some_and(|line| {
            line.contains("at 6000 1/min and ")
                && line.contains("% throttle the map asks for 86 % duty in cold air")
        }));
        bike.controller.fuel_table = FuelTableKind::TrimPct;
        assert!(Delivery::of(&bike, 14.0, None).expect("injectors").map(&tables).is_none());
        assert!(untold(&bike, "main", None).is_some() && near_limit(&bike, &tables, None).is_none());
        // A map of 77.27 % below a trim of +10 % is 85 %, and so is the duty; one of 13 ms makes 14.3.
        let mut below = StockBelow { table: tables.fuel.clone(), kind: FuelTableKind::VePct };
        below.table.values.fill(85.0 / 1.1);
        tables.fuel.values.fill(10.0);
        let duty = |below: &StockBelow| {
            let map = Delivery::of(&bike, 14.0, Some(below)).expect("injectors").map(&tables);
            map.expect("a map below").reference.highest
        };
        assert!((duty(&below).duty_pct - highest.duty_pct).abs() < 1e-9);
        assert!(untold(&bike, "main", Some(&below)).is_none());
        (below.table.values, below.kind) =
            (vec![13.0; tables.fuel.values.len()], FuelTableKind::PulseWidthMs);
        assert!((duty(&below).pulse_width_ms - 15.2).abs() < 1e-9, "{:?}", duty(&below));
    }
}
