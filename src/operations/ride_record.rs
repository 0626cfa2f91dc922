//! What one ride says to a run, in a form that can be kept.
//!
//! A log's bytes enter; everything a run needs of the ride afterwards leaves, so that
//! neither the bytes nor the columns have to stay in memory. [`ride_key`](super::ride_key)
//! says under what it holds; two records with the same key are the same, to the last bit.

use crate::findings::{self, Finding};
use crate::pipeline::{Plan, RideContext, RideOutcome, rows_on_told_slot, run_ride};
use crate::ride::{BadValue, Channel, LoggerRef, Loggers, Ride, RideError};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What one ride says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct RideRecord {
    /// What it says of the map.
    pub outcome: RideOutcome,
    /// What else reading it told.
    pub details: RideDetails,
}

/// What reading a ride told besides its outcome.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct RideDetails {
    /// Values that could not be read, the first of them.
    pub unparsable: Vec<BadValue>,
    /// How many could not be read in all.
    pub unparsable_total: usize,
    /// The log tells the slot sample by sample.
    pub slot_logged: bool,
    /// Rows whose slot the log does not tell and somebody told, where it tells others.
    pub rows_on_told_slot: usize,
    /// What is allowed in this log and yet worth a look.
    pub remarks: Vec<String>,
    /// Signs that a sensor or the log lies, as far as one ride shows them.
    pub findings: Vec<Finding>,
    /// What says what its columns are, where they do not have the channels' names.
    pub logger: Option<LoggerRef>,
}

/// A ride that cannot be used, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct RideFailure {
    /// Why, in words.
    pub why: String,
    /// Its numbers cannot be what the channel holds.
    pub implausible: bool,
}

impl RideFailure {
    /// A failure that is no matter of implausible numbers.
    pub fn new(why: impl Into<String>) -> Self {
        Self { why: why.into(), implausible: false }
    }
}

/// What a log came to: its record, or why it cannot be used.
pub(super) type Recorded = Result<RideRecord, RideFailure>;

impl RideRecord {
    /// Reads a log from its path, bytes and hash, and sends it through the pipeline.
    ///
    /// # Errors
    /// When the log cannot be used.
    pub fn of(
        plan: &Plan,
        (path, bytes, sha256): (&Path, &[u8], &str),
        loggers: &Loggers,
        context: &RideContext<'_>,
    ) -> Recorded {
        let log = Ride::read_hashed(path, bytes, sha256.to_owned(), loggers).map_err(|error| {
            let hint = error.hint().map(|h| format!(" ({h})")).unwrap_or_default();
            RideFailure {
                why: format!("{error}{hint}"),
                implausible: matches!(error, RideError::Implausible(_)),
            }
        })?;
        let outcome =
            run_ride(plan, &log, context).map_err(|trouble| RideFailure::new(trouble.to_string()))?;
        let details = RideDetails {
            unparsable_total: log.reading.unparsable_total(),
            unparsable: log.reading.unparsable.clone(),
            slot_logged: log.has(Channel::Slot),
            rows_on_told_slot: rows_on_told_slot(&log, context),
            remarks: log.remarks(),
            findings: findings::of_one_ride(&log, context),
            logger: log.logger,
        };
        Ok(Self { outcome, details })
    }
}

/// What a log came to, as bytes; numbers bit for bit.
///
/// `None` when it cannot be written so, which plain data always can.
pub(super) fn encode(recorded: &Recorded) -> Option<Vec<u8>> {
    postcard::to_stdvec(recorded).ok()
}

