//! A log file → a ride: columns of known channels with every oddity counted.
//!
//! Everything that can be wrong with a log is caught here, at one door: after
//! it, a missing value is NaN, times ascend strictly, and each row that did not
//! make it has a counted reason.

mod can_answers;
mod channel;
mod columns;
mod compressed;
mod csv_log;
mod decode;
mod delimited;
mod find;
pub mod logger;
mod mdf;
mod mdf_log;
mod obd;
mod parquet_bounds;
mod parquet_log;
mod plausible;
mod register;
mod registered;
mod source;

pub(crate) use crate::statistics::median;
pub use channel::Channel;
pub use columns::{BadValue, DOOR_REASONS, ReadingReport};
pub(crate) use find::ridden_on;
pub use find::{FoundRide, RiddenOn, find_any_in_folder, find_in_folder, find_named};
pub use logger::{LoggerRef, Loggers};
pub use parquet_log::panics_are_told;
pub use register::{LOGGED_SLOT, Register, RegisteredRide, RideState};
pub(crate) use registered::{Registered, known_channel_if_any, registered};

use columns::{Columns, SlotNames};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// A log, read.
#[derive(Debug, Clone)]
pub struct Ride {
    /// The file, as the user would name it.
    pub path: PathBuf,
    /// SHA-256 of the file's bytes, in hex.
    pub sha256: String,
    columns: Columns,
    /// The usual time between two samples, once somebody has asked.
    interval_s: OnceLock<f64>,
    /// What was met on the way in.
    pub reading: ReadingReport,
    /// The logger it was read through; none where its titles are the channels' own.
    pub logger: Option<LoggerRef>,
}

/// Why a log cannot be used at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RideError {
    /// The file cannot be opened or read.
    #[error("cannot be read: {0}")]
    Io(String),
    /// Nothing in it.
    #[error("the file is empty")]
    Empty,
    /// Binary data under a log's name.
    #[error("this is not a text log{0}")]
    NotText(String),
    /// A header, but no samples; what became of the rows, in words.
    #[error("has a header row but no sample that can be read{0}")]
    NoSamples(String),
    /// Not one title is a channel.
    #[error("no channel is known among its titles ({0})")]
    NoChannels(String),
    /// The same channel twice.
    #[error("the title `{0}` appears twice")]
    DoubleChannel(&'static str),
    /// A channel that nothing works without.
    #[error("the channel `{0}` is missing")]
    MissingChannel(&'static str),
    /// Foreign titles, and no logger of the bike folder that fits them.
    #[error("no logger in loggers/ fits its titles ({0})")]
    NoLogger(String),
    /// Foreign titles that no logger fits which can be read, while others cannot.
    #[error("it may be meant for a broken logger: {broken} (no other fits its titles: {titles})")]
    BrokenLogger {
        /// What is wrong, with its place.
        broken: String,
        /// The log's titles.
        titles: String,
    },
    /// Foreign titles, and several loggers that fit them.
    #[error("several loggers fit it: {0}")]
    SeveralLoggers(String),
    /// A log that contradicts its logger.
    #[error("loggers/{name}.yaml: {what}")]
    Logger {
        /// The logger's name.
        name: String,
        /// What the log says and the logger says otherwise.
        what: String,
    },
    /// A compressed log that cannot be unpacked.
    #[error("{0}")]
    Packed(String),
    /// A compressed log that breaks off before what is there makes a ride.
    #[error("the packed file breaks off after {there}; what lies before cannot be used: {but}")]
    CutOff {
        /// How much of it can be unpacked, in words.
        there: String,
        /// What is wrong with that.
        but: Box<RideError>,
    },
    /// A measurement file that does not open; what to do in brackets.
    #[error("{0}")]
    Mdf(String),
    /// A Parquet file that does not open.
    #[error("is not a Parquet file that can be read: {0}")]
    Parquet(String),
    /// A column that does not hold what is read from it.
    #[error("the column `{title}` {what}")]
    Column {
        /// Its title.
        title: String,
        /// What it holds instead, and what to do.
        what: String,
    },
    /// Numbers that cannot be what the channel holds.
    #[error("{0}")]
    Implausible(String),
}

impl RideError {
    /// What to do about it.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            RideError::MissingChannel(_) => Some(
                "the first row must name the channels, such as time_s,rpm,throttle_pct,lambda,engine_temp_c",
            ),
            RideError::NoChannels(_) | RideError::NoLogger(_) => Some(
                "a log of another make is read through a file in loggers/: `rideloop logger guess FILE` writes \
                 one to start from",
            ),
            RideError::BrokenLogger { .. } => {
                Some("put the logger file right; `rideloop check` lists everything that is wrong with it")
            }
            RideError::SeveralLoggers(_) => Some(
                "`recognise` in their files tells them apart, by the names of their logs or by titles that \
                 only one of them has",
            ),
            RideError::NoSamples(rows) if rows.contains("no time") => {
                Some("`time_s` must be seconds from the start of the ride")
            }
            RideError::NoSamples(rows) if rows.contains("fields") => {
                Some("every row needs as many fields as the header has titles; the header may name too many")
            }
            RideError::CutOff { .. } => Some(
                "copy it from the logger anew, whole; where that is all there is, see what is said of the part \
                 that is there",
            ),
            RideError::NotText(_) => Some("export the log as comma-separated text, or as Parquet"),
            _ => None,
        }
    }
}

