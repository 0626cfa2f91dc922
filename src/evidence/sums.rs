//! The mergeable sums behind one cell.
//!
//! Notation: `w` the weight of a sample in seconds (bilinear weight × time the
//! sample stands for × robust weight), `y` the amount of fuel it asks for,
//! `W_g = Σw` and `S_g = Σwy` within a dwell or a ride `g`.

use serde::{Deserialize, Serialize};

/// Sums of one cell; adding two sets of different rides merges them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct CellSums {
    /// Σw.
    pub w: f64,
    /// Σwy.
    pub wy: f64,
    /// Σw²/φ, φ the share of a sample that is new information.
    pub ww: f64,
    /// Number of dwells.
    pub dwells: u64,
    /// ΣW_g² over dwells.
    pub dwell_ww: f64,
    /// ΣW_g S_g over dwells.
    pub dwell_wy: f64,
    /// ΣS_g² over dwells.
    pub dwell_yy: f64,
    /// Number of rides.
    pub rides: u64,
    /// ΣW_g² over rides.
    pub ride_ww: f64,
    /// ΣW_g S_g over rides.
    pub ride_wy: f64,
    /// ΣS_g² over rides.
    pub ride_yy: f64,
}

/// How far visits and rides are presumed to differ before the data show it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Standard deviation between dwells, as a share of the value.
    pub dwell: f64,
    /// Standard deviation between rides, as a share of the value.
    pub ride: f64,
    /// How many visits the presumption is worth.
    pub visits: f64,
}

impl CellSums {
    /// Closes a dwell with its `W_g` and `S_g`.
    pub fn add_dwell(&mut self, w: f64, wy: f64) {
        self.dwells += 1;
        self.dwell_ww += w * w;
        self.dwell_wy += w * wy;
        self.dwell_yy += wy * wy;
    }

    /// Closes the ride these sums hold; they must not hold more than one.
    pub fn close_ride(&mut self) {
        if self.w > 0.0 {
            self.rides = 1;
            self.ride_ww = self.w * self.w;
            self.ride_wy = self.w * self.wy;
            self.ride_yy = self.wy * self.wy;
        }
    }

    /// The same sums with every `y` multiplied.
    pub fn scaled(self, by: f64) -> Self {
        Self {
            wy: self.wy * by,
            dwell_wy: self.dwell_wy * by,
            dwell_yy: self.dwell_yy * by * by,
            ride_wy: self.ride_wy * by,
            ride_yy: self.ride_yy * by * by,
            ..self
        }
    }

    /// The same sums with every weight multiplied: evidence that has aged.
    pub fn weighted(self, by: f64) -> Self {
        let square = by * by;
        Self {
            w: self.w * by,
            wy: self.wy * by,
            ww: self.ww * square,
            dwell_ww: self.dwell_ww * square,
            dwell_wy: self.dwell_wy * square,
            dwell_yy: self.dwell_yy * square,
            ride_ww: self.ride_ww * square,
            ride_wy: self.ride_wy * square,
            ride_yy: self.ride_yy * square,
            ..self
        }
    }

    /// Adds the sums of other rides.
    pub fn merge(&mut self, other: &Self) {
        self.w += other.w;
        self.wy += other.wy;
        self.ww += other.ww;
        self.dwells += other.dwells;
        self.dwell_ww += other.dwell_ww;
        self.dwell_wy += other.dwell_wy;
        self.dwell_yy += other.dwell_yy;
        self.rides += other.rides;
        self.ride_ww += other.ride_ww;
        self.ride_wy += other.ride_wy;
        self.ride_yy += other.ride_yy;
    }

    /// The weighted mean; `None` without weight.
    pub fn mean(&self) -> Option<f64> {
        (self.w > 0.0).then(|| self.wy / self.w)
    }

    /// Effective number of independent samples.
    ///
    /// # Source
    /// Kish (1965) `(Σw)²/Σw²`, times the autocorrelation factor held in `ww`.
    pub fn effective_samples(&self) -> f64 {
        if self.ww > 0.0 { self.w * self.w / self.ww } else { 0.0 }
    }

    /// Effective number of rides: one that only brushed the cell hardly counts.
    ///
    /// # Source
    /// Kish (1965), applied to the rides' weights.
    pub fn effective_rides(&self) -> f64 {
        if self.ride_ww > 0.0 { self.w * self.w / self.ride_ww } else { 0.0 }
    }

    /// Standard error of the mean with dwells as clusters; `None` below two.
    ///
    /// # Source
    /// Liang and Zeger (1986) with the small-sample factor G/(G−1); equals
    /// statsmodels' `WLS(...).fit(cov_type="cluster")` on a constant.
    pub fn std_error_by_dwell(&self) -> Option<f64> {
        let squares = self.squares(self.dwell_ww, self.dwell_wy, self.dwell_yy)?;
        clustered(squares, self.w, self.dwells).map(f64::sqrt)
    }

    /// Standard error of the mean with rides as clusters; `None` below two.
    pub fn std_error_by_ride(&self) -> Option<f64> {
        let squares = self.squares(self.ride_ww, self.ride_wy, self.ride_yy)?;
        clustered(squares, self.w, self.rides).map(f64::sqrt)
    }

