//! A bike folder to start from, its base tables computed from the engine data or from a stock map.

mod yaml;

use super::config::{ClosedLoopMode, FuelTableKind};
use super::engine_data::{AirTaken, EngineData, InjectorData, Rescaling, rescaling};
use super::slot::{fuel_path, mixture_path};
use super::stock::stock_path;
use super::{BIKE_FILE, BUILDS_FILE};
use crate::physics::{air, fuel, injector};
use crate::table::{self, Axis, Grid, LoadAxis, Resolution, Table};

/// What `new` needs to know of a bike.
#[derive(Debug, Clone, PartialEq)]
pub struct Template {
    /// What the workshop calls it.
    pub name: String,
    /// Displacement of all cylinders, cm³.
    pub displacement_cc: f64,
    /// Number of cylinders.
    pub cylinders: u32,
    /// Where the limiter cuts, 1/min.
    pub rev_limit_rpm: f64,
    /// A known fuel.
    pub fuel: String,
    /// What a fuel cell holds.
    pub fuel_table: FuelTableKind,
    /// The load axis.
    pub load: LoadAxis,
    /// Flow of one injector at 300 kPa, cm³/min; without it a size that suits the engine.
    pub injector_cc_min: Option<f64>,
    /// How many injectors there are; without it one a cylinder.
    pub injectors: Option<u32>,
    /// Pressure difference at the injectors, kPa.
    pub rail_kpa: f64,
    /// Whether the controller trims by itself.
    pub closed_loop: ClosedLoopMode,
    /// The least and the most that an add-on module can hold, %; for trims.
    pub trim_range_pct: Option<[f64; 2]>,
    /// A map to start from; without it the engine data serve.
    pub stock: Option<StockMap>,
    /// What was changed, as `HARDWARE_CHANGES` names it, for builds.yaml.
    pub changed: Vec<String>,
    /// The slots to make.
    pub slots: Vec<String>,
    /// Today, as YYYY-MM-DD, for builds.yaml.
    pub today: String,
}

/// The map that the bike had before, and the engine that it was made for.
#[derive(Debug, Clone, PartialEq)]
pub struct StockMap {
    /// The fuel table, of the template's own kind; for trims the map they stand on, where it is known.
    pub table: Option<Table>,
    /// What it was made for.
    pub made_for: EngineData,
    /// Whether the air grew with the displacement.
    pub air: AirTaken,
}

impl Default for Template {
    /// A common twin; its name and day are for the caller to say.
    fn default() -> Self {
        Self {
            name: "bike".to_owned(),
            displacement_cc: 650.0,
            cylinders: 2,
            rev_limit_rpm: 9000.0,
            fuel: "E10".to_owned(),
            fuel_table: FuelTableKind::VePct,
            load: LoadAxis::ThrottlePct,
            injector_cc_min: None,
            injectors: None,
            rail_kpa: RATED_KPA,
            closed_loop: ClosedLoopMode::None,
            trim_range_pct: None,
            stock: None,
            changed: Vec::new(),
            slots: vec!["main".to_owned()],
            today: "2026-01-01".to_owned(),
        }
    }
}

/// A file of a new bike folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TemplateFile {
    /// `/`-separated path in the folder.
    pub path: String,
    /// Its text.
    pub text: String,
}

/// Pressure at which the flow of injectors is rated, kPa. Common practice, no source.
pub const RATED_KPA: f64 = 300.0;
/// Lambda asked for at idle and cruise. Common practice, no source: 14.7:1 on petrol.
const CRUISE_LAMBDA: f64 = 1.0;
/// Lambda asked for at full load. Common practice, no source: 12 to 13.5:1 on
/// petrol, the middle of which is lambda 0.87.
const POWER_LAMBDA: f64 = 0.87;
/// Slope and offset of filling over manifold pressure, as a ratio and in kPa:
/// `filling · p = SLOPE · p + OFFSET`. Hendricks and Sorenson, SAE 900616;
/// the numbers are from memory (0.90 to 0.97, −5 to −10 kPa).
const FILLING_SLOPE: f64 = 0.95;
const FILLING_OFFSET_KPA: f64 = -7.0;
/// Share of the rev limit at which breathing peaks, and the loss at standstill.
/// Common practice, no source; the rides put it right.
const PEAK_SHARE: f64 = 0.7;
const LOSS_AT_STANDSTILL: f64 = 0.22;
/// Air an open throttle can pass at most, over what the engine displaces at the
/// limit. Common practice, no source; the rides put it right.
const THROTTLE_CAPACITY: f64 = 2.4;
/// The same of a closed throttle: what an idle at an eighth of the limit takes
/// at a third of full filling.
const CLOSED_CAPACITY: f64 = 0.042;
/// Pressure ratio below which the flow through an orifice is choked, and the
/// ratio of specific heats of air. Source: isentropic flow of a perfect gas.
const HEAT_RATIO: f64 = 1.4;
const CHOKED_BELOW: f64 = 0.528;
/// Duty the usual injector reaches at the limit, %. Common practice, no source.
const SIZED_FOR_DUTY_PCT: f64 = 75.0;

