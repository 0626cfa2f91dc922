//! Logs of other makes, a folder a quirk, each compared with what is expected of it.
//!
//! `tests/fixtures/logs/README.md` says how they lie and how one is added. Values are what stands
//! in the log, or computed beside the crate from the definition of the unit; the expectation
//! names its source.

use rideloop::bike::FileSource;
use rideloop::problem::Problem;
use rideloop::ride::{Channel, Loggers, Ride};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Where the folders lie.
pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/logs")
}

/// The names of a folder's entries, sorted.
pub fn names_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry"));
    let mut names: Vec<String> = entries.map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// The quirks: every folder.
pub fn quirks() -> Vec<String> {
    names_in(&folder()).into_iter().filter(|name| folder().join(name).is_dir()).collect()
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Expected {
    shows: String,
    #[serde(rename = "source")]
    _source: Option<String>,
    #[serde(default)]
    stored_as: StoredAs,
    cut_to_bytes: Option<usize>,
    cut_off_bytes: Option<usize>,
    channels: Option<BTreeMap<String, Vec<Option<f64>>>>,
    slots: Option<Vec<Option<String>>>,
    #[serde(default)]
    within: BTreeMap<String, Within>,
    #[serde(default)]
    dropped: BTreeMap<String, usize>,
    #[serde(default)]
    unreadable: Vec<String>,
    #[serde(default)]
    remarks: Vec<String>,
    refused: Option<Vec<String>>,
    advice: Option<String>,
    mistakes: Option<Vec<String>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Within {
    relative: f64,
    because: String,
}

/// What becomes of the text before it is read.
#[derive(Debug, Default, Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum StoredAs {
    #[default]
    Plain,
    Utf8,
    Utf8Marked,
    Utf16Le,
    Utf16Be,
    Utf16LeUnmarked,
    Utf16BeUnmarked,
    Latin1,
    Gzip,
    NamedGzip,
    Zstd,
    Parquet,
}

impl StoredAs {
    /// The file's name and bytes.
    fn store(self, name: &str, bytes: Vec<u8>) -> (String, Vec<u8>) {
        let text = || std::str::from_utf8(&bytes).expect("UTF-8").to_owned();
        let utf16 = |mark: bool, unit: fn(u16) -> [u8; 2]| -> Vec<u8> {
            let mark = mark.then_some('\u{feff}');
            mark.into_iter().chain(text().chars()).collect::<String>().encode_utf16().flat_map(unit).collect()
        };
        let stored = match self {
            StoredAs::Plain | StoredAs::Utf8 | StoredAs::NamedGzip => bytes,
            StoredAs::Utf8Marked => [b"\xef\xbb\xbf", bytes.as_slice()].concat(),
            StoredAs::Utf16Le => utf16(true, u16::to_le_bytes),
            StoredAs::Utf16Be => utf16(true, u16::to_be_bytes),
            StoredAs::Utf16LeUnmarked => utf16(false, u16::to_le_bytes),
            StoredAs::Utf16BeUnmarked => utf16(false, u16::to_be_bytes),
            StoredAs::Latin1 => {
                text().chars().map(|c| u8::try_from(u32::from(c)).expect("in Latin-1")).collect()
            }
            StoredAs::Gzip => {
                let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
                packed.write_all(&bytes).expect("packed");
                packed.finish().expect("packed")
            }
            StoredAs::Zstd => zstd::stream::encode_all(bytes.as_slice(), 3).expect("packed"),
            StoredAs::Parquet => parquet(&text()),
        };
        let name = match self {
            StoredAs::Gzip | StoredAs::NamedGzip => format!("{name}.gz"),
            StoredAs::Zstd => format!("{name}.zst"),
            StoredAs::Parquet => Path::new(name).with_extension("parquet").to_string_lossy().into_owned(),
            _ => name.to_owned(),
        };
        (name, stored)
    }
}

/// A table of the text's fields: columns of whole numbers, else of numbers, else of texts; an empty
/// field is a null.
fn parquet(text: &str) -> Vec<u8> {
    use polars::prelude::*;
    let rows: Vec<Vec<&str>> = text.lines().map(|line| line.split(',').collect()).collect();
    let column = |(i, title): (usize, &&str)| {
        let fields = || rows[1..].iter().map(|row| Some(row[i]).filter(|field| !field.is_empty()));
        let whole: Result<Vec<Option<i64>>, _> =
            fields().map(|field| field.map(str::parse).transpose()).collect();
        let numbers: Result<Vec<Option<f64>>, _> =
            fields().map(|field| field.map(str::parse).transpose()).collect();
        match (whole, numbers) {
            (Ok(whole), _) => Column::new((*title).into(), whole),
            (_, Ok(numbers)) => Column::new((*title).into(), numbers),
            _ => Column::new((*title).into(), fields().collect::<Vec<Option<&str>>>()),
        }
    };
    let columns = rows[0].iter().enumerate().map(column).collect();
    let mut bytes = Vec::new();
    let mut frame = DataFrame::new(rows.len() - 1, columns).expect("a frame");
    ParquetWriter::new(&mut bytes).finish(&mut frame).expect("written");
    bytes
}

/// One case of a quirk.
struct Case {
    folder: PathBuf,
    name: String,
    files: Vec<String>,
    expected: Expected,
}

impl Case {
    fn all_of(quirk: &str) -> Vec<Case> {
        let folder = folder().join(quirk);
        let files = names_in(&folder);
        let names = files.iter().filter_map(|file| file.strip_suffix(".json"));
        let case = |name: &str| {
            let json = std::fs::read_to_string(folder.join(format!("{name}.json"))).expect("an expectation");
            let expected =
                serde_json::from_str(&json).unwrap_or_else(|error| panic!("{quirk}/{name}.json: {error}"));
            Case { folder: folder.clone(), name: name.to_owned(), files: files.clone(), expected }
        };
        names.map(case).collect()
    }

    /// The logger files of the case, and the log.
    fn files(&self) -> (Vec<&str>, Option<&str>) {
        let is_own = |file: &str| file.strip_prefix(&self.name).is_some_and(|rest| rest.starts_with('.'));
        let is_logger = |file: &str| file.ends_with(".yaml");
        let is_log = |file: &str| !is_logger(file) && !file.ends_with(".json");
        let files = || self.files.iter().map(String::as_str);
        let mut loggers: Vec<&str> = files().filter(|file| is_own(file) && is_logger(file)).collect();
        if loggers.is_empty() {
            loggers = files().filter(|file| *file == "logger.yaml").collect();
        }
        let shared = || files().find(|file| is_log(file) && file.starts_with("log."));
        let log = files().find(|file| is_log(file) && is_own(file)).or_else(shared);
        (loggers, log)
    }

    /// What is not as expected.
    fn differences(&self) -> Vec<String> {
        let (loggers, log) = self.files();
        let source = Given { folder: &self.folder, loggers: &loggers };
        let expected = &self.expected;
        let loggers = match (Loggers::read(&source), &expected.mistakes) {
            (Err(problems), Some(wanted)) => {
                let found: Vec<String> = problems.0.iter().map(Problem::to_string).collect();
                return differ("mistakes", &found, wanted, |found, wanted| found.starts_with(wanted));
            }
            (Err(problems), None) => return vec![format!("the logger is refused: {problems}")],
            (Ok(_), Some(wanted)) => return vec![format!("the logger is taken, wanted {wanted:?}")],
            (Ok(loggers), None) => loggers,
        };
        let Some(log) = log else { return vec!["there is no log".to_owned()] };
        let bytes = std::fs::read(self.folder.join(log)).expect("a log");
        let (name, mut bytes) = expected.stored_as.store(log, bytes);
        let cut_off = expected.cut_off_bytes.map(|less| bytes.len() - less);
        if let Some(left) = expected.cut_to_bytes.or(cut_off) {
            assert!(left < bytes.len(), "{name} has {} bytes only", bytes.len());
            bytes.truncate(left);
        }
        match Ride::read(Path::new(&name), &bytes, &loggers) {
            Ok(ride) => expected.unlike(&ride),
            Err(error) => {
                let (said, hint) = (error.to_string(), error.hint().unwrap_or_default());
                let Some(parts) = &expected.refused else { return vec![format!("refused: {said}")] };
                let advice = expected.advice.iter().filter(|part| !hint.contains(*part));
                let lacking = parts.iter().filter(|part| !said.contains(*part));
                lacking
                    .chain(advice)
                    .map(|part| format!("`{part}` is not in the message: {said} ({hint})"))
                    .collect()
            }
        }
    }
}

impl Expected {
    /// What of a ride that was read is not as expected.
    fn unlike(&self, ride: &Ride) -> Vec<String> {
        let Some(channels) = &self.channels else {
            return vec![format!("it is read, wanted {:?}", self.refused)];
        };
        let mut differences = Vec::new();
        for (channel, name) in Channel::ALL {
            let got = ride.values(channel);
            let want = channels.get(name);
            match (got, want) {
                (None, None) => {}
                (Some(got), Some(want)) => {
                    let relative = self.within.get(name).map_or(0.0, |within| within.relative);
                    let is_same = |got: f64, want: Option<f64>| match want {
                        Some(want) => (got - want).abs() <= relative * want.abs(),
                        None => got.is_nan(),
                    };
                    let same = got.len() == want.len()
                        && got.iter().zip(want).all(|(got, want)| is_same(*got, *want));
                    if !same {
                        differences.push(format!("{name}: got {got:?}, want {want:?}"));
                    }
                }
                (got, want) => differences.push(format!("{name}: got {got:?}, want {want:?}")),
            }
        }
        if let Some(unknown) = channels.keys().find(|name| Channel::from_title(name).is_none()) {
            differences.push(format!("`{unknown}` is no channel"));
        }
        for (name, within) in &self.within {
            if !channels.contains_key(name) || within.because.is_empty() {
                differences.push(format!("`within` names `{name}`, which is not read, or gives no reason"));
            }
        }
        let slots = ride.slots().map(|slots| slots.into_iter().map(|s| s.map(str::to_owned)).collect());
        if slots != self.slots {
            differences.push(format!("slots: got {slots:?}, want {:?}", self.slots));
        }
        let reading = &ride.reading;
        let dropped: BTreeMap<String, usize> =
            reading.dropped.iter().map(|(reason, n)| ((*reason).to_owned(), *n)).collect();
        if dropped != self.dropped {
            differences.push(format!("dropped: got {dropped:?}, want {:?}", self.dropped));
        }
        if reading.rows != ride.samples() + dropped.values().sum::<usize>() {
            differences.push(format!("{} rows, {} samples, {dropped:?}", reading.rows, ride.samples()));
        }
        let bad = reading.unparsable.iter();
        let bad: Vec<String> =
            bad.map(|b| format!("{}:{} {} `{}`", b.line, b.column, b.channel, b.value)).collect();
        differences.extend(differ("unreadable", &bad, &self.unreadable, |found, wanted| found == wanted));
        let remarks = ride.remarks();
        differences
            .extend(differ("remarks", &remarks, &self.remarks, |found, wanted| found.contains(wanted)));
        differences
    }

    /// Whether something goes wrong in it that is told.
    fn is_told(&self) -> bool {
        let read_with_loss =
            !(self.dropped.is_empty() && self.unreadable.is_empty() && self.remarks.is_empty());
        self.refused.is_some() || self.mistakes.is_some() || read_with_loss
    }
}

fn differ(what: &str, found: &[String], wanted: &[String], fits: fn(&str, &str) -> bool) -> Vec<String> {
    let same = found.len() == wanted.len() && found.iter().zip(wanted).all(|(f, w)| fits(f, w));
    if same { Vec::new() } else { vec![format!("{what}: got {found:#?}, want {wanted:#?}")] }
}

/// The loggers of a case, as a bike folder would have them.
struct Given<'a> {
    folder: &'a Path,
    loggers: &'a [&'a str],
}

