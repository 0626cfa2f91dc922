//! One slot's tables: fuel, mixture, spark, and the cells a tuner has locked.

use super::config::{Bike, FuelTableKind, Region};
use super::folder::FileSource;
use crate::problem::{Problem, Problems};
use crate::table::{self, Resolution, Table};
use crate::yaml;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The tables of one slot.
#[derive(Debug, Clone, PartialEq)]
pub struct SlotTables {
    /// What the controller looks fuel up in.
    pub fuel: Table,
    /// The wanted lambda.
    pub mixture: Table,
    /// Ignition advance, degrees before top dead centre.
    pub spark: Option<Table>,
    /// Regions the tool must not change.
    pub locks: Vec<Lock>,
}

/// Which of a slot's tables is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
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
    /// All of them, in the order they are read and shown.
    pub const ALL: [TableRole; 3] = [TableRole::Fuel, TableRole::Mixture, TableRole::Spark];

    /// The word for it.
    pub fn name(self) -> &'static str {
        match self {
            TableRole::Fuel => "fuel",
            TableRole::Mixture => "mixture",
            TableRole::Spark => "spark",
        }
    }

    /// The table of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.name() == name)
    }

    /// The table's file.
    pub fn path(self, slot: &str) -> String {
        format!("{}/{slot}/{}.csv", super::MAPS_FOLDER, self.name())
    }

    /// What its cells hold.
    pub fn unit(self, kind: FuelTableKind) -> &'static str {
        match self {
            TableRole::Fuel => kind.name(),
            TableRole::Mixture => "lambda",
            TableRole::Spark => "degrees before top dead centre",
        }
    }

    /// What a cell of the table may hold at all.
    pub fn allowed(self, kind: FuelTableKind) -> std::ops::RangeInclusive<f64> {
        match self {
            TableRole::Fuel => kind.allowed(),
            TableRole::Mixture => WANTED_LAMBDA,
            TableRole::Spark => SPARK_DEG,
        }
    }

    /// The smallest step a cell of the table can hold.
    pub fn resolution(self, bike: &Bike) -> Resolution {
        match self {
            TableRole::Fuel => bike.resolution,
            TableRole::Mixture => Resolution::new(0.001).expect("0.001 is a decimal step"),
            TableRole::Spark => Resolution::new(0.1).expect("0.1 is a decimal step"),
        }
    }
}

/// A region of cells that stays as it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Lock {
    /// From and to, 1/min.
    pub rpm: [f64; 2],
    /// From and to, in the load axis' unit.
    pub load: [f64; 2],
    /// Why.
    #[schemars(length(min = 1))]
    pub why: String,
}

impl Lock {
    /// Whether a cell lies inside, edges included.
    pub fn covers(&self, rpm: f64, load: f64) -> bool {
        Region { rpm: self.rpm, load: self.load }.contains(rpm, load)
    }
}

/// The fuel table's file.
pub fn fuel_path(slot: &str) -> String {
    TableRole::Fuel.path(slot)
}

/// The mixture table's file.
pub fn mixture_path(slot: &str) -> String {
    TableRole::Mixture.path(slot)
}

/// The spark table's file.
pub fn spark_path(slot: &str) -> String {
    TableRole::Spark.path(slot)
}

/// The locked cells' file.
pub fn locks_path(slot: &str) -> String {
    format!("{}/{slot}/locks.yaml", super::MAPS_FOLDER)
}

/// Lambda a mixture table may ask for: from very rich to the lean limit of
/// combustion (about 1.15 to 1.25, from memory).
const WANTED_LAMBDA: std::ops::RangeInclusive<f64> = 0.6..=1.25;
/// Ignition advance a spark table may hold, degrees. Common practice, no source.
const SPARK_DEG: std::ops::RangeInclusive<f64> = -20.0..=70.0;