impl Template {
    /// The files of the new folder.
    pub fn files(&self) -> Vec<TemplateFile> {
        let mut files = vec![
            TemplateFile { path: BIKE_FILE.to_owned(), text: self.bike_yaml() },
            TemplateFile { path: BUILDS_FILE.to_owned(), text: self.builds_yaml() },
        ];
        let fuel = table::write(&self.fuel_table());
        let mixture = table::write(&self.mixture_table());
        for slot in &self.slots {
            files.push(TemplateFile { path: fuel_path(slot), text: fuel.clone() });
            files.push(TemplateFile { path: mixture_path(slot), text: mixture.clone() });
            let below = self.stock.as_ref().and_then(|stock| stock.table.as_ref());
            if let Some(stock) = below.filter(|_| self.fuel_table == FuelTableKind::TrimPct) {
                files.push(TemplateFile { path: stock_path(slot), text: table::write(stock) });
            }
        }
        files
    }

    /// The smallest step a fuel cell of this kind of table can hold.
    pub fn resolution(&self) -> f64 {
        match self.fuel_table {
            FuelTableKind::VePct => 0.1,
            FuelTableKind::PulseWidthMs => 0.01,
            FuelTableKind::TrimPct => 0.5,
        }
    }

    fn stoich_afr(&self) -> f64 {
        fuel::known(&self.fuel).unwrap_or(fuel::Composition::petrol()).stoich_afr()
    }

    /// Flow of one injector at the rated pressure: as given, or what suits the engine.
    ///
    /// Units: cm³/min.
    pub fn injector_cc_min(&self) -> f64 {
        const STEP: f64 = 10.0;
        if let Some(given) = self.injector_cc_min {
            return given;
        }
        let peak_rpm = self.rev_limit_rpm;
        let ve = filling(1.0, self.breathing(peak_rpm));
        let fuel_g = self.fuel_g(ve, POWER_LAMBDA);
        let open_s = SIZED_FOR_DUTY_PCT / 100.0 * 120.0 / peak_rpm;
        let needed =
            fuel_g / open_s * 60.0 / (fuel::TYPICAL_FUEL_KG_M3 / 1000.0) / self.injectors_a_cylinder();
        let rated = injector::flow_at_pressure(needed, self.rail_kpa, RATED_KPA);
        // So that a round number stays one, whatever binary fractions say.
        const SLACK: f64 = 1e-9;
        (rated / STEP - SLACK).ceil() * STEP
    }

    fn injector_count(&self) -> u32 {
        self.injectors.unwrap_or(self.cylinders)
    }

    fn injectors_a_cylinder(&self) -> f64 {
        f64::from(self.injector_count()) / f64::from(self.cylinders)
    }

    /// What the new bike's fuel table depends on besides the air.
    pub fn engine_data(&self) -> EngineData {
        EngineData {
            displacement_cc: self.displacement_cc,
            injectors: Some(InjectorData {
                count: self.injector_count(),
                flow_cc_min: self.injector_cc_min(),
                rated_kpa: RATED_KPA,
                rail_kpa: self.rail_kpa,
            }),
            stoich_afr: self.stoich_afr(),
            fuel: self.fuel.clone(),
        }
    }

    /// What becomes of the stock map; `None` where there is none.
    ///
    /// # Errors
    /// Words, where it makes no sense.
    pub fn rescaling(&self) -> Option<Result<Rescaling, String>> {
        let stock = self.stock.as_ref()?;
        Some(rescaling(self.fuel_table, self.load, [&stock.made_for, &self.engine_data()], stock.air))
    }

    /// Fuel of one cylinder and cycle in the reference air, g.
    fn fuel_g(&self, ve: f64, lambda: f64) -> f64 {
        let cylinder_cc = self.displacement_cc / f64::from(self.cylinders);
        let air_g = air::cylinder_air_g(ve, air::REFERENCE_KPA, cylinder_cc, air::REFERENCE_TEMP_C);
        injector::fuel_for_air(air_g, lambda, self.stoich_afr())
    }

