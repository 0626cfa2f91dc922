//! Whole numbers of all revisions in little text.
//!
//! Cells of one revision after the other enter, as whole steps of the table; one
//! short text a revision leaves, with only what changed against the one before.
//! `assets/page.js` reads it back.
//!
//! A text is a row of numbers. Each is a cell's difference; a zero is followed by
//! how many cells in a row did not change; what is left out at the end did not
//! change. The numbers are written in the base 64 variable-length form of source
//! maps: five bits a letter, the lowest first, the sixth bit says that more follow,
//! and the lowest bit of the number is its sign.
//!
//! # Source
//! Ecma International, ECMA-426, Source map format specification, "Base64 VLQ".

/// The 64 letters, in the order of RFC 4648, table 1.
const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
const BITS: u32 = 5;
const MORE: u64 = 1 << BITS;

/// What changed from one row of numbers to the next.
///
/// Shape: as many numbers in `before` as in `after`; a row that is the first one
/// compares with zeros.
pub(super) fn changes(before: &[i64], after: &[i64]) -> String {
    let mut text = String::new();
    let mut unchanged = 0;
    for (i, value) in after.iter().enumerate() {
        let change = value - before.get(i).copied().unwrap_or(0);
        if change == 0 {
            unchanged += 1;
            continue;
        }
        if unchanged > 0 {
            number(&mut text, 0);
            number(&mut text, unchanged);
            unchanged = 0;
        }
        number(&mut text, change);
    }
    text
}

fn number(text: &mut String, value: i64) {
    let mut left = (value.unsigned_abs() << 1) | u64::from(value < 0);
    loop {
        let more = if left >> BITS > 0 { MORE } else { 0 };
        text.push(char::from(LETTERS[((left & (MORE - 1)) | more) as usize]));
        left >>= BITS;
        if left == 0 {
            break;
        }
    }
}

/// Bytes in base 64 with padding, for the hash of a script.
///
/// # Source
/// RFC 4648, section 4.
pub(super) fn base64(bytes: &[u8]) -> String {
    let mut text = String::new();
    for three in bytes.chunks(3) {
        let at = |i: usize| u32::from(three.get(i).copied().unwrap_or(0));
        let bits = at(0) << 16 | at(1) << 8 | at(2);
        for i in 0..4 {
            let letter = LETTERS[(bits >> (18 - 6 * i)) as usize & 63];
            text.push(if i <= three.len() { char::from(letter) } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn numbers(text: &str) -> Vec<i64> {
        let mut found = Vec::new();
        let (mut value, mut shift) = (0u64, 0);
        for letter in text.bytes() {
            let bits = LETTERS.iter().position(|l| *l == letter).expect("a letter") as u64;
            value |= (bits & (MORE - 1)) << shift;
            shift += BITS;
            if bits & MORE == 0 {
                let size = (value >> 1) as i64;
                found.push(if value & 1 == 1 { -size } else { size });
                (value, shift) = (0, 0);
            }
        }
        found
    }

    fn apply(before: &[i64], text: &str) -> Vec<i64> {
        let mut row = before.to_vec();
        let mut cell = 0;
        let mut numbers = numbers(text).into_iter();
        while let Some(change) = numbers.next() {
            if change == 0 {
                cell += numbers.next().expect("how many") as usize;
            } else {
                row[cell] += change;
                cell += 1;
            }
        }
        row
    }

    proptest! {
        #[test]
        fn reads_back_the_same_numbers(
            rows in proptest::collection::vec(
                proptest::collection::vec(prop_oneof![3 => Just(500i64), 1 => -9_000_000i64..9_000_000], 30),
                1..6,
            )
        ) {
            let mut row = vec![0; 30];
            for next in &rows {
                row = apply(&row, &changes(&row, next));
                prop_assert_eq!(&row, next);
            }
        }
    }

    #[test]
    fn a_small_change_is_a_letter_and_none_is_no_text() {
        assert_eq!(changes(&[5, 5, 5], &[5, 5, 5]), "");
        assert_eq!(changes(&[5, 5, 5], &[6, 4, 20]), "CDe");
        assert_eq!(changes(&[5; 24], &[[5; 23].as_slice(), &[6]].concat()), "AuBC");
    }

    /// RFC 4648, section 10, prints these.
    #[test]
    fn base_64_is_that_of_the_standard() {
        let printed = [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")];
        for (plain, coded) in printed {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