/// What a log came to, from the bytes of [`encode`]; `None` when they are none.
pub(super) fn decode(bytes: &[u8]) -> Option<Recorded> {
    let (recorded, rest) = postcard::take_from_bytes(bytes).ok()?;
    rest.is_empty().then_some(recorded)
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::ride_key::KeyOfRun;
    use super::*;
    use crate::bike::{Bike, SlotTables, WorkTree};
    use crate::findings::Severity;
    use crate::pipeline::Ridden;
    use crate::pipeline::stages::tests::bike;
    use crate::table::Axis;
    use crate::virtual_bike::{Ambient, BikeSpec, Character, RideRequest, RideStyle, VirtualBike};

    /// A ride of a virtual bike as a log.
    pub(in super::super) fn log(bike: &Bike, tables: &SlotTables) -> Vec<u8> {
        let twin = VirtualBike { spec: BikeSpec::of(bike), character: Character::from_seed(1) };
        let request = RideRequest {
            seed: 1,
            minutes: 6.0,
            rate_hz: 20.0,
            cold_start: false,
            ambient: Ambient::reference(),
            style: RideStyle::Spirited,
        };
        let ride = twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request);
        ride.to_csv(None).into_bytes()
    }

    fn record(bytes: &[u8], context: &RideContext<'_>) -> RideRecord {
        let plan = Plan::shipped_default().expect("shipped");
        RideRecord::of(&plan, (Path::new("ride.csv"), bytes, "00"), &Loggers::none(), context)
            .expect("a ride")
    }

    #[test]
    fn a_record_comes_back_bit_for_bit() {
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let mut record = record(&log(&bike, &tables), &context);
        assert!(record.outcome.delay.is_some() && record.outcome.funnel.kept() > 0);
        let entry = findings::registry()[0];
        record.details.findings.push(Finding {
            name: entry.name,
            severity: Severity::Warning,
            saw: "seen".to_owned(),
            look_at: entry.look_at,
            channel: Some(Channel::Lambda.name()),
            from_s: Some(-0.0),
            to_s: None,
            region: None,
        });
        let bad = BadValue { line: 2, column: 3, channel: Channel::Rpm.name(), value: "x".to_owned() };
        record.details.unparsable.push(bad);
        record.outcome.ridden_s[0] = 0.1 + 0.2;
        record.outcome.air_temp_c = Some(f64::NAN);
        let recorded = Ok(record);
        let bytes = encode(&recorded).expect("plain data");
        let back = decode(&bytes).expect("own bytes");
        assert_eq!(encode(&back), Some(bytes.clone()));
        assert_eq!(format!("{back:?}"), format!("{recorded:?}"));
        for end in [0, 1, bytes.len() / 2, bytes.len() - 1] {
            assert!(decode(&bytes[..end]).is_none(), "{end} of {}", bytes.len());
        }
        let failure = Err(RideFailure { why: "no time".to_owned(), implausible: true });
        assert_eq!(decode(&encode(&failure).expect("plain data")), Some(failure));
    }

    #[test]
    fn a_name_that_no_registry_knows_makes_a_record_stale() {
        let (bike, tables) = bike();
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let mut record = record(&log(&bike, &tables), &context);
        let bad = BadValue { line: 2, column: 3, channel: "no_such_channel", value: "x".to_owned() };
        record.details.unparsable.push(bad);
        assert!(decode(&encode(&Ok(record)).expect("plain data")).is_none());
    }

    #[test]
    fn what_the_key_leaves_out_does_not_change_a_record() {
        let (bike, tables) = bike();
        let bytes = log(&bike, &tables);
        let context = RideContext::of_one_slot(&bike, &tables, "main");
        let usual = record(&bytes, &context);
        let mut today = tables.clone();
        today.fuel.values.fill(f64::NAN);
        today.spark = None;
        today.locks.clear();
        let ridden = SlotTables { spark: None, locks: Vec::new(), ..tables.clone() };
        let other = record(&bytes, &RideContext { ridden: Ridden::Slot(&ridden), today: &today, ..context });
        assert_eq!(usual, other);
        let plan = Plan::shipped_default().expect("shipped");
        let none = Loggers::none();
        let key = |context: &RideContext<'_>, path: &str| {
            let key = KeyOfRun::new(&plan, &none, (context.bike, context.today));
            key.made_on(context.ridden, context.slot).of_ride("00", Path::new(path))
        };
        let own = key(&context, "a.csv");
        assert_eq!(
            own,
            key(&RideContext { ridden: Ridden::Slot(&ridden), today: &today, ..context }, "b.CSV")
        );
        today.fuel.grid.load = Axis::new(vec![0.0, 50.0, 100.0]).expect("ascending");
        let mut richer = tables.clone();
        richer.fuel.values[3] += 0.1;
        let mut warmer = bike.clone();
        warmer.name.push('2');
        let of_logger = |yaml: &str, path: &str| {
            let folder = tempfile::tempdir().expect("a folder");
            std::fs::create_dir(folder.path().join("loggers")).expect("made");
            std::fs::write(folder.path().join("loggers/box.yaml"), yaml).expect("written");
            let files = WorkTree { root: folder.path().to_path_buf() };
            let loggers = Loggers::read(&files).expect("a logger");
            let key = KeyOfRun::new(&plan, &loggers, (&bike, &tables));
            key.made_on(Ridden::Slot(&tables), "main").of_ride("00", Path::new(path))
        };
        let logger = "time: { title: t, as: seconds }\nchannels:\n  rpm: { title: n }\n";
        let keys = [
            own,
            key(&RideContext { today: &today, ..context }, "a.csv"),
            key(&RideContext { ridden: Ridden::Slot(&richer), ..context }, "a.csv"),
            key(&RideContext { bike: &warmer, ..context }, "a.csv"),
            key(&RideContext { slot: "rain", ..context }, "a.csv"),
            key(&context, "a.parquet"),
            key(&context, "a.csv.gz"),
            of_logger(logger, "a.csv"),
            of_logger(logger, "b.csv"),
            of_logger(&logger.replace("title: n", "title: m"), "a.csv"),
            KeyOfRun::new(&plan, &none, (&bike, &tables))
                .made_on(Ridden::Slot(&tables), "main")
                .of_ride("01", Path::new("a.csv")),
        ];
        let different: std::collections::BTreeSet<_> = keys.iter().collect();
        assert_eq!(different.len(), keys.len());
    }
}
