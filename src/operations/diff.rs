//! `diff`: two points of the history, cell by cell, and their settings.

use super::error::OperationError;
use super::open::OpenBike;
use super::point::{Point, find_point, no_revisions, on_both, slot_at, slot_pairs};
use super::run_report::mark_of;
use crate::bike::{
    BIKE_FILE, BUILDS_FILE, FuelTableKind, LOGGERS_FOLDER, MAPS_FOLDER, MIXTURES_FOLDER, PIPELINES_FOLDER,
    TableRole, is_stock_path, spark_path,
};
use crate::evidence::EvidenceRow;
use crate::table::{DrawnCell, LoadAxis, Table, TableDiff};
use crate::units;
use serde::Serialize;

/// How one table changed.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct TableChange {
    /// The slot.
    pub slot: String,
    /// The older side's slot, where two slots are compared.
    pub from_slot: Option<String>,
    /// Which of its tables.
    pub table: TableRole,
    /// What its cells hold.
    pub unit: &'static str,
    /// The load axis.
    pub load_axis: LoadAxis,
    /// Decimals of a cell.
    pub decimals: usize,
    /// The axes themselves differ: the older table is read at the newer breakpoints.
    pub axes_changed: bool,
    /// The cells that changed.
    pub cells: Vec<ChangedCell>,
}

/// One cell that changed.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct ChangedCell {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// The older value.
    pub before: f64,
    /// The newer value.
    pub after: f64,
    /// The change in %: of fuel for a fuel table, of the value otherwise; null in JSON
    /// where the older value is 0.
    #[schemars(with = "Option<f64>")]
    pub change_pct: f64,
    /// What held it in the newer revision: the limit at which it stopped, or `inferred`.
    pub held_by: Option<String>,
}

/// What stands beside a change grid whose tables have other axes.
pub const AXES_DIFFER: &str = "axes differ: the older table read at the newer breakpoints";

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
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct SettingChange {
    /// The file.
    pub path: String,
    /// Its older text.
    pub before: String,
    /// Its newer text.
    pub after: String,
}

/// The difference of two points of the history.
#[derive(Debug, Clone, Serialize, schemars::JsonSchema)]
pub struct DiffReport {
    /// The older one: a revision, or a slot of it as r5:power.
    pub from: String,
    /// The newer one.
    pub to: String,
    /// The tables that changed.
    pub tables: Vec<TableChange>,
    /// The settings that changed, where whole revisions are compared.
    pub settings: Vec<SettingChange>,
    /// Slots and tables that came or went.
    pub came_or_went: Vec<String>,
}

/// Compares two points; by default the newest revision with the one before.
///
/// A slot on one side means the same slot on the other; a bare slot alone means
/// what the newest revision changed in it.
///
/// # Errors
/// When a point does not exist or cannot be read any more.
pub fn diff(bike: &OpenBike, from: Option<&str>, to: Option<&str>) -> Result<DiffReport, OperationError> {
    let (from, to) = match (from, to) {
        (Some(from), Some(to)) => (Some(find_point(bike, from)?), find_point(bike, to)?),
        (None, Some(to)) => (None, find_point(bike, to)?),
        (None, None) => (None, newest(bike)?),
        (Some(only), None) => match find_point(bike, only)? {
            Point { revision, slot: Some(slot) } if slot == only => {
                (None, Point { revision, slot: Some(slot) })
            }
            from => (Some(from), newest(bike)?),
        },
    };
    match from {
        Some(from) => between(bike, from, to),
        None => {
            let name = to.revision.name();
            against_before(bike, to)?.ok_or_else(|| nothing_before(bike, &name))
        }
    }
}

fn newest(bike: &OpenBike) -> Result<Point<'_>, OperationError> {
    Ok(Point { revision: bike.newest().ok_or_else(no_revisions)?, slot: None })
}

fn nothing_before(bike: &OpenBike, name: &str) -> OperationError {
    match bike.cut_off() {
        Some(hint) => OperationError::failed(format!("what stood before {name} is not in this folder"), hint),
        None => OperationError::failed(
            format!("there is nothing before {name} to compare with"),
            format!("`rideloop show {name}` shows its tables"),
        ),
    }
}

/// What a revision changed; `None` for the first, and for a slot that is new in it.
pub(super) fn against_before(bike: &OpenBike, to: Point<'_>) -> Result<Option<DiffReport>, OperationError> {
    let before = bike.revisions.iter().find(|r| r.record.number < to.revision.record.number);
    let Some(revision) = before else { return Ok(None) };
    let is_new = match &to.slot {
        Some(slot) => slot_at(bike, revision, slot).is_err(),
        None => false,
    };
    match is_new {
        true => Ok(None),
        false => between(bike, Point { revision, slot: None }, to).map(Some),
    }
}

