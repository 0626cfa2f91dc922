//! What the history tells: `history`, `show`, `diff`.

use super::error::OperationError;
use super::open::OpenBike;
use super::run::{drawn, mark_of};
use crate::bike::{
    BIKE_FILE, BUILDS_FILE, FileSource, FuelTableKind, LOGGERS_FOLDER, MAPS_FOLDER, PIPELINES_FOLDER,
};
use crate::evidence::EvidenceRow;
use crate::ledger::{Moment, PipelineRef, Revision, RevisionKind, RideRef};
use crate::pipeline::shipped;
use crate::revision::revision_number;
use crate::ride::hash;
use crate::table::{DrawnCell, LoadAxis, Table, TableDiff};
use crate::units;
use serde::Serialize;

/// One revision in the history.
#[derive(Debug, Clone, Serialize)]
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
    /// The pipeline of a run.
    pub pipeline: Option<PipelineRef>,
    /// The rides of a run.
    pub rides: Vec<RideRef>,
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

/// A revision by its name.
///
/// # Errors
/// When there is none of that name.
pub fn find_revision<'a>(bike: &'a OpenBike, name: &str) -> Result<&'a Revision, OperationError> {
    let found = revision_number(name).and_then(|n| bike.revisions.iter().find(|r| r.record.number == n));
    found.ok_or_else(|| {
        let what = match revision_number(name) {
            Some(_) => format!("there is no revision {name}"),
            None => format!("`{name}` is not a revision; they are called r1, r2 …"),
        };
        match bike.revisions.len() {
            0 => OperationError::failed(what, "this bike has no revisions yet; `rideloop run` makes them"),
            _ => OperationError::failed(what, format!("the newest is {}", bike.newest_name())),
        }
    })
}

/// Which of a slot's tables is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TableRole {
    /// The fuel table.
    Fuel,
    /// The mixture table.
    Mixture,
    /// The spark table.
    Spark,
}

impl TableRole {
    /// The word for it.
    pub fn name(self) -> &'static str {
        match self {
            TableRole::Fuel => "fuel",
            TableRole::Mixture => "mixture",
            TableRole::Spark => "spark",
        }
    }
}

/// How one table changed.
#[derive(Debug, Clone, Serialize)]
pub struct TableChange {
    /// The slot.
    pub slot: String,
    /// Which of its tables.
    pub table: TableRole,
    /// What its cells hold.
    pub unit: &'static str,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Decimals of a cell.
    pub decimals: usize,
    /// The axes themselves changed, so cells cannot be compared.
    pub axes_changed: bool,
    /// The cells that changed.
    pub cells: Vec<ChangedCell>,
}

/// One cell that changed.
#[derive(Debug, Clone, Serialize)]
pub struct ChangedCell {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// The older value.
    pub before: f64,
    /// The newer value.
    pub after: f64,
    /// The change in %: of fuel for a fuel table, of the value otherwise.
    pub change_pct: f64,
    /// What held it in the newer revision: the limit at which it stopped, or `inferred`.
    pub held_by: Option<String>,
}

impl TableChange {
    /// The cells, ready to draw.
    pub fn drawn_cells(&self) -> Vec<DrawnCell> {
        let drawn = self.cells.iter().map(|c| DrawnCell {
            rpm: c.rpm,
            load: c.load,
            before: c.before,
            after: c.after,
            change_pct: c.change_pct,
            mark: mark_of(c.held_by.as_deref()),
        });
        drawn.collect()
    }
}

/// How one settings file changed.
#[derive(Debug, Clone, Serialize)]
pub struct SettingChange {
    /// The file.
    pub path: String,
    /// Its older text.
    pub before: String,
    /// Its newer text.
    pub after: String,
}

/// The difference of two revisions.
#[derive(Debug, Clone, Serialize)]
pub struct DiffReport {
    /// The older one.
    pub from: String,
    /// The newer one.
    pub to: String,
    /// The tables that changed.
    pub tables: Vec<TableChange>,
    /// The settings that changed.
    pub settings: Vec<SettingChange>,
    /// Slots and tables that came or went.
    pub came_or_went: Vec<String>,
}

/// Compares two revisions; by default the newest with the one before.
///
/// # Errors
/// When a revision does not exist or cannot be read any more.
pub fn diff(bike: &OpenBike, from: Option<&str>, to: Option<&str>) -> Result<DiffReport, OperationError> {
    let to = match to {
        Some(name) => find_revision(bike, name)?,
        None => bike.newest().ok_or_else(no_revisions)?,
    };
    let from = match from {
        Some(name) => Some(find_revision(bike, name)?),
        None => bike.revisions.iter().find(|r| r.record.number < to.record.number),
    };
    let Some(from) = from else {
        return Err(OperationError::failed(
            format!("{} is the first revision; there is nothing before it", to.name()),
            "`rideloop show r1` shows its tables",
        ));
    };
    Ok(DiffReport {
        from: from.name(),
        to: to.name(),
        tables: table_changes(bike, from, to)?,
        settings: setting_changes(bike, from, to)?,
        came_or_went: came_or_went(bike, from, to)?,
    })
}

