//! Under what a ride's record holds.
//!
//! Everything that enters a record is hashed: the log, the pipeline, bike.yaml, the slot and
//! the tables the ride was made on, the grid and the wanted mixture of today, this program.

use crate::bike::{Bike, SlotTables};
use crate::cache::Key;
use crate::pipeline::{Plan, Ridden};
use crate::ride::Loggers;
use crate::table::Table;
use sha2::{Digest, Sha256};
use std::fmt::{self, Write as _};
use std::path::Path;

/// The form of a record; another one is another record.
const RECORD_FORM: u32 = 4;

/// The version of this program and its sources: another one may come to other numbers.
pub(super) const PROGRAM: &str = env!("RIDELOOP_SOURCES");

/// What all rides of a run have in common.
#[derive(Clone)]
pub(super) struct KeyOfRun {
    hash: Sha256,
    /// Loggers know a log by its name too.
    by_name: bool,
}

/// What all rides of a run that were made on the same tables have in common.
#[derive(Clone)]
pub(super) struct KeyOfTables {
    hash: Sha256,
    /// Loggers know a log by its name too.
    by_name: bool,
}

impl KeyOfRun {
    /// Begins the keys of a run's rides.
    ///
    /// Of today's tables only the grid and the mixture enter a record: the fuel of today
    /// may change and the record stays true.
    pub fn new(plan: &Plan, loggers: &Loggers, (bike, today): (&Bike, &SlotTables)) -> Self {
        let known = loggers.references();
        let settings = (RECORD_FORM, PROGRAM, &plan.sha256, bike, &today.fuel.grid, known);
        let hash = with_table(hashed(Sha256::new(), &settings), &today.mixture);
        Self { hash, by_name: !loggers.is_empty() }
    }

    /// Goes on for the rides that were made on these tables, and on `slot` where the log
    /// does not tell.
    pub fn made_on(&self, ridden: Ridden<'_>, slot: &str) -> KeyOfTables {
        let with = |hash, tables: &SlotTables| with_table(with_table(hash, &tables.fuel), &tables.mixture);
        let hash = hashed(self.hash.clone(), &slot);
        let hash = match ridden {
            Ridden::Slot(tables) => with(hash, tables),
            Ridden::Slots(slots) => slots
                .iter()
                .fold(hashed(hash, &slots.len()), |hash, (name, tables)| with(hashed(hash, name), tables)),
        };
        KeyOfTables { hash, by_name: self.by_name }
    }
}

impl KeyOfTables {
    /// What all these rides have in common, as a key.
    pub fn in_common(&self) -> Key {
        self.hash.clone().finalize().into()
    }

    /// The key of one ride. `path` tells how the log is read.
    pub fn of_ride(&self, sha256: &str, path: &Path) -> Key {
        let name = path.file_name().map(|name| name.to_string_lossy().to_lowercase()).unwrap_or_default();
        let ending = |name: &str| name.rsplit_once('.').map(|(_, ending)| ending.to_owned());
        let read_by = match (self.by_name, ending(&name).as_deref()) {
            (true, _) => name.clone(),
            // The ending before that of the packing tells what is packed.
            (false, Some(packing @ ("gz" | "zst"))) => {
                let packed = name.strip_suffix(packing).unwrap_or_default().trim_end_matches('.');
                format!("{}.{packing}", ending(packed).unwrap_or_default())
            }
            (false, other) => other.unwrap_or_default().to_owned(),
        };
        hashed(self.hash.clone(), &(sha256, read_by)).finalize().into()
    }
}

/// The SHA-256 of a value, every field of it, in hex.
pub(super) fn hash_of(value: &impl fmt::Debug) -> String {
    hex(hashed(Sha256::new(), value))
}

/// The SHA-256 of a table, in hex.
pub(super) fn hash_of_table(table: &Table) -> String {
    hex(with_table(Sha256::new(), table))
}

fn hex(hash: Sha256) -> String {
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Hashes a table; its many cells as bits.
fn with_table(hash: Sha256, table: &Table) -> Sha256 {
    // By name, so that a new field is not left out unseen.
    let Table { grid, load_axis, resolution, values } = table;
    let mut hash = hashed(hash, &(grid, load_axis, resolution, values.len()));
    for value in values {
        hash.update(value.to_bits().to_le_bytes());
    }
    hash
}

/// Hashes a value as it is written out for debugging: every field by name, numbers as the
/// shortest text that reads back as the same bits.
fn hashed(hash: Sha256, value: &impl fmt::Debug) -> Sha256 {
    struct Into(Sha256);
    impl fmt::Write for Into {
        fn write_str(&mut self, text: &str) -> fmt::Result {
            self.0.update(text.as_bytes());
            Ok(())
        }
    }
    let mut into = Into(hash);
    // Hashing cannot fail.
    let _ = writeln!(into, "{value:?}");
    into.0
}
