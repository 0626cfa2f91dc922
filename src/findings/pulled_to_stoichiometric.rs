//! `pulled_to_stoichiometric`: a controller that trims towards lambda 1 although
//! bike.yaml says that it trims nowhere.
//!
//! Cell by cell of the ridden table: what is wanted and what a warm engine running
//! steadily reads. Where the wanted lambda is not 1 and the reading is 1 all the
//! same, in cell after cell, something pulls it there. A map that happens to be off
//! by just as much reads 1 too; but then it is off by about as much next door, where
//! another lambda is wanted, and reads something else there.
//!
//! Known weakness: with one ride alone a map whose error swings may look like a loop,
//! and a loop over such a map like a map; hence no more than a warning, and room on
//! the side of silence.

use super::scene::{middle, percentile};
use super::{FindingEntry, Scene, Seen, Severity};
use crate::bike::ClosedLoopMode;
use crate::ride::Channel;
use crate::table::Grid;
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "pulled_to_stoichiometric",
    about: "Over a region of cells where another lambda is wanted, warm steady running reads lambda 1 with little \
            spread, and the cells around it are not off by as much: a controller that trims by itself, although \
            bike.yaml says `closed_loop: { mode: none }`.",
    severity: "warning from five cells and a minute of steady running on, where 3 % away from 1 is wanted and 1 is read \
               within 1.2 %",
    source: "a closed loop on a switching sensor holds lambda 1 whatever the map says; the limits are common \
             practice, no source, set on virtual bikes",
    look_at: "whether the controller runs in closed loop there: say so with `closed_loop` in bike.yaml (`trim_logged` \
              when the log has `trim_pct`, else `unlogged`, with the region), or switch the loop off while mapping",
    look: Some(look),
};

// Limits: common practice, no source; set on virtual bikes.
/// Wanted at least this far from 1.
const WANTED_AWAY: f64 = 0.03;
/// A cell reads within this of 1, the whole region closer still.
const READS_ONE: f64 = 0.012;
const REGION_READS_ONE: f64 = 0.008;
/// The middle 80 % of a cell's readings span no more than this.
const NARROW: f64 = 0.06;
/// Less riding in a cell says nothing, s.
const ENOUGH_IN_CELL_S: f64 = 3.0;
/// So many cells over so wide a range of speed and two breakpoints of load, and so
/// long in all: a smooth error of a map may be just right for fewer.
const ENOUGH_CELLS: usize = 5;
const ENOUGH_RPM: f64 = 1500.0;
const ENOUGH_S: f64 = 60.0;
/// Cells this many breakpoints apart are neighbours; a ride leaves gaps.
const REACH: usize = 2;
/// Cells that clearly read something else may have this share of the region's time.
const CONTRADICTED: f64 = 0.2;
/// A map's error changes by less than this from a region to the cells around it.
const JUMPS: f64 = 0.025;

/// One cell as the ride saw it.
#[derive(Debug, Clone, Copy)]
struct CellSeen {
    seconds: f64,
    wanted: f64,
    reads: f64,
    /// `ln(lambda/wanted)`: what an open-loop map would be off by.
    off: f64,
    span: f64,
}

impl CellSeen {
    fn is_wanted_away(&self) -> bool {
        (self.wanted - 1.0).abs() >= WANTED_AWAY
    }

    fn is_pulled(&self) -> bool {
        self.is_wanted_away() && (self.reads - 1.0).abs() <= READS_ONE && self.span <= NARROW
    }

    /// Pulled or at the edge of it.
    fn is_nearly_pulled(&self) -> bool {
        self.is_wanted_away() && (self.reads - 1.0).abs() <= 2.0 * READS_ONE
    }
}

fn look(scene: &Scene<'_>) -> Vec<Seen> {
    if scene.bike().closed_loop.mode != ClosedLoopMode::None {
        return Vec::new();
    }
    let grid = &scene.rows.ridden(scene.context).most_ridden().fuel.grid;
    let cells = cells_of(scene, grid);
    regions(grid, &cells).iter().filter_map(|region| judge(scene, grid, &cells, region)).collect()
}

