//! A Parquet log: columns of numbers, truth values, texts and times under the channels' names, or
//! under those of another make.

use super::columns::{RawColumns, ReadingReport, SlotNames};
use super::logger::{TimeForm, is_written_clock};
use super::source::{Cells, ReadColumn, ReadLog, SourceLog, Stands, Title, Wanted};
use super::{Channel, RideError, parquet_bounds};
use polars::prelude::{
    ArrowDataType, Column, DataFrame, DataType, ParallelStrategy, ParquetReader, SerReader, TimeUnit,
};
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
    let schema = reader.schema().map_err(broken)?;
    let titles: Vec<String> = schema.iter_names().map(|n| n.to_string()).collect();
    let known: Vec<(Channel, &String)> =
        titles.iter().filter_map(|t| Channel::from_title(t).map(|c| (c, t))).collect();
    if known.is_empty() {
        return Err(RideError::NoChannels(titles.join(", ")));
    }
    let channels: Vec<Channel> = known.iter().map(|(c, _)| *c).collect();
    RawColumns::check_channels(&channels)?;
    for (_, title) in &known {
        if let Some(what) = schema.get(title).and_then(|field| unread(field.dtype())) {
            return Err(of_column(title, what));
        }
    }
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
        let read = match (Clock::of(column.dtype()), channel) {
            (Some(Clock::Moments(unit_s) | Clock::Elapsed(unit_s)), Channel::TimeS) => {
                seconds_from_the_first(column, unit_s)?
            }
            _ => plain_numbers(column)?,
        };
        let mut values = Vec::with_capacity(read.len());
        for (row, value) in (1..).zip(read) {
            if value.is_infinite() {
                let field = titles.iter().position(|t| t == title).map_or(0, |i| i as u64 + 1);
                columns.report.bad_value(row, field, channel, &value.to_string());
            }
            values.push(if value.is_finite() { value } else { f64::NAN });
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
    /// Why a column is not in the frame, by its position.
    unread: Vec<Option<&'static str>>,
}

impl ParquetLog {
    /// Opens a log.
    ///
    /// # Errors
    /// When it is none.
    pub fn open(bytes: &[u8]) -> Result<Self, RideError> {
        guarded(|| {
            let mut reader = open(bytes)?;
            let schema = reader.schema().map_err(broken)?;
            let unread: Vec<Option<&'static str>> =
                schema.iter_values().map(|field| unread(field.dtype())).collect();
            let titles = schema.iter_names().map(|name| Title::new(name)).collect();
            // A column that nobody maps must not cost the others.
            let names = schema.iter_names().zip(&unread).filter(|(_, unread)| unread.is_none());
            let names = names.map(|(name, _)| name.to_string()).collect();
            Ok(Self { frame: frame(bytes, reader, Some(names))?, titles, unread })
        })
    }

