//! What speaks against a stock map being that of an engine.
//!
//! A stock map comes from outside, and nothing later says that it was read as something else. So it is
//! held against what the engine data give: a map that rides or a maker put right lies within a factor
//! of two of that, and its cells follow the load.

use super::config::{Bike, FuelTableKind};
use super::engine_data::EngineData;
use super::template::{RATED_KPA, Template};
use crate::physics::injector::flow_at_pressure;
use crate::statistics::{Moments, median};
use crate::table::{LoadAxis, Table};
use crate::units;

/// A fuel table of an engine, as files bring it.
pub struct StockInQuestion<'a> {
    /// The table.
    pub table: &'a Table,
    /// What its cells may be.
    pub kinds: &'a [FuelTableKind],
    /// The engine it was made for.
    engine: Template,
}

/// Common practice, no source: tuned engines fill their cylinders to 60 to 110 % at full load.
const BELIEVED: [f64; 2] = [0.4, 2.5];
/// A cell this many times above or below all that lies around it is a slip of the pen.
const ODD_BY: f64 = 2.0;
/// Where no engine runs by itself, 1/min. Common practice, no source.
const CRANKING_RPM: f64 = 500.0;
/// Of the highest load and of the limit: where the estimate is at its best.
const WORKS: f64 = 0.5;
/// Cells named in one doubt.
const NAMED: usize = 4;

impl<'a> StockInQuestion<'a> {
    /// A table made for an engine; `like` says of it what the data leave open.
    pub fn of_engine(
        table: &'a Table,
        kinds: &'a [FuelTableKind],
        made_for: &EngineData,
        like: &Template,
    ) -> Self {
        let injectors = made_for.injectors;
        let engine = Template {
            displacement_cc: made_for.displacement_cc,
            fuel: made_for.fuel.clone(),
            injectors: injectors.map(|injectors| injectors.count),
            injector_cc_min: injectors.map(|i| flow_at_pressure(i.flow_cc_min, i.rated_kpa, RATED_KPA)),
            rail_kpa: injectors.map_or(RATED_KPA, |injectors| injectors.rail_kpa),
            stock: None,
            ..like.clone()
        };
        Self { table, kinds, engine }
    }

    /// The map below the trims of a bike, whose kind is not known.
    pub fn below_trims(table: &'a Table, bike: &Bike) -> Self {
        let like = Template {
            cylinders: bike.engine.cylinders,
            rev_limit_rpm: bike.engine.rev_limit_rpm,
            load: bike.controller.load,
            ..Template::default()
        };
        Self::of_engine(table, FuelTableKind::OF_STOCK, &EngineData::of(bike), &like)
    }

    /// What its cells are, where one of the kinds they may be suits the engine and no other does.
    pub fn kind(&self) -> Option<FuelTableKind> {
        let mut fits = self.kinds.iter().copied().filter(|kind| self.level(*kind).is_ok());
        fits.next().filter(|_| fits.next().is_none())
    }

    /// What makes the table hard to believe, in words; none where nothing does.
    pub fn doubts(&self) -> Vec<String> {
        if let Some(doubt) = self.axes() {
            return vec![doubt];
        }
        let gone = self.fuel_gone();
        // Of cells read as another quantity, or in another order, none is worth a name.
        let fits: Vec<Result<FuelTableKind, String>> =
            self.kinds.iter().map(|kind| self.level(*kind).map(|()| *kind)).collect();
        let Some(kind) = fits.iter().find_map(|fit| fit.as_ref().ok()).copied() else {
            return match fits.into_iter().filter_map(Result::err).collect::<Vec<_>>() {
                one if one.len() == 1 => one,
                several => vec![several.join("; ")],
            };
        };
        let expected = self.expected(kind);
        if let Some(doubt) = self.order(kind, &expected) {
            return vec![doubt];
        }
        gone.into_iter().chain(self.odd_cells(&expected)).collect()
    }

