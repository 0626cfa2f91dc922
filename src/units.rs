//! Unit conversions and the only number formatters.
//!
//! Numbers enter in the unit their name ends with and leave as text for a
//! person, a table file or a commit message. Keeping every formatter here is
//! what makes the files byte-stable.

/// 0 °C in kelvin (SI definition).
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// Units of pressure in kPa. Source: NIST SP 811 (2008), appendix B; from memory.
pub const KPA_PER_PSI: f64 = 6.894_757;
/// See [`KPA_PER_PSI`].
pub const KPA_PER_INHG: f64 = 3.386_389;
/// See [`KPA_PER_PSI`].
pub const KPA_PER_MMHG: f64 = 0.133_322_4;
/// See [`KPA_PER_PSI`].
pub const KPA_PER_BAR: f64 = 100.0;
/// See [`KPA_PER_PSI`].
pub const KPA_PER_MBAR: f64 = 0.1;

/// The mile of 1609.344 m and the sea mile of 1852 m are exact by definition.
pub const KPH_PER_MPH: f64 = 1.609_344;
/// See [`KPH_PER_MPH`].
pub const KPH_PER_KNOT: f64 = 1.852;
/// km/h of 1 m/s.
pub const KPH_PER_M_S: f64 = 3.6;

/// Degrees Fahrenheit at 0 °C (definition).
pub const F_AT_0_C: f64 = 32.0;
/// Degrees Fahrenheit in one of Celsius (definition).
pub const F_PER_C: f64 = 1.8;

/// The inch and the foot are exact by definition, and what is made of them.
pub const MM_PER_IN: f64 = 25.4;
/// See [`MM_PER_IN`].
pub const M_PER_FT: f64 = 0.3048;
/// See [`MM_PER_IN`].
pub const CC_PER_IN3: f64 = 16.387_064;
/// cm³ in a litre.
pub const CC_PER_L: f64 = 1000.0;
/// The pound is exact by definition.
pub const KG_PER_LB: f64 = 0.453_592_37;
/// Standard gravity, exact by definition.
pub const M_S2_PER_G: f64 = 9.806_65;
/// 550 foot-pounds a second, and 75 metre-kilograms a second, with standard gravity.
pub const KW_PER_HP: f64 = 550.0 * M_PER_FT * KG_PER_LB * M_S2_PER_G / 1000.0;
/// See [`KW_PER_HP`].
pub const KW_PER_PS: f64 = 75.0 * M_S2_PER_G / 1000.0;
/// N m of a pound-foot, with standard gravity.
pub const NM_PER_LB_FT: f64 = KG_PER_LB * M_S2_PER_G * M_PER_FT;
/// Minutes in an hour.
pub const MIN_PER_H: f64 = 60.0;

/// Kelvin from degrees Celsius.
///
/// Units: °C in, K out.
pub fn kelvin(temp_c: f64) -> f64 {
    temp_c + ZERO_CELSIUS_K
}

/// A number with a fixed count of decimals; never prints a negative zero.
pub fn fixed(value: f64, decimals: usize) -> String {
    if is_huge(value) {
        return format!("{value:e}");
    }
    let text = format!("{value:.decimals$}");
    if text.starts_with('-') && text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.')) {
        text[1..].to_owned()
    } else {
        text
    }
}

/// A number with its sign always shown, for changes: `+2.4`, `-0.3`, `0.0`.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.starts_with('-') || text.bytes().all(|b| matches!(b, b'0' | b'.')) {
        text
    } else {
        format!("+{text}")
    }
}

/// The shortest decimal text of a breakpoint or a setting: `1000`, `2.5`.
pub fn plain(value: f64) -> String {
    if is_huge(value) { format!("{value:e}") } else { format!("{value}") }
}

/// A number of so many digits that only its power of ten says something.
fn is_huge(value: f64) -> bool {
    /// Beyond this not every whole number is a 64-bit one.
    const HUGE: f64 = 1e15;
    value.is_finite() && value.abs() >= HUGE
}

/// A count with thin grouping for the eye: `24 310`.
pub fn count(value: u64) -> String {
    let digits = value.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// A duration for people: `42 s`, `12 min 05 s`, `1 h 03 min`.
///
/// Units: s in.
pub fn duration(seconds: f64) -> String {
    let total = seconds.max(0.0).round() as u64;
    match total {
        0..60 => format!("{total} s"),
        60..3600 => format!("{} min {:02} s", total / 60, total % 60),
        _ => format!("{} h {:02} min", total / 3600, total % 3600 / 60),
    }
}

/// `1 ride`, `2 rides`: a count with its noun.
pub fn counted(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

/// Text on one line, without control characters: for reasons people give.
///
/// Characters that show nothing or turn the direction of what follows go as well: a
/// reason made of them would be none.
pub fn one_line(text: &str) -> String {
    let hides = |c: char| matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}');
    let plain: String = text.chars().map(|c| if c.is_control() || hides(c) { ' ' } else { c }).collect();
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// How much `after` differs from `before`, in percent of `before`.
pub fn change_pct(before: f64, after: f64) -> f64 {
    (after / before - 1.0) * 100.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_prints_a_negative_zero() {
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(fixed(-0.06, 1), "-0.1");
        assert_eq!(signed(-0.04, 1), "0.0");
        assert_eq!(signed(0.26, 1), "+0.3");
    }

    #[test]
    fn a_number_of_hundreds_of_digits_is_told_by_its_power_of_ten() {
        assert_eq!([plain(1e300), fixed(-2.5e40, 2), signed(1e20, 0)], ["1e300", "-2.5e40", "+1e20"]);
        assert_eq!([plain(1e14), fixed(123.0, 1)], ["100000000000000", "123.0"]);
        assert_eq!(fixed(f64::INFINITY, 1), "inf");
    }

    #[test]
    fn groups_counts_and_names_durations() {
        assert_eq!(count(24310), "24 310");
        assert_eq!(count(999), "999");
        assert_eq!(duration(59.7), "1 min 00 s");
        assert_eq!(duration(3780.0), "1 h 03 min");
    }

    #[test]
    fn a_reason_that_shows_nothing_is_none() {
        assert_eq!(one_line("\u{200b}\u{202e} \n"), "");
        assert_eq!(one_line("leans\tout \u{202e}here"), "leans out here");
    }
}
