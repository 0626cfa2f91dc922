//! The log opened as far as a proposal needs it: its text understood, its columns read, its time
//! found.

use super::super::LongLog;
use super::super::mapping::{Encoding, Layout, TextForm};
use super::super::text::TextLog;
use super::column::{self, Column};
use super::say::{Answers, Say};
use super::time::{self, Times};
use super::{Finding, GuessError, layout};
use crate::ride::mdf_log::MdfLog;
use crate::ride::source::SourceLog;
use crate::ride::{Channel, RideError, csv_log, decode, parquet_log};
use std::borrow::Cow;

/// A log that is open, and how.
pub(super) struct Opened<'t> {
    pub log: Box<dyn SourceLog + 't>,
    pub form: TextForm,
    pub layout: Layout,
    pub findings: Vec<Finding>,
    pub columns: Vec<Column>,
    pub time: Times,
}

/// A log with the channels' own names is read before any logger is asked.
fn refuse_own_names(bytes: &[u8]) -> Result<(), GuessError> {
    match csv_log::read(bytes) {
        Err(RideError::NoChannels(_) | RideError::MissingChannel(_)) => Ok(()),
        // It may be text in another encoding, which the next look tells.
        Err(RideError::NotText(words)) if words.contains("binary") => Ok(()),
        Err(RideError::DoubleChannel(_) | RideError::NoSamples(_)) | Ok(_) => Err(GuessError::OwnNames),
        Err(error) => Err(error.into()),
    }
}

/// The text in UTF-8, and the encoding it was in.
pub(super) fn decoded(bytes: &[u8]) -> Result<(Cow<'_, [u8]>, Encoding), GuessError> {
    use Encoding::{Auto, Utf16Be, Utf16Le};
    refuse_own_names(bytes)?;
    let found = decode::found(bytes, Auto);
    match decode::text(bytes, found) {
        Ok(text) => Ok((text, found)),
        Err(error) => {
            // UTF-16 without a mark: every other byte of plain text is zero.
            let start = &bytes[..bytes.len().min(4096)];
            let zeros = |odd: usize| {
                start.iter().skip(odd).step_by(2).filter(|b| **b == 0).count() * 10 / start.len().max(1)
            };
            let unmarked = match (zeros(0), zeros(1)) {
                (0, 4..) => Utf16Le,
                (4.., 0) => Utf16Be,
                _ => return Err(error.into()),
            };
            Ok((decode::text(bytes, unmarked)?, unmarked))
        }
    }
}

/// Opens a Parquet log.
pub(super) fn parquet<'t>(bytes: &[u8], of_time: &[Say]) -> Result<Opened<'t>, GuessError> {
    if parquet_log::read(bytes).is_ok() {
        return Err(GuessError::OwnNames);
    }
    let log = parquet_log::ParquetLog::open(bytes)?;
    let columns = column::read_all(&log)?;
    let answers = Answers::new(of_time, log.titles()).map_err(GuessError::Said)?;
    let time = time::find(&log, &columns, &answers, true).into();
    let finding = Finding { what: "Parquet".to_owned(), why: "its ending and its marks say so".to_owned() };
    let form = TextForm::default();
    Ok(Opened { log: Box::new(log), form, layout: Layout::Wide, findings: vec![finding], columns, time })
}

/// Opens a measurement file.
pub(super) fn measurement<'t>(bytes: &'t [u8], of_time: &[Say]) -> Result<Opened<'t>, GuessError> {
    let log = MdfLog::open(bytes)?;
    // A title such as `Lambda` alone makes no log of our own.
    if log.own_channels().contains(&Channel::Rpm) {
        return Err(GuessError::OwnNames);
    }
    if let Some(say) = of_time.first() {
        let what =
            format!("`{}`: a measurement file keeps the times of its channels itself", say.channel.name());
        return Err(GuessError::Said(what));
    }
    let mut columns = column::read_all(&log)?;
    let times = column::share_rows(&log, &mut columns)?;
    let finding =
        Finding { what: "ASAM MDF 4".to_owned(), why: "its ending and its first bytes say so".to_owned() };
    Ok(Opened {
        log: Box::new(log),
        form: TextForm::default(),
        layout: Layout::Wide,
        findings: vec![finding],
        columns,
        time: Times::Own(times),
    })
}

/// Opens a text at its titles; `of_time` is what was said of the time.
pub(super) fn text<'t>(
    text: &'t [u8],
    encoding: Encoding,
    of_time: &[Say],
) -> Result<Opened<'t>, GuessError> {
    if text.trim_ascii().is_empty() {
        return Err(RideError::Empty.into());
    }
    let shape = layout::find(text, encoding)?;
    let mut findings = shape.findings;
    let open = || {
        TextLog::open(text, &shape.form, &|_| true)
            .ok_or_else(|| GuessError::NoTable("its titles were not found again".to_owned()))
    };
    let log = open()?;
    let columns = column::read_all(&log)?;
    let answers = Answers::new(of_time, &log.titles).map_err(GuessError::Said)?;
    let time = time::find(&log, &columns, &answers, true);
    let at = time.as_ref().ok().map(|time| time.position);
    let Some((long, finding)) = layout::long(&log, &columns, at) else {
        return Ok(Opened {
            log: Box::new(log),
            form: shape.form,
            layout: Layout::Wide,
            findings,
            columns,
            time: time.into(),
        });
    };
    findings.push(finding);
    // Many values of one time are no coarse clock.
    let time = time::find(&log, &columns, &answers, false);
    let title = match &time {
        Ok(time) => time.column.title.clone(),
        Err(_) => {
            columns.iter().find(|c| Some(c.position) == at).map_or(long.name.clone(), |c| c.key(&columns))
        }
    };
    let log = LongLog::new(open()?, &long, &title).map_err(GuessError::NoTable)?;
    let mut columns = column::read_all(&log)?;
    // The last title is that of the time.
    columns.pop();
    Ok(Opened {
        log: Box::new(log),
        form: shape.form,
        layout: Layout::Long(long),
        findings,
        columns,
        time: time.into(),
    })
}
