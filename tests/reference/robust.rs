//! Huber's weight, the weighted median and the robust spread against statsmodels and numpy.

use crate::compare::{assert_close, assert_prints, read};
use rideloop::evidence::{Averaging, HUBER_K, MAD_TO_SD, huber_weight, weighted_median};
use serde::Deserialize;

/// Relative. One division on either side; the constants are given to sixteen digits.
const ROUNDING: f64 = 1e-14;

#[derive(Deserialize)]
struct Reference {
    huber_k: f64,
    huber_k_for_95: f64,
    huber_k_printed: f64,
    efficiency: Vec<Efficiency>,
    mad_factor: f64,
    mad_factor_printed: f64,
    weights: Vec<Weights>,
    mad: Vec<Spread>,
    weighted_median: Vec<Median>,
}

#[derive(Deserialize)]
struct Efficiency {
    k: f64,
    efficiency: f64,
}

#[derive(Deserialize)]
struct Weights {
    name: String,
    u: Vec<f64>,
    huber: Vec<f64>,
}

#[derive(Deserialize)]
struct Spread {
    name: String,
    x: Vec<f64>,
    median: f64,
    mad_raw: f64,
    mad_scaled: f64,
}

#[derive(Deserialize)]
struct Median {
    name: String,
    x: Vec<f64>,
    w: Vec<f64>,
    lower_weighted_median: f64,
}

fn reference() -> Reference {
    read(include_str!("huber.json"))
}

#[test]
fn constants_are_the_published_ones() {
    // Source: 1.345 is the default of statsmodels' HuberT and of R's MASS::rlm (95 % efficiency on
    // normal data); 1/Φ⁻¹(3/4) by scipy.stats.norm, printed everywhere as 1.4826.
    let reference = reference();
    assert_eq!(HUBER_K, reference.huber_k);
    assert_eq!(Averaging::default().outlier_k, reference.huber_k);
    assert_close("1/Φ⁻¹(3/4)", MAD_TO_SD, reference.mad_factor, ROUNDING);
    assert_prints("1/Φ⁻¹(3/4)", MAD_TO_SD, reference.mad_factor_printed, 4);
}

/// Mean of an even function over the normal distribution, by Simpson's rule on both sides of its kink.
fn normal_mean(f: impl Fn(f64) -> f64, kink: f64) -> f64 {
    const PANELS: u32 = 2000;
    // Beyond this the normal density is below 1e-22.
    const FAR: f64 = 10.0;
    let density = |u: f64| (-0.5 * u * u).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let part = |from: f64, to: f64| {
        let h = (to - from) / f64::from(PANELS);
        let weighted = |i: u32| {
            let u = from + h * f64::from(i);
            let times = if i == 0 || i == PANELS { 1.0 } else { f64::from(2 + 2 * (i % 2)) };
            times * f(u) * density(u)
        };
        (0..=PANELS).map(weighted).sum::<f64>() * h / 3.0
    };
    2.0 * (part(0.0, kink) + part(kink, FAR))
}

#[test]
fn the_default_constant_keeps_95_percent_of_the_means_precision() {
    // Source: (E ψ')²/E ψ² on normal data (Huber 1981, from memory), by scipy.integrate over
    // statsmodels' ψ; here over the crate's own weight, ψ = u·w, with E ψ' = E uψ. Simpson's rule
    // is exact to about 1e-12 with these steps.
    const SIMPSON: f64 = 1e-10;
    let reference = reference();
    assert_eq!(reference.efficiency.len(), 5);
    for Efficiency { k, efficiency } in &reference.efficiency {
        let psi = |u: f64| u * huber_weight(u, *k);
        let slope = normal_mean(|u| u * psi(u), *k);
        let square = normal_mean(|u| psi(u).powi(2), *k);
        assert_close(&format!("efficiency at k = {k}"), slope * slope / square, *efficiency, SIMPSON);
    }
    assert_prints("k for 95 %", reference.huber_k_for_95, reference.huber_k_printed, 3);
    assert_prints("k for 95 %", reference.huber_k_for_95, HUBER_K, 3);
}

#[test]
fn weights_agree_with_statsmodels() {
    // Source: statsmodels.robust.norms.HuberT(t=1.345).weights.
    let mut seen = 0;
    for set in reference().weights {
        assert_eq!(set.u.len(), set.huber.len());
        for (u, want) in set.u.iter().zip(&set.huber) {
            assert_close(&format!("{}, u = {u}", set.name), huber_weight(*u, HUBER_K), *want, ROUNDING);
            seen += 1;
        }
    }
    assert_eq!(seen, 96);
}

#[test]
fn the_weighted_median_is_the_lower_one() {
    // Source: numpy.quantile(x, 0.5, weights=w, method="inverted_cdf"). It picks one of the values,
    // so nothing but equality will do.
    let cases = reference().weighted_median;
    assert_eq!(cases.len(), 9);
    for case in cases {
        let mut pairs: Vec<(f64, f64)> = case.x.iter().copied().zip(case.w.iter().copied()).collect();
        assert_eq!(weighted_median(&mut pairs), Some(case.lower_weighted_median), "{}", case.name);
    }
}

#[test]
fn the_robust_spread_agrees_with_statsmodels() {
    // Source: statsmodels.robust.mad. Of an even count it takes the middle between two values where
    // the crate takes the lower one, so only odd counts can be compared.
    // The tolerance is absolute, as the deviations are differences of numbers near 1.
    const DIFFERENCES: f64 = 1e-15;
    let odd: Vec<Spread> = reference().mad.into_iter().filter(|s| s.x.len() % 2 == 1).collect();
    assert_eq!(odd.len(), 4);
    for spread in odd {
        let median = |values: &[f64]| {
            let mut pairs: Vec<(f64, f64)> = values.iter().map(|x| (*x, 1.0)).collect();
            weighted_median(&mut pairs).expect("values")
        };
        let centre = median(&spread.x);
        assert_eq!(centre, spread.median, "{}", spread.name);
        let deviations: Vec<f64> = spread.x.iter().map(|x| (x - centre).abs()).collect();
        let mad = median(&deviations);
        assert!((mad - spread.mad_raw).abs() <= DIFFERENCES, "{}: {mad}", spread.name);
        assert!((mad * MAD_TO_SD - spread.mad_scaled).abs() <= DIFFERENCES, "{}: {mad}", spread.name);
    }
}
