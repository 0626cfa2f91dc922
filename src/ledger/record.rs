//! A revision as its commit message tells it: summary, body, trailers.

use super::error::LedgerError;
use super::store::{CommitInfo, Moment, Store};
use crate::revision::{revision_name, revision_number};
use crate::units::one_line;
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// What made a revision.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RevisionKind {
    /// The tables as they were found.
    Start,
    /// Rides.
    Run,
    /// Going back to an earlier revision.
    Rollback,
    /// A change by hand.
    Edit,
    /// Tables from outside.
    Import,
    /// A change of hardware.
    Build,
}

impl RevisionKind {
    const ALL: [RevisionKind; 6] = [
        RevisionKind::Start,
        RevisionKind::Run,
        RevisionKind::Rollback,
        RevisionKind::Edit,
        RevisionKind::Import,
        RevisionKind::Build,
    ];

    /// The word in trailers and JSON.
    pub fn name(self) -> &'static str {
        match self {
            RevisionKind::Start => "start",
            RevisionKind::Run => "run",
            RevisionKind::Rollback => "rollback",
            RevisionKind::Edit => "edit",
            RevisionKind::Import => "import",
            RevisionKind::Build => "build",
        }
    }

    fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.name() == name)
    }
}

/// A pipeline as a revision remembers it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct PipelineRef {
    /// Its name.
    pub name: String,
    /// SHA-256 of its text, in hex.
    pub sha256: String,
}

/// A ride as a revision remembers it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct RideRef {
    /// SHA-256 of its bytes, in hex.
    pub sha256: String,
    /// Its name at the time.
    pub file: String,
}

/// A file from outside as a revision remembers it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ImportRef {
    /// SHA-256 of its bytes, in hex.
    pub sha256: String,
    /// Its name at the time.
    pub file: String,
}

/// What a revision says of itself; written as trailers, read back from them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct RevisionRecord {
    /// 1 for r1.
    pub number: u32,
    /// The slots it is about.
    pub slots: Vec<String>,
    /// What made it.
    pub kind: RevisionKind,
    /// Cells of the fuel tables that changed.
    pub cells_changed: usize,
    /// The pipeline of a run; of a change by hand, where its limits were not the shipped default's.
    pub pipeline: Option<PipelineRef>,
    /// The rides of a run.
    pub rides: Vec<RideRef>,
    /// The changes made by hand, in order, each as the line of a
    /// [`HandChange`](crate::bike::HandChange).
    pub edits: Vec<String>,
    /// The files that tables were taken from.
    pub imports: Vec<ImportRef>,
    /// The guards that were told to stand aside and had objected.
    pub despite: Vec<String>,
    /// The build on the bike.
    pub build: String,
    /// Why, where a person had to say.
    pub why: Option<String>,
    /// The revision a rollback restored.
    pub restores: Option<String>,
    /// The revisions a rollback undid.
    pub undoes: Vec<String>,
    /// The tool and its version.
    pub tool: String,
}

/// A revision in the history.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Revision {
    /// What it says of itself.
    pub record: RevisionRecord,
    /// The commit, full hex.
    pub commit: String,
    /// When it was made.
    pub when: Moment,
    /// Who made it, as `Name <address>`.
    pub author: String,
    /// The first line of the message.
    pub summary: String,
    /// The message between summary and trailers.
    pub body: String,
}

impl Revision {
    /// The name: r1, r2 …
    pub fn name(&self) -> String {
        revision_name(self.record.number)
    }
}

impl RevisionRecord {
    /// A record of this kind, with nothing else said yet.
    pub fn new(number: u32, kind: RevisionKind, slots: Vec<String>, build: &str, tool: String) -> Self {
        Self {
            number,
            slots,
            kind,
            cells_changed: 0,
            pipeline: None,
            rides: Vec::new(),
            edits: Vec::new(),
            imports: Vec::new(),
            despite: Vec::new(),
            build: build.to_owned(),
            why: None,
            restores: None,
            undoes: Vec::new(),
            tool,
        }
    }

    /// The commit message: summary, body, trailers.
    pub fn message(&self, summary: &str, body: &str) -> String {
        let mut text = format!("{}\n\n", one_line(summary));
        if !body.trim().is_empty() {
            let _ = writeln!(text, "{}\n", body.trim_matches('\n').trim_end());
        }
        let mut trailer = |key: &str, value: &str| {
            let _ = writeln!(text, "{key}: {}", one_line(value));
        };
        trailer("Revision", &revision_name(self.number));
        trailer("Slot", &self.slots.join(", "));
        trailer("Kind", self.kind.name());
        trailer("Cells-Changed", &self.cells_changed.to_string());
        if let Some(pipeline) = &self.pipeline {
            trailer("Pipeline", &format!("{} sha256:{}", pipeline.name, pipeline.sha256));
        }
        for ride in &self.rides {
            trailer("Rides", &format!("sha256:{} {}", ride.sha256, ride.file));
        }
        for edit in &self.edits {
            trailer("Edit", edit);
        }
        for import in &self.imports {
            trailer("Import", &format!("sha256:{} {}", import.sha256, import.file));
        }
        for guard in &self.despite {
            trailer("Despite", guard);
        }
        if let Some(restores) = &self.restores {
            trailer("Restores", restores);
        }
        if !self.undoes.is_empty() {
            trailer("Undoes", &self.undoes.join(", "));
        }
        if let Some(why) = &self.why {
            trailer("Why", why);
        }
        trailer("Build", &self.build);
        trailer("Tool", &self.tool);
        text
    }

