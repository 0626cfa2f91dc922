//! A place on an axis, as the command line writes it: `3000`, or `3000:4500`.

use crate::operations::AxisChoice;

/// Reads `A` (the nearest breakpoint) or `A:B` (all between, ends included).
pub(super) fn span(text: &str) -> std::result::Result<AxisChoice, String> {
    match text.split_once(':') {
        None => super::finite(text).map(AxisChoice::Nearest),
        Some((low, high)) => {
            let (low, high) = (super::finite(low)?, super::finite(high)?);
            match low <= high {
                true => Ok(AxisChoice::Between(low, high)),
                false => Err(format!("`{text}` runs backwards; write {high}:{low}")),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_a_number_or_a_span_and_nothing_else() {
        assert_eq!(span("3000"), Ok(AxisChoice::Nearest(3000.0)));
        assert_eq!(span("2.5:10"), Ok(AxisChoice::Between(2.5, 10.0)));
        assert!(span("10:2").expect_err("backwards").contains("2:10"));
        for bad in ["", ":", "1:", "a:b", "1:2:3", "nan", "0:inf"] {
            assert!(span(bad).is_err(), "{bad}");
        }
    }
}