fn cells_of(scene: &Scene<'_>, grid: &Grid) -> Vec<Option<CellSeen>> {
    let (rpm, load, lambda) = (scene.rows.rpm(), scene.rows.load(), scene.rows.lambda());
    let places = scene.rows.places(grid);
    let ridden = scene.rows.ridden(scene.context);
    let asked = ridden.wanted(&scene.rows);
    let mut samples: Vec<Vec<usize>> = vec![Vec::new(); grid.cells()];
    for i in (0..lambda.len()).filter(|i| scene.steady[*i]) {
        if !(rpm[i].is_nan() || load[i].is_nan() || lambda[i].is_nan()) {
            samples[places[i].nearest()].push(i);
        }
    }
    let seen = |samples: &Vec<usize>| {
        let seconds = samples.len() as f64 * scene.interval_s();
        if seconds < ENOUGH_IN_CELL_S {
            return None;
        }
        // The mixture table, not a logged target: in closed loop that may be 1 already.
        let wanted: Vec<f64> = samples.iter().map(|i| asked(*i)).collect();
        let reads: Vec<f64> = samples.iter().map(|i| lambda[*i]).collect();
        let off: Vec<f64> = reads.iter().zip(&wanted).map(|(reads, wanted)| reads / wanted).collect();
        Some(CellSeen {
            seconds,
            wanted: middle(&wanted)?,
            reads: middle(&reads)?,
            // The logarithm keeps the order.
            off: middle(&off)?.ln(),
            span: percentile(&reads, 0.9)? - percentile(&reads, 0.1)?,
        })
    };
    samples.iter().map(seen).collect()
}

/// Whether two cells lie within reach of each other.
fn are_near(grid: &Grid, a: usize, b: usize) -> bool {
    let ((i, j), (k, l)) = (grid.position(a), grid.position(b));
    i.abs_diff(k) <= REACH && j.abs_diff(l) <= REACH
}

/// Pulled cells that lie together, as lists of cells.
fn regions(grid: &Grid, cells: &[Option<CellSeen>]) -> Vec<Vec<usize>> {
    let mut open: Vec<usize> =
        (0..cells.len()).filter(|cell| cells[*cell].is_some_and(|c| c.is_pulled())).collect();
    let mut regions = Vec::new();
    while let Some(first) = open.pop() {
        let mut region = vec![first];
        let mut looked = 0;
        while looked < region.len() {
            let (near, far) = open.into_iter().partition(|cell| are_near(grid, region[looked], *cell));
            region.extend::<Vec<usize>>(near);
            open = far;
            looked += 1;
        }
        regions.push(region);
    }
    regions
}

fn judge(scene: &Scene<'_>, grid: &Grid, cells: &[Option<CellSeen>], region: &[usize]) -> Option<Seen> {
    let inside: Vec<CellSeen> = region.iter().filter_map(|cell| cells[*cell]).collect();
    let seconds = time_in(&inside);
    let (rpm, load): (Vec<f64>, Vec<f64>) = region.iter().map(|cell| grid.point(*cell)).unzip();
    let (rpm, load) = (ends(&rpm), ends(&load));
    let is_wide = rpm.1 - rpm.0 >= ENOUGH_RPM && load.0 < load.1;
    if inside.len() < ENOUGH_CELLS || seconds < ENOUGH_S || !is_wide {
        return None;
    }
    let mean_off_one = inside.iter().map(|c| c.seconds * (c.reads - 1.0)).sum::<f64>() / seconds;
    let within = |cell: usize| {
        let (r, l) = grid.point(cell);
        (rpm.0..=rpm.1).contains(&r) && (load.0..=load.1).contains(&l)
    };
    let others: Vec<CellSeen> = (0..cells.len())
        .filter(|cell| within(*cell))
        .filter_map(|cell| cells[cell])
        .filter(|c| c.is_wanted_away() && !c.is_nearly_pulled())
        .collect();
    let is_one = mean_off_one.abs() <= REGION_READS_ONE && time_in(&others) <= CONTRADICTED * seconds;
    if !is_one || !stands_out(grid, cells, region, &inside) {
        return None;
    }
    let wanted = ends(&inside.iter().map(|c| c.wanted).collect::<Vec<f64>>());
    let reads = ends(&inside.iter().map(|c| c.reads).collect::<Vec<f64>>());
    let from_to = |(low, high): (f64, f64), decimals: usize| {
        let (low, high) = (units::fixed(low, decimals), units::fixed(high, decimals));
        if low == high { low } else { format!("{low} to {high}") }
    };
    let saw = format!(
        "lambda reads {} in {} where {} is wanted, over {} of warm steady running",
        from_to(reads, 3),
        units::counted(inside.len(), "cell"),
        from_to(wanted, 3),
        units::duration(seconds)
    );
    let unit = scene.bike().controller.load.unit();
    let place = format!(
        "{} to {} rpm, {} to {} {unit}",
        units::plain(rpm.0),
        units::plain(rpm.1),
        units::plain(load.0),
        units::plain(load.1)
    );
    Some(Seen::new(Severity::Warning, saw).in_channel(Channel::Lambda).at_points(place))
}

