//! `build add`: the hardware changed, a new build begins.

use super::air_temp_bias::{AirTempBias, air_temp_bias};
use super::by_hand::open_to_change;
use super::error::OperationError;
use super::history::day_of;
use super::open::OpenBike;
use super::rides::RideStanding;
use super::start::with_start;
use super::write::{commit, tool_name};
use crate::bike::{BUILDS_FILE, Build, Builds, ChangesJudged, FileSource, REGISTER_FILE, judge_changes};
use crate::ledger::{FileWrite, Moment, RevisionKind, RevisionRecord};
use crate::pipeline::RideChoice;
use crate::revision::revision_name;
use crate::units;
use jiff::civil::Date;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;

/// What a new build is asked to be.
#[derive(Debug, Clone)]
pub struct BuildRequest {
    /// What was changed.
    pub what: String,
    /// Its name; without it the next number.
    pub name: Option<String>,
    /// The day it was first ridden, as YYYY-MM-DD; without it the day of `when`.
    pub since: Option<String>,
    /// The same changes as `HARDWARE_CHANGES` names them, for a verdict.
    pub changed: Vec<String>,
    /// What a device adds to the reading of the air temperature from now on, °C; 0 for none.
    pub air_temp_bias_c: Option<f64>,
    /// When the revision is made.
    pub when: Moment,
}

/// The build that began.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BuildReport {
    /// The revision it begins with; its tables are those of the one before.
    pub revision: String,
    /// Its commit.
    pub commit: String,
    /// The new build.
    pub build: String,
    /// The day it was first ridden.
    pub since: String,
    /// What was changed.
    pub what: String,
    /// What is to be thought of the changes, where they were named.
    pub verdict: Option<ChangesJudged>,
    /// What a device does that biases the air-temperature reading.
    pub air_temp_bias: Option<AirTempBias>,
    /// The build before.
    pub before: String,
    /// Rides of the build before that fed no revision; they are silent from now on.
    pub silenced: Vec<String>,
    /// What to be careful with.
    pub cautions: Vec<String>,
    /// What else is worth knowing.
    pub notes: Vec<String>,
}

/// Begins a new build: a line in builds.yaml, and a revision with the same tables.
///
/// # Errors
/// When text, name or day do not serve, or a guard refuses.
pub fn build_add(root: &Path, request: &BuildRequest) -> Result<BuildReport, OperationError> {
    let what = Some(units::one_line(&request.what)).filter(|what| !what.is_empty()).ok_or_else(|| {
        OperationError::failed(
            "a build needs words on what was changed",
            "say them behind `build add`, such as \"sharper cams\"",
        )
    })?;
    let (writable, bike) = open_to_change(root, false)?;
    bike.refuse_edits()?;
    let before = bike.folder.builds.current().to_owned();
    let since = match &request.since {
        Some(since) => since.clone(),
        None => day_of(request.when).map(|day| day.to_string()).ok_or_else(|| {
            OperationError::failed("the clock shows a day that no calendar has", "say --since")
        })?,
    };
    let name = match &request.name {
        Some(name) => name.clone(),
        None => next_name(&before)?,
    };
    refuse_words(&bike, &name, &since)?;
    refuse_far_ahead(&since, request.when)?;
    let verdict = judge_changes(&request.changed, bike.folder.bike.closed_loop.mode)
        .map_err(|what| OperationError::failed(what, "name the changes with --changed, or leave it away"))?;
    let before_c = bike.folder.builds.air_temp_bias_c();
    // A device stays on the bike until somebody says that it is gone.
    let bias_c = request.air_temp_bias_c.unwrap_or(before_c);
    let air_temp_bias = air_temp_bias(&bike.folder.bike, before_c, bias_c);
    let build = Build {
        build: name.clone(),
        since: since.clone(),
        what: what.clone(),
        changed: names_of(verdict.as_ref()),
        air_temp_bias_c: Some(bias_c).filter(|bias_c| *bias_c != 0.0),
    };
    let text = bike.folder.work_tree().text(BUILDS_FILE)?.unwrap_or_default();
    let text = with_build(&text, &bike.folder.builds, &build)?;
    let silenced = unheard(&bike)?;
    let cautions = bike.other_meaning()?;
    let mut notes = Vec::from_iter(bike.taken_along(&[BUILDS_FILE])?);
    if request.air_temp_bias_c == Some(0.0) && before_c == 0.0 {
        notes
            .push("no device biased the reading of the air temperature before, and none does now".to_owned());
    }
    let (writable, bike) = with_start(root, bike, writable, request.when)?;
    // Rides that lie directly in rides/ were made on the build before, and are
    // remembered as such.
    let mut register = bike.register.clone();
    bike.remember_waiting(&mut register)?;
    let number = bike.next_number();
    let revision = revision_name(number);
    let head = writable.store.head()?;
    let mut files = bike.settings_files(&writable.store, head.as_deref())?;
    files.retain(|file| file.path != BUILDS_FILE);
    files.push(FileWrite { path: BUILDS_FILE.to_owned(), bytes: Some(text.into_bytes()) });
    files.push(FileWrite { path: REGISTER_FILE.to_owned(), bytes: Some(register.to_text().into_bytes()) });
    let slots = bike.folder.bike.slots.clone();
    let record = RevisionRecord {
        why: Some(what.clone()),
        ..RevisionRecord::new(number, RevisionKind::Build, slots, &name, tool_name())
    };
    let summary = format!("{revision} build {name}: {what}");
    let body = format!("No table changed. Rides of build {before} say nothing about {name}.");
    let commit = commit(&writable, &record, &summary, &body, files, request.when)?;
    Ok(BuildReport {
        revision,
        commit,
        build: name,
        since,
        what,
        verdict,
        air_temp_bias,
        before,
        silenced,
        cautions,
        notes,
    })
}

