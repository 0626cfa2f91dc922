//! A Parquet log: columns of any numeric type under the channels' names.

use super::columns::RawColumns;
use super::{Channel, RideError};
use polars::prelude::{DataType, ParquetReader, SerReader};
use std::io::Cursor;

/// Reads the channels of a log.
pub(super) fn read(bytes: &[u8]) -> Result<RawColumns, RideError> {
    if bytes.is_empty() {
        return Err(RideError::Empty);
    }
    // The reader trusts lengths written in the file; these marks are the least it needs.
    const MAGIC: &[u8] = b"PAR1";
    if bytes.len() < 12 || !bytes.starts_with(MAGIC) || !bytes.ends_with(MAGIC) {
        return Err(RideError::Parquet("the PAR1 marks are missing".to_owned()));
    }
    let broken = |error: polars::prelude::PolarsError| RideError::Parquet(error.to_string());
    let frame = ParquetReader::new(Cursor::new(bytes)).finish().map_err(broken)?;
    let titles: Vec<String> = frame.get_column_names().iter().map(|n| n.to_string()).collect();
    let known: Vec<(Channel, &String)> =
        titles.iter().filter_map(|t| Channel::from_title(t).map(|c| (c, t))).collect();
    if known.is_empty() {
        return Err(RideError::NoChannels(titles.join(", ")));
    }
    let channels: Vec<Channel> = known.iter().map(|(c, _)| *c).collect();
    RawColumns::check_channels(&channels)?;
    let mut columns = RawColumns::default();
    columns.report.rows = frame.height();
    columns.report.ignored_titles =
        titles.iter().filter(|t| Channel::from_title(t).is_none()).cloned().collect();
    for (channel, title) in known {
        let column = frame.column(title).map_err(broken)?;
        if channel == Channel::Slot {
            let text = column.cast(&DataType::String).map_err(broken)?;
            let text = text.str().map_err(broken)?;
            columns.slot = Some(text.iter().map(|v| v.map(str::to_owned)).collect());
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
