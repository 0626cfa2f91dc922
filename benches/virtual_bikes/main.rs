//! How near each way of correcting a map comes to the truth, on virtual bikes of
//! different character: `cargo bench --bench virtual_bikes`.
//!
//! Four 30-minute rides a bike, each on the map the method made of the rides
//! before; then a judge's ride that no method has seen. Truth and estimator share
//! nothing but the controller's arithmetic. `docs/accuracy.md` explains the
//! figures. Behind `--`:
//!
//! - `--bike N` or `--bike NAME`: only this bike, by its number or a part of its name
//! - `--detail`: every figure after every ride
//! - `--true-sensor`: the same bikes with sensors that neither drift nor lie
//! - `--markdown`: the tables of `docs/accuracy.md`
//! - `FILE.yaml`: a pipeline to try as well; with `--only` beside nothing but the oracle

mod bikes;
mod judge;
mod least_squares;
mod methods;
mod ours;
mod print;
mod riding;

use bikes::TestBike;
use judge::{Figures, Judge};
use methods::{Answer, Method};
use rayon::prelude::*;
use riding::{RIDES, Ridden};
use std::sync::Arc;

/// What one bike showed.
pub struct BikeResult {
    pub number: usize,
    pub name: &'static str,
    pub off_the_table_pct: f64,
    pub governed_pct: f64,
    pub best_rms: f64,
    pub resolvable: usize,
    pub cells: usize,
    /// For each method the figures at the start and after each ride.
    pub seasons: Vec<Vec<Figures>>,
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let has = |flag: &str| arguments.iter().any(|argument| argument == flag);
    let wanted = arguments.iter().position(|a| a == "--bike").and_then(|at| arguments.get(at + 1));
    let files = arguments.iter().filter(|argument| argument.ends_with(".yaml"));
    let pipelines = files.map(|p| (p.clone(), std::fs::read_to_string(p).expect("a pipeline file")));
    let methods = methods::methods(pipelines.collect(), has("--only"));
    let bikes = bikes::bikes(has("--true-sensor"));
    let chosen: Vec<(usize, &TestBike)> = (1..)
        .zip(&bikes)
        .filter(|(number, bike)| wanted.is_none_or(|w| *w == number.to_string() || bike.name.contains(w)))
        .collect();
    if chosen.is_empty() {
        eprintln!("no bike of that number or name; there are:");
        for (number, bike) in (1..).zip(&bikes) {
            eprintln!("{number}. {}", bike.name);
        }
        return;
    }
    let results: Vec<BikeResult> =
        chosen.par_iter().map(|(number, bike)| season(*number, bike, &methods)).collect();
    if has("--markdown") {
        print::markdown(&methods, &results);
    } else {
        print::text(&methods, &results, has("--detail"));
    }
}

/// One bike through the season with every method.
fn season(number: usize, bike: &TestBike, methods: &[Method]) -> BikeResult {
    let judge = Judge::new(bike);
    // All methods start from the same map, so they share the first ride.
    let first = Arc::new(Ridden::new(bike, &bike.start, 1));
    let seasons = methods.iter().map(|method| {
        let mut tables = bike.start.clone();
        let start = Answer::without_evidence(tables.fuel.clone());
        let mut figures = vec![judge.figures(&start)];
        let mut ridden = Vec::new();
        for ride in 1..=RIDES {
            ridden.push(match ride {
                1 => Arc::clone(&first),
                _ => Arc::new(Ridden::new(bike, &tables, ride)),
            });
            let answer = method.answer(bike, &ridden, &tables);
            figures.push(judge.figures(&answer));
            tables.fuel = answer.fuel;
        }
        figures
    });
    BikeResult {
        number,
        name: bike.name,
        seasons: seasons.collect(),
        off_the_table_pct: judge.off_the_table_pct,
        governed_pct: judge.governed_pct,
        best_rms: judge.best_rms,
        resolvable: judge.cells.iter().filter(|c| c.resolvable).count(),
        cells: judge.cells.len(),
    }
}