impl SlotTables {
    /// Reads a slot's files from a folder or a commit.
    ///
    /// # Errors
    /// Every problem of every file.
    pub fn read(slot: &str, bike: &Bike, files: &dyn FileSource) -> Result<Self, Problems> {
        let mut found = Vec::new();
        let mut table = |role: TableRole, needed: bool| match Self::read_table(role, slot, bike, files) {
            Ok(None) if needed => {
                found.push(missing(slot, role));
                None
            }
            Ok(table) => table,
            Err(problems) => {
                found.extend(problems.0);
                None
            }
        };
        let fuel = table(TableRole::Fuel, true);
        let mixture = table(TableRole::Mixture, true);
        let spark = table(TableRole::Spark, false);
        let locks = read_locks(slot, files).unwrap_or_else(|problems| {
            found.extend(problems.0);
            Vec::new()
        });
        if let Some(fuel) = &fuel {
            found.extend(idle_locks(slot, &locks, fuel));
        }
        match (fuel, mixture, found.is_empty()) {
            (Some(fuel), Some(mixture), true) => Ok(Self { fuel, mixture, spark, locks }),
            _ => Err(Problems(found)),
        }
    }

    /// Reads a slot's fuel table alone.
    ///
    /// # Errors
    /// Every problem of the file, or that it is missing.
    pub fn read_fuel(slot: &str, bike: &Bike, files: &dyn FileSource) -> Result<Table, Problems> {
        let table = Self::read_table(TableRole::Fuel, slot, bike, files)?;
        table.ok_or_else(|| missing(slot, TableRole::Fuel).into())
    }

    /// Reads one of a slot's tables alone; `None` where there is no file.
    ///
    /// # Errors
    /// Every problem of the file.
    pub fn read_table(
        role: TableRole,
        slot: &str,
        bike: &Bike,
        files: &dyn FileSource,
    ) -> Result<Option<Table>, Problems> {
        let path = role.path(slot);
        let Some(text) = files.text(&path)? else { return Ok(None) };
        let (resolution, allowed) = (role.resolution(bike), role.allowed(bike.controller.fuel_table));
        table::parse(Path::new(&path), &text, bike.controller.load, resolution, allowed).map(Some)
    }

    /// One of the tables; only spark may be missing.
    pub fn table(&self, role: TableRole) -> Option<&Table> {
        match role {
            TableRole::Fuel => Some(&self.fuel),
            TableRole::Mixture => Some(&self.mixture),
            TableRole::Spark => self.spark.as_ref(),
        }
    }

    /// The same tables with one of them exchanged.
    pub fn with_table(mut self, role: TableRole, table: Table) -> Self {
        match role {
            TableRole::Fuel => self.fuel = table,
            TableRole::Mixture => self.mixture = table,
            TableRole::Spark => self.spark = Some(table),
        }
        self
    }

    /// The lock that holds a cell, if one does.
    pub fn lock_of(&self, rpm: f64, load: f64) -> Option<&Lock> {
        self.locks.iter().find(|lock| lock.covers(rpm, load))
    }
}

fn missing(slot: &str, role: TableRole) -> Problem {
    Problem::in_file(role.path(slot), format!("slot `{slot}` needs this table"))
}

fn read_locks(slot: &str, files: &dyn FileSource) -> Result<Vec<Lock>, Problems> {
    let path = locks_path(slot);
    let Some(text) = files.text(&path)? else {
        return Ok(Vec::new());
    };
    let node = yaml::parse(Path::new(&path), &text)?;
    if matches!(node.value, yaml::Value::Null) {
        return Ok(Vec::new());
    }
    let locks: Vec<Lock> = yaml::read_node(Path::new(&path), &node)?;
    let mut found = Vec::new();
    for (i, lock) in locks.iter().enumerate() {
        for (key, range) in [("rpm", lock.rpm), ("load", lock.load)] {
            if range[0] > range[1] {
                let (line, column) = node.place(&[&i.to_string(), key]);
                let what = format!("`{key}` must ascend, got [{}, {}]", range[0], range[1]);
                found.push(Problem::at(&path, line, column, what));
            }
        }
    }
    Problems(found).into_result().map(|()| locks)
}

/// Locks that no cell of the table lies in: they would hold nothing.
fn idle_locks(slot: &str, locks: &[Lock], fuel: &Table) -> Vec<Problem> {
    let covers = |lock: &Lock| {
        (0..fuel.grid.cells()).any(|cell| {
            let (rpm, load) = fuel.grid.point(cell);
            lock.covers(rpm, load)
        })
    };
    let idle = locks.iter().filter(|lock| !covers(lock));
    idle.map(|lock| {
        let what = format!(
            "no cell lies in the lock rpm [{}, {}], load [{}, {}]",
            lock.rpm[0], lock.rpm[1], lock.load[0], lock.load[1]
        );
        Problem::in_file(locks_path(slot), what).with_hint("a lock names the breakpoints it covers")
    })
    .collect()
}