    /// Axes in another unit, or exchanged.
    fn axes(&self) -> Option<String> {
        let last = |breakpoints: &[f64]| breakpoints[breakpoints.len() - 1];
        let grid = &self.table.grid;
        let (rpm, load) = (last(grid.rpm.breakpoints()), last(grid.load.breakpoints()));
        let axis = self.table.load_axis;
        // Common practice, no source: some throttles read a little above 100 %, some engines are blown.
        let ([least, most], wanted) = match axis {
            LoadAxis::ThrottlePct => ([20.0, 120.0], "a throttle opening in %"),
            LoadAxis::MapKpa => ([40.0, 450.0], "a manifold pressure in kPa"),
        };
        if (least..=most).contains(&load) && rpm >= CRANKING_RPM {
            return None;
        }
        let hint = if rpm <= most && load >= CRANKING_RPM {
            format!("the axes look exchanged: the first cell must then be `{}/rpm`", axis.name())
        } else if rpm < CRANKING_RPM {
            "engine speeds are wanted in 1/min".to_owned()
        } else {
            format!("{wanted} is wanted")
        };
        Some(format!("its rpm end at {} and its loads at {}: {hint}", units::plain(rpm), units::plain(load)))
    }

    /// Whether the engine runs by itself at a speed that it may.
    fn runs(&self, rpm: f64) -> bool {
        (CRANKING_RPM..=self.engine.rev_limit_rpm).contains(&rpm)
    }

    /// Whether an engine pulls from there under load: below, its filling differs most from others'.
    fn pulls(&self, rpm: f64) -> bool {
        let limit = self.engine.rev_limit_rpm;
        (limit * WORKS / 2.0..=limit).contains(&rpm)
    }

