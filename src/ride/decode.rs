//! A file's bytes → UTF-8 text with plain line ends: characters and line ends of other makes.

use super::RideError;
use super::logger::Encoding;
use std::borrow::Cow;

const UTF8_MARK: &[u8] = b"\xef\xbb\xbf";
const UTF16_LE_MARK: &[u8] = b"\xff\xfe";
const UTF16_BE_MARK: &[u8] = b"\xfe\xff";

/// The text of a log in UTF-8, without a mark at its start, its lines ending with `\n` or `\r\n`.
///
/// # Errors
/// When it is no text.
pub(super) fn text(bytes: &[u8], encoding: Encoding) -> Result<Cow<'_, [u8]>, RideError> {
    let decoded = match found(bytes, encoding) {
        Encoding::Utf16Le => utf16(bytes.strip_prefix(UTF16_LE_MARK).unwrap_or(bytes), u16::from_le_bytes),
        Encoding::Utf16Be => utf16(bytes.strip_prefix(UTF16_BE_MARK).unwrap_or(bytes), u16::from_be_bytes),
        Encoding::Latin1 => Cow::Owned(bytes.iter().map(|b| char::from(*b)).collect::<String>().into_bytes()),
        Encoding::Utf8 | Encoding::Auto => Cow::Borrowed(bytes.strip_prefix(UTF8_MARK).unwrap_or(bytes)),
    };
    // A logger that lost its power may leave zeros at the end; a text has none at its start.
    const LOOKED_AT: usize = 4096;
    if decoded.iter().take(LOOKED_AT).any(|b| *b == 0) {
        return Err(RideError::NotText(": it holds binary data".to_owned()));
    }
    Ok(plain_line_ends(decoded))
}

/// How the bytes are to be read.
pub(super) fn found(bytes: &[u8], encoding: Encoding) -> Encoding {
    if encoding != Encoding::Auto {
        return encoding;
    }
    let marked =
        [(UTF8_MARK, Encoding::Utf8), (UTF16_LE_MARK, Encoding::Utf16Le), (UTF16_BE_MARK, Encoding::Utf16Be)];
    if let Some((_, encoding)) = marked.iter().find(|(mark, _)| bytes.starts_with(mark)) {
        return *encoding;
    }
    match std::str::from_utf8(bytes) {
        Ok(_) => Encoding::Utf8,
        // The last character may be cut in two where the log breaks off.
        Err(error) if error.error_len().is_none() => Encoding::Utf8,
        Err(_) => Encoding::Latin1,
    }
}

fn utf16(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> Cow<'static, [u8]> {
    let units = bytes.chunks_exact(2).map(|pair| unit([pair[0], pair[1]]));
    let text: String = char::decode_utf16(units).map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER)).collect();
    Cow::Owned(text.into_bytes())
}

/// A `\r` alone ends a line too.
fn plain_line_ends(text: Cow<'_, [u8]>) -> Cow<'_, [u8]> {
    let is_lone = |i: usize| text[i] == b'\r' && text.get(i + 1) != Some(&b'\n');
    // A cut between `\r` and `\n` at the end of the file is a line end as well.
    if !memchr::memchr_iter(b'\r', &text).any(is_lone) {
        return text;
    }
    let lone: Vec<usize> = memchr::memchr_iter(b'\r', &text).filter(|i| is_lone(*i)).collect();
    let mut plain = text.into_owned();
    lone.into_iter().for_each(|i| plain[i] = b'\n');
    Cow::Owned(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TITLES: &str = "Zeit;Öl (°C)\n0;90\n";

    fn decoded(bytes: &[u8], encoding: Encoding) -> String {
        String::from_utf8(text(bytes, encoding).expect("text").into_owned()).expect("UTF-8")
    }

    #[test]
    fn every_encoding_gives_the_same_text() {
        let utf16 =
            |bytes: fn(u16) -> [u8; 2]| -> Vec<u8> { TITLES.encode_utf16().flat_map(bytes).collect() };
        let (le, be) = (utf16(u16::to_le_bytes), utf16(u16::to_be_bytes));
        let latin1: Vec<u8> = TITLES.chars().map(|c| c as u8).collect();
        let auto = Encoding::Auto;
        assert_eq!(decoded(TITLES.as_bytes(), auto), TITLES);
        assert_eq!(decoded(&[UTF8_MARK, TITLES.as_bytes()].concat(), auto), TITLES);
        assert_eq!(decoded(&[UTF16_LE_MARK, &le].concat(), auto), TITLES);
        assert_eq!(decoded(&[UTF16_BE_MARK, &be].concat(), auto), TITLES);
        assert_eq!(decoded(&latin1, auto), TITLES);
        assert_eq!(decoded(&le, Encoding::Utf16Le), TITLES);
        // Cut within a character.
        assert_eq!(found("Ö".as_bytes().split_last().expect("two bytes").1, auto), Encoding::Utf8);
        assert!(text(&le, auto).is_err(), "zeros without a mark are no text");
    }

    #[test]
    fn every_line_end_becomes_plain() {
        assert_eq!(decoded(b"a\rb\r\nc\nd\r", Encoding::Auto), "a\nb\r\nc\nd\n");
        assert!(matches!(text(b"a\r\nb\n", Encoding::Auto), Ok(Cow::Borrowed(_))));
    }
}
