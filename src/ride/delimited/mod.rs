//! Delimited text: bytes → the wanted fields of each line.
//!
//! Sixty-four bytes at a time become two bit masks, where fields end and where
//! lines end; their set bits are the only places looked at. So a field nobody
//! wants costs the one bit behind it, and a line with too many or too few
//! fields is known by counting bits.

mod blocks;
mod number;
#[cfg(test)]
mod tests;

use blocks::Marks;
pub(super) use number::{is_missing, number};
use std::cmp::Ordering;

/// How a log's text is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dialect {
    /// Stands between two fields.
    pub delimiter: u8,
    /// Stands before the decimals: `.` or `,`.
    pub decimal: u8,
    /// Whether a delimiter between quotes belongs to the field. A quoted field
    /// ends on its own line; a quote that is never closed is an odd character.
    pub quotes: bool,
}

impl Dialect {
    /// The tool's own logs.
    pub const NATIVE: Dialect = Dialect { delimiter: b',', decimal: b'.', quotes: false };

    /// All fields of one line, without blanks and quotes around them.
    pub fn split<'t>(&self, line: &'t [u8]) -> Vec<&'t [u8]> {
        let mut fields = Vec::new();
        self.split_raw(line, &mut fields);
        fields.iter_mut().for_each(|field| *field = bare(field));
        fields
    }

    /// All fields as they stand.
    fn split_raw<'t>(&self, line: &'t [u8], fields: &mut Vec<&'t [u8]>) {
        fields.clear();
        let mut rest = line;
        loop {
            let from = if self.quotes { behind_quotes(rest, self.delimiter) } else { 0 };
            match memchr::memchr(self.delimiter, &rest[from..]) {
                Some(at) => {
                    fields.push(&rest[..from + at]);
                    rest = &rest[from + at + 1..];
                }
                None => return fields.push(rest),
            }
        }
    }
}

/// Where the quoted field that `rest` begins with has closed; 0 when it begins
/// with none or the quote is never closed.
fn behind_quotes(rest: &[u8], delimiter: u8) -> usize {
    let blank = |b: &u8| *b == b' ' || (*b == b'\t' && delimiter != b'\t');
    let start = rest.iter().take_while(|b| blank(b)).count();
    if rest.get(start) != Some(&b'"') {
        return 0;
    }
    let mut at = start + 1;
    while let Some(quote) = memchr::memchr(b'"', &rest[at..]) {
        at += quote + 1;
        let behind = &rest[at..];
        // A doubled quote stands for one inside the field.
        if behind.first() == Some(&b'"') {
            at += 1;
            continue;
        }
        let blanks = behind.iter().take_while(|b| blank(b)).count();
        if behind.get(blanks).is_none_or(|b| *b == delimiter) {
            return at;
        }
    }
    0
}

/// A line that was met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Line {
    /// One-based in the file.
    pub number: u64,
    /// Whether its fields can be used.
    pub kind: LineKind,
}

/// What became of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LineKind {
    /// As many fields as there are titles; empty ones behind them do no harm.
    Whole,
    /// Fewer fields than titles, or more that are not empty.
    WrongFieldCount,
    /// The last line, and no line end behind it.
    HalfWritten,
    /// Nothing on it.
    Blank,
}

/// Walks through the lines behind the titles.
#[derive(Debug)]
pub(super) struct Lines<'t> {
    text: &'t [u8],
    dialect: Dialect,
    titles: usize,
    wanted: Vec<usize>,
    marks: Marks<'t>,
    /// Where the next line starts, and its number.
    start: usize,
    number: u64,
    /// The first quote at or behind `start`, where the dialect knows quotes.
    quote: usize,
    /// The fields of a line with quotes, kept for its room.
    quoted: Vec<&'t [u8]>,
}

