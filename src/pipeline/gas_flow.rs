//! Exhaust mass flow at an operating point, as well as tables and log tell it.
//!
//! A fuel table and a point enter, kg/s leave: `align` needs it for the time the
//! gas takes to the sensor, the comparison of rides to tell false air, which
//! weighs the more the less gas flows.

use crate::bike::{Bike, FuelTableKind};
use crate::physics::{air, fuel, injector};
use crate::table::{LoadAxis, Table};

/// Gas never stands still in a running engine, kg/s. Common practice, no source.
const LEAST_FLOW_KG_S: f64 = 2e-4;
/// Filling assumed where only manifold pressure is known. Common practice, no source.
const USUAL_FILLING: f64 = 0.8;

/// Air and fuel that leave the whole engine.
///
/// `map_kpa` is the logged manifold pressure, where there is one; it serves only
/// where the fuel table does not tell the air by itself.
///
/// Units: 1/min, load on the table's axis, kPa in; kg/s out.
pub fn gas_flow_kg_s(bike: &Bike, table: &Table, rpm: f64, load: f64, map_kpa: Option<f64>) -> f64 {
    gas_flow_with_kg_s(bike, table.at(rpm, load), rpm, load, map_kpa)
}

/// The same where the fuel table is known to hold `cell` at the point.
pub(super) fn gas_flow_with_kg_s(bike: &Bike, cell: f64, rpm: f64, load: f64, map_kpa: Option<f64>) -> f64 {
    let engine = &bike.engine;
    let air_g = air_g(bike, cell, rpm, load, map_kpa);
    let flow = air::engine_flow_kg_s(air_g, engine.cylinders, engine.strokes, rpm);
    (flow * (1.0 + 1.0 / bike.stoich_afr)).max(LEAST_FLOW_KG_S)
}

/// The gas flow of every cell of a fuel table, in table order, kg/s.
pub fn gas_flow_of_cells(bike: &Bike, table: &Table) -> Vec<f64> {
    let flow = |cell: usize| {
        let (rpm, load) = table.grid.point(cell);
        gas_flow_kg_s(bike, table, rpm, load, None)
    };
    (0..table.grid.cells()).map(flow).collect()
}

/// Air of one cylinder and cycle, g.
fn air_g(bike: &Bike, cell: f64, rpm: f64, load: f64, map_kpa: Option<f64>) -> f64 {
    let trapped = |filling: f64, kpa: f64| {
        air::cylinder_air_g(filling, kpa, bike.engine.cylinder_cc(), air::REFERENCE_TEMP_C)
    };
    match (bike.controller.fuel_table, &bike.injectors) {
        (FuelTableKind::VePct, _) => match bike.controller.load {
            LoadAxis::ThrottlePct => trapped(cell / 100.0, air::REFERENCE_KPA),
            LoadAxis::MapKpa => trapped(cell / 100.0, load),
        },
        (FuelTableKind::PulseWidthMs, Some(injectors)) => {
            let flow =
                injector::flow_at_pressure(injectors.flow_cc_min, injectors.rated_kpa, injectors.rail_kpa);
            let fuel_g_s = injector::mass_flow_g_s(flow, fuel::TYPICAL_FUEL_KG_M3);
            let per_cylinder = f64::from(injectors.count) / f64::from(bike.engine.cylinders);
            fuel_g_s * per_cylinder * cell / 1000.0 * bike.stoich_afr
        }
        _ => match (map_kpa, bike.controller.load) {
            (Some(map_kpa), _) if map_kpa.is_finite() => trapped(USUAL_FILLING, map_kpa),
            (_, LoadAxis::MapKpa) => trapped(USUAL_FILLING, load),
            // Nothing tells the flow. The delay is then off by some hundredths of a
            // second at most.
            _ => trapped(usual_filling(rpm, load), air::REFERENCE_KPA),
        },
    }
}

/// What a throttle of usual size lets a cylinder fill itself to, as a ratio of
/// the reference air: the faster the engine, the less of it for each cycle,
/// until the throttle is no longer what limits it.
///
/// Units: 1/min, %.
///
/// # Source
/// The shape is that of a choked throttle feeding a pump; idle at about 0.3, and
/// the sizes, are common practice, no source.
pub(super) fn usual_filling(rpm: f64, throttle_pct: f64) -> f64 {
    const CLOSED_FEEDS_RPM: f64 = 440.0;
    const OPENING_PER_PCT: f64 = 0.4;
    const WIDE_OPEN: f64 = 0.85;
    let opening = 1.0 + OPENING_PER_PCT * throttle_pct.clamp(0.0, 100.0);
    let offered = CLOSED_FEEDS_RPM * opening / rpm.max(1.0);
    WIDE_OPEN * offered / (1.0 + offered * offered).sqrt()
}

#[cfg(test)]
mod tests {
    use super::super::stages::tests::bike;
    use super::*;

    #[test]
    fn much_more_gas_flows_at_speed_and_load() {
        let (bike, tables) = bike();
        let flow = |rpm: f64, load: f64| gas_flow_kg_s(&bike, &tables.fuel, rpm, load, None);
        assert!(flow(6000.0, 80.0) > 8.0 * flow(1500.0, 3.0));
    }
}
