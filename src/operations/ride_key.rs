//! Under what a ride's record holds.
//!
//! Everything that enters a record is hashed: the log, the pipeline, bike.yaml, the tables
//! the ride was made on, the grid and the wanted mixture of today, this program.

use crate::cache::Key;
use crate::pipeline::{Plan, RideContext};
use crate::ride::{LoggerRef, Loggers};
use crate::table::{Grid, Table};
use sha2::{Digest, Sha256};
use std::fmt::{self, Write as _};
use std::path::Path;

/// The form of a record; another one is another record.
const RECORD_FORM: u32 = 1;

/// What all rides of a run that were made on the same tables have in common.
#[derive(Clone)]
pub(super) struct KeyOfTables {
    hash: Sha256,
    /// Loggers know a log by its name too.
    by_name: bool,
}

impl KeyOfTables {
    /// Begins the keys of the rides made on `context.ridden`.
    ///
    /// Of today's tables only the grid and the mixture enter a record: the fuel of today
    /// may change and the record stays true.
    pub fn new(plan: &Plan, loggers: &Loggers, context: &RideContext<'_>) -> Self {
        /// By name, so that nothing is left out unseen.
        #[derive(Debug)]
        #[allow(dead_code, reason = "written out and hashed")]
        struct Entered<'a> {
            form: u32,
            program: &'static str,
            pipeline: &'a str,
            bike: &'a crate::bike::Bike,
            slot: &'a str,
            ridden_fuel: &'a Table,
            ridden_mixture: &'a Table,
            today_grid: &'a Grid,
            today_mixture: &'a Table,
            loggers: Vec<&'a LoggerRef>,
        }
        let entered = Entered {
            form: RECORD_FORM,
            program: env!("RIDELOOP_SOURCES"),
            pipeline: &plan.sha256,
            bike: context.bike,
            slot: context.slot,
            ridden_fuel: &context.ridden.fuel,
            ridden_mixture: &context.ridden.mixture,
            today_grid: &context.today.fuel.grid,
            today_mixture: &context.today.mixture,
            loggers: loggers.all().iter().map(|logger| &logger.reference).collect(),
        };
        Self { hash: hashed(Sha256::new(), &entered), by_name: !loggers.is_empty() }
    }

    /// The key of one ride. `path` tells how the log is read.
    pub fn of_ride(&self, sha256: &str, path: &Path) -> Key {
        let name = path.file_name().map(|name| name.to_string_lossy().to_lowercase()).unwrap_or_default();
        // A packed log has two endings.
        let endings = || name.rsplitn(3, '.').take(2).collect::<Vec<_>>().join(".");
        let read_by = if self.by_name { name.clone() } else { endings() };
        hashed(self.hash.clone(), &(sha256, read_by)).finalize().into()
    }
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