/// The hash by which a ride is known, whatever its name.
pub fn hash(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

impl Ride {
    /// Reads a log from its bytes; the name's ending tells the format. A log whose titles are not
    /// the channels' own is read through the one of the loggers that fits it.
    ///
    /// # Errors
    /// When the log cannot be used at all; single bad rows and values are
    /// counted in [`Ride::reading`] instead.
    pub fn read(path: &Path, bytes: &[u8], loggers: &Loggers) -> Result<Self, RideError> {
        Self::read_hashed(path, bytes, hash(bytes), loggers)
    }

    /// The same where the hash of the bytes is known.
    ///
    /// # Errors
    /// Those of [`Ride::read`].
    pub fn read_hashed(
        path: &Path,
        bytes: &[u8],
        sha256: String,
        loggers: &Loggers,
    ) -> Result<Self, RideError> {
        let unpacked = compressed::unpack(path, bytes, compressed::LARGEST_UNPACKED)?;
        let read =
            read_columns(&unpacked.path, path, &unpacked.bytes, loggers).and_then(|(columns, logger)| {
                let (columns, reading) = columns.through_the_door()?;
                Ok((columns, reading, logger))
            });
        let (columns, mut reading, logger) = read.map_err(|error| unpacked.blame_the_cut(error))?;
        if unpacked.is_cut {
            let note = "the packed file breaks off: it was read as far as it goes";
            reading.notes.push(note.to_owned());
        }
        let ride =
            Self { path: path.to_path_buf(), sha256, columns, interval_s: OnceLock::new(), reading, logger };
        plausible::refuse(&ride)?;
        Ok(ride)
    }

    /// How many samples were read; rows dropped at the door not among them.
    pub fn samples(&self) -> usize {
        self.values(Channel::TimeS).map_or(0, <[f64]>::len)
    }

    /// A numeric channel, missing values as NaN; `None` when the log lacks it.
    pub fn values(&self, channel: Channel) -> Option<&[f64]> {
        let column = self.columns.numbers.iter().find(|(c, _)| *c == channel);
        column.map(|(_, values)| values.as_slice())
    }

    /// Whether the log has a channel, with at least one value in it.
    pub fn has(&self, channel: Channel) -> bool {
        match channel {
            Channel::Slot => self.columns.slot.as_ref().is_some_and(SlotNames::any),
            _ => self.values(channel).is_some_and(|v| v.iter().any(|x| !x.is_nan())),
        }
    }

    /// The slot in use at each sample, when the log tells; a column without a name tells nothing.
    pub fn slots(&self) -> Option<impl Iterator<Item = Option<&str>>> {
        self.columns.slot.as_ref().filter(|slots| slots.any()).map(SlotNames::iter)
    }

    /// What is allowed in this log and yet worth a look.
    pub fn remarks(&self) -> Vec<String> {
        self.reading.notes.iter().cloned().chain(plausible::remarks(self)).collect()
    }

    /// The usual time between two samples, s: the median.
    pub fn sample_interval_s(&self) -> f64 {
        *self.interval_s.get_or_init(|| {
            let time = self.values(Channel::TimeS).unwrap_or_default();
            let steps: Vec<f64> = time.windows(2).map(|w| w[1] - w[0]).collect();
            median(&steps).unwrap_or_default()
        })
    }
}

/// What kind of file a log is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Text,
    Parquet,
    /// ASAM MDF 4.
    Measurement,
}

