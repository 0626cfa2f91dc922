//! Weighted mean, effective samples and standard errors against numpy and statsmodels.
//!
//! Source: `numpy.average`; Kish (1965) `(Σw)²/Σw²`; statsmodels
//! `WLS(y, ones, weights=w).fit(cov_type="cluster")` with its default small-sample factor
//! G/(G−1)·(N−1)/(N−K), where K = 1 leaves G/(G−1).

use crate::compare::{assert_close, assert_prints, read};
use rideloop::evidence::{Averaging, CellSums, RideSamples, Sample, accumulate};
use rideloop::table::{Axis, Grid};
use serde::Deserialize;

/// Relative. The crate takes the squared scores from sums (`Σ S² − 2μ Σ S W + μ² Σ W²`), which
/// cancels four to five digits of the sixteen; statsmodels subtracts the mean first.
const CANCELLATION: f64 = 1e-9;

#[derive(Deserialize)]
struct Reference {
    cases: Vec<Case>,
    autocorrelation: Vec<Autocorrelation>,
}

#[derive(Deserialize)]
struct Case {
    name: String,
    y: Vec<f64>,
    w: Vec<f64>,
    dwell: Vec<u32>,
    ride: Vec<u32>,
    mean: f64,
    sum_w: f64,
    kish_n_eff: f64,
    se_by_dwell: Option<f64>,
    se_by_ride: Option<f64>,
    se_hc1: Option<f64>,
}

#[derive(Deserialize)]
struct Autocorrelation {
    n: u32,
    rho: f64,
    n_eff: f64,
    n_eff_hold_exact: f64,
    n_eff_pass_exact: f64,
    printed: Option<f64>,
}

fn reference() -> Reference {
    read(include_str!("weighted_mean.json"))
}

/// One ride's sums: its samples stand together, dwell after dwell.
fn ride_sums(case: &Case, ride: u32) -> CellSums {
    let mut sums = CellSums::default();
    let mine: Vec<usize> = (0..case.y.len()).filter(|i| case.ride[*i] == ride).collect();
    for dwell in mine.chunk_by(|a, b| case.dwell[*a] == case.dwell[*b]) {
        let w: f64 = dwell.iter().map(|i| case.w[*i]).sum();
        let wy: f64 = dwell.iter().map(|i| case.w[*i] * case.y[*i]).sum();
        sums.w += w;
        sums.wy += wy;
        sums.ww += dwell.iter().map(|i| case.w[*i] * case.w[*i]).sum::<f64>();
        sums.add_dwell(w, wy);
    }
    sums.close_ride();
    sums
}

fn rides(case: &Case) -> Vec<CellSums> {
    let mut names = case.ride.clone();
    names.dedup();
    names.into_iter().map(|ride| ride_sums(case, ride)).collect()
}

fn merged<'a>(rides: impl Iterator<Item = &'a CellSums>) -> CellSums {
    let mut sums = CellSums::default();
    for ride in rides {
        sums.merge(ride);
    }
    sums
}

fn assert_same_bar(what: &str, got: Option<f64>, want: Option<f64>) {
    match (got, want) {
        (Some(got), Some(want)) => assert_close(what, got, want, CANCELLATION),
        (got, want) => assert_eq!(got, want, "{what}"),
    }
}

fn assert_agrees(case: &Case, sums: &CellSums) {
    let name = &case.name;
    assert_close(&format!("{name}: weight"), sums.w, case.sum_w, CANCELLATION);
    assert_close(&format!("{name}: mean"), sums.mean().expect("weight"), case.mean, CANCELLATION);
    assert_close(&format!("{name}: Kish"), sums.effective_samples(), case.kish_n_eff, CANCELLATION);
    assert_same_bar(&format!("{name}: by dwell"), sums.std_error_by_dwell(), case.se_by_dwell);
    assert_same_bar(&format!("{name}: by ride"), sums.std_error_by_ride(), case.se_by_ride);
}

#[test]
fn merged_rides_agree_in_either_order() {
    let cases = reference().cases;
    assert_eq!(cases.len(), 9);
    for case in &cases {
        let rides = rides(case);
        assert_agrees(case, &merged(rides.iter()));
        assert_agrees(case, &merged(rides.iter().rev()));
    }
}

