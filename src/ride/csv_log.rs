//! A comma-separated log: text → raw columns.
//!
//! No frame reader is used: only by reading fields ourselves can every
//! unreadable value be named by line, column and content.

use super::columns::{RawColumns, SlotNames};
use super::delimited::{Dialect, LineKind, Lines, number};
use super::{Channel, RideError};
use std::borrow::Cow;

/// Reads the channels of a log.
pub(super) fn read(bytes: &[u8]) -> Result<RawColumns, RideError> {
    refuse_binary(bytes)?;
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    if bytes.trim_ascii().is_empty() {
        return Err(RideError::Empty);
    }
    let dialect = Dialect::NATIVE;
    let (titles, first_line, rows) = split_titles(bytes);
    let titles: Vec<Cow<'_, str>> = dialect.split(titles).into_iter().map(String::from_utf8_lossy).collect();
    let mut columns = RawColumns::default();
    let plan = Plan::new(&titles, &mut columns)?;
    // A row more than line ends: room for the last one.
    let room = memchr::memchr_iter(b'\n', rows).count() + 1;
    columns.numbers.iter_mut().for_each(|(_, values)| values.reserve_exact(room));
    let mut lines = Lines::new(rows, first_line, dialect, titles.len(), &plan.wanted);
    let mut fields = vec![&b""[..]; plan.wanted.len()];
    while let Some(line) = lines.next(&mut fields) {
        let dropped = match line.kind {
            LineKind::Blank => continue,
            LineKind::Whole => None,
            LineKind::HalfWritten => Some("half_written_line"),
            LineKind::WrongFieldCount => Some("wrong_field_count"),
        };
        columns.report.rows += 1;
        match dropped {
            Some(reason) => columns.report.drop_row(reason),
            None => plan.row(line.number, &fields, &mut columns),
        }
    }
    if columns.report.rows == 0 {
        return Err(RideError::NoSamples(String::new()));
    }
    Ok(columns)
}

/// The line of the titles, and behind it the number of the next line and the rest.
fn split_titles(bytes: &[u8]) -> (&[u8], u64, &[u8]) {
    let line_end = |b: &u8| matches!(b, b'\n' | b'\r');
    let blank_lines = bytes.iter().take_while(|b| line_end(b)).count();
    let (above, bytes) = bytes.split_at(blank_lines);
    let end = bytes.iter().position(line_end).unwrap_or(bytes.len());
    let (titles, rest) = bytes.split_at(end);
    let rest = rest.strip_prefix(b"\r\n").or(rest.get(1..)).unwrap_or_default();
    let feeds = above.iter().filter(|b| **b == b'\n').count();
    (titles, 2 + feeds as u64, rest)
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
    /// The positions of the fields that are read, ascending.
    wanted: Vec<usize>,
    /// Which of them feeds which of `RawColumns::numbers`, in their order.
    numbers: Vec<(usize, Channel)>,
    /// Which of them names the slot.
    slot: Option<usize>,
}

impl Plan {
    fn new(titles: &[Cow<'_, str>], columns: &mut RawColumns) -> Result<Self, RideError> {
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
        columns.report.ignored_titles = ignored.map(|t| t.to_string()).collect();
        let is_slot = |c: &Channel| *c == Channel::Slot;
        let numbers = channels.iter().copied().enumerate().filter(|(_, c)| !is_slot(c)).collect::<Vec<_>>();
        columns.numbers = numbers.iter().map(|(_, c)| (*c, Vec::new())).collect();
        let slot = channels.iter().position(is_slot);
        columns.slot = slot.map(|_| SlotNames::default());
        Ok(Self { wanted: known.into_iter().map(|(i, _)| i).collect(), numbers, slot })
    }

    #[inline]
    fn row(&self, line: u64, fields: &[&[u8]], columns: &mut RawColumns) {
        for ((field, channel), (_, values)) in self.numbers.iter().zip(&mut columns.numbers) {
            let value = number(fields[*field], Dialect::NATIVE.decimal).unwrap_or_else(|| {
                let shown = String::from_utf8_lossy(fields[*field]);
                columns.report.bad_value(line, self.wanted[*field] as u64 + 1, *channel, &shown);
                f64::NAN
            });
            values.push(value);
        }
        if let (Some(field), Some(slots)) = (self.slot, &mut columns.slot) {
            slots.push(fields[field]);
        }
    }
}
