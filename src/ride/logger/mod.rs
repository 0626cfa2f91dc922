//! Logs of other makes: the loggers of a bike folder, and the one that fits a log.
//!
//! `loggers/<name>.yaml` says what a logger's columns are ([`Mapping`]). A log enters with the
//! loggers; the columns of its channels leave, read through the one logger that fits.

mod apply;
mod clock;
pub mod dyno_sheet;
pub mod guess;
mod long;
mod mapping;
mod reading;
mod sparse;
#[cfg(test)]
mod tests;
mod text;
mod units;

pub(in crate::ride) use long::LongLog;
pub(in crate::ride) use mapping::is_written_clock;
pub use mapping::{Encoding, Layout, Mapping, TextForm, TimeForm, schema};
pub(in crate::ride) use reading::Reading;
pub(in crate::ride) use text::TextLog;

use super::columns::RawColumns;
use super::mdf_log::MdfLog;
use super::source::{Found, SourceLog, Title, find};
use super::{Channel, Format, RideError, decode, hash, parquet_log};
use crate::bike::{FileSource, LOGGERS_FOLDER};
use crate::problem::{Problem, Problems};
use crate::yaml;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::path::Path;

/// The logger that a ride was read through, as revisions and reports remember it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LoggerRef {
    /// Its name: that of its file without the ending.
    pub name: String,
    /// SHA-256 of its file, in hex.
    pub sha256: String,
}

/// One logger of the bike folder.
#[derive(Debug, Clone, PartialEq)]
pub struct Logger {
    /// Its name and hash.
    pub reference: LoggerRef,
    /// What its file says.
    pub mapping: Mapping,
}

/// The loggers of a bike folder.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Loggers {
    loggers: Vec<Logger>,
    broken: Vec<BrokenLogger>,
}

/// A logger file with mistakes: no ride is read through it.
#[derive(Debug, Clone, PartialEq)]
struct BrokenLogger {
    /// Which names of files it claims, as far as that can still be read.
    files: Option<String>,
    /// What is wrong with it.
    problems: Vec<Problem>,
}

impl Loggers {
    /// No logger at all: only logs with the channels' own names are read.
    pub fn none() -> Self {
        Self::default()
    }

    /// Reads the loggers of a folder or a commit.
    ///
    /// # Errors
    /// Everything wrong with any of them, with line and column.
    pub fn read(files: &dyn FileSource) -> Result<Self, Problems> {
        let loggers = Self::read_whole_ones(files)?;
        loggers.refuse_broken().map(|()| loggers)
    }

    /// The same, but the broken ones are remembered and stand aside, so that they only stop what
    /// needs them.
    ///
    /// # Errors
    /// When they cannot be listed.
    pub fn read_whole_ones(files: &dyn FileSource) -> Result<Self, Problems> {
        let mut read = Self::default();
        for path in files.list(LOGGERS_FOLDER)? {
            let Some(name) = path.rsplit('/').next().and_then(|file| file.strip_suffix(".yaml")) else {
                continue;
            };
            let text = match files.text(&path) {
                Ok(Some(text)) => text,
                Ok(None) => continue,
                Err(problem) => {
                    read.broken.push(BrokenLogger { files: None, problems: vec![problem] });
                    continue;
                }
            };
            match Mapping::parse(Path::new(&path), &text) {
                Ok(mapping) => {
                    let reference = LoggerRef { name: name.to_owned(), sha256: hash(text.as_bytes()) };
                    read.loggers.push(Logger { reference, mapping });
                }
                Err(Problems(problems)) => {
                    let files = claimed_names(Path::new(&path), &text);
                    read.broken.push(BrokenLogger { files, problems });
                }
            }
        }
        Ok(read)
    }

    /// Refuses to go on where a logger is broken: what it would read is read otherwise or not at all.
    ///
    /// # Errors
    /// Everything wrong with any of them, with line and column.
    pub fn refuse_broken(&self) -> Result<(), Problems> {
        let problems = self.broken.iter().flat_map(|broken| broken.problems.clone());
        Problems(problems.collect()).into_result()
    }

    /// Says of a log that no logger fits that it may be meant for a broken one.
    pub(super) fn blame_broken(&self, error: RideError) -> RideError {
        let firsts: Vec<String> =
            self.broken.iter().filter_map(|broken| Some(broken.problems.first()?.to_string())).collect();
        match error {
            RideError::NoLogger(titles) if !firsts.is_empty() => {
                RideError::BrokenLogger { broken: firsts.join("; "), titles }
            }
            error => error,
        }
    }

    /// The loggers in the order of their names.
    pub fn all(&self) -> &[Logger] {
        &self.loggers
    }

    /// Their names and hashes, in the same order.
    pub fn references(&self) -> Vec<LoggerRef> {
        self.loggers.iter().map(|logger| logger.reference.clone()).collect()
    }

