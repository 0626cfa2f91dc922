//! What the virtual bike is told about the real one: engine size, injectors, fuel, and how its
//! controller reads its fuel table. Plain data, made from bike.yaml.

use crate::bike::{Bike, ClosedLoopMode, Density, FuelTableKind, Mixture, Region};
use crate::physics::injector;
use crate::table::LoadAxis;

/// Whether the controller trims its fuel by a narrow-band loop toward lambda 1.
///
/// Without a region the loop works wherever the wanted lambda is about 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ClosedLoop {
    None,
    TrimLogged { region: Option<Region> },
    Unlogged { region: Option<Region> },
}

/// Injector flow that suits a cylinder, cm³/min per cm³. Invented, typical of street bikes.
const CC_MIN_PER_CC: f64 = 0.65;

/// The bike as its owner would describe it.
#[derive(Debug, Clone, PartialEq)]
pub struct BikeSpec {
    pub displacement_cc: f64,
    pub cylinders: u32,
    /// 2 or 4.
    pub strokes: u32,
    pub rev_limit_rpm: f64,
    pub idle_rpm: f64,
    /// Static flow of each injector at the rated pressure, cc/min.
    pub injector_flow_cc_min: f64,
    /// Number of injectors on the engine.
    pub injectors: u32,
    pub rated_kpa: f64,
    pub rail_kpa: f64,
    /// Dead time by battery voltage, (V, ms), volts ascending.
    pub dead_time_ms: Vec<(f64, f64)>,
    pub stoich_afr: f64,
    pub fuel_density_kg_m3: f64,
    pub table: FuelTableKind,
    pub load: LoadAxis,
    /// True: the controller divides by the mixture table. False: the fuel table has it baked in.
    pub mixture_in_controller: bool,
    /// True: the controller corrects for air temperature and pressure.
    pub density_in_controller: bool,
    pub closed_loop: ClosedLoop,
}

impl BikeSpec {
    /// An invented 700 cc parallel twin on E10, alpha-N with a VE table: the demo bike.
    #[must_use]
    pub fn fernhill_700() -> Self {
        Self {
            displacement_cc: 700.0,
            cylinders: 2,
            strokes: 4,
            rev_limit_rpm: 8200.0,
            idle_rpm: 1250.0,
            injector_flow_cc_min: 230.0,
            injectors: 2,
            rated_kpa: 300.0,
            rail_kpa: 300.0,
            dead_time_ms: vec![(10.0, 1.35), (12.0, 1.02), (14.0, 0.80), (16.0, 0.66)],
            stoich_afr: 13.99,
            fuel_density_kg_m3: 748.0,
            table: FuelTableKind::VePct,
            load: LoadAxis::ThrottlePct,
            mixture_in_controller: true,
            density_in_controller: true,
            closed_loop: ClosedLoop::None,
        }
    }

    /// The virtual twin of a bike as bike.yaml describes it.
    ///
    /// Injectors that bike.yaml does not give are sized for the engine.
    #[must_use]
    pub fn of(bike: &Bike) -> Self {
        let closed_loop = match bike.closed_loop.mode {
            ClosedLoopMode::None => ClosedLoop::None,
            ClosedLoopMode::TrimLogged => ClosedLoop::TrimLogged { region: bike.closed_loop.region },
            ClosedLoopMode::Unlogged => ClosedLoop::Unlogged { region: bike.closed_loop.region },
        };
        let usual = Self::fernhill_700();
        let injectors = bike.injectors.as_ref();
        Self {
            displacement_cc: bike.engine.displacement_cc,
            cylinders: bike.engine.cylinders,
            strokes: bike.engine.strokes,
            rev_limit_rpm: bike.engine.rev_limit_rpm,
            idle_rpm: usual.idle_rpm.min(bike.engine.rev_limit_rpm * 0.2),
            injector_flow_cc_min: injectors
                .map_or(bike.engine.cylinder_cc() * CC_MIN_PER_CC, |i| i.flow_cc_min),
            injectors: injectors.map_or(bike.engine.cylinders, |i| i.count),
            rated_kpa: injectors.map_or(usual.rated_kpa, |i| i.rated_kpa),
            rail_kpa: injectors.map_or(usual.rail_kpa, |i| i.rail_kpa),
            dead_time_ms: injectors.map_or(usual.dead_time_ms, crate::bike::Injectors::dead_time_points),
            stoich_afr: bike.stoich_afr,
            fuel_density_kg_m3: crate::physics::fuel::TYPICAL_FUEL_KG_M3,
            table: bike.controller.fuel_table,
            load: bike.controller.load,
            mixture_in_controller: bike.controller.mixture == Mixture::Controller,
            density_in_controller: bike.controller.density == Density::Controller,
            closed_loop,
        }
    }

    /// Volume of one cylinder. Units: m³.
    #[must_use]
    pub fn cylinder_m3(&self) -> f64 {
        self.displacement_cc * 1e-6 / f64::from(self.cylinders.max(1))
    }

    /// Crank revolutions per working cycle: 2 for a four-stroke, 1 for a two-stroke.
    #[must_use]
    pub fn revs_per_cycle(&self) -> f64 {
        f64::from(self.strokes) / 2.0
    }

    /// Time of one working cycle. Units: rpm in 1/min; result s.
    #[must_use]
    pub fn cycle_s(&self, rpm: f64) -> f64 {
        60.0 * self.revs_per_cycle() / rpm
    }

    /// Fuel that the injectors of one cylinder deliver per ms of effective pulse. Units: kg/ms.
    ///
    /// # Source
    /// `Q2 = Q1 √(Δp2/Δp1)`: orifice flow, common practice.
    #[must_use]
    pub fn injector_kg_per_ms(&self) -> f64 {
        let cc_min = self.injector_flow_cc_min * f64::from(self.injectors) / f64::from(self.cylinders.max(1))
            * (self.rail_kpa / self.rated_kpa).sqrt();
        cc_min * 1e-6 * self.fuel_density_kg_m3 / 60.0e3
    }

    /// Dead time at a battery voltage, straight between the listed volts, held at the ends.
    ///
    /// Units: V; result ms. An empty list means no dead time.
    #[must_use]
    pub fn dead_time_at(&self, battery_v: f64) -> f64 {
        injector::dead_time_ms(&self.dead_time_ms, battery_v)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dead_time_is_straight_between_the_listed_volts_and_held_outside() {
        let spec = BikeSpec::fernhill_700();
        assert_eq!(spec.dead_time_at(9.0), 1.35);
        assert!((spec.dead_time_at(13.0) - 0.91).abs() < 1e-12);
        assert_eq!(spec.dead_time_at(17.0), 0.66);
    }

    #[test]
    fn injector_flow_agrees_with_the_worked_example() {
        // Worked out for this project: 34.32 mg at 220 cc/min, .745 g/cc -> 12.56 ms.
        let spec =
            BikeSpec { injector_flow_cc_min: 220.0, fuel_density_kg_m3: 745.0, ..BikeSpec::fernhill_700() };
        assert!((34.32e-6 / spec.injector_kg_per_ms() - 12.56).abs() < 0.01);
        let raised = BikeSpec { rail_kpa: 400.0, ..spec.clone() };
        assert!((raised.injector_kg_per_ms() / spec.injector_kg_per_ms() - 1.1547).abs() < 1e-4);
    }
}
