//! A measurement file of ASAM MDF 4 as a log: its channels, and the parameters that
//! control units answered on a CAN bus it logged.

use super::can_answers::{self, Answers};
use super::columns::ReadingReport;
use super::mdf::{self, Holds, MdfError, MdfFile};
use super::source::{Cells, ReadColumn, ReadLog, SourceLog, Stands, Title, Wanted};
use super::{Channel, RideError};

/// A measurement file that is open.
#[derive(Debug)]
pub(super) struct MdfLog<'a> {
    file: MdfFile<'a>,
    answers: Answers,
    titles: Vec<Title>,
    /// Where the values of each title stand.
    columns: Vec<Place>,
    notes: Vec<String>,
}

#[derive(Debug, Clone, Copy)]
enum Place {
    /// Group and channel.
    Channel(usize, usize),
    /// One of the answered series.
    Answer(usize),
}

fn broken(error: &MdfError) -> RideError {
    let hint = error.hint().map(|hint| format!(" ({hint})")).unwrap_or_default();
    RideError::Mdf(format!("{error}{hint}"))
}

impl<'a> MdfLog<'a> {
    /// Opens a file.
    ///
    /// # Errors
    /// When it is none, or damaged before its data.
    pub fn open(bytes: &'a [u8]) -> Result<Self, RideError> {
        if bytes.is_empty() {
            return Err(RideError::Empty);
        }
        let file = mdf::open(bytes).map_err(|error| broken(&error))?;
        let mut log = Self {
            notes: file.remarks.clone(),
            file,
            answers: Answers::default(),
            titles: Vec::new(),
            columns: Vec::new(),
        };
        for (group, of_group) in log.file.groups.iter().enumerate() {
            for (channel, described) in of_group.channels.iter().enumerate() {
                if described.is_master_time || !is_readable(&described.holds) {
                    continue;
                }
                log.titles.push(Title::new(&described.name).with_unit(&described.unit));
                log.columns.push(Place::Channel(group, channel));
            }
        }
        if log.file.logs_can_frames() {
            log.open_answers()?;
        }
        Ok(log)
    }

    /// Finds what control units answered on the bus.
    fn open_answers(&mut self) -> Result<(), RideError> {
        let frames = self.file.can_frames().map_err(|error| broken(&error))?;
        let unreadable = frames.unreadable;
        self.answers = can_answers::read(&frames.frames);
        let mut titles: Vec<Title> = Vec::new();
        for series in &self.answers.series {
            let name = series.parameter.name;
            // A second unit that answers the same is told by its id.
            let text = match titles.iter().any(|title| title.text == name) {
                true => format!("{:X} {name}", series.answered_by),
                false => name.to_owned(),
            };
            titles.push(Title::new(&text).with_unit(series.parameter.unit));
        }
        self.columns.extend((0..titles.len()).map(Place::Answer));
        self.titles.extend(titles);
        let unknown: usize = self.answers.unknown.values().sum();
        let left = [
            (self.answers.other_frames, "of other ids"),
            (self.answers.in_parts, "of answers in several frames"),
            (self.answers.other_answers, "of other services"),
            (self.answers.refused, "of refused requests"),
            (unknown, "of parameters that are not known"),
            (unreadable, "without time, id or bytes"),
        ];
        let left: Vec<String> =
            left.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")).collect();
        if !left.is_empty() {
            let read = self.answers.read;
            self.notes.push(format!("of the CAN frames {read} were read; left out: {}", left.join(", ")));
        }
        Ok(())
    }

    /// The channels among its titles that have the tool's own names.
    pub fn own_channels(&self) -> Vec<Channel> {
        let known = self.titles.iter().filter_map(|title| Channel::from_title(&title.name));
        known.filter(|channel| *channel != Channel::TimeS).collect()
    }
}

fn is_readable(holds: &Holds) -> bool {
    matches!(holds, Holds::Numbers | Holds::Text | Holds::Both)
}

impl SourceLog for MdfLog<'_> {
    fn titles(&self) -> &[Title] {
        &self.titles
    }

    fn has_own_times(&self) -> bool {
        true
    }

    fn read(&self, wanted: &[Wanted<'_>]) -> Result<ReadLog, RideError> {
        let mut report = ReadingReport { notes: self.notes.clone(), ..ReadingReport::default() };
        let mut columns = Vec::with_capacity(wanted.len());
        for wanted in wanted {
            let column = match self.columns[wanted.position] {
                Place::Answer(series) => {
                    let series = &self.answers.series[series];
                    let cells = Cells::Numbers(values(&series.values, wanted, &mut report));
                    ReadColumn { cells, stands: Stands::AtTimes(series.times_s.clone()) }
                }
                Place::Channel(group, channel) => {
                    let cells = self.cells(group, channel, wanted, &mut report);
                    let times = self.file.times_s(group).map_err(|error| broken(&error))?;
                    ReadColumn {
                        cells: cells.map_err(|error| broken(&error))?,
                        stands: Stands::AtTimes(times),
                    }
                }
            };
            // The rows are told apart when all channels' times are brought together.
            report.rows = report.rows.max(match &column.stands {
                Stands::AtTimes(times) => times.len(),
                _ => 0,
            });
            columns.push(column);
        }
        Ok(ReadLog { columns, report })
    }
}

impl MdfLog<'_> {
    fn cells(
        &self,
        group: usize,
        channel: usize,
        wanted: &Wanted<'_>,
        report: &mut ReadingReport,
    ) -> Result<Cells, MdfError> {
        if wanted.reading.is_slot() {
            let names = self.file.text(group, channel)?;
            let name = |name: Option<String>| wanted.reading.name(name?.trim().as_bytes());
            return Ok(Cells::Texts(names.into_iter().map(name).collect()));
        }
        if self.file.groups[group].channels[channel].holds == Holds::Text {
            let texts = self.file.text(group, channel)?;
            let read = texts.into_iter().enumerate().map(|(row, text)| {
                let text = text.unwrap_or_default();
                wanted
                    .reading
                    .value(text.trim().as_bytes(), b'.')
                    .unwrap_or_else(|| unreadable(row, &text, wanted, report))
            });
            return Ok(Cells::Numbers(read.collect()));
        }
        Ok(Cells::Numbers(values(&self.file.numbers(group, channel)?, wanted, report)))
    }
}

fn values(numbers: &[f64], wanted: &Wanted<'_>, report: &mut ReadingReport) -> Vec<f64> {
    let read = numbers.iter().enumerate().map(|(row, number)| {
        let value = wanted.reading.value_of(*number);
        value.unwrap_or_else(|| unreadable(row, &number.to_string(), wanted, report))
    });
    read.collect()
}

/// Counts a value that cannot be read; its line is the record, its column the channel.
fn unreadable(row: usize, shown: &str, wanted: &Wanted<'_>, report: &mut ReadingReport) -> f64 {
    report.bad_value(row as u64 + 1, wanted.position as u64 + 1, wanted.channel, shown);
    f64::NAN
}
