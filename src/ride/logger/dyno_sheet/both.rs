//! A sheet with both power and torque: whether the two tell the same.

use super::kw_of_torque;
use crate::units::{KW_PER_HP, KW_PER_PS, M_S2_PER_G, NM_PER_LB_FT, fixed};

/// A column of power or torque, as its title says.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    /// Its title.
    pub title: String,
    /// Times it, a number is kW or N m.
    pub factor: f64,
}

/// A number as it is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Written {
    /// The number.
    pub value: f64,
    /// Half a unit of its last decimal: how far rounding may have moved it.
    pub rounded: f64,
}

impl Written {
    /// A number with the text it was read from.
    pub fn of(value: f64, text: &[u8], decimal: u8) -> Self {
        let behind =
            text.iter().position(|b| *b == decimal).map_or(&text[text.len()..], |at| &text[at + 1..]);
        let digits = behind.iter().take_while(|b| b.is_ascii_digit()).count().min(9);
        Self { value, rounded: 0.5 * 0.1f64.powi(digits as i32) }
    }

    /// How far rounding may have moved it, as a share of it.
    fn share(&self) -> f64 {
        self.rounded / self.value.abs()
    }
}

/// A row with all three numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BothRow {
    /// One-based line.
    pub line: u64,
    /// 1/min.
    pub rpm: Written,
    /// In the unit of its title.
    pub power: Written,
    /// In the unit of its title.
    pub torque: Written,
}

/// Power may differ by this share from what the torque makes. Common practice, no source.
const TOLERANCE: f64 = 0.03;
/// Ratios that lie within this share of each other are one, and one that lies within it of a
/// factor between units is that factor.
const SAME: f64 = 0.012;
/// So many of the rows must have the same ratio for it to be a rule.
const MOST: f64 = 0.9;

/// Words on how far the two contradict each other; none where they do not. `is_power_used` tells
/// which of them makes the curve.
///
/// # Source
/// P = 2π n T / 60.
pub(super) fn contradiction(
    rows: &[BothRow],
    power: &Told,
    torque: &Told,
    is_power_used: bool,
) -> Option<String> {
    let made_kw = |row: &BothRow| kw_of_torque(row.torque.value * torque.factor, row.rpm.value);
    let ratio = |row: &BothRow| row.power.value * power.factor / made_kw(row);
    let rounding = |row: &BothRow| row.power.share() + row.torque.share() + row.rpm.share();
    let off = |row: &BothRow| ratio(row).max(1.0 / ratio(row)) - 1.0;
    let contradicting = rows.iter().filter(|row| off(row) > TOLERANCE + rounding(row));
    let (n, worst) = contradicting.fold((0, None::<&BothRow>), |(n, worst), row| {
        (n + 1, worst.filter(|worst| off(worst) >= off(row)).or(Some(row)))
    });
    let worst = worst?;
    let mut ratios: Vec<f64> = rows.iter().map(ratio).collect();
    ratios.sort_by(f64::total_cmp);
    let usual = ratios[ratios.len() / 2];
    let same = rows.iter().filter(|row| (ratio(row) / usual - 1.0).abs() <= SAME + rounding(row)).count();
    let is_rule = same as f64 >= MOST * rows.len() as f64 && (usual - 1.0).abs() > TOLERANCE;
    let used = if is_power_used { power } else { torque };
    let why = if is_rule {
        let slips = slips(usual, power.factor, torque.factor);
        let why = match slips.is_empty() {
            true => "as if one were corrected, or measured elsewhere, and the other not".to_owned(),
            false => format!("probably {}: mend the title", slips.join(", or ")),
        };
        format!(". The power is {} times what the torque makes throughout, {why}", fixed(usual, 3))
    } else {
        String::new()
    };
    Some(format!(
        "`{}` and `{}` contradict each other in {n} of {} rows (power = 2π · engine speed · torque), most in line {}: \
         {} {} and {} {}, which makes {} {}. The curve is made of `{}`{why}",
        power.title,
        torque.title,
        rows.len(),
        worst.line,
        worst.power.value,
        name(POWER_UNITS, power.factor),
        worst.torque.value,
        name(TORQUE_UNITS, torque.factor),
        fixed(made_kw(worst) / power.factor, 1),
        name(POWER_UNITS, power.factor),
        used.title,
    ))
}

/// Units of power in kW and of torque in N m, as they may stand in a wrong column.
const POWER_UNITS: &[(&str, f64)] = &[("kW", 1.0), ("hp", KW_PER_HP), ("PS", KW_PER_PS), ("W", 1e-3)];
/// See [`POWER_UNITS`].
const TORQUE_UNITS: &[(&str, f64)] = &[("Nm", 1.0), ("lb-ft", NM_PER_LB_FT), ("kgf m", M_S2_PER_G)];

