//! A Parquet log: columns of any numeric type under the channels' names, or under those of
//! another make.

use super::columns::{RawColumns, ReadingReport, SlotNames};
use super::source::{Cells, ReadColumn, ReadLog, SourceLog, Stands, Title, Wanted};
use super::{Channel, RideError, parquet_bounds};
use polars::prelude::{Column, DataFrame, DataType, ParallelStrategy, ParquetReader, SerReader, TimeUnit};
use std::cell::Cell;
use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

fn broken(error: polars::prelude::PolarsError) -> RideError {
    RideError::Parquet(error.to_string())
}

thread_local! {
    static IS_GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// Whether a panic on this thread would be caught here and told in words, so that nobody else
/// need speak of it.
pub fn panics_are_told() -> bool {
    IS_GUARDED.get()
}

/// Reads with polars, which believes a file and panics where a damaged one contradicts itself.
fn guarded<T>(read: impl FnOnce() -> Result<T, RideError>) -> Result<T, RideError> {
    IS_GUARDED.set(true);
    let read = catch_unwind(AssertUnwindSafe(read));
    IS_GUARDED.set(false);
    read.unwrap_or_else(|_| {
        Err(RideError::Parquet("it is damaged: what it says of itself is not what it holds".to_owned()))
    })
}

/// All of a log, or some of its columns.
fn frame(
    bytes: &[u8],
    mut reader: ParquetReader<Cursor<&[u8]>>,
    columns: Option<Vec<String>>,
) -> Result<DataFrame, RideError> {
    let told = |what: &str| RideError::Parquet(what.to_owned());
    let metadata = reader.get_metadata().map_err(broken)?;
    parquet_bounds::check_pages(bytes, metadata).map_err(told)?;
    // Rides are read side by side; a panic can be caught on its own thread only.
    let reader = reader.read_parallel(ParallelStrategy::None).with_columns(columns);
    let frame = reader.finish().map_err(broken)?;
    match frame.columns().iter().find(|column| column.len() != frame.height()) {
        Some(short) => {
            let (title, length) = (short.name(), short.len());
            Err(told(&format!("the column `{title}` holds {length} values in {} rows", frame.height())))
        }
        None => Ok(frame),
    }
}

/// A reader of the bytes, where they may be Parquet at all.
fn open(bytes: &[u8]) -> Result<ParquetReader<Cursor<&[u8]>>, RideError> {
    if bytes.is_empty() {
        return Err(RideError::Empty);
    }
    // The reader trusts lengths written in the file; these marks are the least it needs.
    const MAGIC: &[u8] = b"PAR1";
    if bytes.len() < 12 || !bytes.starts_with(MAGIC) || !bytes.ends_with(MAGIC) {
        return Err(RideError::Parquet("the PAR1 marks are missing".to_owned()));
    }
    parquet_bounds::check_description(bytes).map_err(|what| RideError::Parquet(what.to_owned()))?;
    Ok(ParquetReader::new(Cursor::new(bytes)))
}

/// Reads the channels of a log.
pub(super) fn read(bytes: &[u8]) -> Result<RawColumns, RideError> {
    guarded(|| read_columns(bytes))
}

fn read_columns(bytes: &[u8]) -> Result<RawColumns, RideError> {
    let mut reader = open(bytes)?;
    let titles: Vec<String> = reader.schema().map_err(broken)?.iter_names().map(|n| n.to_string()).collect();
    let known: Vec<(Channel, &String)> =
        titles.iter().filter_map(|t| Channel::from_title(t).map(|c| (c, t))).collect();
    if known.is_empty() {
        return Err(RideError::NoChannels(titles.join(", ")));
    }
    let channels: Vec<Channel> = known.iter().map(|(c, _)| *c).collect();
    RawColumns::check_channels(&channels)?;
    let wanted = known.iter().map(|(_, title)| (*title).clone()).collect();
    let frame = frame(bytes, reader, Some(wanted))?;
    let mut columns = RawColumns::default();
    columns.report.rows = frame.height();
    columns.report.ignored_titles =
        titles.iter().filter(|t| Channel::from_title(t).is_none()).cloned().collect();
    for (channel, title) in known {
        let column = frame.column(title).map_err(broken)?;
        if channel == Channel::Slot {
            let text = column.cast(&DataType::String).map_err(broken)?;
            let text = text.str().map_err(broken)?;
            let mut slots = SlotNames::default();
            text.iter().for_each(|name| slots.push(name.unwrap_or_default().as_bytes()));
            columns.slot = Some(slots);
            continue;
        }
        if !(column.dtype().is_primitive_numeric() || column.dtype().is_bool()) {
            let what = format!("the column `{title}` holds {}, not numbers", column.dtype());
            return Err(RideError::Parquet(what));
        }
        let numbers = column.cast(&DataType::Float64).map_err(broken)?;
        let numbers = numbers.f64().map_err(broken)?;
        let mut values = Vec::with_capacity(numbers.len());
        for (row, value) in (1..).zip(numbers.iter()) {
            if let Some(value) = value.filter(|v| v.is_infinite()) {
                let field = titles.iter().position(|t| t == title).map_or(0, |i| i as u64 + 1);
                columns.report.bad_value(row, field, channel, &value.to_string());
            }
            values.push(value.filter(|v| v.is_finite()).unwrap_or(f64::NAN));
        }
        columns.numbers.push((channel, values));
    }
    Ok(columns)
}

/// A Parquet log of another make.
#[derive(Debug)]
pub(super) struct ParquetLog {
    frame: DataFrame,
    titles: Vec<Title>,
}

impl ParquetLog {
    /// Opens a log.
    ///
    /// # Errors
    /// When it is none.
    pub fn open(bytes: &[u8]) -> Result<Self, RideError> {
        let frame = guarded(|| frame(bytes, open(bytes)?, None))?;
        let titles = frame.get_column_names().iter().map(|name| Title::new(name)).collect();
        Ok(Self { frame, titles })
    }
}

impl SourceLog for ParquetLog {
    fn titles(&self) -> &[Title] {
        &self.titles
    }

    fn read(&self, wanted: &[Wanted<'_>]) -> Result<ReadLog, RideError> {
        guarded(|| {
            let mut report = ReadingReport { rows: self.frame.height(), ..ReadingReport::default() };
            let mut columns = Vec::with_capacity(wanted.len());
            for wanted in wanted {
                let column = &self.frame.columns()[wanted.position];
                let cells = match wanted.reading.is_slot() {
                    true => Cells::Texts(names(column, wanted)?),
                    false => Cells::Numbers(numbers(column, wanted, &mut report)?),
                };
                columns.push(ReadColumn { cells, stands: Stands::InEveryRow });
            }
            Ok(ReadLog { columns, report })
        })
    }
}

fn names(column: &Column, wanted: &Wanted<'_>) -> Result<Vec<Option<String>>, RideError> {
    let text = column.cast(&DataType::String).map_err(broken)?;
    let text = text.str().map_err(broken)?;
    Ok(text.iter().map(|name| wanted.reading.name(name?.trim().as_bytes())).collect())
}

/// The values of a column of numbers, of texts, or of moments.
fn numbers(column: &Column, wanted: &Wanted<'_>, report: &mut ReadingReport) -> Result<Vec<f64>, RideError> {
    let mut values = Vec::with_capacity(column.len());
    let mut take = |row: usize, read: Option<f64>, shown: &dyn Fn() -> String| {
        values.push(read.unwrap_or_else(|| {
            report.bad_value(row as u64 + 1, wanted.position as u64 + 1, wanted.channel, &shown());
            f64::NAN
        }));
    };
    if let DataType::String = column.dtype() {
        for (row, text) in column.str().map_err(broken)?.iter().enumerate() {
            let text = text.unwrap_or_default().trim();
            take(row, wanted.reading.value(text.as_bytes(), b'.'), &|| text.to_owned());
        }
        return Ok(values);
    }
    let moment_s = seconds_of(column.dtype());
    if !(column.dtype().is_primitive_numeric() || column.dtype().is_bool() || moment_s.is_some()) {
        let what = format!("the column `{}` holds {}, not numbers", column.name(), column.dtype());
        return Err(RideError::Parquet(what));
    }
    let whole =
        if moment_s.is_some() { column.cast(&DataType::Int64).map_err(broken)? } else { column.clone() };
    let numbers = whole.cast(&DataType::Float64).map_err(broken)?;
    for (row, number) in numbers.f64().map_err(broken)?.iter().enumerate() {
        let number = number.unwrap_or(f64::NAN);
        let read = match moment_s {
            // The file itself says the unit of its moments.
            Some(unit_s) => Some(number * unit_s),
            None => wanted.reading.value_of(number),
        };
        take(row, read, &|| number.to_string());
    }
    Ok(values)
}

/// The unit of a column of moments or durations, s.
fn seconds_of(kind: &DataType) -> Option<f64> {
    const DAY_S: f64 = 86_400.0;
    let of_unit = |unit: &TimeUnit| match unit {
        TimeUnit::Nanoseconds => 1e-9,
        TimeUnit::Microseconds => 1e-6,
        TimeUnit::Milliseconds => 1e-3,
    };
    match kind {
        DataType::Datetime(unit, _) | DataType::Duration(unit) => Some(of_unit(unit)),
        DataType::Time => Some(1e-9),
        DataType::Date => Some(DAY_S),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use polars::prelude::{ParquetCompression, ParquetWriter};

    fn log() -> Vec<u8> {
        let columns = vec![
            Column::new("time_s".into(), [0.0, 0.1, 0.2, 0.3]),
            Column::new("rpm".into(), [Some(1000_i32), None, Some(1002), Some(1000)]),
            Column::new("slot".into(), ["power", "power", "economy", "power"]),
        ];
        let mut frame = DataFrame::new(4, columns).expect("a frame");
        let mut bytes = Vec::new();
        let writer = ParquetWriter::new(&mut bytes).with_compression(ParquetCompression::Uncompressed);
        writer.finish(&mut frame).expect("written");
        bytes
    }

    #[test]
    fn a_damaged_file_is_refused_or_read_but_never_panics() {
        let whole = log();
        assert_eq!(read(&whole).expect("a log").report.rows, 4);
        let mut refused = 0;
        for at in 4..whole.len() - 4 {
            for value in [0, 1, 0x7F, 0xFF, whole[at] ^ 0x10] {
                let mut damaged = whole.clone();
                damaged[at] = value;
                refused += usize::from(read(&damaged).is_err());
                let foreign = ParquetLog::open(&damaged);
                assert!(foreign.is_err() || foreign.is_ok_and(|log| log.titles().len() < 10));
            }
        }
        assert!(refused > whole.len());
        assert!(!panics_are_told());
    }
}