/// Whether a map that is simply off does not explain the region: one lambda is read
/// where several are wanted, or the error ends at the region's edge.
fn stands_out(grid: &Grid, cells: &[Option<CellSeen>], region: &[usize], inside: &[CellSeen]) -> bool {
    let around: Vec<f64> = (0..cells.len())
        .filter(|cell| !region.contains(cell) && region.iter().any(|near| are_near(grid, *near, *cell)))
        .filter_map(|cell| cells[cell])
        .filter(|c| !c.is_nearly_pulled())
        .map(|c| c.off)
        .collect();
    let (low, high) = ends(&inside.iter().map(|c| c.wanted).collect::<Vec<f64>>());
    let inside: Vec<f64> = inside.iter().map(|c| c.off).collect();
    let jumps = middle(&inside).zip(middle(&around)).is_some_and(|(i, a)| (i - a).abs() >= JUMPS);
    high - low >= WANTED_AWAY || jumps
}

fn time_in(cells: &[CellSeen]) -> f64 {
    cells.iter().map(|c| c.seconds).sum()
}

/// The lowest and the highest.
fn ends(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)))
}

#[cfg(test)]
mod tests {
    use super::super::of_one_ride;
    use super::{ENTRY, Severity};
    use crate::bike::{Bike, ClosedLoopMode, FuelTableKind, Region, SlotTables, Template};
    use crate::pipeline::RideContext;
    use crate::ride::Ride;
    use crate::table::{LoadAxis, Table};
    use crate::virtual_bike::{
        Ambient, BikeSpec, Character, ClosedLoop, RideRequest, RideStyle, VirtualBike,
    };
    use rayon::prelude::*;
    use std::path::Path;

    /// A ride on a seeded engine whose mixture table wants `wanted` in a region of
    /// cruise, with a map that is off by `lean` there and elsewhere.
    struct Trial {
        engine: u64,
        wanted: f64,
        trims: bool,
        lean: fn(f64, f64) -> f64,
        said: ClosedLoopMode,
    }

    const RIGHT: fn(f64, f64) -> f64 = |_, _| 0.0;
    const WAVY: fn(f64, f64) -> f64 = |rpm, load| 0.05 * (rpm / 700.0 + load / 31.0).sin();
    const LEAN: fn(f64, f64) -> f64 = |_, _| 0.05;

