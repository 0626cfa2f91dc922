//! A comma-separated log: text → raw columns.
//!
//! The text goes through the `csv` crate rather than a frame reader because
//! only then can every unreadable value be named by line, column and content.

use super::columns::RawColumns;
use super::{Channel, RideError};

/// Reads the channels of a log.
pub(super) fn read(bytes: &[u8]) -> Result<RawColumns, RideError> {
    refuse_binary(bytes)?;
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    if bytes.trim_ascii().is_empty() {
        return Err(RideError::Empty);
    }
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).flexible(true).quoting(false).from_reader(bytes);
    let mut record = csv::ByteRecord::new();
    let mut next = |record: &mut csv::ByteRecord| {
        reader.read_byte_record(record).map_err(|error| RideError::Io(error.to_string()))
    };
    if !next(&mut record)? {
        return Err(RideError::Empty);
    }
    let titles: Vec<String> = record.iter().map(|t| String::from_utf8_lossy(bare(t)).into_owned()).collect();
    let mut columns = RawColumns::default();
    let plan = Plan::new(&titles, &mut columns)?;
    let ends_whole = bytes.ends_with(b"\n");
    while next(&mut record)? {
        let position = record.position().map_or((0, 0), |p| (p.line(), p.byte()));
        columns.report.rows += 1;
        let last = bytes.len() as u64 == end_of(&record, position.1, bytes);
        plan.row(&record, position.0, last && !ends_whole, &mut columns);
    }
    if columns.report.rows == 0 {
        return Err(RideError::NoSamples(String::new()));
    }
    Ok(columns)
}

/// Where the record's line ends in the file.
fn end_of(record: &csv::ByteRecord, start: u64, bytes: &[u8]) -> u64 {
    // Only the last line matters: it has no line end behind its last field.
    let start = start as usize + record.as_slice().len();
    match bytes.get(start..).and_then(|rest| rest.iter().position(|b| *b == b'\n')) {
        Some(_) => start as u64,
        None => bytes.len() as u64,
    }
}

fn refuse_binary(bytes: &[u8]) -> Result<(), RideError> {
    const LOOKED_AT: usize = 4096;
    let kinds: [(&[u8], &str); 6] = [
        (b"\x89PNG", " but a PNG picture"),
        (b"\xff\xd8\xff", " but a JPEG picture"),
        (b"PK\x03\x04", " but a zip archive or a spreadsheet"),
        (b"\x1f\x8b", " but a gzip file"),
        (b"%PDF", " but a PDF"),
        (b"PAR1", " but a Parquet file: name it .parquet"),
    ];
    if let Some((_, words)) = kinds.iter().find(|(magic, _)| bytes.starts_with(magic)) {
        return Err(RideError::NotText((*words).to_owned()));
    }
    let start = &bytes[..bytes.len().min(LOOKED_AT)];
    if start.contains(&0) {
        return Err(RideError::NotText(": it holds binary data".to_owned()));
    }
    Ok(())
}

/// Which field feeds which column.
struct Plan {
    fields: usize,
    /// Field position and position in `RawColumns::numbers`.
    numbers: Vec<(usize, Channel)>,
    slot: Option<usize>,
}

impl Plan {
    fn new(titles: &[String], columns: &mut RawColumns) -> Result<Self, RideError> {
        let known: Vec<(usize, Channel)> = titles
            .iter()
            .enumerate()
            .filter_map(|(i, title)| Channel::from_title(title).map(|c| (i, c)))
            .collect();
        if known.is_empty() {
            const SHOWN: usize = 6;
            let shown: Vec<String> =
                titles.iter().take(SHOWN).map(|t| t.chars().take(24).collect()).collect();
            return Err(RideError::NoChannels(shown.join(", ")));
        }
        let channels: Vec<Channel> = known.iter().map(|(_, c)| *c).collect();
        RawColumns::check_channels(&channels)?;
        let ignored = titles.iter().filter(|t| Channel::from_title(t).is_none() && !t.is_empty());
        columns.report.ignored_titles = ignored.cloned().collect();
        let numbers: Vec<_> = known.iter().copied().filter(|(_, c)| *c != Channel::Slot).collect();
        columns.numbers = numbers.iter().map(|(_, c)| (*c, Vec::new())).collect();
        let slot = known.iter().find(|(_, c)| *c == Channel::Slot).map(|(i, _)| *i);
        columns.slot = slot.map(|_| Vec::new());
        Ok(Self { fields: titles.len(), numbers, slot })
    }

    fn row(&self, record: &csv::ByteRecord, line: u64, half_written: bool, columns: &mut RawColumns) {
        if half_written {
            return columns.report.drop_row("half_written_line");
        }
        // A comma too many at the end of every row is common and harmless.
        let extra = record.iter().skip(self.fields).any(|f| !f.trim_ascii().is_empty());
        if record.len() < self.fields || extra {
            return columns.report.drop_row("wrong_field_count");
        }
        for ((field, channel), (_, values)) in self.numbers.iter().zip(&mut columns.numbers) {
            let text = record.get(*field).map(bare).unwrap_or_default();
            let value = number(text).unwrap_or_else(|| {
                let shown = String::from_utf8_lossy(text);
                columns.report.bad_value(line, *field as u64 + 1, *channel, &shown);
                f64::NAN
            });
            values.push(value);
        }
        if let (Some(field), Some(slots)) = (self.slot, &mut columns.slot) {
            let text = record.get(field).map(bare).unwrap_or_default();
            let name = String::from_utf8_lossy(text).into_owned();
            slots.push((!is_missing(text)).then_some(name));
        }
    }
}

/// A field without the blanks and quotes around it. Quotes never span fields
/// here: an unclosed one must not swallow the lines behind it.
fn bare(field: &[u8]) -> &[u8] {
    let field = field.trim_ascii();
    match field {
        [b'"', inner @ .., b'"'] => inner.trim_ascii(),
        other => other,
    }
}

/// The one place that says what missing looks like.
fn is_missing(text: &[u8]) -> bool {
    text.is_empty() || text == b"-" || text.eq_ignore_ascii_case(b"nan") || text.eq_ignore_ascii_case(b"null")
}

/// A field as a number; NaN when missing, `None` when unreadable.
fn number(text: &[u8]) -> Option<f64> {
    if is_missing(text) {
        return Some(f64::NAN);
    }
    fast_float2::parse::<f64, _>(text).ok().filter(|v| v.is_finite())
}