    /// `Σ_g (S_g − μ W_g)²`, the squared cluster scores.
    fn squares(&self, ww: f64, wy: f64, yy: f64) -> Option<f64> {
        let mean = self.mean()?;
        Some((yy - 2.0 * mean * wy + mean * mean * ww).max(0.0))
    }

    /// Standard error that is honest with few visits.
    ///
    /// It is the error of the weighted mean around the cell. Where the map's
    /// error changes from cell to cell the mean itself is smeared, and the
    /// cell's own error is larger.
    ///
    /// The clustered variance by dwell, and by ride, is averaged with what a
    /// presumed spread between visits would give, each weighted by how many
    /// visits stand behind it; the larger of the two counts. One visit alone
    /// says nothing of its own spread, so the presumption answers for it.
    ///
    /// # Source
    /// Clustered variance as in [`Self::std_error_by_dwell`]; the averaging is
    /// the scaled inverse chi-squared prior of Gelman et al., Bayesian Data
    /// Analysis, 3rd ed., section 2.6 (from memory).
    pub fn std_error(&self, spread: &Spread) -> Option<f64> {
        let mean = self.mean()?;
        let by = |n: u64, ww: f64, seen: Option<f64>, presumed: f64| {
            let effective_visits = self.w * self.w / ww;
            let sd = presumed * mean;
            let presumed_variance = sd * sd / effective_visits;
            let degrees = n.saturating_sub(1) as f64;
            let seen_variance = seen.map_or(0.0, |se| se * se);
            (degrees * seen_variance + spread.visits * presumed_variance) / (degrees + spread.visits)
        };
        let dwell = by(self.dwells, self.dwell_ww, self.std_error_by_dwell(), spread.dwell);
        let ride = by(self.rides, self.ride_ww, self.std_error_by_ride(), spread.ride);
        let variance = dwell.max(ride);
        // Without presumption and with one visit there is no error bar at all.
        variance.is_finite().then(|| variance.sqrt())
    }
}

fn clustered(squares: f64, w: f64, clusters: u64) -> Option<f64> {
    let g = clusters as f64;
    (clusters >= 2).then(|| squares / (w * w) * g / (g - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sums(dwells: &[(f64, f64)]) -> CellSums {
        let mut sums = CellSums::default();
        for (w, y) in dwells {
            sums.w += w;
            sums.wy += w * y;
            sums.ww += w * w;
            sums.add_dwell(*w, w * y);
        }
        sums.close_ride();
        sums
    }

    const SPREAD: Spread = Spread { dwell: 0.02, ride: 0.01, visits: 3.0 };

    #[test]
    fn one_visit_is_as_sure_as_presumed() {
        let one = sums(&[(4.0, 50.0)]);
        assert_eq!(one.std_error_by_dwell(), None);
        let se = one.std_error(&SPREAD).expect("weight");
        assert!((se - 1.0).abs() < 1e-9, "{se}");
    }

    #[test]
    fn many_visits_let_the_data_speak() {
        let visits: Vec<_> = (0..400).map(|i| (1.0, 50.0 + f64::from(i % 2))).collect();
        let many = sums(&visits);
        let seen = many.std_error_by_dwell().expect("many dwells");
        assert!((seen - 0.5 / 20.0).abs() < 1e-3, "{seen}");
        // One ride: its own offset does not average out within it.
        let se = many.std_error(&SPREAD).expect("weight");
        assert!((se - 0.505).abs() < 1e-2, "{se}");
    }

    #[test]
    fn ageing_weighs_a_ride_down_and_changes_nothing_else() {
        let old = sums(&[(4.0, 50.0), (2.0, 53.0)]);
        let aged = old.weighted(0.25);
        assert_eq!(aged.mean(), old.mean());
        assert!((aged.effective_samples() - old.effective_samples()).abs() < 1e-12);
        let (a, b) = (aged.std_error_by_dwell().expect("two"), old.std_error_by_dwell().expect("two"));
        assert!((a - b).abs() < 1e-12, "by itself it is as sure as before");
        let mut both = sums(&[(6.0, 60.0)]);
        both.merge(&aged);
        assert!((both.mean().expect("weight") - (360.0 + 51.0 * 1.5) / 7.5).abs() < 1e-12);
        assert!(both.effective_rides() < 1.5);
    }

    proptest! {
        #[test]
        fn merging_equals_summing_in_one_go(
            a in prop::collection::vec((0.01..5.0f64, 10.0..90.0f64), 1..20),
            b in prop::collection::vec((0.01..5.0f64, 10.0..90.0f64), 1..20),
        ) {
            let mut merged = sums(&a);
            merged.merge(&sums(&b));
            prop_assert_eq!(merged.dwells as usize, a.len() + b.len());
            prop_assert_eq!(merged.rides, 2);
            let all: Vec<_> = a.iter().chain(&b).copied().collect();
            let whole = sums(&all);
            prop_assert!((merged.mean().unwrap_or(0.0) - whole.mean().unwrap_or(1.0)).abs() < 1e-9);
            prop_assert!((merged.dwell_yy - whole.dwell_yy).abs() < 1e-9 * whole.dwell_yy);
        }

        #[test]
        fn the_error_bar_is_never_zero_or_nan(visits in prop::collection::vec((0.001..50.0f64, 0.5..90.0f64), 1..30)) {
            let se = sums(&visits).std_error(&SPREAD).expect("weight");
            prop_assert!(se.is_finite() && se > 0.0);
        }
    }
}