impl Format {
    /// By the ending of its name, without that of a packing.
    fn of(path: &Path) -> Self {
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        match ending.as_str() {
            "mf4" | "mdf" => Format::Measurement,
            "parquet" => Format::Parquet,
            _ => Format::Text,
        }
    }
}

/// The columns of a log, unpacked: by their own names, or through a logger. `file` is the name of
/// the file as it lies.
fn read_columns(
    path: &Path,
    file: &Path,
    bytes: &[u8],
    loggers: &Loggers,
) -> Result<(columns::RawColumns, Option<LoggerRef>), RideError> {
    let native = match Format::of(path) {
        Format::Measurement => {
            let read = logger::read_measurement(file, bytes, loggers);
            return read.map_err(|error| loggers.blame_broken(error));
        }
        Format::Parquet => parquet_log::read(bytes),
        Format::Text => csv_log::read(bytes),
    };
    match native {
        Err(error) if !loggers.is_empty() && is_foreign(&error) => {
            match (logger::read(path, file, bytes, loggers), error) {
                // What kind of file it is not was told better before.
                (Err(RideError::NotText(_)), error @ RideError::NotText(_)) => Err(error),
                (read, _) => read
                    .map(|(columns, logger)| (columns, Some(logger)))
                    .map_err(|error| loggers.blame_broken(error)),
            }
        }
        native => Ok((native?, None)),
    }
}

