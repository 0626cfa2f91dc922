//! Lambda, air-fuel ratio, and what the difference of two mixtures is in fuel.

/// Lambda of an air-fuel ratio.
///
/// Units: both ratios by mass, of the same fuel.
///
/// # Source
/// The definition of lambda.
pub fn lambda_of_afr(afr: f64, stoich_afr: f64) -> f64 {
    afr / stoich_afr
}

/// Air-fuel ratio of a lambda.
///
/// Units: kg air per kg fuel.
///
/// # Source
/// The definition of lambda.
pub fn afr_of_lambda(lambda: f64, stoich_afr: f64) -> f64 {
    lambda * stoich_afr
}

/// What the same air needs more of fuel to come from one lambda to another.
///
/// Units: lambdas in; % of the fuel there is, out.
///
/// # Source
/// Fuel is air / (lambda · stoichiometric ratio); the air is the same.
pub fn fuel_change_pct(lambda: f64, wanted_lambda: f64) -> f64 {
    (lambda / wanted_lambda - 1.0) * 100.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn leaner_than_wanted_asks_for_fuel_and_back_again() {
        assert!((fuel_change_pct(1.1, 1.0) - 10.0).abs() < 1e-12);
        let there = 1.0 + fuel_change_pct(0.95, 0.88) / 100.0;
        let back = 1.0 + fuel_change_pct(0.88, 0.95) / 100.0;
        assert!((there * back - 1.0).abs() < 1e-12);
    }
}