    fn points(&self) -> impl Iterator<Item = (usize, f64, f64)> + '_ {
        (0..self.table.values.len()).map(|cell| {
            let (rpm, load) = self.table.grid.point(cell);
            (cell, rpm, load)
        })
    }

    /// What the engine data give for every cell.
    fn expected(&self, kind: FuelTableKind) -> Vec<f64> {
        self.points().map(|(_, rpm, load)| self.engine.fuel_cell(kind, rpm, load)).collect()
    }

    /// From here on the estimate is at its best, in the load axis' unit.
    fn high_load(&self) -> f64 {
        let loads = self.table.grid.load.breakpoints();
        loads[loads.len() - 1] * WORKS
    }

    /// How many times what the engine data give the cells hold, where the engine works.
    fn times(&self, expected: &[f64]) -> Option<f64> {
        let high = self.high_load();
        let ratio = |cell: usize| self.table.values[cell] / expected[cell];
        let working = self.points().filter(|(_, rpm, load)| *load >= high && self.pulls(*rpm));
        let working: Vec<f64> = working.map(|(cell, ..)| ratio(cell)).collect();
        let all: Vec<f64> = self.points().map(|(cell, ..)| ratio(cell)).collect();
        median(if working.is_empty() { &all } else { &working })
    }

    /// Whether the cells are of the right size for a kind of table.
    fn level(&self, kind: FuelTableKind) -> Result<(), String> {
        let Some(times) = self.times(&self.expected(kind)) else { return Ok(()) };
        let is_believed = |times: f64| (BELIEVED[0]..=BELIEVED[1]).contains(&times);
        if is_believed(times) {
            return Ok(());
        }
        let other = FuelTableKind::OF_STOCK.iter().find(|other| {
            **other != kind
                && !self.kinds.contains(other)
                && self.times(&self.expected(**other)).is_some_and(is_believed)
        });
        let hint = if is_believed(times * 100.0) && kind == FuelTableKind::VePct {
            "; it looks like shares of one where % is wanted (then multiply by 100), or like a table of wanted lambda"
                .to_owned()
        } else if let Some(other) = other {
            format!("; its cells would suit a table of {}", other.name())
        } else {
            String::new()
        };
        Err(format!(
            "as {} it holds {} times what the engine data give at high load, and {} to {} is believed{hint}",
            kind.name(),
            units::fixed(times, if times < 0.1 { 4 } else { 2 }),
            BELIEVED[0],
            BELIEVED[1]
        ))
    }

    /// Cells in another order than the axes.
    fn order(&self, kind: FuelTableKind, expected: &[f64]) -> Option<String> {
        /// From here on cells and estimate go together, or do not.
        const ALIKE: f64 = 0.7;
        const UNLIKE: f64 = 0.3;
        /// Spread of the estimate's logarithm below which it says nothing of the order.
        const FLAT: f64 = 0.25;
        let (rpms, loads) = (self.table.grid.rpm.len(), self.table.grid.load.len());
        let read = &self.table.values;
        let follows = together(read, expected)?;
        if read.iter().all(|cell| *cell == read[0]) {
            return Some("all its cells are alike: no engine breathes that way".to_owned());
        }
        if kind == FuelTableKind::VePct
            && self.table.load_axis == LoadAxis::MapKpa
            && self.grows_with_pressure(expected)
        {
            return Some(
                "its cells grow with the pressure as the filling of the cylinder does, and volumetric efficiency is \
                 wanted over the density in the manifold: divide by map_kpa/100"
                    .to_owned(),
            );
        }
        let logs = expected.iter().filter(|v| **v > 0.0).map(|v| (0.0, v.ln()));
        let is_flat = Moments::of(&logs.collect::<Vec<_>>()).is_none_or(|logs| logs.spread() < FLAT);
        if follows >= UNLIKE || is_flat {
            return None;
        }
        let turned = (rpms == loads).then(|| {
            let turned: Vec<f64> = (0..read.len()).map(|i| read[i % loads * loads + i / loads]).collect();
            together(&turned, expected)
        });
        let hint = match turned.flatten() {
            Some(turned) if turned > ALIKE => ": rows and columns look exchanged",
            _ => "",
        };
        Some(format!("its cells do not follow the load as fuel does{hint}"))
    }

    /// Whether volumetric efficiency over manifold pressure holds the pressure already.
    fn grows_with_pressure(&self, expected: &[f64]) -> bool {
        /// Exponent of the pressure in what is held over what is expected: 0 is efficiency, 1 is filling.
        const HALF_WAY: f64 = 0.6;
        let ran = self.points().filter(|(cell, rpm, load)| {
            self.runs(*rpm) && *load > 0.0 && self.table.values[*cell] > 0.0 && expected[*cell] > 0.0
        });
        let logs = ran.map(|(cell, _, load)| (load.ln(), (self.table.values[cell] / expected[cell]).ln()));
        let moments = Moments::of(&logs.collect::<Vec<_>>());
        moments.and_then(|logs| logs.slope()).is_some_and(|exponent| exponent > HALF_WAY)
    }

    /// Cells without fuel above the lowest loads.
    fn fuel_gone(&self) -> Option<String> {
        /// Of the highest load: up to here an overrun may have none.
        const OVERRUN: f64 = 0.1;
        /// A throttle closed at speed draws down to this and less, kPa. Common practice, no source.
        const OVERRUN_KPA: f64 = 30.0;
        let loads = self.table.grid.load.breakpoints();
        let overrun = match self.table.load_axis {
            LoadAxis::ThrottlePct => loads[0].max(loads[loads.len() - 1] * OVERRUN),
            LoadAxis::MapKpa => OVERRUN_KPA,
        };
        let gone = self.points().filter(|(cell, rpm, load)| {
            self.table.values[*cell] <= 0.0 && *load > overrun && self.runs(*rpm)
        });
        named(self, &gone.map(|(cell, ..)| cell).collect::<Vec<_>>(), "without fuel")
    }

    /// Cells far off from all around them, in what they hold and over what is expected there; at high
    /// load also those far off from what all others hold there, since a whole row can be wrong.
    fn odd_cells(&self, expected: &[f64]) -> Option<String> {
        /// Fewer neighbours say nothing.
        const FEWEST: usize = 3;
        let values = &self.table.values;
        let grid = &self.table.grid;
        let around = |cell: usize| {
            let (i, j) = grid.position(cell);
            let rows = i.saturating_sub(1)..(i + 2).min(grid.rpm.len());
            let near = rows.flat_map(move |row| {
                (j.saturating_sub(1)..(j + 2).min(grid.load.len())).map(move |column| grid.cell(row, column))
            });
            near.filter(move |near| *near != cell && values[*near] > 0.0).collect::<Vec<usize>>()
        };
        let is_odd = |cell: usize| {
            let around = around(cell);
            let off = |of: &dyn Fn(usize) -> f64| {
                let bounds =
                    |(least, most): (f64, f64), near: &usize| (least.min(of(*near)), most.max(of(*near)));
                let (least, most) = around.iter().fold((f64::INFINITY, 0.0), bounds);
                of(cell) < least / ODD_BY || of(cell) > most * ODD_BY
            };
            around.len() >= FEWEST && off(&|cell| values[cell]) && off(&|cell| values[cell] / expected[cell])
        };
        let high = self.high_load();
        let times = self.times(expected).unwrap_or(1.0);
        let is_off_level = |cell: usize, load: f64| {
            load >= high && (values[cell] / expected[cell] / times).ln().abs() > ODD_BY.ln()
        };
        let odd = self.points().filter(|(cell, rpm, load)| {
            values[*cell] > 0.0
                && self.runs(*rpm)
                && (is_odd(*cell) || self.pulls(*rpm) && is_off_level(*cell, *load))
        });
        named(
            self,
            &odd.map(|(cell, ..)| cell).collect::<Vec<_>>(),
            "far from all around or from the map's level",
        )
    }
}