    fn column(&self, position: usize) -> Result<&Column, RideError> {
        if let Some(what) = self.unread[position] {
            return Err(of_column(&self.titles[position].text, what));
        }
        let before = self.unread[..position].iter().filter(|unread| unread.is_none()).count();
        Ok(&self.frame.columns()[before])
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
                let column = self.column(wanted.position)?;
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

fn of_column(title: &str, what: &str) -> RideError {
    RideError::Column { title: title.to_owned(), what: what.to_owned() }
}

/// What is wrong with a column of a kind that is not read; none where it is.
fn unread(kind: &ArrowDataType) -> Option<&'static str> {
    use ArrowDataType as Kind;
    match kind {
        Kind::Null | Kind::Boolean | Kind::Float32 | Kind::Float64 => None,
        Kind::Int8 | Kind::Int16 | Kind::Int32 | Kind::Int64 => None,
        Kind::UInt8 | Kind::UInt16 | Kind::UInt32 | Kind::UInt64 => None,
        Kind::Utf8 | Kind::LargeUtf8 | Kind::Utf8View => None,
        Kind::Timestamp(..) | Kind::Date32 | Kind::Date64 => None,
        Kind::Time32(_) | Kind::Time64(_) | Kind::Duration(_) => None,
        Kind::Dictionary(_, values, _) => unread(values),
        Kind::Decimal(..) | Kind::Decimal32(..) | Kind::Decimal64(..) | Kind::Decimal256(..) => {
            Some("holds decimals, which are not read: write floating-point or whole numbers")
        }
        Kind::Float16 => Some("holds numbers of half precision, which are not read: write single or double"),
        Kind::List(_) | Kind::LargeList(_) | Kind::FixedSizeList(..) | Kind::Struct(_) | Kind::Map(..) => {
            Some("holds several values in a row, which are not read: write a column for each")
        }
        Kind::Binary | Kind::LargeBinary | Kind::BinaryView | Kind::FixedSizeBinary(_) => {
            Some("holds bytes, which are not read: write numbers or texts")
        }
        _ => Some("is of a kind that is not read: write numbers, texts or moments"),
    }
}

/// A column that tells the time in a unit that the file itself names, s.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Clock {
    /// Date and time, from 1970; where there is a zone, in UTC.
    Moments(f64),
    /// From midnight.
    TimeOfDay(f64),
    /// Any span.
    Elapsed(f64),
    /// Dates alone.
    Days,
}

impl Clock {
    fn of(kind: &DataType) -> Option<Self> {
        let unit_s = |unit: &TimeUnit| match unit {
            TimeUnit::Nanoseconds => 1e-9,
            TimeUnit::Microseconds => 1e-6,
            TimeUnit::Milliseconds => 1e-3,
        };
        match kind {
            DataType::Datetime(unit, _) => Some(Self::Moments(unit_s(unit))),
            DataType::Duration(unit) => Some(Self::Elapsed(unit_s(unit))),
            DataType::Time => Some(Self::TimeOfDay(unit_s(&TimeUnit::Nanoseconds))),
            DataType::Date => Some(Self::Days),
            _ => None,
        }
    }

    /// What it holds, and how a logger says so.
    fn in_words(self) -> (&'static str, &'static str) {
        match self {
            Self::Moments(_) => ("moments, date and time", "date_time"),
            Self::TimeOfDay(_) => ("times of the day", "clock"),
            Self::Elapsed(_) => ("elapsed times", "clock"),
            Self::Days => ("dates without a time of the day", "date_time"),
        }
    }

    /// One value as a person writes it.
    fn written(self, ticks: i64) -> String {
        const DAY_S: f64 = 86_400.0;
        let of = |unit_s: f64| jiff::SignedDuration::try_from_secs_f64(ticks as f64 * unit_s);
        let day = jiff::civil::date(1970, 1, 1).at(0, 0, 0, 0);
        let written = match self {
            Self::Moments(unit_s) => {
                of(unit_s).and_then(|from| day.checked_add(from)).map(|at| at.to_string())
            }
            Self::TimeOfDay(unit_s) => {
                of(unit_s).and_then(|from| day.checked_add(from)).map(|at| at.time().to_string())
            }
            Self::Elapsed(unit_s) => Ok(format!("{} s", ticks as f64 * unit_s)),
            Self::Days => of(DAY_S).and_then(|from| day.checked_add(from)).map(|at| at.date().to_string()),
        };
        written.unwrap_or_else(|_| ticks.to_string())
    }

    /// The times of a log, s: of moments from the first, else from zero.
    fn times_s(self, column: &Column, form: Option<TimeForm>) -> Result<Vec<f64>, RideError> {
        let (holds, word) = self.in_words();
        let refused = |what: String| Err(of_column(column.name(), &format!("holds {holds}, {what}")));
        let Some(form) = form else {
            return refused("not numbers: only the time can come from it".to_owned());
        };
        let is_dated = form != TimeForm::Clock;
        match self {
            Self::Days => refused("which tell no time: map the column of the time".to_owned()),
            _ if !is_written_clock(form) || is_dated != (word == "date_time") => {
                refused(format!("but the time is mapped otherwise: `as: {word}` would say so"))
            }
            Self::Moments(unit_s) => seconds_from_the_first(column, unit_s),
            Self::TimeOfDay(unit_s) | Self::Elapsed(unit_s) => {
                let times = ticks(column)?.into_iter();
                Ok(times.map(|ticks| ticks.map_or(f64::NAN, |ticks| ticks as f64 * unit_s)).collect())
            }
        }
    }
}

