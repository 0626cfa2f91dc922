//! The fitted surface and the band Cholesky behind it, against numpy and scipy.

use crate::compare::{assert_close, read};
use rideloop::evidence::{Banded, RideEquations, RideSamples, Sample, SurfaceFit, equations, solve};
use rideloop::table::{Axis, Grid, LoadAxis, Resolution, Table};
use serde::Deserialize;

#[derive(Deserialize)]
struct Reference {
    rpm: Vec<f64>,
    load: Vec<f64>,
    today: Vec<f64>,
    start: Vec<f64>,
    interval_s: f64,
    rides: Vec<Ride>,
    cases: Vec<Case>,
    bands: Vec<Band>,
}

#[derive(Deserialize)]
struct Ride {
    ridden_amounts: Vec<f64>,
    time_s: Vec<f64>,
    rpm: Vec<f64>,
    load: Vec<f64>,
    factor: Vec<f64>,
    certainty: Vec<f64>,
}

#[derive(Deserialize)]
struct Case {
    name: String,
    rides: Vec<usize>,
    settings: SurfaceFit,
    expected: Expected,
}

#[derive(Deserialize)]
struct Expected {
    amounts: Vec<f64>,
    std_errors: Vec<f64>,
    ride_offsets: Vec<f64>,
    ride_offset_errors: Vec<f64>,
    spread_ratio: f64,
}

#[derive(Deserialize)]
struct Band {
    name: String,
    n: usize,
    width: usize,
    lower: Vec<Vec<f64>>,
    right: Vec<f64>,
    solution: Vec<f64>,
    inverse_diagonal: Vec<f64>,
}

fn reference() -> Reference {
    read(include_str!("surface.json"))
}

fn assert_all_close(what: &str, got: &[f64], want: &[f64], relative: f64) {
    assert_eq!(got.len(), want.len(), "{what}");
    for (i, (got, want)) in got.iter().zip(want).enumerate() {
        assert_close(&format!("{what} {i}"), *got, *want, relative);
    }
}

fn grid(reference: &Reference) -> Grid {
    let axis = |breakpoints: &[f64]| Axis::new(breakpoints.to_vec()).expect("ascending breakpoints");
    Grid { rpm: axis(&reference.rpm), load: axis(&reference.load) }
}

fn ride_equations(reference: &Reference, ride: &Ride, settings: &SurfaceFit) -> RideEquations {
    let grid = grid(reference);
    let samples = (0..ride.time_s.len()).map(|i| Sample {
        time_s: ride.time_s[i],
        rpm: ride.rpm[i],
        load: ride.load[i],
        factor: ride.factor[i],
        certainty: ride.certainty[i],
    });
    let samples = RideSamples {
        samples: samples.collect(),
        interval_s: reference.interval_s,
        memory_s: 0.1,
        ridden_amounts: ride.ridden_amounts.clone(),
    };
    let ridden = Table {
        grid: grid.clone(),
        load_axis: LoadAxis::ThrottlePct,
        resolution: Resolution::new(0.01).expect("a decimal step"),
        values: ride.ridden_amounts.clone(),
    };
    equations(&samples, &grid, &|rpm, load| ridden.at(rpm, load), settings)
}

#[test]
fn the_surface_is_the_least_squares_solution() {
    // Source: numpy.linalg.lstsq over one row a segment, a presumed change, a bend and a ride's
    // offset, all unknowns together; errors from numpy.linalg.inv of the full normal matrix.
    // The crate solves normal equations of condition up to 7e3, which leaves twelve of the sixteen
    // digits, and takes the residuals' squares from sums (`Σ w f² − …`), which cancels some four more; an
    // offset near zero is the difference of larger numbers and loses one more. The reference has a
    // residual for each segment.
    const CANCELLATION: f64 = 1e-10;
    let reference = reference();
    let grid = grid(&reference);
    assert_eq!(reference.cases.len(), 5);
    for case in &reference.cases {
        let (name, want) = (&case.name, &case.expected);
        let rides = case.rides.iter().map(|r| &reference.rides[*r]);
        let rides: Vec<RideEquations> =
            rides.map(|ride| ride_equations(&reference, ride, &case.settings)).collect();
        let borrowed: Vec<&RideEquations> = rides.iter().collect();
        let got = solve(&borrowed, &grid, &reference.today, &reference.start, &case.settings)
            .expect("positive definite");
        let close = |what, got: &[f64], want: &[f64]| {
            assert_all_close(&format!("{name}: {what}"), got, want, CANCELLATION);
        };
        close("amount", &got.amounts, &want.amounts);
        close("spread ratio", &[got.spread_ratio], &[want.spread_ratio]);
        close("error of amount", &got.std_errors, &want.std_errors);
        // An offset may be nothing at all: it is compared on the scale of its error.
        let offsets = got.ride_offsets.iter().zip(&want.ride_offsets).zip(&want.ride_offset_errors);
        for (ride, ((got, want), error)) in offsets.enumerate() {
            assert!((got - want).abs() < CANCELLATION * error, "{name}: offset of ride {ride}: {got} {want}");
        }
        close("error of offset", &got.ride_offset_errors, &want.ride_offset_errors);
    }
}

#[test]
fn a_band_is_solved_and_inverted() {
    // Source: scipy.linalg.solveh_banded, and the diagonal of numpy.linalg.inv. The condition is at
    // most 1e3, so that rounding (1e-16) reaches the thirteenth digit; elements of the solution much
    // smaller than the largest one lose another.
    const CONDITION: f64 = 1e-11;
    let bands = reference().bands;
    assert_eq!(bands.len(), 5);
    for band in bands {
        let mut matrix = Banded::zeros(band.n, band.width);
        for (i, row) in band.lower.iter().enumerate() {
            for (j, value) in (i + 1 - row.len()..=i).zip(row) {
                matrix.add(i, j, *value);
            }
        }
        let factor = matrix.factor().expect("positive definite");
        let name = &band.name;
        assert_all_close(&format!("{name}: solution"), &factor.solve(&band.right), &band.solution, CONDITION);
        let diagonal = factor.inverse_diagonal();
        assert_all_close(&format!("{name}: inverse"), &diagonal, &band.inverse_diagonal, CONDITION);
    }
}