#[test]
fn without_a_second_cluster_there_is_no_error_bar() {
    let cases = reference().cases;
    let without = |f: fn(&Case) -> Option<f64>| cases.iter().filter(|c| f(c).is_none()).count();
    // "one dwell" and "one sample"; by ride also "one ride, six dwells".
    assert_eq!(without(|c| c.se_by_dwell), 2);
    assert_eq!(without(|c| c.se_by_ride), 3);
}

#[test]
fn dwells_of_one_sample_give_the_heteroscedastic_error() {
    // Source: statsmodels cov_type="HC1", which is the clustered one with a cluster a sample.
    let cases = reference().cases;
    let case = cases.iter().find(|c| c.name.starts_with("every sample its own dwell")).expect("the case");
    assert_same_bar("HC1", merged(rides(case).iter()).std_error_by_dwell(), case.se_hc1);
}

/// Effective samples of a cell whose weight in each sample is given.
fn effective_samples(n: u32, rho: f64, weight: impl Fn(f64) -> f64) -> f64 {
    const INTERVAL_S: f64 = 0.05;
    const RPM: [f64; 2] = [1000.0, 2000.0];
    // An AR(1) series of correlation ρ is a first-order lag seen every interval: ρ = exp(−interval/τ).
    let memory_s = if rho > 0.0 { -INTERVAL_S / rho.ln() } else { 0.0 };
    let axis = |breakpoints: [f64; 2]| Axis::new(breakpoints.to_vec()).expect("ascending");
    let grid = Grid { rpm: axis(RPM), load: axis([0.0, 10.0]) };
    let sample = |i: u32| {
        let rpm = RPM[1] + (RPM[0] - RPM[1]) * weight(f64::from(i) / f64::from(n));
        Sample { time_s: f64::from(i) * INTERVAL_S, rpm, load: 0.0, factor: 1.0, certainty: 1.0 }
    };
    let ride = RideSamples {
        samples: (0..n).map(sample).collect(),
        interval_s: INTERVAL_S,
        memory_s,
        ridden_amounts: vec![50.0; grid.cells()],
    };
    accumulate(&ride, &grid, &Averaging::default())[0].effective_samples()
}

/// Effective samples of a cell on which a ride stood still.
fn effective_samples_of_a_hold(n: u32, rho: f64) -> f64 {
    effective_samples(n, rho, |_| 1.0)
}

#[test]
fn correlated_samples_never_count_for_more_than_they_are_worth() {
    // Source: variance of the weighted mean from the whole correlation matrix (numpy). The crate's
    // sum takes a series without ends. What it misses there, 2ρ/((1−ρ²)n) of the whole at most for
    // equal weights, follows by summing the geometric series; for weights that fall from 1 to 0,
    // one end of weight 1 over a mean square of 1/3 makes it 3/2 of that.
    const ROUNDING: f64 = 1e-12;
    for row in reference().autocorrelation {
        let ends = 2.0 * row.rho / ((1.0 - row.rho * row.rho) * f64::from(row.n));
        let visits = [
            ("hold", effective_samples_of_a_hold(row.n, row.rho), row.n_eff_hold_exact, ends),
            ("pass", effective_samples(row.n, row.rho, |past| 1.0 - past), row.n_eff_pass_exact, 1.5 * ends),
        ];
        for (name, got, exact, most) in visits {
            let missed = 1.0 - got / exact;
            assert!(
                (-ROUNDING..=most + ROUNDING).contains(&missed),
                "{name}, n = {}, ρ = {}: {got} of {exact}, misses {missed}, at most {most}",
                row.n,
                row.rho
            );
        }
    }
}

#[test]
fn correlated_samples_count_as_fewer() {
    // Source: n(1−ρ)/(1+ρ) for an AR(1) series (Bayley and Hammersley 1946, from memory); printed in
    // the project's notes as 22.2, 10.5 and 5.1 for n = 200 and ρ = .8, .9, .95. The tolerance is
    // the rounding of a logarithm and the exponential that takes it back.
    const LOGARITHM: f64 = 1e-12;
    let rows = reference().autocorrelation;
    assert_eq!(rows.len(), 6);
    for row in rows {
        let what = format!("n = {}, ρ = {}", row.n, row.rho);
        let got = effective_samples_of_a_hold(row.n, row.rho);
        assert_close(&what, got, row.n_eff, LOGARITHM);
        if let Some(printed) = row.printed {
            assert_prints(&what, got, printed, 1);
        }
    }
}
