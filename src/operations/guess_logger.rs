//! `logger guess`: a proposal how the logs of another make are read.

use super::error::OperationError;
use super::whole_file::WholeFile;
use crate::bike::{BIKE_FILE, Bike, FileSource, LOGGERS_FOLDER, WorkTree, read_regular};
use crate::physics::fuel;
use crate::ride::logger::guess::{self, Guess, GuessError, Say};
use crate::ride::{Channel, Loggers, Ride};
use schemars::JsonSchema;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What is asked for.
#[derive(Debug, Clone)]
pub struct GuessRequest {
    /// The log.
    pub file: PathBuf,
    /// The logger's name; without it the log's own.
    pub name: Option<String>,
    /// Where the mapping is written.
    pub place: GuessPlace,
    /// What the person said.
    pub says: Vec<Say>,
}

/// Where a mapping goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum GuessPlace {
    /// Nowhere: it is shown.
    Shown,
    /// Into a file that is not there yet.
    File(PathBuf),
    /// Into the loggers of the bike folder.
    Bike,
}

/// A proposal how the logs of another make are read.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct GuessReport {
    /// The log.
    pub file: PathBuf,
    /// The logger's name.
    pub name: String,
    /// What was found and is proposed.
    #[serde(flatten)]
    pub guess: Guess,
    /// The file that was written; none where nothing was.
    pub written: Option<PathBuf>,
}

impl GuessReport {
    /// Whether it can be used: nothing a map rests on is open, and it reads the log.
    pub fn is_settled(&self) -> bool {
        self.guess.trial.error.is_none() && !self.guess.questions.iter().any(|question| question.is_needed)
    }
}

/// Proposes a mapping, and writes it where that was asked for and nothing is open.
///
/// # Errors
/// When the file is no log or needs no logger, an answer does not fit it, or the mapping cannot be
/// written or would overwrite a file.
pub fn guess_logger(root: &Path, request: &GuessRequest) -> Result<GuessReport, OperationError> {
    let name = logger_name(request)?;
    let target = match &request.place {
        GuessPlace::Shown => None,
        GuessPlace::File(file) => Some(file.clone()),
        GuessPlace::Bike if !crate::bike::BikeFolder::is_one(root) => {
            return Err(OperationError::failed(
                format!("--write needs a bike folder, and `{}` is none", root.display()),
                "name one with --bike DIR, or a file with --out FILE",
            ));
        }
        GuessPlace::Bike => Some(root.join(LOGGERS_FOLDER).join(format!("{name}.yaml"))),
    };
    if let Some(target) = target.as_deref().filter(|target| std::fs::symlink_metadata(target).is_ok()) {
        return Err(taken(target));
    }
    let bytes =
        read_regular(&request.file).map_err(|error| OperationError::io("read", &request.file, &error))?;
    let mut asked =
        guess::Request { name: name.clone(), says: request.says.clone(), ..guess::Request::default() };
    let mut remarks = know_the_bike(root, &mut asked);
    let mut guess =
        guess::guess(&request.file, &bytes, &asked).map_err(|error| failed(&request.file, error))?;
    remarks.append(&mut guess.remarks);
    let already = read_already(root, &request.file, &bytes);
    if let (GuessPlace::Bike, Some(what)) = (&request.place, &already) {
        return Err(OperationError::failed(
            what,
            "see the guess without --write; take that logger away first, or write with --out and add `recognise`",
        ));
    }
    remarks.extend(already);
    guess.remarks = remarks;
    let mut report = GuessReport { file: request.file.clone(), name, guess, written: None };
    if let Some(target) = target.filter(|_| report.is_settled()) {
        WholeFile::begin_with_folder(&target)?
            .put_new(report.guess.mapping.as_bytes())?
            .ok_or_else(|| taken(&target))?;
        report.written = Some(target);
    }
    Ok(report)
}

/// The name that was asked for, else one made of the log's.
fn logger_name(request: &GuessRequest) -> Result<String, OperationError> {
    let is_plain = |name: &str| {
        name.starts_with(|c: char| c.is_alphanumeric())
            && name.chars().all(|c| c.is_alphanumeric() || "-_.".contains(c))
    };
    match &request.name {
        Some(name) if is_plain(name) => Ok(name.clone()),
        Some(name) => Err(OperationError::failed(
            format!("`{name}` cannot be the name of a logger"),
            "it becomes a file name: letters, digits, `-`, `_` and `.`, the first a letter or digit",
        )),
        None => {
            let file = request
                .file
                .file_name()
                .map(|name| name.to_string_lossy().to_lowercase())
                .unwrap_or_default();
            let stem: String = file
                .split('.')
                .next()
                .unwrap_or_default()
                .chars()
                .map(|c| if c.is_alphanumeric() { c } else { '-' })
                .collect();
            let stem = stem.trim_matches('-');
            Ok(if stem.is_empty() { "logger".to_owned() } else { stem.to_owned() })
        }
    }
}

/// What bike.yaml tells, where there is one; a remark where it cannot be read.
fn know_the_bike(root: &Path, asked: &mut guess::Request) -> Vec<String> {
    let files = WorkTree { root: root.to_path_buf() };
    let Ok(Some(text)) = files.text(BIKE_FILE) else { return Vec::new() };
    let Ok(bike) = Bike::parse(Path::new(BIKE_FILE), &text) else {
        return vec![format!(
            "{BIKE_FILE} has problems, so nothing is taken from it: `rideloop check` lists them"
        )];
    };
    asked.fuel = Some(bike.fuel_name.clone()).filter(|name| fuel::known(name).is_some());
    asked.load = Channel::from_title(bike.controller.load.name());
    asked.slots = bike.slots;
    Vec::new()
}

/// A logger of the bike folder that reads the log already.
fn read_already(root: &Path, file: &Path, bytes: &[u8]) -> Option<String> {
    let loggers = Loggers::read_whole_ones(&WorkTree { root: root.to_path_buf() }).ok()?;
    let logger = Ride::read(file, bytes, &loggers).ok()?.logger?;
    Some(format!(
        "{LOGGERS_FOLDER}/{}.yaml reads this log already; where two loggers fit, `recognise` must tell them apart",
        logger.name
    ))
}

fn taken(target: &Path) -> OperationError {
    OperationError::failed(
        format!("`{}` is there already", target.display()),
        "give the logger another name with --name, or move the file away",
    )
}

fn failed(file: &Path, error: GuessError) -> OperationError {
    let hint = match &error {
        GuessError::Log(log) => log.hint().map(str::to_owned),
        GuessError::NoTable(_) => Some(
            "a log has one row of titles, and under it rows of values with commas, semicolons or tabs between them"
                .to_owned(),
        ),
        GuessError::OwnNames => Some("put it in rides/; `rideloop check` says what it holds".to_owned()),
        GuessError::Said(_) => {
            Some("an answer is a unit of the channel, or a title of the log as it stands there".to_owned())
        }
    };
    OperationError::Failed { what: format!("`{}`: {error}", file.display()), hint }
}