    /// What a commit says of itself; `None` when it is no revision.
    pub fn from_trailers(trailers: &[(String, String)]) -> Option<Self> {
        let all = |key: &str| {
            let key = key.to_owned();
            trailers.iter().filter(move |(k, _)| k.eq_ignore_ascii_case(&key)).map(|(_, v)| v.trim())
        };
        let first = |key: &str| all(key).next().map(str::to_owned);
        let list = |key: &str| -> Vec<String> {
            let text = first(key).unwrap_or_default();
            text.split(',').map(|part| part.trim().to_owned()).filter(|part| !part.is_empty()).collect()
        };
        let hashed = |text: &str| {
            let (a, b) = text.split_once(' ')?;
            Some((a.to_owned(), b.to_owned()))
        };
        let hex = |hash: &str| hash.trim_start_matches("sha256:").to_owned();
        Some(Self {
            number: revision_number(&first("Revision")?)?,
            slots: list("Slot"),
            kind: RevisionKind::from_name(&first("Kind")?)?,
            cells_changed: first("Cells-Changed").and_then(|n| n.parse().ok()).unwrap_or_default(),
            pipeline: first("Pipeline")
                .as_deref()
                .and_then(hashed)
                .map(|(name, hash)| PipelineRef { name, sha256: hex(&hash) }),
            rides: all("Rides")
                .filter_map(hashed)
                .map(|(hash, file)| RideRef { sha256: hex(&hash), file })
                .collect(),
            edits: all("Edit").map(str::to_owned).collect(),
            imports: all("Import")
                .filter_map(hashed)
                .map(|(hash, file)| ImportRef { sha256: hex(&hash), file })
                .collect(),
            despite: all("Despite").map(str::to_owned).collect(),
            build: first("Build").unwrap_or_default(),
            why: first("Why"),
            restores: first("Restores"),
            undoes: list("Undoes"),
            tool: first("Tool").unwrap_or_default(),
        })
    }
}

/// The revisions of a repository, newest first. Commits that are no revision,
/// made by plain git, are passed over.
///
/// # Errors
/// When git cannot be read.
pub fn revisions(store: &Store) -> Result<Vec<Revision>, LedgerError> {
    let (mut found, mut numbers) = (Vec::new(), BTreeSet::new());
    for commit in store.log()? {
        let Some(revision) = revision_of(commit) else { continue };
        if numbers.insert(revision.record.number) {
            found.push(revision);
        }
    }
    Ok(found)
}

/// The revision a commit is; `None` for one made by plain git.
pub fn revision_of(commit: CommitInfo) -> Option<Revision> {
    let record = RevisionRecord::from_trailers(&commit.trailers)?;
    let mut parts = commit.message.splitn(2, "\n\n");
    let summary = parts.next().unwrap_or_default().trim().to_owned();
    let rest = parts.next().unwrap_or_default();
    let body = rest.trim_end().rsplit_once("\n\n").map_or("", |(body, _)| body).to_owned();
    Some(Revision { record, commit: commit.id, when: commit.when, author: commit.author, summary, body })
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(crate) fn record() -> RevisionRecord {
        RevisionRecord {
            number: 4,
            slots: vec!["power".to_owned()],
            kind: RevisionKind::Run,
            cells_changed: 12,
            pipeline: Some(PipelineRef { name: "road".to_owned(), sha256: "ab".repeat(32) }),
            rides: vec![
                RideRef { sha256: "1".repeat(64), file: "r3/monday morning.csv".to_owned() },
                RideRef { sha256: "2".repeat(64), file: "r3/x.csv".to_owned() },
            ],
            edits: vec![
                "power fuel scale rpm 2000..4000 load 10..20 by +3 %".to_owned(),
                "power lock rpm 1000 load 0..2: idle: by hand".to_owned(),
            ],
            imports: vec![ImportRef { sha256: "3".repeat(64), file: "from the dyno.csv".to_owned() }],
            despite: vec!["step_up".to_owned(), "steepness".to_owned()],
            build: "b1".to_owned(),
            why: Some("two\nlines".to_owned()),
            restores: None,
            undoes: Vec::new(),
            tool: "rideloop 0.1.0".to_owned(),
        }
    }

    #[test]
    fn what_is_written_as_trailers_reads_back() {
        let message = record().message("r4 power: 12 cells", "a grid\n\nof two paragraphs");
        let trailers = git2::message_trailers_strs(&message).expect("trailers");
        let list: Vec<(String, String)> =
            trailers.iter().map(|(k, v)| (k.to_owned(), v.to_owned())).collect();
        let read = RevisionRecord::from_trailers(&list).expect("a revision");
        assert_eq!(read, RevisionRecord { why: Some("two lines".to_owned()), ..record() });
    }

    #[test]
    fn an_empty_body_still_leaves_trailers_alone() {
        let message = record().message("r4", "");
        assert_eq!(git2::message_trailers_strs(&message).expect("trailers").len(), 15);
    }
}