impl FileSource for Given<'_> {
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
        let name = path.rsplit('/').next().unwrap_or_default();
        Ok(Some(std::fs::read(self.folder.join(name)).expect("a logger")))
    }

    fn list(&self, folder: &str) -> Result<Vec<String>, Problem> {
        Ok(self.loggers.iter().map(|name| format!("{folder}/{name}")).collect())
    }
}

#[test]
fn every_quirk_of_a_log_is_read_or_refused_as_expected() {
    let mut differences = Vec::new();
    for quirk in quirks() {
        for case in Case::all_of(&quirk) {
            let found = case.differences();
            differences.extend(found.iter().map(|what| format!("{quirk}/{}: {what}", case.name)));
        }
    }
    assert!(differences.is_empty(), "{}", differences.join("\n\n"));
}

#[test]
fn every_quirk_has_a_good_and_a_bad_case_and_no_file_lies_idle() {
    for quirk in quirks() {
        let cases = Case::all_of(&quirk);
        let is = |case: &Case, word: &str| case.name.split('-').next() == Some(word);
        for case in &cases {
            let (name, expected) = (&case.name, &case.expected);
            assert!(is(case, "good") || is(case, "bad"), "{quirk}/{name} is neither good nor bad");
            assert!(!expected.shows.is_empty(), "{quirk}/{name} does not say what it shows");
            if is(case, "good") {
                assert!(expected.channels.is_some(), "{quirk}/{name} is not read");
            } else {
                assert!(expected.is_told(), "{quirk}/{name} goes wrong, and nothing is said");
            }
        }
        for word in ["good", "bad"] {
            assert!(cases.iter().any(|case| is(case, word)), "{quirk} has no {word} case");
        }
        let mut used: Vec<String> = Vec::new();
        for case in &cases {
            let (loggers, log) = case.files();
            used.extend(loggers.into_iter().chain(log).map(str::to_owned));
            used.push(format!("{}.json", case.name));
        }
        let idle: Vec<String> =
            names_in(&folder().join(&quirk)).into_iter().filter(|file| !used.contains(file)).collect();
        assert!(idle.is_empty(), "{quirk}: no expectation reads {idle:?}");
    }
}