/// Whether what stood in the way of reading a log by the channels' names is that it has others,
/// or is written otherwise.
fn is_foreign(error: &RideError) -> bool {
    matches!(error, RideError::NoChannels(_) | RideError::MissingChannel(_) | RideError::NotText(_))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(text: &str) -> Result<Ride, RideError> {
        Ride::read(Path::new("ride.csv"), text.as_bytes(), &Loggers::none())
    }

    #[test]
    fn reads_known_channels_and_ignores_others() {
        let ride = read("time_s,colour,rpm,lambda\n0.0,red,3000,0.95\n0.05,red,,nan\n0.10,red,-,1.01\n")
            .expect("a ride");
        assert_eq!(ride.samples(), 3);
        let rpm = ride.values(Channel::Rpm).expect("rpm");
        assert_eq!(rpm[0], 3000.0);
        assert!(rpm[1].is_nan() && rpm[2].is_nan());
        assert!(ride.values(Channel::MapKpa).is_none());
        assert_eq!(ride.reading.unparsable_total(), 0);
        assert!((ride.sample_interval_s() - 0.05).abs() < 1e-12);
    }

    #[test]
    fn counts_and_shows_every_value_it_cannot_read() {
        let ride = read("time_s,rpm\n0.0,3000\n0.1,three\n0.2,inf\n0.3,3003\n").expect("a ride");
        assert_eq!(ride.reading.unparsable_total(), 2);
        let first = &ride.reading.unparsable[0];
        assert_eq!((first.line, first.column, first.value.as_str()), (3, 2, "three"));
    }

    #[test]
    fn every_row_lost_at_the_door_has_a_reason() {
        let text = "\u{feff}time_s,rpm\r\n0.0,1000\r\n0.1,1000\r\n0.1,1001\r\n0.05,1002\r\nx,1003\r\n0.2\r\n0.3,1004,9\r\n0.4,1005,\r\n0.5,10";
        let ride = read(text).expect("a ride");
        let dropped: Vec<_> = ride.reading.dropped.iter().map(|(k, v)| (*k, *v)).collect();
        assert_eq!(
            dropped,
            [
                ("duplicate_time", 1),
                ("half_written_line", 1),
                ("no_time", 1),
                ("time_goes_back", 1),
                ("wrong_field_count", 2)
            ]
        );
        assert_eq!(ride.samples(), 3);
        assert_eq!(ride.reading.rows, 9);
    }

    #[test]
    fn one_odd_time_or_quote_does_not_cost_the_rest() {
        let mut text = String::from("\"time_s\",rpm\n");
        for i in 0..100 {
            let time = if i == 20 { "9999".to_owned() } else { format!("{}", f64::from(i) * 0.1) };
            let quote = if i == 50 { "\"" } else { "" };
            text.push_str(&format!("{time},{quote}3000\n"));
        }
        let ride = read(&text).expect("a ride");
        assert_eq!(ride.reading.dropped.get("time_jumps"), Some(&1));
        assert_eq!(ride.samples(), 99);
        assert_eq!(ride.reading.unparsable_total(), 1);
    }

    #[test]
    fn says_what_kind_of_file_it_is_not() {
        assert_eq!(read("").expect_err("empty"), RideError::Empty);
        assert_eq!(read("\u{feff}  \n").expect_err("blank"), RideError::Empty);
        assert_eq!(read("time_s,rpm\n").expect_err("header only"), RideError::NoSamples(String::new()));
        let said = read("time_s,rpm,gear\n0,1000\n1,1000\n").expect_err("short rows").to_string();
        assert!(said.ends_with("(2 rows: the row has more or fewer fields than the header)"), "{said}");
        assert!(matches!(read("a,b\n1,2\n"), Err(RideError::NoChannels(_))));
        assert!(matches!(read("rpm\n1000\n"), Err(RideError::MissingChannel("time_s"))));
        assert!(matches!(read("time_s,rpm,rpm\n0,1,2\n"), Err(RideError::DoubleChannel("rpm"))));
        let png = Ride::read(Path::new("x.csv"), b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", &Loggers::none());
        assert!(matches!(png, Err(RideError::NotText(_))));
    }

    #[test]
    fn refuses_afr_under_the_name_of_lambda() {
        let error = read("time_s,lambda\n0,13.2\n1,14.6\n2,14.7\n").expect_err("AFR");
        assert!(error.to_string().contains("AFR"), "{error}");
    }

    #[test]
    fn refuses_units_that_would_ruin_a_map() {
        let log = |titles: &str, row: &dyn Fn(u32) -> String| {
            let rows: String = (0..400).map(|i| row(i) + "\n").collect();
            read(&format!("{titles}\n{rows}")).expect_err("implausible").to_string()
        };
        let said = log("time_s,rpm", &|i| format!("{},3000", i * 50));
        assert!(said.contains("milliseconds"), "{said}");
        let said = log("time_s,rpm,throttle_pct", &|i| {
            format!("{},3000,{}", f64::from(i) * 0.05, f64::from(i % 10) * 0.1)
        });
        assert!(said.contains("fraction"), "{said}");
        let said = log("time_s,rpm,engine_temp_c", &|i| format!("{},3000,230", f64::from(i) * 0.05));
        assert!(said.contains("is it in °C?"), "{said}");
        let said = log("time_s,throttle_pct,lambda", &|i| {
            format!("{},{},{}", f64::from(i) * 0.05, i % 60, 1.08 + 0.001 * f64::from(i % 3))
        });
        assert!(said.contains("does not follow"), "{said}");
    }

    #[test]
    fn parquet_gives_the_same_columns() {
        use polars::prelude::*;
        let mut frame = DataFrame::new(
            3,
            vec![
                Column::new("time_s".into(), [0.0, 0.1, 0.2]),
                Column::new("rpm".into(), [Some(1000i32), None, Some(1002)]),
                Column::new("other".into(), ["a", "b", "c"]),
            ],
        )
        .expect("a frame");
        let mut bytes = Vec::new();
        ParquetWriter::new(&mut bytes).finish(&mut frame).expect("written");
        let ride = Ride::read(Path::new("ride.parquet"), &bytes, &Loggers::none()).expect("a ride");
        let rpm = ride.values(Channel::Rpm).expect("rpm");
        assert_eq!((rpm[0], rpm[2]), (1000.0, 1002.0));
        assert!(rpm[1].is_nan());
        assert!(Ride::read(Path::new("ride.parquet"), b"PAR1 no", &Loggers::none()).is_err());
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            let _ = Ride::read(Path::new("r.csv"), &bytes, &Loggers::none());
            let _ = Ride::read(Path::new("r.parquet"), &bytes, &Loggers::none());
        }

        #[test]
        fn rows_are_never_lost_uncounted(text in "time_s,rpm,slot\n([0-9.,\"a\n-]{0,120})") {
            if let Ok(ride) = read(&text) {
                let dropped: usize = ride.reading.dropped.values().sum();
                prop_assert_eq!(ride.reading.rows, ride.samples() + dropped);
            }
        }
    }
}