/// Some of the cells by name, and how many there are.
fn named(stock: &StockInQuestion<'_>, cells: &[usize], what: &str) -> Option<String> {
    if cells.is_empty() {
        return None;
    }
    let name = |cell: &usize| {
        let (rpm, load) = stock.table.grid.point(*cell);
        let [rpm, load] = [rpm, load].map(units::plain);
        let unit = stock.table.load_axis.unit();
        format!("{} at {rpm} 1/min, {load} {unit}", units::plain(stock.table.values[*cell]))
    };
    let mut names: Vec<String> = cells.iter().take(NAMED).map(name).collect();
    if cells.len() > NAMED {
        names.push(format!("and {} more", cells.len() - NAMED));
    }
    Some(format!("{} {what}: {}", units::counted(cells.len(), "cell"), names.join("; ")))
}

/// Correlation of the logarithms of what is positive in both, 0 where one is all alike; `None` where
/// that says nothing.
fn together(a: &[f64], b: &[f64]) -> Option<f64> {
    let both = a.iter().zip(b).filter(|(a, b)| **a > 0.0 && **b > 0.0);
    let logs: Vec<(f64, f64)> = both.map(|(a, b)| (a.ln(), b.ln())).collect();
    Some(Moments::of(&logs)?.correlation().unwrap_or(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const BOTH_AXES: [LoadAxis; 2] = [LoadAxis::ThrottlePct, LoadAxis::MapKpa];

    fn engine(load: LoadAxis) -> Template {
        Template { load, injector_cc_min: Some(200.0), ..Template::default() }
    }

    fn first_map(kind: FuelTableKind, load: LoadAxis) -> Table {
        Template { fuel_table: kind, ..engine(load) }.fuel_table()
    }

    fn doubts(table: &Table, kinds: &[FuelTableKind]) -> String {
        let like = engine(table.load_axis);
        StockInQuestion::of_engine(table, kinds, &like.engine_data(), &like).doubts().join(" | ")
    }

    #[test]
    fn a_table_of_another_quantity_is_told_with_what_it_looks_like() {
        use FuelTableKind::{PulseWidthMs, VePct};
        for load in BOTH_AXES {
            let ve = first_map(VePct, load);
            let pulses = first_map(PulseWidthMs, load);
            let mut shares = ve.clone();
            shares.values.iter_mut().for_each(|v| *v /= 100.0);
            assert!(doubts(&shares, &[VePct]).contains("multiply by 100"), "{}", doubts(&shares, &[VePct]));
            assert!(doubts(&pulses, &[VePct]).contains("would suit a table of pulse_width_ms"));
            assert!(doubts(&ve, &[PulseWidthMs]).contains("would suit a table of ve_pct"));
            assert_eq!(doubts(&ve, FuelTableKind::OF_STOCK), "");
            assert_eq!(doubts(&pulses, FuelTableKind::OF_STOCK), "");
            assert!(doubts(&shares, FuelTableKind::OF_STOCK).contains("as ve_pct"));
        }
    }

    #[test]
    fn axes_and_cells_the_wrong_way_round_are_told() {
        use FuelTableKind::{PulseWidthMs, VePct};
        let ve = first_map(VePct, LoadAxis::ThrottlePct);
        let mut exchanged = ve.clone();
        std::mem::swap(&mut exchanged.grid.rpm, &mut exchanged.grid.load);
        assert!(doubts(&exchanged, &[VePct]).contains("the first cell must then be `throttle_pct/rpm`"));
        let mut bar = first_map(VePct, LoadAxis::MapKpa);
        let loads = bar.grid.load.breakpoints().iter().map(|kpa| kpa / 100.0);
        bar.grid.load = crate::table::Axis::new(loads.collect()).expect("an axis");
        assert!(doubts(&bar, &[VePct]).contains("a manifold pressure in kPa is wanted"));
        for (kind, load) in [
            (VePct, LoadAxis::ThrottlePct),
            (PulseWidthMs, LoadAxis::ThrottlePct),
            (PulseWidthMs, LoadAxis::MapKpa),
        ] {
            let mut square = first_map(kind, load);
            let n = square.grid.load.len();
            let rpm = square.grid.rpm.breakpoints()[..n].to_vec();
            square.values.truncate(n * n);
            square.grid.rpm = crate::table::Axis::new(rpm).expect("an axis");
            assert_eq!(doubts(&square, &[kind]), "");
            let turned: Vec<f64> = (0..n * n).map(|i| square.values[i % n * n + i / n]).collect();
            square.values = turned;
            assert!(doubts(&square, &[kind]).contains("exchanged"), "{}", doubts(&square, &[kind]));
        }
    }

    #[test]
    fn a_cell_without_fuel_or_far_from_its_neighbours_has_a_name() {
        let of = |cell: usize, value: f64| {
            let mut table = first_map(FuelTableKind::VePct, LoadAxis::ThrottlePct);
            table.values[cell] = value;
            doubts(&table, &[FuelTableKind::VePct])
        };
        // The fourth row, 2500 1/min, at 60 % and at the ends of the table.
        let width = first_map(FuelTableKind::VePct, LoadAxis::ThrottlePct).grid.load.len();
        assert!(of(3 * width + 8, 0.0).contains("1 cell without fuel: 0 at 2500 1/min, 60 %"));
        assert!(of(3 * width + 8, 8.1).contains("far from all around or from the map's level: 8.1 at 2500"));
        assert!(of(3 * width + 10, 190.0).contains("far from all around or from the map's level: 190 at"));
        assert!(
            of(0, 120.0).contains("far from all around or from the map's level: 120 at 1000"),
            "{}",
            of(0, 120.0)
        );
        // An overrun at a closed throttle may have none.
        assert_eq!(of(10 * width, 0.0), "");
        // A whole column, row or pair of them shares its neighbours' fault.
        let of_all = |is_wrong: &dyn Fn(usize) -> bool| {
            let mut table = first_map(FuelTableKind::VePct, LoadAxis::ThrottlePct);
            (0..table.values.len()).filter(|cell| is_wrong(*cell)).for_each(|cell| table.values[cell] /= 5.0);
            doubts(&table, &[FuelTableKind::VePct])
        };
        assert!(of_all(&|cell| cell % width == width - 1).contains("from the map's level"));
        assert!(of_all(&|cell| cell / width == 12).contains("from the map's level"));
        assert!(of_all(&|cell| cell / width == 12 && cell % width > 8).contains("2 cells"));
    }

    #[test]
    fn filling_for_efficiency_and_one_number_for_all_are_told_and_cuts_at_speed_are_not() {
        let ve = first_map(FuelTableKind::VePct, LoadAxis::MapKpa);
        let with = |held: &dyn Fn(f64, f64) -> f64| {
            let mut table = ve.clone();
            for cell in 0..table.values.len() {
                let (_, load) = table.grid.point(cell);
                table.values[cell] = held(table.values[cell], load);
            }
            doubts(&table, &[FuelTableKind::VePct])
        };
        assert!(with(&|ve, kpa| ve * kpa / 100.0).contains("divide by map_kpa/100"));
        assert!(with(&|_, _| 70.0).contains("all its cells are alike"));
        assert_eq!(with(&|ve, kpa| if kpa < 30.0 { 0.0 } else { ve }), "");
    }

    proptest! {
        /// What tuners do to a map is no reason to doubt it.
        #[test]
        fn a_map_within_a_third_of_the_estimate_is_not_doubted(
            off in prop::collection::vec(-0.3..0.3f64, 400),
            is_ve: bool,
            over_map: bool,
            times in 0.6..1.6f64,
        ) {
            let kind = if is_ve { FuelTableKind::VePct } else { FuelTableKind::PulseWidthMs };
            let mut table = first_map(kind, BOTH_AXES[usize::from(over_map)]);
            for (value, off) in table.values.iter_mut().zip(&off) {
                *value *= times * off.exp();
            }
            prop_assert_eq!(doubts(&table, &[kind]), "");
        }
    }
}