    /// How well the engine breathes at a speed, as a share of its best.
    fn breathing(&self, rpm: f64) -> f64 {
        let away = (rpm / self.rev_limit_rpm - PEAK_SHARE) / PEAK_SHARE;
        1.0 - LOSS_AT_STANDSTILL * away * away
    }

    /// Filling against ambient at a throttle opening: where what the plate lets
    /// through equals what the engine breathes in.
    fn throttled_filling(&self, rpm: f64, throttle_pct: f64) -> f64 {
        const HALVINGS: u32 = 40;
        let open = 1.0 - (throttle_pct / 100.0 * std::f64::consts::FRAC_PI_2).cos();
        let capacity = (THROTTLE_CAPACITY * open + CLOSED_CAPACITY) / (rpm / self.rev_limit_rpm);
        let breathing = self.breathing(rpm);
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..HALVINGS {
            let ratio = (low + high) / 2.0;
            if capacity * orifice(ratio) > filling(ratio, breathing) { low = ratio } else { high = ratio }
        }
        filling(high, breathing).min(capacity)
    }

    fn grid(&self) -> Grid {
        match self.stock.as_ref().and_then(|stock| stock.table.as_ref()) {
            Some(stock) => stock.grid.clone(),
            None => self.usual_grid(),
        }
    }

    fn usual_grid(&self) -> Grid {
        const ROWS: f64 = 17.0;
        const STEP: f64 = 250.0;
        const FIRST_RPM: f64 = 1000.0;
        let step = ((self.rev_limit_rpm - FIRST_RPM) / (ROWS * STEP)).ceil().max(1.0) * STEP;
        let mut rpm = vec![FIRST_RPM];
        while rpm[rpm.len() - 1] < self.rev_limit_rpm {
            rpm.push(rpm[rpm.len() - 1] + step);
        }
        let load = match self.load {
            LoadAxis::ThrottlePct => vec![1.0, 3.0, 6.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0],
            // A closed throttle at speed draws down to about 15 kPa.
            LoadAxis::MapKpa => {
                vec![15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0]
            }
        };
        Grid {
            rpm: Axis::new(rpm).expect("breakpoints ascend by construction"),
            load: Axis::new(load).expect("breakpoints ascend by construction"),
        }
    }

    fn ve(&self, rpm: f64, load: f64) -> f64 {
        let breathing = self.breathing(rpm);
        match self.load {
            LoadAxis::ThrottlePct => self.throttled_filling(rpm, load),
            LoadAxis::MapKpa => {
                let ratio = load / air::REFERENCE_KPA;
                filling(ratio, breathing) / ratio
            }
        }
    }

    /// The base fuel table: the stock map rescaled, or from filling, injector and fuel sums.
    pub fn fuel_table(&self) -> Table {
        let factor = self.rescaling().and_then(Result::ok).map_or(1.0, |rescaling| rescaling.factor);
        let kind = self.fuel_table;
        if let Some(stock) = self.stock.as_ref().and_then(|stock| stock.table.as_ref())
            && kind != FuelTableKind::TrimPct
        {
            let resolution = Resolution::new(self.resolution()).expect("a decimal step");
            let values =
                stock.values.iter().map(|value| resolution.snap(kind.cell(kind.amount(*value) * factor)));
            return Table { values: values.collect(), resolution, ..stock.clone() };
        }
        self.table(self.resolution(), |rpm, load| match kind {
            // Of a trim nothing, where the engine is as the stock map knows it.
            FuelTableKind::TrimPct => FuelTableKind::TrimPct.cell(factor),
            FuelTableKind::VePct | FuelTableKind::PulseWidthMs => self.fuel_cell(kind, rpm, load),
        })
    }

    /// What a cell of a map needs by the engine data, unrounded; of a trim nothing.
    ///
    /// Units: 1/min, that of the load axis; that of the kind of table.
    pub(super) fn fuel_cell(&self, kind: FuelTableKind, rpm: f64, load: f64) -> f64 {
        let ve = self.ve(rpm, load);
        match kind {
            FuelTableKind::VePct => ve * 100.0,
            FuelTableKind::PulseWidthMs => {
                let against_ambient = match self.load {
                    LoadAxis::ThrottlePct => ve,
                    LoadAxis::MapKpa => ve * load / air::REFERENCE_KPA,
                };
                let at_rail = injector::flow_at_pressure(self.injector_cc_min(), RATED_KPA, self.rail_kpa);
                let flow =
                    injector::mass_flow_g_s(at_rail, fuel::TYPICAL_FUEL_KG_M3) * self.injectors_a_cylinder();
                let fuel_g = self.fuel_g(against_ambient, self.wanted_lambda(load));
                injector::effective_pulse_ms(fuel_g, flow)
            }
            FuelTableKind::TrimPct => 0.0,
        }
    }