    /// Whether there is none, not even a broken one.
    pub fn is_empty(&self) -> bool {
        self.loggers.is_empty() && self.broken.is_empty()
    }

    /// Whether a logger says that files of this name are its logs.
    pub fn name_file(&self, path: &Path) -> bool {
        let Some(name) = path.file_name() else { return false };
        let name = name.to_string_lossy();
        let patterns = self.loggers.iter().filter_map(|logger| logger.mapping.recognise.files.as_deref());
        let of_broken = self.broken.iter().filter_map(|broken| broken.files.as_deref());
        patterns.chain(of_broken).any(|pattern| is_like(&name, pattern))
    }
}

/// Which names a broken logger file claims, where so much of it can be read.
fn claimed_names(path: &Path, text: &str) -> Option<String> {
    let node = yaml::parse(path, text).ok()?;
    match &node.get("recognise")?.get("files")?.value {
        yaml::Value::Text(pattern) => Some(pattern.clone()),
        _ => None,
    }
}

/// Whether a name fits a pattern with `*` and `?`, in any case.
fn is_like(name: &str, pattern: &str) -> bool {
    let name: Vec<char> = name.to_lowercase().chars().collect();
    let pattern: Vec<char> = pattern.to_lowercase().chars().collect();
    // Which beginnings of the name the pattern so far may stand for.
    let mut ends = vec![false; name.len() + 1];
    ends[0] = true;
    for wanted in pattern {
        let before = ends;
        ends = vec![false; name.len() + 1];
        for i in 0..=name.len() {
            ends[i] = match wanted {
                '*' => before[i] || (i > 0 && ends[i - 1]),
                _ => i > 0 && before[i - 1] && (wanted == '?' || wanted == name[i - 1]),
            };
        }
    }
    ends[name.len()]
}

/// Reads a log through the one logger that fits it.
///
/// `path` names the log itself, without the ending of a packing; `file` is the name of the file.
///
/// # Errors
/// When none fits or several do, when the log contradicts the logger, and when it cannot be used
/// at all.
pub(super) fn read(
    path: &Path,
    file: &Path,
    bytes: &[u8],
    loggers: &Loggers,
) -> Result<(RawColumns, LoggerRef), RideError> {
    if bytes.is_empty() {
        return Err(RideError::Empty);
    }
    match Format::of(path) {
        Format::Parquet => {
            let log = parquet_log::ParquetLog::open(bytes)?;
            let fitting =
                |logger: &&Logger| logger.mapping.layout == Layout::Wide && fits(&log, logger, file);
            let fitting = with_time(loggers.all().iter().filter(fitting).collect());
            let logger = the_one(fitting, || log.titles().to_vec())?;
            Ok((apply::read(&log, &logger.mapping, &logger.reference.name)?, logger.reference.clone()))
        }
        _ => read_text(file, bytes, loggers),
    }
}

/// Reads a measurement file through the one logger that fits it; where none does, by the channels'
/// own names.
///
/// # Errors
/// Those of [`read`].
pub(super) fn read_measurement(
    file: &Path,
    bytes: &[u8],
    loggers: &Loggers,
) -> Result<(RawColumns, Option<LoggerRef>), RideError> {
    let log = MdfLog::open(bytes)?;
    let is_fitting = |logger: &&Logger| logger.mapping.layout == Layout::Wide && fits(&log, logger, file);
    let fitting: Vec<&Logger> = loggers.all().iter().filter(is_fitting).collect();
    let own = log.own_channels();
    // A title such as `Lambda` alone makes no log of our own: a logger that was written goes before.
    if fitting.is_empty() && !own.is_empty() {
        return Ok((apply::read(&log, &own_names(&own)?, "")?, None));
    }
    let logger = the_one(fitting, || log.titles().to_vec())?;
    let columns = apply::read(&log, &logger.mapping, &logger.reference.name)?;
    Ok((columns, Some(logger.reference.clone())))
}

/// The mapping of a log whose titles are the channels' own.
fn own_names(channels: &[Channel]) -> Result<Mapping, RideError> {
    let mut text = "channels:\n".to_owned();
    for (i, channel) in channels.iter().enumerate() {
        let name = channel.name();
        if channels[..i].contains(channel) {
            return Err(RideError::DoubleChannel(name));
        }
        text.push_str(&format!("  {name}: {{ title: {name} }}\n"));
    }
    let told = |problems: Problems| RideError::Logger { name: String::new(), what: problems.to_string() };
    Mapping::parse(Path::new("loggers"), &text).map_err(told)
}