impl<'t> Lines<'t> {
    /// `text` starts with the line of number `first_line`. Its lines should
    /// have `titles` fields, of which those at the `wanted` positions, ascending
    /// from 0, are given out.
    pub fn new(text: &'t [u8], first_line: u64, dialect: Dialect, titles: usize, wanted: &[usize]) -> Self {
        let mut lines = Self {
            text,
            dialect,
            titles: titles.max(1),
            wanted: wanted.iter().copied().filter(|field| *field < titles).collect(),
            marks: Marks::new(text, dialect.delimiter),
            start: 0,
            number: first_line,
            quote: text.len(),
            quoted: Vec::new(),
        };
        if dialect.quotes {
            lines.find_quote();
        }
        lines
    }

    /// The next line; of a whole one the wanted fields, without blanks and
    /// quotes around them. `None` when all were met.
    #[inline]
    pub fn next(&mut self, fields: &mut [&'t [u8]]) -> Option<Line> {
        let text = self.text;
        loop {
            let Some(marks) = self.marks.next_line() else { return self.half_written() };
            let (start, end) = (self.start, marks[marks.len() - 1]);
            self.start = end + 1;
            if start == end {
                // The second byte of the line end `\r\n`.
                if text[end] == b'\n' && start > 0 && text[start - 1] == b'\r' {
                    continue;
                }
                return Some(self.met(LineKind::Blank));
            }
            if self.quote < end {
                let kind = self.line_with_quotes(start, end, fields);
                return Some(self.met(kind));
            }
            let behind = |mark: usize| {
                text[mark..end].iter().all(|b| *b == self.dialect.delimiter || b.is_ascii_whitespace())
            };
            let fits = match marks.len().cmp(&self.titles) {
                Ordering::Less => false,
                Ordering::Equal => true,
                Ordering::Greater => behind(marks[self.titles - 1]),
            };
            if !fits {
                return Some(self.met(LineKind::WrongFieldCount));
            }
            for (field, wanted) in fields.iter_mut().zip(&self.wanted) {
                let from = if *wanted == 0 { start } else { marks[wanted - 1] + 1 };
                *field = bare(&text[from..marks[*wanted]]);
            }
            return Some(self.met(LineKind::Whole));
        }
    }

    fn met(&mut self, kind: LineKind) -> Line {
        self.number += 1;
        Line { number: self.number - 1, kind }
    }

    /// What stands behind the last line end.
    fn half_written(&mut self) -> Option<Line> {
        let rest = self.start < self.text.len();
        self.start = self.text.len();
        rest.then(|| self.met(LineKind::HalfWritten))
    }

    /// Quotes are rare in a log, so a line with one may take its time.
    #[cold]
    fn line_with_quotes(&mut self, start: usize, end: usize, fields: &mut [&'t [u8]]) -> LineKind {
        let mut all = std::mem::take(&mut self.quoted);
        self.dialect.split_raw(&self.text[start..end], &mut all);
        let fits = all.len() >= self.titles && all[self.titles..].iter().all(|f| f.trim_ascii().is_empty());
        if fits {
            for (field, wanted) in fields.iter_mut().zip(&self.wanted) {
                *field = bare(all[*wanted]);
            }
        }
        self.quoted = all;
        self.find_quote();
        if fits { LineKind::Whole } else { LineKind::WrongFieldCount }
    }

    fn find_quote(&mut self) {
        let from = self.start.min(self.text.len());
        self.quote = memchr::memchr(b'"', &self.text[from..]).map_or(self.text.len(), |at| from + at);
    }
}

/// A field without the blanks and quotes around it.
#[inline]
fn bare(field: &[u8]) -> &[u8] {
    match field {
        // Nearly every field is bare already.
        [first, .., last] if *first > b'"' && *last > b'"' => field,
        _ => without_blanks_and_quotes(field),
    }
}

fn without_blanks_and_quotes(field: &[u8]) -> &[u8] {
    let field = field.trim_ascii();
    match field {
        [b'"', inner @ .., b'"'] => inner.trim_ascii(),
        other => other,
    }
}