/// The whole numbers behind a column that tells the time.
fn ticks(column: &Column) -> Result<Vec<Option<i64>>, RideError> {
    let ticks = column.cast(&DataType::Int64).map_err(broken)?;
    Ok(ticks.i64().map_err(broken)?.iter().collect())
}

/// Seconds from the first moment: what lies behind it since 1970 would cost the last digits.
fn seconds_from_the_first(column: &Column, unit_s: f64) -> Result<Vec<f64>, RideError> {
    let ticks = ticks(column)?;
    let first = ticks.iter().copied().flatten().next().unwrap_or_default();
    let since = |ticks: i64| (i128::from(ticks) - i128::from(first)) as f64 * unit_s;
    Ok(ticks.into_iter().map(|ticks| ticks.map_or(f64::NAN, since)).collect())
}

/// The values of a column of numbers or truth values; missing ones are NaN.
fn plain_numbers(column: &Column) -> Result<Vec<f64>, RideError> {
    let kind = column.dtype();
    if let Some(clock) = Clock::of(kind) {
        return Err(of_column(column.name(), &format!("holds {}, not numbers", clock.in_words().0)));
    }
    if !(kind.is_primitive_numeric() || kind.is_bool() || kind.is_null()) {
        return Err(of_column(column.name(), &format!("holds {kind}, not numbers")));
    }
    let numbers = column.cast(&DataType::Float64).map_err(broken)?;
    Ok(numbers.f64().map_err(broken)?.iter().map(|number| number.unwrap_or(f64::NAN)).collect())
}

fn names(column: &Column, wanted: &Wanted<'_>) -> Result<Vec<Option<String>>, RideError> {
    if let Some(clock) = Clock::of(column.dtype()) {
        let written = |ticks: Option<i64>| wanted.reading.name(clock.written(ticks?).as_bytes());
        return Ok(ticks(column)?.into_iter().map(written).collect());
    }
    let text = column.cast(&DataType::String).map_err(broken)?;
    let text = text.str().map_err(broken)?;
    Ok(text.iter().map(|name| wanted.reading.name(name?.trim().as_bytes())).collect())
}

/// The values of a column of numbers, of texts, or of times.
fn numbers(column: &Column, wanted: &Wanted<'_>, report: &mut ReadingReport) -> Result<Vec<f64>, RideError> {
    let mut values = Vec::with_capacity(column.len());
    let mut take = |row: usize, read: Option<f64>, shown: &dyn Fn() -> String| {
        values.push(read.unwrap_or_else(|| {
            report.bad_value(row as u64 + 1, wanted.position as u64 + 1, wanted.channel, &shown());
            f64::NAN
        }));
    };
    if let Some(clock) = Clock::of(column.dtype()) {
        return clock.times_s(column, wanted.reading.time_form());
    }
    // Texts of which each is kept once are texts.
    if column.dtype().is_string() || column.dtype().is_categorical() {
        let texts = column.cast(&DataType::String).map_err(broken)?;
        for (row, text) in texts.str().map_err(broken)?.iter().enumerate() {
            let text = text.unwrap_or_default().trim();
            take(row, wanted.reading.value(text.as_bytes(), b'.'), &|| text.to_owned());
        }
        return Ok(values);
    }
    for (row, number) in plain_numbers(column)?.into_iter().enumerate() {
        take(row, wanted.reading.value_of(number), &|| number.to_string());
    }
    Ok(values)
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