fn read_text(file: &Path, bytes: &[u8], loggers: &Loggers) -> Result<(RawColumns, LoggerRef), RideError> {
    type Decoded<'t> = Result<Cow<'t, [u8]>, RideError>;
    let mut texts: Vec<(Encoding, Decoded<'_>)> = Vec::new();
    for encoding in loggers.all().iter().map(|logger| logger.mapping.text.encoding).chain([Encoding::Auto]) {
        if !texts.iter().any(|(known, _)| *known == encoding) {
            texts.push((encoding, decode::text(bytes, encoding)));
        }
    }
    let decoded =
        |encoding: Encoding| texts.iter().find(|(known, _)| *known == encoding).map(|(_, text)| text);
    let mut fitting: Vec<(&Logger, TextLog<'_>)> = Vec::new();
    for logger in loggers.all() {
        let Some(Ok(text)) = decoded(logger.mapping.text.encoding) else { continue };
        if let Some(log) =
            open_text(text, &logger.mapping).filter(|log| is_recognised(&log.titles, logger, file))
        {
            fitting.push((logger, log));
        }
    }
    let plain = match decoded(Encoding::Auto) {
        Some(Ok(text)) => text.as_ref(),
        Some(Err(error)) if fitting.is_empty() => return Err(error.clone()),
        _ => b"",
    };
    if fitting.is_empty() && plain.trim_ascii().is_empty() {
        return Err(RideError::Empty);
    }
    let titles = || TextLog::peek(plain, &TextForm::default()).map(|log| log.titles).unwrap_or_default();
    let logger = the_one(with_time(fitting.iter().map(|(logger, _)| *logger).collect()), titles)?;
    let Some((_, log)) = fitting.into_iter().find(|(of, _)| of.reference == logger.reference) else {
        return Err(RideError::Empty);
    };
    let name = &logger.reference.name;
    let columns = match &logger.mapping.layout {
        Layout::Wide => apply::read(&log, &logger.mapping, name)?,
        Layout::Long(columns) => {
            let long = LongLog::new(log, columns, time_title(&logger.mapping))
                .map_err(|what| RideError::Logger { name: name.clone(), what })?;
            apply::read(&long, &logger.mapping, name)?
        }
    };
    Ok((columns, logger.reference.clone()))
}

/// The title of the time; a mapping of such a layout has one.
fn time_title(mapping: &Mapping) -> &str {
    mapping.time.as_ref().map_or("", |time| time.title.as_str())
}

/// Those of the loggers that name a column of the time, which this log needs; where none does, all.
fn with_time(fitting: Vec<&Logger>) -> Vec<&Logger> {
    let timed: Vec<&Logger> =
        fitting.iter().copied().filter(|logger| logger.mapping.time.is_some()).collect();
    if timed.is_empty() { fitting } else { timed }
}

/// The text opened at the titles that the mapping speaks of.
fn open_text<'t>(text: &'t [u8], mapping: &Mapping) -> Option<TextLog<'t>> {
    match &mapping.layout {
        Layout::Wide => {
            TextLog::open(text, &mapping.text, &|titles| apply::are_titles(titles, mapping, false))
        }
        Layout::Long(columns) => TextLog::open(text, &mapping.text, &|titles| {
            LongLog::are_titles(titles, columns, time_title(mapping))
        }),
    }
}

/// Whether a log that is open fits a logger.
fn fits(log: &dyn SourceLog, logger: &Logger, file: &Path) -> bool {
    apply::are_titles(log.titles(), &logger.mapping, log.has_own_times())
        && is_recognised(log.titles(), logger, file)
}

/// Whether what the logger says of its logs besides the mapped titles holds.
fn is_recognised(titles: &[Title], logger: &Logger, file: &Path) -> bool {
    let recognise = &logger.mapping.recognise;
    let name = file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    recognise.files.as_deref().is_none_or(|pattern| is_like(&name, pattern))
        && recognise.titles.iter().all(|title| find(titles, title) != Found::Nowhere)
}

/// The one logger among those that fit.
fn the_one(fitting: Vec<&Logger>, titles: impl Fn() -> Vec<Title>) -> Result<&Logger, RideError> {
    match fitting.as_slice() {
        [one] => Ok(one),
        [] => Err(RideError::NoLogger(shown(&titles()))),
        several => {
            let names: Vec<&str> = several.iter().map(|logger| logger.reference.name.as_str()).collect();
            Err(RideError::SeveralLoggers(names.join(", ")))
        }
    }
}

/// The first titles for a message.
fn shown(titles: &[Title]) -> String {
    const SHOWN: usize = 12;
    const LONGEST: usize = 32;
    let mut words: Vec<String> =
        titles.iter().take(SHOWN).map(|title| title.text.chars().take(LONGEST).collect()).collect();
    if titles.len() > SHOWN {
        words.push(format!("and {} more", titles.len() - SHOWN));
    }
    if words.is_empty() { "none were seen".to_owned() } else { words.join(", ") }
}