/// The changes that were judged, each once.
pub(super) fn names_of(judged: Option<&ChangesJudged>) -> Vec<String> {
    judged.map_or(&[][..], |judged| &judged.changes).iter().map(|change| change.name.to_owned()).collect()
}

/// Refuses a name or a day that cannot be a build's.
fn refuse_words(bike: &OpenBike, name: &str, since: &str) -> Result<(), OperationError> {
    let builds = &bike.folder.builds;
    let is_slot = bike.folder.bike.slots.iter().any(|slot| slot == name);
    let of_a_slot = || {
        is_slot.then(|| format!("`{name}` is a slot of bike.yaml: nobody could say which of both is meant"))
    };
    if let Some(what) = builds.wrong_name(name).or_else(of_a_slot) {
        return Err(OperationError::failed(what, "say another --name"));
    }
    match builds.wrong_day(since) {
        Some(what) => Err(OperationError::failed(what, "say another --since")),
        None => Ok(()),
    }
}

/// A day later than tomorrow (somewhere it is tomorrow already) is a slip of the pen.
fn refuse_far_ahead(since: &str, when: Moment) -> Result<(), OperationError> {
    let (Ok(since), Some(today)) = (since.parse::<Date>(), day_of(when)) else { return Ok(()) };
    match today.tomorrow() {
        Ok(tomorrow) if since > tomorrow => Err(OperationError::failed(
            format!("the build is said to be ridden since {since}, and today is {today}"),
            "say another --since; a build that is not ridden yet can be added when it is",
        )),
        _ => Ok(()),
    }
}

/// The text of builds.yaml with one more entry; what stood there stays as it is.
fn with_build(text: &str, builds: &Builds, build: &Build) -> Result<String, OperationError> {
    let gap = if text.is_empty() || text.ends_with('\n') { "" } else { "\n" };
    let text = format!("{text}{gap}{}", build.line());
    let read = Builds::parse(Path::new(BUILDS_FILE), &text);
    let wanted = || builds.list().iter().chain([build]);
    match read {
        Ok(read) if read.list().iter().eq(wanted()) => Ok(text),
        // The new line is at fault where the file by itself can be read.
        Err(problems) => {
            let whats: Vec<&str> = problems.0.iter().map(|p| p.what.as_str()).collect();
            Err(OperationError::failed(
                format!("the build cannot be added to {BUILDS_FILE}: {}", whats.join("; ")),
                "write the file as a plain list of `- { build: …, since: …, what: … }`, or add the line yourself",
            ))
        }
        Ok(_) => Err(OperationError::failed(
            format!("{BUILDS_FILE} is not written as a list of lines, so that none can be added"),
            "write each build as `- { build: b1, since: 2026-03-01, what: as bought }`",
        )),
    }
}

/// The name after b1 is b2.
fn next_name(current: &str) -> Result<String, OperationError> {
    let stem = current.trim_end_matches(|c: char| c.is_ascii_digit());
    match current[stem.len()..].parse::<u32>() {
        Ok(number) => Ok(format!("{stem}{}", number.saturating_add(1))),
        Err(_) => Err(OperationError::failed(
            format!("the build now is called {current}, and no next name follows from that"),
            "say --name",
        )),
    }
}

/// Rides of the build on the bike that fed no revision of any slot yet.
fn unheard(bike: &OpenBike) -> Result<Vec<String>, OperationError> {
    let found = bike.find_rides(&[])?;
    let mut names: Vec<String> = Vec::new();
    for slot in &bike.folder.bike.slots {
        for standing in bike.standing(&found, slot, RideChoice::New) {
            if let RideStanding::Usable(ride) = standing
                && bike.register.by_hash(&ride.sha256).is_none_or(|r| r.used_in.is_empty())
            {
                names.push(ride.name);
            }
        }
    }
    names.sort();
    names.dedup();
    Ok(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn added(text: &str) -> Result<String, OperationError> {
        let builds = Builds::parse(Path::new(BUILDS_FILE), text).expect("valid");
        let (build, since) = ("b2".to_owned(), "2026-05-02".to_owned());
        let what = "other cams: \"hot\" # 5".to_owned();
        with_build(text, &builds, &Build { build, since, what, changed: Vec::new(), air_temp_bias_c: None })
    }

    #[test]
    fn a_build_is_added_below_what_stands_there() {
        let line = "- { build: b2, since: 2026-05-02, what: \"other cams: \\\"hot\\\" # 5\" }\n";
        for text in [
            "",
            "# none yet\n",
            "# the bike\n- { build: b1, since: 2026-03-07, what: open silencer } # loud\n\n",
            "- build: b1\n  since: 2026-03-07\n  what: as bought\n",
        ] {
            assert_eq!(added(text).expect("added"), format!("{text}{line}"));
        }
        let cut = "- { build: b1, since: 2026-03-07, what: x }";
        assert_eq!(added(cut).expect("added"), format!("{cut}\n{line}"));
        for text in
            ["[{ build: b1, since: 2026-03-07, what: x }]\n", "- { build: b1, since: 2026-06-07, what: x }\n"]
        {
            assert!(added(text).is_err(), "{text}");
        }
    }

    #[test]
    fn builds_are_numbered_on() {
        assert_eq!(next_name("b1").ok().as_deref(), Some("b2"));
        assert_eq!(next_name("race-9").ok().as_deref(), Some("race-10"));
        assert!(next_name("stock").is_err());
    }
}