fn no_revisions() -> OperationError {
    OperationError::failed("this bike has no revisions yet", "`rideloop run` makes them")
}

fn table_changes(
    bike: &OpenBike,
    from: &Revision,
    to: &Revision,
) -> Result<Vec<TableChange>, OperationError> {
    let mut changes = Vec::new();
    let (bike_then, _) = bike.bike_at(&from.commit)?;
    let (bike_now, _) = bike.bike_at(&to.commit)?;
    let kind = bike_now.controller.fuel_table;
    for slot in bike_now.slots.iter().filter(|s| bike_then.slots.contains(s)) {
        let before = bike.tables_at(&from.commit, slot)?;
        let after = bike.tables_at(&to.commit, slot)?;
        let held = bike.evidence_at(&to.commit, slot)?;
        let spark = before.spark.as_ref().zip(after.spark.as_ref());
        let pairs = [
            Some((TableRole::Fuel, &before.fuel, &after.fuel)),
            Some((TableRole::Mixture, &before.mixture, &after.mixture)),
            spark.map(|(a, b)| (TableRole::Spark, a, b)),
        ];
        for (role, before, after) in pairs.into_iter().flatten() {
            let change = table_change(slot, role, before, after, &held, kind);
            if change.axes_changed || !change.cells.is_empty() {
                changes.push(change);
            }
        }
    }
    Ok(changes)
}

/// Table files that only one of two revisions holds.
fn came_or_went(bike: &OpenBike, from: &Revision, to: &Revision) -> Result<Vec<String>, OperationError> {
    let store = bike.store.as_ref().expect("revisions come from a repository");
    let tables = |commit: &str| -> Result<Vec<String>, OperationError> {
        let mut files = store.list_files(commit, &format!("{MAPS_FOLDER}/"))?;
        files.retain(|path| path.ends_with(".csv"));
        Ok(files)
    };
    let (before, after) = (tables(&from.commit)?, tables(&to.commit)?);
    let came = after.iter().filter(|path| !before.contains(path)).map(|path| format!("{path} is new"));
    let went = before.iter().filter(|path| !after.contains(path)).map(|path| format!("{path} is gone"));
    Ok(came.chain(went).collect())
}

fn table_change(
    slot: &str,
    table: TableRole,
    before: &Table,
    after: &Table,
    held: &[EvidenceRow],
    kind: FuelTableKind,
) -> TableChange {
    let diff = TableDiff::between(before, after);
    let held_by = |rpm: f64, load: f64, value: f64| {
        let row = held.iter().find(|r| r.rpm == rpm && r.load == load && r.after == value)?;
        row.held_by.clone().filter(|_| table == TableRole::Fuel)
    };
    let cells = match &diff {
        TableDiff::Axes => Vec::new(),
        TableDiff::Cells(cells) => cells
            .iter()
            .map(|c| ChangedCell {
                rpm: c.rpm,
                load: c.load,
                before: c.before,
                after: c.after,
                change_pct: match table {
                    TableRole::Fuel => kind.change_pct(c.before, c.after),
                    TableRole::Mixture | TableRole::Spark => units::change_pct(c.before, c.after),
                },
                held_by: held_by(c.rpm, c.load, c.after),
            })
            .collect(),
    };
    TableChange {
        slot: slot.to_owned(),
        table,
        unit: match table {
            TableRole::Fuel => kind.name(),
            TableRole::Mixture => "lambda",
            TableRole::Spark => "degrees before top dead centre",
        },
        load_axis: after.load_axis,
        decimals: after.resolution.decimals(),
        axes_changed: diff == TableDiff::Axes,
        cells,
    }
}

