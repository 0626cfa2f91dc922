//! How the text of a log is written: where its titles stand, what separates its fields, whether a
//! row is a value.
//!
//! The decoded text enters; a [`TextForm`] that opens it leaves, each part with its reason.

use super::super::mapping::{Decimal, Encoding, LongColumns, Separator, ShortRows, TextForm};
use super::super::text::TextLog;
use super::super::units;
use super::column::Column;
use super::names::{self, words_of};
use super::{Finding, GuessError};
use crate::ride::delimited::{self, Dialect};

/// So many lines are looked at.
const LOOKED_AT_LINES: usize = 400;
/// No row of a log is longer, bytes.
const LONGEST_LINE: usize = 1 << 18;
/// No logger has more columns.
const MOST_COLUMNS: usize = 4000;

/// One of the first lines, split.
struct Row<'t> {
    line: usize,
    fields: Vec<&'t [u8]>,
}

/// What a text looks like.
pub(super) struct TextShape {
    pub form: TextForm,
    pub findings: Vec<Finding>,
}

/// Finds out how a text is written.
///
/// # Errors
/// When there are no rows of numbers under titles.
pub(super) fn find(text: &[u8], encoding: Encoding) -> Result<TextShape, GuessError> {
    let lines: Vec<&[u8]> =
        text.split(|b| *b == b'\n').take(LOOKED_AT_LINES).map(<[u8]>::trim_ascii_end).collect();
    if let Some(at) = lines.iter().position(|line| line.len() > LONGEST_LINE) {
        let what = format!("line {} is {} kB long: no row of a log is", at + 1, lines[at].len() / 1000);
        return Err(GuessError::NoTable(what));
    }
    let candidates = [(b'\t', Separator::Tab), (b';', Separator::Semicolon), (b',', Separator::Comma)];
    let tables = candidates.iter().filter_map(|(byte, separator)| Table::find(&lines, *byte, *separator));
    // The most values win: a decimal comma taken for a separator tears numbers and words apart.
    let table = tables.reduce(|best, next| if next.values > best.values { next } else { best });
    let Some(table) = table else {
        let what = "no rows with several fields and numbers in them are seen, with tabs, semicolons or commas between them";
        return Err(GuessError::NoTable(what.to_owned()));
    };
    table.shape(encoding, text)
}

/// The rows as one separator makes them.
struct Table<'t> {
    separator: Separator,
    rows: Vec<Row<'t>>,
    /// The number of fields of most rows.
    usual: usize,
    /// The first row of values among `rows`.
    first: usize,
    /// How many fields of such rows are values.
    values: usize,
}

impl<'t> Table<'t> {
    fn find(lines: &[&'t [u8]], byte: u8, separator: Separator) -> Option<Self> {
        let dialect = Dialect { delimiter: byte, decimal: b'.', quotes: true };
        let rows: Vec<Row<'t>> = lines
            .iter()
            .enumerate()
            .filter(|(_, line)| line.contains(&byte))
            .map(|(line, text)| Row { line, fields: dialect.split(text) })
            .collect();
        let with_values: Vec<usize> = rows
            .iter()
            .filter(|row| row.fields.iter().any(|field| is_value(field)))
            .map(|row| row.fields.len())
            .collect();
        let often = |n: usize| with_values.iter().filter(|m| **m == n).count();
        let usual = with_values.iter().copied().filter(|n| *n > 1).max_by_key(|n| (often(*n), *n))?;
        let is_row =
            |row: &Row<'_>| row.fields.len() == usual && row.fields.iter().any(|field| is_value(field));
        let first = rows.iter().position(is_row)?;
        let of_row = |row: &Row<'_>| row.fields.iter().filter(|field| is_value(field)).count();
        let values = rows.iter().filter(|row| row.fields.len() == usual).map(of_row).sum();
        Some(Self { separator, rows, usual, first, values })
    }

    fn shape(self, encoding: Encoding, text: &[u8]) -> Result<TextShape, GuessError> {
        // Titles and units: the rows of words right above the values.
        let is_words = |row: &Row<'_>| {
            row.fields.iter().filter(|field| !field.is_empty()).count() > 1
                && !row.fields.iter().any(|field| {
                    is_value(field) && units::from_text(&String::from_utf8_lossy(field)).is_none()
                })
        };
        let above: Vec<&Row<'_>> =
            self.rows[..self.first].iter().rev().take_while(|row| is_words(row)).collect();
        let Some(last) = above.first() else {
            let line = self.rows[self.first].line + 1;
            let what = format!("the values begin in line {line}, and no row of titles stands above them");
            return Err(GuessError::NoTable(what));
        };
        let (titles, unit_row) = match above.get(1) {
            Some(titles) if is_unit_row(last) => (titles, Some(last)),
            _ => (last, None),
        };
        let count = titles.fields.iter().rposition(|field| !field.is_empty()).map_or(0, |at| at + 1);
        if count > MOST_COLUMNS {
            return Err(GuessError::NoTable(format!(
                "line {} has {count} titles: no logger has",
                titles.line + 1
            )));
        }
        let mut findings = vec![encoding_found(encoding, text), separator_found(self.separator, self.usual)];
        if titles.line > 0 {
            let what = format!("{} before the titles", crate::units::counted(titles.line, "line"));
            let why = format!("the titles stand in line {}, right above the values", titles.line + 1);
            findings.push(Finding { what, why });
        }
        if let Some(row) = unit_row {
            let shown: Vec<String> =
                row.fields.iter().take(4).map(|f| String::from_utf8_lossy(f).into_owned()).collect();
            let why = format!("line {} holds units: {}", row.line + 1, shown.join(", "));
            findings.push(Finding { what: "a row of units".to_owned(), why });
        }
        let rows = &self.rows[self.first..];
        let short = rows.iter().filter(|row| row.fields.len() < count).count();
        let is_short = short * 2 > rows.len();
        if is_short {
            let why = format!(
                "{short} of the first {} have fewer fields than the {count} titles",
                crate::units::counted(rows.len(), "row")
            );
            findings.push(Finding { what: "rows without their last values".to_owned(), why });
        }
        let comma = (self.separator != Separator::Comma).then(|| comma_column(rows)).flatten();
        let decimal = match comma {
            Some((column, with, of)) => {
                let why = format!("`,` stands inside {with} of {of} numbers of column {}", column + 1);
                findings.push(Finding { what: "decimal comma".to_owned(), why });
                Decimal::Comma
            }
            None => Decimal::Point,
        };
        let form = TextForm {
            encoding,
            separator: self.separator,
            decimal,
            preamble_lines: Some(titles.line as u32),
            unit_row: Some(unit_row.is_some()),
            short_rows: if is_short { ShortRows::LastMissing } else { ShortRows::Dropped },
        };
        Ok(TextShape { form, findings })
    }
}

