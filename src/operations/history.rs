//! The revisions as the history lists them.

use super::open::OpenBike;
use crate::ledger::{ImportRef, Moment, PipelineRef, Revision, RevisionKind, RideRef};
use serde::Serialize;

/// One revision in the history.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct HistoryEntry {
    /// r1, r2 …
    pub revision: String,
    /// Its commit, full hex.
    pub commit: String,
    /// When it was made, RFC 3339 with the maker's own offset.
    pub time: String,
    /// The slots it is about.
    pub slot: String,
    /// What made it.
    pub kind: RevisionKind,
    /// The first line of its message.
    pub summary: String,
    /// Fuel cells that changed.
    pub cells_changed: usize,
    /// The build on the bike.
    pub build: String,
    /// Who made it.
    pub author: String,
    /// Why, where a person had to say.
    pub why: Option<String>,
    /// The pipeline of a run; of a change by hand, where its limits were not the shipped default's.
    pub pipeline: Option<PipelineRef>,
    /// The rides of a run.
    pub rides: Vec<RideRef>,
    /// The changes made by hand, one line each.
    pub edits: Vec<String>,
    /// The files that tables were taken from.
    pub imports: Vec<ImportRef>,
    /// The guards that were told to stand aside.
    pub despite: Vec<String>,
    /// The revision a rollback restored.
    pub restores: Option<String>,
    /// The revisions a rollback undid.
    pub undoes: Vec<String>,
    /// The tool and its version.
    pub tool: String,
}

impl HistoryEntry {
    pub(super) fn new(revision: &Revision) -> Self {
        let record = &revision.record;
        Self {
            revision: revision.name(),
            commit: revision.commit.clone(),
            time: rfc3339(revision),
            slot: record.slots.join(", "),
            kind: record.kind,
            summary: revision.summary.clone(),
            cells_changed: record.cells_changed,
            build: record.build.clone(),
            author: revision.author.clone(),
            why: record.why.clone(),
            pipeline: record.pipeline.clone(),
            rides: record.rides.clone(),
            edits: record.edits.clone(),
            imports: record.imports.clone(),
            despite: record.despite.clone(),
            restores: record.restores.clone(),
            undoes: record.undoes.clone(),
            tool: record.tool.clone(),
        }
    }
}

fn rfc3339(revision: &Revision) -> String {
    match with_offset(revision.when) {
        Some((time, offset)) => time.display_with_offset(offset).to_string(),
        None => revision.when.unix_s.to_string(),
    }
}

/// The day on the maker's own calendar; `None` for a time no calendar holds.
pub(super) fn day_of(when: Moment) -> Option<jiff::civil::Date> {
    with_offset(when).map(|(time, offset)| offset.to_datetime(time).date())
}

fn with_offset(when: Moment) -> Option<(jiff::Timestamp, jiff::tz::Offset)> {
    let time = jiff::Timestamp::from_second(when.unix_s).ok()?;
    Some((time, jiff::tz::Offset::from_seconds(when.offset_min.checked_mul(60)?).ok()?))
}

/// The revisions, newest first.
pub fn history(bike: &OpenBike) -> Vec<HistoryEntry> {
    bike.revisions.iter().map(HistoryEntry::new).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_revision_s_day_is_that_of_the_maker_s_own_calendar() {
        // 2026-05-02 23:30 UTC is the next day east of it and the same day west of it.
        let unix_s = 1_777_764_600;
        let day = |offset_min| day_of(Moment { unix_s, offset_min }).map(|day| day.to_string());
        assert_eq!(day(0).as_deref(), Some("2026-05-02"));
        assert_eq!(day(60).as_deref(), Some("2026-05-03"));
        assert_eq!(day(-600).as_deref(), Some("2026-05-02"));
        assert_eq!(day_of(Moment { unix_s: i64::MAX, offset_min: i32::MAX }), None);
    }
}
