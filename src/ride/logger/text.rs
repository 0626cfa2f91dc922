//! A delimited text of another make: where its titles stand, how it is written, its columns.

use super::mapping::{Decimal, Separator, ShortRows, TextForm};
use crate::ride::RideError;
use crate::ride::columns::ReadingReport;
use crate::ride::delimited::{self, Dialect, LineKind, Lines};
use crate::ride::source::{Cells, ReadColumn, ReadLog, SourceLog, Stands, Title, Wanted};

/// So many lines are looked at for the titles.
const LOOKED_AT_LINES: usize = 400;

/// A text log with its titles.
#[derive(Debug)]
pub(in crate::ride) struct TextLog<'t> {
    /// The titles with their units.
    pub titles: Vec<Title>,
    /// Whether a row of units stands under the titles.
    #[cfg(test)]
    pub has_unit_row: bool,
    /// One-based line of the titles.
    #[cfg(test)]
    pub titles_line: u64,
    /// How the rows are written.
    pub dialect: Dialect,
    short_rows: ShortRows,
    /// The rows behind titles and units, and the line of the first.
    rows: &'t [u8],
    first_line: u64,
}

/// A line of the text, with where the next one begins.
#[derive(Clone, Copy)]
struct TextLine<'t> {
    text: &'t [u8],
    behind: usize,
}

fn first_lines(text: &[u8]) -> Vec<TextLine<'_>> {
    let mut lines = Vec::new();
    let mut start = 0;
    while start < text.len() && lines.len() < LOOKED_AT_LINES {
        let end = memchr::memchr(b'\n', &text[start..]).map_or(text.len(), |at| start + at);
        lines.push(TextLine { text: text[start..end].trim_ascii_end(), behind: (end + 1).min(text.len()) });
        start = end + 1;
    }
    lines
}

/// The separators that a mapping allows.
fn separators(form: &TextForm) -> &'static [u8] {
    match form.separator {
        // A tab or a semicolon stands in no number.
        Separator::Auto => b"\t;,",
        Separator::Comma => b",",
        Separator::Semicolon => b";",
        Separator::Tab => b"\t",
    }
}

fn titles_of(line: &[u8], separator: u8) -> Vec<Title> {
    let dialect = Dialect { delimiter: separator, decimal: b'.', quotes: true };
    let mut titles: Vec<Title> =
        dialect.split(line).into_iter().map(|field| Title::new(&String::from_utf8_lossy(field))).collect();
    // A separator behind the last title makes no column.
    while titles.last().is_some_and(|title| title.text.is_empty()) {
        titles.pop();
    }
    titles
}