/// A number, with either mark, or a time with colons.
fn is_value(field: &[u8]) -> bool {
    let number = |decimal: u8| delimited::number(field, decimal).is_some_and(|value| !value.is_nan());
    let is_clock = || {
        field.first().is_some_and(u8::is_ascii_digit)
            && field.contains(&b':')
            && field.iter().all(|b| b.is_ascii_digit() || b" :.,-+/TtZzAaPpMm".contains(b))
    };
    number(b'.') || number(b',') || is_clock()
}

fn is_unit_row(row: &Row<'_>) -> bool {
    let told: Vec<String> = row
        .fields
        .iter()
        .filter(|f| !f.is_empty())
        .map(|f| String::from_utf8_lossy(f).into_owned())
        .collect();
    let known = told.iter().filter(|text| units::from_text(text).is_some() || is_time_unit(text)).count();
    known * 2 > told.len()
}

fn is_time_unit(text: &str) -> bool {
    let plain = text.trim_matches(['[', ']', '(', ')', ' ']).to_lowercase();
    ["s", "sec", "-", "#", "min", "hh:mm:ss", "h:m:s", "bool", "g/s", "km", "n", "l/h"]
        .contains(&plain.as_str())
}

/// The column whose numbers carry a comma most, with how many of how many do; where more numbers
/// carry one than a point.
fn comma_column(rows: &[Row<'_>]) -> Option<(usize, usize, usize)> {
    let columns = rows.iter().map(|row| row.fields.len()).max()?;
    let count = |column: usize, mark: u8| {
        let fields = rows.iter().filter_map(|row| row.fields.get(column));
        fields.filter(|field| field.contains(&mark) && delimited::number(field, mark).is_some()).count()
    };
    let commas: usize = (0..columns).map(|column| count(column, b',')).sum();
    let points: usize = (0..columns).map(|column| count(column, b'.')).sum();
    if commas <= points {
        return None;
    }
    let best = (0..columns).rev().max_by_key(|column| count(*column, b','))?;
    let numbers = rows.iter().filter_map(|row| row.fields.get(best));
    let numbers = numbers.filter(|field| delimited::number(field, b',').is_some_and(|v| !v.is_nan())).count();
    Some((best, count(best, b','), numbers))
}

fn encoding_found(encoding: Encoding, text: &[u8]) -> Finding {
    let (what, why) = match encoding {
        Encoding::Utf16Le | Encoding::Utf16Be => ("UTF-16", "every other byte is empty or a mark says so"),
        Encoding::Latin1 => ("Latin-1", "its characters beyond ASCII are no UTF-8"),
        _ if text.is_ascii() => ("ASCII", "no character lies beyond it"),
        _ => ("UTF-8", "all characters beyond ASCII fit it"),
    };
    Finding { what: what.to_owned(), why: why.to_owned() }
}

fn separator_found(separator: Separator, fields: usize) -> Finding {
    let what = match separator {
        Separator::Tab => "tabs between fields",
        Separator::Semicolon => "`;` between fields",
        _ => "`,` between fields",
    };
    Finding { what: what.to_owned(), why: format!("it makes {fields} fields of most rows") }
}

/// The columns of a log with one row a value, with the reason.
pub(super) fn long(
    log: &TextLog<'_>,
    columns: &[Column],
    time: Option<usize>,
) -> Option<(LongColumns, Finding)> {
    /// Time, name, value, unit, and a few that say nothing.
    const MOST: usize = 8;
    if columns.len() < 3 || columns.len() > MOST {
        return None;
    }
    let names: Vec<&Column> =
        columns.iter().filter(|column| column.texts.len() > 1 && Some(column.position) != time).collect();
    let is_title =
        |column: &Column, words: &[&str]| column.words.iter().any(|word| words.contains(&word.as_str()));
    const NAME: [&str; 11] = [
        "name",
        "pid",
        "signal",
        "parameter",
        "channel",
        "sensor",
        "kanal",
        "messgrosse",
        "nom",
        "nombre",
        "nome",
    ];
    const UNIT: [&str; 6] = ["unit", "units", "einheit", "unite", "unidad", "unita"];
    let is_name = |column: &&&Column| {
        let known = column.texts.iter().filter(|text| is_channel_name(text)).count();
        !is_title(column, &UNIT) && (is_title(column, &NAME) || known > 1)
    };
    let name = names.iter().find(is_name)?;
    let is_value = |column: &&Column| {
        Some(column.position) != time
            && column.spread.as_ref().is_some_and(|spread| spread.missing_share < 0.5)
    };
    let mut values = columns.iter().filter(is_value);
    let value = values.next()?;
    let is_of_unit = |column: &&&Column| {
        let known = column.texts.iter().filter(|text| units::from_text(text).is_some()).count();
        column.position != name.position && (is_title(column, &UNIT) || known * 2 > column.texts.len())
    };
    // More than one column of values: names are no more than remarks.
    if values.next().is_some() || log.titles.len() < 3 {
        return None;
    }
    let unit = names.iter().find(is_of_unit).map(|column| column.key(columns));
    let why = format!(
        "column {} names {} values, whose numbers stand in column {}",
        name.position + 1,
        name.texts.len(),
        value.position + 1
    );
    let finding = Finding { what: "one row a value".to_owned(), why };
    Some((LongColumns { name: name.key(columns), value: value.key(columns), unit }, finding))
}

fn is_channel_name(text: &str) -> bool {
    let words = words_of(text);
    let channels = crate::ride::Channel::ALL.iter().skip(1);
    channels.into_iter().any(|(channel, _)| names::rank(*channel, &words).0 >= names::Rank::Partly)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(text: &str) -> (TextForm, String) {
        let shape = find(text.as_bytes(), Encoding::Utf8).expect("a table");
        let findings: Vec<String> =
            shape.findings.iter().map(|f| format!("{} ({})", f.what, f.why)).collect();
        (shape.form, findings.join("; "))
    }

    #[test]
    fn preamble_units_separator_and_decimal_mark_are_found_with_reasons() {
        let (form, why) =
            shape("Box 3; v1.2\n\nride 7\nZeit;Drehzahl;Öl\ns;1/min;°C\n0,0;3000;90,5\n0,1;3010;90,5\n");
        assert_eq!((form.separator, form.decimal), (Separator::Semicolon, Decimal::Comma));
        assert_eq!((form.preamble_lines, form.unit_row), (Some(3), Some(true)));
        assert!(why.contains("3 lines before the titles"), "{why}");
        assert!(why.contains("`,` stands inside 2 of 2 numbers of column 1"), "{why}");
        let (form, _) = shape("a;b;c\n0,1;3,5;90,5\n0,2;3,5;90,5\n");
        assert_eq!((form.separator, form.decimal), (Separator::Semicolon, Decimal::Comma));
        let (form, _) = shape("Time,RPM,TPS\n0,1000,1\n1,1001,2\n");
        assert_eq!((form.separator, form.unit_row), (Separator::Comma, Some(false)));
    }

    #[test]
    fn rows_shorter_than_the_titles_are_told() {
        let (form, why) = shape("a,b,c,d\n0,1,2\n1,2,3\n2,3,4\n");
        assert_eq!(form.short_rows, ShortRows::LastMissing);
        assert!(why.contains("fewer fields than the 4 titles"), "{why}");
    }

    #[test]
    fn what_is_no_table_is_refused_in_words() {
        let said = |text: &str| {
            find(text.as_bytes(), Encoding::Utf8).err().map(|error| error.to_string()).unwrap_or_default()
        };
        assert!(said("one\ntwo\n").contains("no rows with several fields"));
        assert!(said("a,b\nc,d\n").contains("no rows with several fields"));
        assert!(said("1,2\n3,4\n").contains("no row of titles"));
        assert!(said(&format!("{}\n", "a,".repeat(200_000))).contains("kB long"));
    }
}
