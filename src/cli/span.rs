//! A place on an axis, as the command line writes it: `3000`, or `3000:4500`.

use crate::operations::AxisChoice;

/// Reads `A` (the nearest breakpoint) or `A:B` (all between, ends included).
pub(super) fn span(text: &str) -> std::result::Result<AxisChoice, String> {
    ends(text).map(|[low, high]| match text.contains(':') {
        true => AxisChoice::Between(low, high),
        false => AxisChoice::Nearest(low),
    })
}

/// Reads `A` (exactly that breakpoint: what changes cells must not guess) or `A:B`.
pub(super) fn region(text: &str) -> std::result::Result<[f64; 2], String> {
    ends(text)
}

/// From and to; of a single number both are the number.
fn ends(text: &str) -> std::result::Result<[f64; 2], String> {
    let (low, high) = text.split_once(':').unwrap_or((text, text));
    match [super::finite(low)?, super::finite(high)?] {
        [low, high] if low > high => Err(format!("{low} is more than {high}: write {high}:{low}")),
        ends => Ok(ends),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_a_number_or_a_span_and_nothing_else() {
        assert_eq!(span("3000"), Ok(AxisChoice::Nearest(3000.0)));
        assert_eq!(span("2.5:10"), Ok(AxisChoice::Between(2.5, 10.0)));
        assert_eq!(region("3000"), Ok([3000.0, 3000.0]));
        assert_eq!(region("2.5:10"), Ok([2.5, 10.0]));
        assert!(span("10:2").expect_err("backwards").contains("2:10"));
        for bad in ["", ":", "1:", "a:b", "1:2:3", "nan", "0:inf"] {
            assert!(span(bad).is_err() && region(bad).is_err(), "{bad}");
        }
    }
}