    /// The base mixture table: stoichiometric at idle and cruise, rich for power.
    pub fn mixture_table(&self) -> Table {
        self.table(0.001, |_, load| (self.wanted_lambda(load) * 100.0).round() / 100.0)
    }

    fn wanted_lambda(&self, load: f64) -> f64 {
        let (from, to) = match self.load {
            LoadAxis::ThrottlePct => (30.0, 80.0),
            LoadAxis::MapKpa => (60.0, 90.0),
        };
        let share = ((load - from) / (to - from)).clamp(0.0, 1.0);
        CRUISE_LAMBDA + (POWER_LAMBDA - CRUISE_LAMBDA) * share
    }

    fn table(&self, step: f64, cell: impl Fn(f64, f64) -> f64) -> Table {
        let grid = self.grid();
        let resolution = Resolution::new(step).expect("a decimal step");
        let values = (0..grid.cells()).map(|i| {
            let (rpm, load) = grid.point(i);
            resolution.snap(cell(rpm, load))
        });
        Table { values: values.collect(), load_axis: self.load, resolution, grid }
    }
}

/// Filling against ambient air at a pressure ratio.
fn filling(pressure_ratio: f64, breathing: f64) -> f64 {
    let offset = FILLING_OFFSET_KPA / air::REFERENCE_KPA;
    ((FILLING_SLOPE * pressure_ratio + offset) * breathing).max(0.0)
}

/// Flow through an orifice at a pressure ratio, over its choked flow.
///
/// # Source
/// Isentropic nozzle flow of a perfect gas.
fn orifice(ratio: f64) -> f64 {
    let flow = |r: f64| (r.powf(2.0 / HEAT_RATIO) - r.powf((HEAT_RATIO + 1.0) / HEAT_RATIO)).max(0.0).sqrt();
    flow(ratio.max(CHOKED_BELOW)) / flow(CHOKED_BELOW)
}

#[cfg(test)]
mod tests {
    use super::super::{Bike, Builds};
    use super::*;
    use std::path::Path;

    fn template(fuel_table: FuelTableKind, load: LoadAxis) -> Template {
        Template {
            name: "Test: \"one\"".to_owned(),
            displacement_cc: 650.0,
            cylinders: 2,
            rev_limit_rpm: 9000.0,
            fuel: "E10".to_owned(),
            fuel_table,
            load,
            injector_cc_min: None,
            slots: vec!["power".to_owned(), "economy".to_owned()],
            changed: vec!["cams".to_owned()],
            today: "2026-05-02".to_owned(),
            ..Template::default()
        }
    }

    #[test]
    fn every_kind_of_template_reads_back() {
        for kind in [FuelTableKind::VePct, FuelTableKind::PulseWidthMs, FuelTableKind::TrimPct] {
            for load in [LoadAxis::ThrottlePct, LoadAxis::MapKpa] {
                let template = template(kind, load);
                let bike = Bike::parse(Path::new(BIKE_FILE), &template.bike_yaml()).expect("valid bike");
                assert_eq!(bike.name, template.name);
                Builds::parse(Path::new(BUILDS_FILE), &template.builds_yaml()).expect("valid builds");
                let text = table::write(&template.fuel_table());
                let read = table::parse(Path::new("f"), &text, load, bike.resolution, kind.allowed());
                assert_eq!(read.expect("a table"), template.fuel_table());
            }
        }
    }

    #[test]
    fn filling_grows_with_throttle_and_stays_sensible() {
        let table = template(FuelTableKind::VePct, LoadAxis::ThrottlePct).fuel_table();
        for row in table.values.chunks(table.grid.load.len()) {
            assert!(row.windows(2).all(|w| w[1] >= w[0]), "{row:?}");
            assert!(row.iter().all(|v| (4.0..110.0).contains(v)), "{row:?}");
        }
        assert!(table.at(6000.0, 100.0) > 80.0);
        assert!(table.at(6000.0, 3.0) < 30.0);
    }

    #[test]
    fn base_pulse_widths_follow_from_the_injector() {
        let mut template = template(FuelTableKind::PulseWidthMs, LoadAxis::ThrottlePct);
        template.injector_cc_min = Some(200.0);
        let small = template.fuel_table().at(6000.0, 100.0);
        template.injector_cc_min = Some(400.0);
        let large = template.fuel_table().at(6000.0, 100.0);
        assert!((small / large - 2.0).abs() < 0.01);
    }
}