    impl Trial {
        /// What was said of the region, if anything was.
        fn found(&self) -> Option<String> {
            let kinds = [FuelTableKind::VePct, FuelTableKind::PulseWidthMs, FuelTableKind::TrimPct];
            let load = [LoadAxis::ThrottlePct, LoadAxis::MapKpa][self.engine as usize % 2];
            let template = Template {
                name: format!("engine {}", self.engine),
                displacement_cc: 250.0 + 100.0 * self.engine as f64,
                cylinders: 1 + self.engine as u32 % 2,
                rev_limit_rpm: 8500.0,
                fuel: "E10".to_owned(),
                fuel_table: kinds[self.engine as usize % 3],
                load,
                injector_cc_min: None,
                slots: vec!["main".to_owned()],
                today: "2026-01-01".to_owned(),
                ..Template::default()
            };
            let mut bike = Bike::parse(Path::new("bike.yaml"), &template.files()[0].text).expect("a bike");
            let loads = if load == LoadAxis::MapKpa { [30.0, 60.0] } else { [2.0, 20.0] };
            let region = Region { rpm: [2000.0, 5000.0], load: loads };
            let mut spec = BikeSpec::of(&bike);
            if self.trims {
                spec.closed_loop = ClosedLoop::Unlogged { region: Some(region) };
            }
            bike.closed_loop.mode = self.said;
            let twin = VirtualBike { spec, character: Character::from_seed(self.engine) };
            let mut mixture = template.mixture_table();
            for cell in 0..mixture.grid.cells() {
                let (rpm, load) = mixture.grid.point(cell);
                if region.contains(rpm, load) {
                    mixture.values[cell] = self.wanted;
                }
            }
            let grid = template.fuel_table().grid;
            let kind = bike.controller.fuel_table;
            let value = |cell: usize| {
                let (rpm, load) = grid.point(cell);
                let truth = twin.true_table_value(rpm, load, mixture.at(rpm, load));
                bike.resolution.snap(kind.cell(kind.amount(truth) / (1.0 + (self.lean)(rpm, load))))
            };
            let values = (0..grid.cells()).map(value).collect();
            let fuel = Table { grid: grid.clone(), load_axis: load, resolution: bike.resolution, values };
            let tables = SlotTables { fuel, mixture, spark: None, locks: Vec::new() };
            let request = RideRequest {
                seed: 10 * self.engine + 1,
                minutes: 25.0,
                rate_hz: 20.0,
                cold_start: true,
                ambient: Ambient { air_temp_c: 22.0, baro_kpa: 99.0, humidity_rh: 0.5 },
                style: if self.engine.is_multiple_of(3) { RideStyle::Spirited } else { RideStyle::Road },
            };
            let log = twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request);
            let ride =
                Ride::read(Path::new("ride.csv"), log.to_csv(None).as_bytes(), &crate::ride::Loggers::none())
                    .expect("a ride");
            let context = RideContext::of_one_slot(&bike, &tables, "main");
            let found = of_one_ride(&ride, &context).into_iter().find(|f| f.name == ENTRY.name)?;
            assert_eq!(found.severity, Severity::Warning);
            Some(format!("{} ({})", found.saw, found.region.expect("a region")))
        }
    }

    const NONE: ClosedLoopMode = ClosedLoopMode::None;

    #[test]
    fn a_loop_that_bike_yaml_denies_is_found_where_it_works() {
        let trials: Vec<Trial> = (3..=5)
            .flat_map(|engine| [0.95, 1.05].map(|wanted| (engine, wanted)))
            .map(|(engine, wanted)| Trial { engine, wanted, trims: true, lean: RIGHT, said: NONE })
            .collect();
        let found: Vec<Option<String>> = trials.par_iter().map(Trial::found).collect();
        // A loop is missed now and then, never two in six.
        assert!(found.iter().flatten().count() >= 5, "{found:?}");
        for (trial, found) in trials.iter().zip(&found) {
            let Some(found) = found else { continue };
            assert!(found.contains(&format!("{:.3}", trial.wanted)) && found.contains("rpm"), "{found}");
        }
        let told =
            Trial { engine: 4, wanted: 0.95, trims: true, lean: RIGHT, said: ClosedLoopMode::Unlogged };
        assert_eq!(told.found(), None, "bike.yaml says it already");
    }

    #[test]
    fn no_honest_ride_is_called_pulled_not_even_one_as_lean_as_it_is_wanted_rich() {
        let trials: Vec<Trial> = (0..8)
            .flat_map(|engine| {
                let rich = if engine % 2 == 0 { LEAN } else { WAVY };
                [(0.95, rich), (1.05, WAVY), (1.0, WAVY)].map(|(wanted, lean)| Trial {
                    engine,
                    wanted,
                    trims: false,
                    lean,
                    said: NONE,
                })
            })
            .collect();
        let told =
            |trial: &Trial| Some(format!("engine {}, {}: {}", trial.engine, trial.wanted, trial.found()?));
        let accused: Vec<String> = trials.par_iter().filter_map(told).collect();
        assert!(accused.is_empty(), "{accused:#?}");
    }
}