/// Takes the number of a line and its wanted fields.
type TakeRow<'f, 't> = dyn FnMut(u64, &[&'t [u8]], &mut ReadingReport) + 'f;

impl<'t> TextLog<'t> {
    /// Opens a text at the first row that `are_titles` takes for its titles; none where there is
    /// no such row.
    pub fn open(text: &'t [u8], form: &TextForm, are_titles: &dyn Fn(&[Title]) -> bool) -> Option<Self> {
        let lines = first_lines(text);
        let looked_at = match form.preamble_lines {
            Some(above) => above as usize..(above as usize + 1).min(lines.len()),
            None => 0..lines.len(),
        };
        for at in looked_at {
            let line = lines.get(at)?;
            for separator in separators(form) {
                // Splitting is dear, and few lines of a preamble have a separator.
                if !line.text.contains(separator) {
                    continue;
                }
                let titles = titles_of(line.text, *separator);
                if are_titles(&titles) {
                    return Some(Self::at(text, form, &lines, at, *separator, titles));
                }
            }
        }
        None
    }

    /// Opens a text of which nothing is known: the titles are the first row that has as many
    /// fields as most rows have. None where no rows of several fields are seen.
    pub fn peek(text: &'t [u8], form: &TextForm) -> Option<Self> {
        let lines = first_lines(text);
        let mut best: Option<(usize, usize, u8)> = None;
        for separator in separators(form) {
            let fields: Vec<usize> =
                lines.iter().map(|line| titles_of(line.text, *separator).len()).collect();
            let often = |n: &usize| fields.iter().filter(|m| *m == n).count();
            let Some(usual) = fields.iter().copied().filter(|n| *n > 1).max_by_key(often) else { continue };
            let at = fields.iter().position(|n| *n == usual).unwrap_or_default();
            if best.is_none_or(|(most, ..)| usual > most) {
                best = Some((usual, at, *separator));
            }
        }
        let (_, at, separator) = best?;
        let titles = titles_of(lines[at].text, separator);
        Some(Self::at(text, form, &lines, at, separator, titles))
    }

    fn at(
        text: &'t [u8],
        form: &TextForm,
        lines: &[TextLine<'t>],
        at: usize,
        separator: u8,
        titles: Vec<Title>,
    ) -> Self {
        let dialect = Dialect { delimiter: separator, decimal: b'.', quotes: true };
        let under = lines.get(at + 1).filter(|line| match form.unit_row {
            Some(wanted) => wanted,
            None => is_unit_row(line.text, &dialect, titles.len()),
        });
        let titles = match under {
            Some(line) => {
                let mut units = dialect.split(line.text).into_iter().map(String::from_utf8_lossy);
                titles.into_iter().map(|title| title.with_unit(&units.next().unwrap_or_default())).collect()
            }
            None => titles,
        };
        let head = at + usize::from(under.is_some());
        let rows = &text[lines[head].behind..];
        let decimal = match form.decimal {
            Decimal::Point => b'.',
            Decimal::Comma => b',',
            Decimal::Auto => decimal_of(rows, &dialect),
        };
        Self {
            titles,
            #[cfg(test)]
            has_unit_row: under.is_some(),
            #[cfg(test)]
            titles_line: at as u64 + 1,
            dialect: Dialect { decimal, ..dialect },
            short_rows: form.short_rows,
            rows,
            first_line: head as u64 + 2,
        }
    }

    /// The first rows, field by field.
    #[cfg(test)]
    pub fn first_rows(&self, rows: usize) -> Vec<Vec<&'t [u8]>> {
        let lines = self.rows.split(|b| *b == b'\n').map(<[u8]>::trim_ascii_end);
        lines.filter(|line| !line.is_empty()).take(rows).map(|line| self.dialect.split(line)).collect()
    }

    /// Goes through all rows; `take` gets the line's number and the fields of `positions`, in
    /// their order. What cannot be used is counted.
    pub fn each_row(&self, positions: &[usize], report: &mut ReadingReport, take: &mut TakeRow<'_, 't>) {
        let mut ascending: Vec<usize> = positions.to_vec();
        ascending.sort_unstable();
        ascending.dedup();
        let places: Vec<usize> =
            positions.iter().map(|p| ascending.binary_search(p).unwrap_or_default()).collect();
        let mut met: Vec<&[u8]> = vec![b""; ascending.len()];
        let mut fields: Vec<&[u8]> = vec![b""; positions.len()];
        let mut step = |number: u64, kind: LineKind, met: &[&'t [u8]], report: &mut ReadingReport| {
            match kind {
                LineKind::Blank => return,
                LineKind::HalfWritten => report.drop_row("half_written_line"),
                LineKind::WrongFieldCount => report.drop_row("wrong_field_count"),
                LineKind::Whole => {
                    fields.iter_mut().zip(&places).for_each(|(field, place)| *field = met[*place]);
                    take(number, &fields, report);
                }
            }
            report.rows += 1;
        };
        if self.short_rows == ShortRows::Dropped {
            let mut lines =
                Lines::new(self.rows, self.first_line, self.dialect, self.titles.len(), &ascending);
            while let Some(line) = lines.next(&mut met) {
                step(line.number, line.kind, &met, report);
            }
            return;
        }
        let mut lines = self.rows.split(|b| *b == b'\n').zip(self.first_line..).peekable();
        while let Some((line, number)) = lines.next() {
            let is_last = lines.peek().is_none();
            let all = self.dialect.split(line.trim_ascii_end());
            let kind = match () {
                () if line.trim_ascii().is_empty() => LineKind::Blank,
                () if is_last => LineKind::HalfWritten,
                () if all.iter().skip(self.titles.len()).any(|f| !f.is_empty()) => LineKind::WrongFieldCount,
                () => LineKind::Whole,
            };
            for (field, position) in met.iter_mut().zip(&ascending) {
                *field = all.get(*position).copied().unwrap_or_default();
            }
            step(number, kind, &met, report);
        }
    }
}

/// A row of words: none of its fields begins as a number does.
fn is_unit_row(line: &[u8], dialect: &Dialect, titles: usize) -> bool {
    let fields = dialect.split(line);
    let is_word = |field: &&[u8]| {
        // `1/min` is a unit.
        let text = String::from_utf8_lossy(field);
        let begins = field.first().is_some_and(|b| b.is_ascii_digit() || b"+-.".contains(b));
        super::units::from_text(&text).is_some() || !begins || **field == *b"-"
    };
    let has_text = fields.iter().any(|field| !delimited::is_missing(field));
    has_text && fields.len() > 1 && fields.len() <= titles + 1 && fields.iter().all(is_word)
}

/// A comma where more of the first fields have one between digits than a point.
fn decimal_of(rows: &[u8], dialect: &Dialect) -> u8 {
    const LOOKED_AT_ROWS: usize = 50;
    let with = |decimal: u8| {
        let rows = rows.split(|b| *b == b'\n').take(LOOKED_AT_ROWS);
        rows.flat_map(|row| dialect.split(row.trim_ascii_end()))
            .filter(|field| field.contains(&decimal))
            .filter(|field| delimited::number(field, decimal).is_some())
            .count()
    };
    if with(b',') > with(b'.') { b',' } else { b'.' }
}

impl SourceLog for TextLog<'_> {
    fn titles(&self) -> &[Title] {
        &self.titles
    }

    fn read(&self, wanted: &[Wanted<'_>]) -> Result<ReadLog, RideError> {
        let positions: Vec<usize> = wanted.iter().map(|w| w.position).collect();
        let mut cells: Vec<Cells> = wanted
            .iter()
            .map(|w| if w.reading.is_slot() { Cells::Texts(Vec::new()) } else { Cells::Numbers(Vec::new()) })
            .collect();
        let mut report = ReadingReport::default();
        let decimal = self.dialect.decimal;
        self.each_row(&positions, &mut report, &mut |line, fields, report| {
            for ((field, wanted), cells) in fields.iter().zip(wanted).zip(&mut cells) {
                match cells {
                    Cells::Texts(names) => names.push(wanted.reading.name(field)),
                    Cells::Numbers(values) => {
                        values.push(wanted.reading.value(field, decimal).unwrap_or_else(|| {
                            let shown = String::from_utf8_lossy(field);
                            report.bad_value(line, wanted.position as u64 + 1, wanted.channel, &shown);
                            f64::NAN
                        }))
                    }
                }
            }
        });
        let columns =
            cells.into_iter().map(|cells| ReadColumn { cells, stands: Stands::InEveryRow }).collect();
        Ok(ReadLog { columns, report })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn titles(log: &TextLog<'_>) -> Vec<(String, Option<String>)> {
        log.titles.iter().map(|t| (t.name.clone(), t.unit.clone())).collect()
    }

    #[test]
    fn a_preamble_quoted_titles_and_a_unit_row_are_seen() {
        let text = b"Box 3, serial 17\n\n\"Time\";\"Speed, wheel\";\"Oil\";\n\"s\";\"km/h\";\"degC\";\n0,0;\"12,5\";90;\n0,1;12,7;90;\n";
        let log = TextLog::open(text, &TextForm::default(), &|titles| titles.iter().any(|t| t.name == "Oil"))
            .expect("titles");
        assert_eq!((log.titles_line, log.has_unit_row, log.dialect.delimiter), (3, true, b';'));
        assert_eq!(log.dialect.decimal, b',');
        let unit = |unit: &str| Some(unit.to_owned());
        assert_eq!(
            titles(&log),
            [
                ("Time".to_owned(), unit("s")),
                ("Speed, wheel".to_owned(), unit("km/h")),
                ("Oil".to_owned(), unit("degC"))
            ]
        );
        let peeked = TextLog::peek(text, &TextForm::default()).expect("titles");
        assert_eq!((peeked.titles_line, peeked.first_rows(1).len()), (3, 1));
        let mut seen = Vec::new();
        let mut report = ReadingReport::default();
        log.each_row(&[1, 0], &mut report, &mut |line, fields, _| {
            let texts: Vec<String> = fields.iter().map(|f| String::from_utf8_lossy(f).into_owned()).collect();
            seen.push((line, texts.join(" ")));
        });
        assert_eq!(seen, [(5, "12,5 0,0".to_owned()), (6, "12,7 0,1".to_owned())]);
    }

    #[test]
    fn short_rows_are_dropped_or_miss_their_last_values() {
        let text = b"t,a,b\n0,1,2\n1,3\n\n2,4,5,6\n3,7,8,\n4,9";
        let rows = |short_rows: ShortRows| {
            let form = TextForm { short_rows, ..TextForm::default() };
            let log = TextLog::open(text, &form, &|_| true).expect("titles");
            let mut report = ReadingReport::default();
            let mut taken = Vec::new();
            log.each_row(&[2], &mut report, &mut |line, fields, _| taken.push((line, fields[0].to_vec())));
            (taken, report)
        };
        let (taken, report) = rows(ShortRows::Dropped);
        assert_eq!(taken, [(2, b"2".to_vec()), (6, b"8".to_vec())]);
        assert_eq!(
            (report.rows, report.dropped["wrong_field_count"], report.dropped["half_written_line"]),
            (5, 2, 1)
        );
        let (taken, report) = rows(ShortRows::LastMissing);
        assert_eq!(taken, [(2, b"2".to_vec()), (3, b"".to_vec()), (6, b"8".to_vec())]);
        assert_eq!((report.rows, report.dropped["wrong_field_count"]), (5, 1));
    }

    #[test]
    fn a_given_number_of_preamble_lines_is_kept_to() {
        let text = b"t,a\nx,y\nt,a\n0,1\n";
        let form = TextForm { preamble_lines: Some(2), ..TextForm::default() };
        assert_eq!(TextLog::open(text, &form, &|_| true).expect("titles").titles_line, 3);
        let form = TextForm { preamble_lines: Some(9), ..TextForm::default() };
        assert!(TextLog::open(text, &form, &|_| true).is_none());
    }
}