fn name(units: &[(&'static str, f64)], factor: f64) -> &'static str {
    units.iter().find(|(_, known)| *known == factor).map_or("", |(name, _)| *name)
}

/// Which unit in place of the titled one explains a ratio of told power to that of the torque,
/// the nearest first.
fn slips(ratio: f64, power_factor: f64, torque_factor: f64) -> Vec<String> {
    let powers = POWER_UNITS
        .iter()
        .map(|(unit, kw)| (power_factor / kw, "power", *unit, name(POWER_UNITS, power_factor)));
    let torques = TORQUE_UNITS
        .iter()
        .map(|(unit, nm)| (nm / torque_factor, "torque", *unit, name(TORQUE_UNITS, torque_factor)));
    let apart = |factor: f64| (ratio / factor - 1.0).abs();
    let mut found: Vec<(f64, &str, &str, &str)> = powers
        .chain(torques)
        .filter(|(factor, _, unit, titled)| unit != titled && apart(*factor) <= SAME)
        .collect();
    found.sort_by(|a, b| apart(a.0).total_cmp(&apart(b.0)));
    found.iter().map(|(_, what, unit, titled)| format!("the {what} is in {unit}, not in {titled}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of 60 N m, with power and torque times so much.
    fn rows(power: f64, torque: f64, digits: usize) -> Vec<BothRow> {
        let written = |value: f64| {
            let text = format!("{value:.digits$}");
            Written::of(text.parse().expect("a number"), text.as_bytes(), b'.')
        };
        let row = |k: u64| {
            let rpm = 1000.0 * k as f64;
            let power = written(kw_of_torque(60.0, rpm) * power);
            BothRow { line: k, rpm: written(rpm), power, torque: written(60.0 * torque) }
        };
        (2..9).map(row).collect()
    }

    fn told(title: &str, factor: f64) -> Told {
        Told { title: title.to_owned(), factor }
    }

    #[test]
    fn power_and_torque_that_fit_or_are_rounded_coarsely_say_nothing() {
        let [kw, nm] = [told("P [kW]", 1.0), told("T [Nm]", 1.0)];
        for (power, torque, digits) in [(1.0, 1.0, 2), (1.0, 1.0, 0), (1.02, 1.0, 2)] {
            assert_eq!(contradiction(&rows(power, torque, digits), &kw, &nm, true), None, "{power}");
        }
        assert_eq!(contradiction(&[], &kw, &nm, true), None);
    }

    #[test]
    fn a_contradiction_is_told_with_its_size_its_place_and_the_unit_that_explains_it() {
        let [kw, nm] = [told("P [kW]", 1.0), told("T [Nm]", 1.0)];
        let [hp, lb_ft] = [told("P [hp]", KW_PER_HP), told("T [lb-ft]", NM_PER_LB_FT)];
        let said = |rows: &[BothRow], power, torque| contradiction(rows, power, torque, true).expect("told");
        // lb-ft under Nm: 60 N m are 44.25 lb-ft.
        let slip = said(&rows(1.0, 1.0 / NM_PER_LB_FT, 2), &kw, &nm);
        assert!(slip.contains("7 of 7 rows") && slip.contains("made of `P [kW]`"), "{slip}");
        assert!(slip.contains("1.356 times") && slip.contains("torque is in lb-ft, not in Nm"), "{slip}");
        let slip = said(&rows(1.0 / KW_PER_HP, 1.0, 2), &kw, &nm);
        assert!(slip.contains("1.341 times") && slip.contains("power is in hp, not in kW"), "{slip}");
        let slip = said(&rows(1.0 / KW_PER_PS, 1.0, 2), &kw, &nm);
        assert!(
            slip.contains("1.360 times") && slip.contains("probably the power is in PS, not in kW"),
            "{slip}"
        );
        let slip = said(&rows(1.0, 1.0, 2), &hp, &nm);
        assert!(slip.contains("0.746 times") && slip.contains("power is in kW, not in hp"), "{slip}");
        let slip = said(&rows(1.0 / KW_PER_HP, 1.0, 2), &hp, &lb_ft);
        assert!(slip.contains("0.738 times") && slip.contains("torque is in Nm, not in lb-ft"), "{slip}");
        let unknown = said(&rows(1.15, 1.0, 2), &kw, &nm);
        assert!(unknown.contains("1.150 times") && unknown.contains("corrected"), "{unknown}");
        // One row alone is no rule.
        let mut one = rows(1.0, 1.0, 2);
        one[3].torque.value *= 1.2;
        let one = said(&one, &kw, &nm);
        assert!(one.contains("in 1 of 7 rows") && one.contains("most in line 5"), "{one}");
        assert!(!one.contains("throughout"), "{one}");
    }
}