fn setting_changes(
    bike: &OpenBike,
    from: &Revision,
    to: &Revision,
) -> Result<Vec<SettingChange>, OperationError> {
    let store = bike.store.as_ref().expect("revisions come from a repository");
    let is_setting = |path: &String| {
        let own_folder =
            [PIPELINES_FOLDER, LOGGERS_FOLDER].iter().any(|f| path.starts_with(&format!("{f}/")));
        path == BIKE_FILE
            || path == BUILDS_FILE
            || own_folder
            || (path.starts_with(MAPS_FOLDER) && path.ends_with(".yaml"))
    };
    let mut paths = store.list_files(&from.commit, "")?;
    paths.extend(store.list_files(&to.commit, "")?);
    paths.retain(is_setting);
    paths.sort();
    paths.dedup();
    let mut changes = Vec::new();
    for path in paths {
        let text = |commit: &str| -> Result<String, OperationError> {
            let bytes = store.read_file(commit, &path)?.unwrap_or_default();
            Ok(String::from_utf8_lossy(&bytes).into_owned())
        };
        let (before, after) = (text(&from.commit)?, text(&to.commit)?);
        if before != after {
            changes.push(SettingChange { path, before, after });
        }
    }
    Ok(changes)
}

/// One revision with everything that belongs to it.
#[derive(Debug, Clone, Serialize)]
pub struct ShowReport {
    /// Its line of the history.
    #[serde(flatten)]
    pub entry: HistoryEntry,
    /// Its tables.
    pub tables: Vec<ShownTable>,
    /// The evidence behind it, by slot.
    pub evidence: Vec<ShownEvidence>,
    /// What changed against the revision before.
    pub changes: Option<DiffReport>,
    /// The pipeline's text; the commit's own message holds it in any case.
    pub pipeline_text: Option<String>,
}

/// A table of a revision.
#[derive(Debug, Clone, Serialize)]
pub struct ShownTable {
    /// The slot.
    pub slot: String,
    /// Which of its tables.
    pub table: TableRole,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Decimals of a cell.
    pub decimals: usize,
    /// Breakpoints, 1/min.
    pub rpm: Vec<f64>,
    /// Breakpoints of the load axis.
    pub load: Vec<f64>,
    /// Row-major cells, rpm by load.
    pub values: Vec<f64>,
}

/// The evidence of a slot.
#[derive(Debug, Clone, Serialize)]
pub struct ShownEvidence {
    /// The slot.
    pub slot: String,
    /// What its fuel cells hold.
    pub fuel_table: FuelTableKind,
    /// One row a cell.
    pub cells: Vec<EvidenceRow>,
}

impl ShownEvidence {
    /// The changed cells, ready to draw.
    pub fn drawn_cells(&self) -> Vec<DrawnCell> {
        drawn(&self.cells, self.fuel_table)
    }
}

/// Shows one revision; by default the newest.
///
/// # Errors
/// When it does not exist or cannot be read any more.
pub fn show(bike: &OpenBike, name: Option<&str>) -> Result<ShowReport, OperationError> {
    let revision = match name {
        Some(name) => find_revision(bike, name)?,
        None => bike.newest().ok_or_else(no_revisions)?,
    };
    let (bike_then, files) = bike.bike_at(&revision.commit)?;
    let mut tables = Vec::new();
    let mut evidence = Vec::new();
    for slot in bike_then.slots.iter().filter(|s| revision.record.slots.contains(s)) {
        let found = bike.tables_at(&revision.commit, slot)?;
        let mut push = |role, table: &Table| tables.push(shown(slot, role, table));
        push(TableRole::Fuel, &found.fuel);
        push(TableRole::Mixture, &found.mixture);
        if let Some(spark) = &found.spark {
            push(TableRole::Spark, spark);
        }
        if revision.record.kind == RevisionKind::Run {
            evidence.push(ShownEvidence {
                slot: slot.clone(),
                fuel_table: bike_then.controller.fuel_table,
                cells: bike.evidence_at(&revision.commit, slot)?,
            });
        }
    }
    let has_before = bike.revisions.iter().any(|r| r.record.number < revision.record.number);
    let changes = has_before.then(|| diff(bike, None, Some(&revision.name()))).transpose()?;
    let pipeline_text = match &revision.record.pipeline {
        Some(pipeline) => match files.text(&format!("{PIPELINES_FOLDER}/{}.yaml", pipeline.name))? {
            Some(own) => Some(own),
            // A shipped pipeline is shown only while it still is the one that was used.
            None => {
                shipped(&pipeline.name).filter(|t| hash(t.as_bytes()) == pipeline.sha256).map(str::to_owned)
            }
        },
        None => None,
    };
    Ok(ShowReport { entry: HistoryEntry::new(revision), tables, evidence, changes, pipeline_text })
}

fn shown(slot: &str, role: TableRole, table: &Table) -> ShownTable {
    ShownTable {
        slot: slot.to_owned(),
        table: role,
        load_axis: table.load_axis,
        decimals: table.resolution.decimals(),
        rpm: table.grid.rpm.breakpoints().to_vec(),
        load: table.grid.load.breakpoints().to_vec(),
        values: table.values.clone(),
    }
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
