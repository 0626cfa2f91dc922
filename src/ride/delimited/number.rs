//! A field as a number.

/// What missing looks like in a log.
pub(in crate::ride) fn is_missing(text: &[u8]) -> bool {
    text.is_empty() || text == b"-" || text.eq_ignore_ascii_case(b"nan") || text.eq_ignore_ascii_case(b"null")
}

/// A bare field as a number, rounded as exactly as a double can hold it; NaN
/// when missing, `None` when unreadable or not finite.
///
/// `decimal` is `.` or `,`; the other one of the two is no part of a number,
/// since nobody knows whether it groups thousands.
#[inline]
pub(in crate::ride) fn number(text: &[u8], decimal: u8) -> Option<f64> {
    short_decimal(text, decimal).or_else(|| any_number(text, decimal))
}

#[inline(never)]
fn any_number(text: &[u8], decimal: u8) -> Option<f64> {
    if is_missing(text) {
        return Some(f64::NAN);
    }
    let value = if decimal == b'.' {
        fast_float2::parse::<f64, _>(text)
    } else {
        if text.contains(&b'.') {
            return None;
        }
        let pointed: Vec<u8> = text.iter().map(|b| if *b == decimal { b'.' } else { *b }).collect();
        fast_float2::parse::<f64, _>(pointed)
    };
    value.ok().filter(|value| value.is_finite())
}

/// Up to eight characters of sign, digits and decimal mark, all at once.
///
/// At most eight digits and a power of ten of at most seven are both exact as
/// doubles, so that their quotient is rounded once, hence exactly.
///
/// # Source
/// W. D. Clinger, How to Read Floating Point Numbers Accurately, 1990. The
/// eight digits are turned into a number in three multiplications as in
/// D. Lemire, Quickly parsing eight digits, lemire.me/blog, 2018 (from memory).
#[inline]
fn short_decimal(text: &[u8], decimal: u8) -> Option<f64> {
    const EACH: u64 = 0x0101_0101_0101_0101;
    const HIGH: u64 = 0x80 * EACH;
    const ZEROS: u64 = b'0' as u64 * EACH;
    const ABOVE_NINE: u64 = 0x76 * EACH;
    const POWERS: [f64; 8] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7];
    let len = text.len();
    if len > 8 {
        return None;
    }
    // The last character stands in the highest byte, zeros before the first one.
    let unused = 64 - 8 * len as u32;
    let word = match (text.first_chunk::<4>(), text.last_chunk::<4>()) {
        (Some(first), Some(last)) => {
            (u64::from(u32::from_le_bytes(*last)) << 32) | (u64::from(u32::from_le_bytes(*first)) << unused)
        }
        _ => match *text {
            [a, b, c] => u64::from_le_bytes([0, 0, 0, 0, 0, a, b, c]),
            [a, b] => u64::from_le_bytes([0, 0, 0, 0, 0, 0, a, b]),
            [a] => u64::from(a) << 56,
            _ => return None,
        },
    };
    let negative = text[0] == b'-';
    let minus = u64::from(b'-' ^ b'0') * u64::from(negative);
    let word = (word ^ (minus << unused)) | (ZEROS & !(u64::MAX << unused));
    let differs = word ^ (EACH * u64::from(decimal));
    // Its lowest bit is right: a byte is only taken for zero behind one that is.
    let mark = differs.wrapping_sub(EACH) & !differs & HIGH;
    let (digits, decimals) = if mark == 0 {
        (word, 0)
    } else {
        let at = mark.trailing_zeros() - 7;
        let before = word & !(u64::MAX << at);
        let behind = word & (u64::MAX << at << 8);
        (behind | (before << 8) | u64::from(b'0'), 7 - at as usize / 8)
    };
    let digits = digits ^ ZEROS;
    let shown = len - usize::from(negative) - usize::from(mark != 0);
    if (digits.wrapping_add(ABOVE_NINE) | digits) & HIGH != 0 || shown == 0 {
        return None;
    }
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    const EVERY_FOURTH: u64 = 0x0000_00ff_0000_00ff;
    const FIRST: u64 = 100 + (1_000_000 << 32);
    const SECOND: u64 = 1 + (10_000 << 32);
    let whole = (pairs & EVERY_FOURTH)
        .wrapping_mul(FIRST)
        .wrapping_add(((pairs >> 16) & EVERY_FOURTH).wrapping_mul(SECOND))
        >> 32;
    let value = whole as u32 as f64 / POWERS[decimals & 7];
    Some(if negative { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn slow(text: &[u8]) -> Option<f64> {
        if is_missing(text) {
            return Some(f64::NAN);
        }
        fast_float2::parse::<f64, _>(text).ok().filter(|v| v.is_finite())
    }

    fn bits(value: Option<f64>) -> Option<u64> {
        value.map(f64::to_bits)
    }

    #[test]
    fn reads_what_logs_hold() {
        assert_eq!(number(b"3000", b'.'), Some(3000.0));
        assert_eq!(number(b"-0.97", b'.'), Some(-0.97));
        assert_eq!(number(b"12,5", b','), Some(12.5));
        assert_eq!(number(b"1234,567891", b','), Some(1_234.567_891));
        assert_eq!(number(b"1.5e-3", b'.'), Some(0.0015));
        for missing in ["", "-", "NaN", "NULL"] {
            assert!(number(missing.as_bytes(), b'.').is_some_and(f64::is_nan), "{missing}");
        }
        for unreadable in ["inf", "1e999", "three", ".", "-.", "1-", "--1", "1.2.3", "12 5", "0x10", "12,5"] {
            assert_eq!(number(unreadable.as_bytes(), b'.'), None, "{unreadable}");
        }
        for unreadable in ["1.5", "1.234,5", "1,2,3", ","] {
            assert_eq!(number(unreadable.as_bytes(), b','), None, "{unreadable}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(4000))]
        #[test]
        fn any_text_is_read_as_the_reference_reads_it(text in "[-+]?[0-9.eE ,-]{0,10}|[ -~]{0,9}") {
            prop_assert_eq!(bits(number(text.as_bytes(), b'.')), bits(slow(text.as_bytes())), "{}", text);
        }

        #[test]
        fn decimals_are_read_to_the_last_bit(text in "-?[0-9]{0,5}[.]?[0-9]{0,12}") {
            prop_assert_eq!(bits(number(text.as_bytes(), b'.')), bits(slow(text.as_bytes())), "{}", text);
            let comma = text.replace('.', ",");
            prop_assert_eq!(bits(number(comma.as_bytes(), b',')), bits(slow(text.as_bytes())), "{}", text);
        }

        #[test]
        fn any_bytes_are_read_as_the_reference_reads_them(bytes in prop::collection::vec(any::<u8>(), 0..10)) {
            prop_assert_eq!(bits(number(&bytes, b'.')), bits(slow(&bytes)));
        }
    }
}