fn between(bike: &OpenBike, mut from: Point<'_>, mut to: Point<'_>) -> Result<DiffReport, OperationError> {
    on_both(bike, &mut from, &mut to)?;
    let mut report = DiffReport {
        from: from.name(),
        to: to.name(),
        tables: Vec::new(),
        settings: Vec::new(),
        came_or_went: Vec::new(),
    };
    let (then, now) = (&from.revision.commit, &to.revision.commit);
    let (bike_then, _) = bike.bike_at(then)?;
    let (bike_now, _) = bike.bike_at(now)?;
    let by_slot = from.slot.is_some();
    if !by_slot {
        report.settings = setting_changes(bike, then, now)?;
        report.came_or_went = came_or_went(bike, then, now)?;
    }
    let pairs = slot_pairs([&bike_then, &bike_now], from.slot, to.slot);
    let kinds = [bike_then.controller.fuel_table, bike_now.controller.fuel_table];
    if kinds[0] != kinds[1] {
        let [was, is] = kinds.map(FuelTableKind::name);
        let what = format!(
            "the fuel tables hold {was} in {} and {is} in {}, so their cells cannot be compared",
            report.from, report.to
        );
        report.came_or_went.push(what);
    }
    let loads = [bike_then.controller.load, bike_now.controller.load];
    if loads[0] != loads[1] {
        let [was, is] = loads.map(LoadAxis::name);
        report.came_or_went.push(format!(
            "the load axis is {was} in {} and {is} in {}, so cells cannot be compared",
            report.from, report.to
        ));
        return Ok(report);
    }
    for (slot_before, slot_after) in pairs {
        let before = bike.tables_at(then, &slot_before)?;
        let after = bike.tables_at(now, &slot_after)?;
        let same_slot = slot_before == slot_after;
        let held = if same_slot { bike.evidence_at(now, &slot_after)? } else { Vec::new() };
        if by_slot && before.spark.is_some() != after.spark.is_some() {
            let (only, name) = match before.spark.is_some() {
                true => (spark_path(&slot_before), &report.from),
                false => (spark_path(&slot_after), &report.to),
            };
            report.came_or_went.push(format!("only {name} has a spark table: {only}"));
        }
        let spark = before.spark.as_ref().zip(after.spark.as_ref());
        let tables = [
            (kinds[0] == kinds[1]).then_some((TableRole::Fuel, &before.fuel, &after.fuel)),
            Some((TableRole::Mixture, &before.mixture, &after.mixture)),
            spark.map(|(a, b)| (TableRole::Spark, a, b)),
        ];
        for (role, before, after) in tables.into_iter().flatten() {
            let mut change = table_change(&slot_after, role, before, after, &held, kinds[1]);
            change.from_slot = (!same_slot).then(|| slot_before.clone());
            if change.axes_changed || !change.cells.is_empty() {
                report.tables.push(change);
            }
        }
    }
    Ok(report)
}

/// Table files that only one of two commits holds.
pub(super) fn came_or_went(bike: &OpenBike, from: &str, to: &str) -> Result<Vec<String>, OperationError> {
    let store = bike.store.as_ref().expect("revisions come from a repository");
    let tables = |commit: &str| -> Result<Vec<String>, OperationError> {
        let mut files = store.list_files(commit, &format!("{MAPS_FOLDER}/"))?;
        files.retain(|path| path.ends_with(".csv") && !is_stock_path(path));
        Ok(files)
    };
    let (before, after) = (tables(from)?, tables(to)?);
    let came = after.iter().filter(|path| !before.contains(path)).map(|path| format!("{path} is new"));
    let went = before.iter().filter(|path| !after.contains(path)).map(|path| format!("{path} is gone"));
    Ok(came.chain(went).collect())
}

pub(super) fn table_change(
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
        TableDiff::Axes(cells) | TableDiff::Cells(cells) => cells
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
        from_slot: None,
        table,
        unit: match table {
            TableRole::Fuel => kind.name(),
            TableRole::Mixture => "lambda",
            TableRole::Spark => "degrees before top dead centre",
        },
        load_axis: after.load_axis,
        decimals: after.resolution.decimals(),
        axes_changed: matches!(diff, TableDiff::Axes(_)),
        cells,
    }
}

fn setting_changes(bike: &OpenBike, from: &str, to: &str) -> Result<Vec<SettingChange>, OperationError> {
    let store = bike.store.as_ref().expect("revisions come from a repository");
    let is_setting = |path: &String| {
        let own_folder = [PIPELINES_FOLDER, LOGGERS_FOLDER, MIXTURES_FOLDER]
            .iter()
            .any(|f| path.starts_with(&format!("{f}/")));
        path == BIKE_FILE
            || path == BUILDS_FILE
            || own_folder
            || (path.starts_with(MAPS_FOLDER) && path.ends_with(".yaml"))
            || is_stock_path(path)
    };
    let mut paths = store.list_files(from, "")?;
    paths.extend(store.list_files(to, "")?);
    paths.retain(is_setting);
    paths.sort();
    paths.dedup();
    let mut changes = Vec::new();
    for path in paths {
        let text = |commit: &str| -> Result<String, OperationError> {
            let bytes = store.read_file(commit, &path)?.unwrap_or_default();
            Ok(String::from_utf8_lossy(&bytes).into_owned())
        };
        let (before, after) = (text(from)?, text(to)?);
        if before != after {
            changes.push(SettingChange { path, before, after });
        }
    }
    Ok(changes)
}
