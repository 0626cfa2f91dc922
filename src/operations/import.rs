//! `import`: a table from a file, or the tables as they lie edited in the folder.

use super::by_hand::{
    CellCounts, HandReport, HandRequest, HandWork, SlotChange, carry_out, open_to_change, reason,
};
use super::error::OperationError;
use super::open::OpenBike;
use super::start::start;
use super::write::{Writable, begin};
use crate::bike::{FileSource, MAPS_FOLDER, REGISTER_FILE, SlotTables, TableRole, locks_path, read_regular};
use crate::blend::Refusal;
use crate::blend::by_hand::HandGuard;
use crate::ledger::{FileWrite, ImportRef, RevisionKind};
use crate::ride::hash;
use crate::shell;
use crate::table::{self, ImportExpectation, Rows};
use crate::units;
use std::path::{Path, PathBuf};

/// What an import is asked to do.
#[derive(Debug, Clone)]
pub struct ImportRequest {
    /// Where the tables come from.
    pub from: ImportSource,
    /// What all changes by hand are asked.
    pub hand: HandRequest,
}

/// Where imported tables come from.
#[derive(Debug, Clone)]
pub enum ImportSource {
    /// One table from a file.
    File {
        /// The file.
        file: PathBuf,
        /// The slot, or bike.yaml's first.
        slot: Option<String>,
        /// Which table it becomes.
        table: TableRole,
        /// What a row of cells is, where the file does not tell.
        rows: Option<Rows>,
        /// Take other axes than today's.
        new_axes: bool,
    },
    /// The tables as they lie edited in the bike folder.
    Folder,
}

/// Takes tables from outside as a revision.
///
/// # Errors
/// When a file cannot be read as a table, no reason is given, or a guard of the
/// folder refuses; a refusal of the change itself is in the report.
pub fn import(root: &Path, request: &ImportRequest) -> Result<HandReport, OperationError> {
    let why = reason(&request.hand.why)?;
    let (writable, bike) = open_to_change(root, request.hand.dry_run)?;
    match &request.from {
        ImportSource::Folder if bike.revisions.is_empty() => {
            first_revision(root, &bike, writable, &request.hand)
        }
        ImportSource::Folder => {
            let work = from_folder(&bike)?;
            carry_out(root, bike, writable, &request.hand, work)
        }
        ImportSource::File { file, slot, table, rows, new_axes } => {
            bike.refuse_edits()?;
            let work = from_file(&bike, file, slot.as_deref(), *table, *rows, *new_axes)?;
            let hand = HandRequest { why, ..request.hand.clone() };
            carry_out(root, bike, writable, &hand, work)
        }
    }
}

fn from_file(
    bike: &OpenBike,
    file: &Path,
    slot: Option<&str>,
    role: TableRole,
    rows: Option<Rows>,
    new_axes: bool,
) -> Result<HandWork, OperationError> {
    let slot = bike.slot(slot)?;
    let before = bike.today(&slot).clone();
    let bytes = read_regular(file).map_err(|error| OperationError::io("read", file, &error))?;
    let name = file.file_name().map_or_else(|| file.to_string_lossy(), |name| name.to_string_lossy());
    let controller = &bike.folder.bike.controller;
    let found = table::import(
        Path::new(&*name),
        &bytes,
        &ImportExpectation {
            today: before.table(role),
            table: role.name(),
            load_axis: controller.load,
            resolution: role.resolution(&bike.folder.bike),
            allowed: role.allowed(controller.fuel_table),
            rows,
            new_axes,
        },
    )?;
    let mut notes = Vec::new();
    if found.rounded > 0 {
        let step = units::plain(found.table.resolution.step());
        notes.push(format!(
            "{} rounded to the table's step of {step}",
            match found.rounded {
                1 => "1 cell was".to_owned(),
                n => format!("{n} cells were"),
            }
        ));
    }
    let after = before.clone().with_table(role, found.table);
    if role == TableRole::Fuel {
        refuse_idle_locks(&slot, &after)?;
    }
    Ok(HandWork {
        is_of_new_hardware: false,
        kind: RevisionKind::Import,
        edits: Vec::new(),
        imports: vec![ImportRef { sha256: hash(&bytes), file: name.into_owned() }],
        nothing: format!("the {} table of slot {slot} holds these values already", role.name()),
        slots: vec![SlotChange { slot, before: Some(before), after }],
        files: Vec::new(),
        done: "imported",
        notes,
    })
}

/// A lock that covers no cell of the new axes would hold nothing any more.
fn refuse_idle_locks(slot: &str, tables: &SlotTables) -> Result<(), OperationError> {
    let grid = &tables.fuel.grid;
    let covers = |lock: &crate::bike::Lock| {
        (0..grid.cells()).any(|cell| {
            let (rpm, load) = grid.point(cell);
            lock.covers(rpm, load)
        })
    };
    match tables.locks.iter().find(|lock| !covers(lock)) {
        None => Ok(()),
        Some(lock) => Err(OperationError::Refused(Refusal {
            guard: HandGuard::Locked.name(),
            saw: format!(
                "no cell of the new axes lies in the lock of {}, rpm {} to {}, load {} to {}: {}",
                locks_path(slot),
                units::plain(lock.rpm[0]),
                units::plain(lock.rpm[1]),
                units::plain(lock.load[0]),
                units::plain(lock.load[1]),
                lock.why
            ),
            look_at:
                "whether the lock is still needed: `rideloop edit unlock` first, and lock the new cells \
                      after the import"
                    .to_owned(),
        })),
    }
}

/// The tables as they lie, against the newest revision.
fn from_folder(bike: &OpenBike) -> Result<HandWork, OperationError> {
    let (Some(store), Some(newest)) = (&bike.store, bike.newest()) else {
        return Err(OperationError::failed(
            "this folder has no revisions yet",
            "`rideloop run` makes the first",
        ));
    };
    let edited = bike.edited_files()?;
    if edited.iter().any(|path| path == REGISTER_FILE) {
        bike.refuse_edits_of(&[REGISTER_FILE.to_owned()])?;
    }
    let (then, _) = bike.bike_at(&newest.commit)?;
    if !bike.same_meaning(&then) {
        return Err(OperationError::failed(
            format!(
                "bike.yaml says another kind of table than in {}, so that nothing can be compared",
                newest.name()
            ),
            "a controller of another kind is a new bike folder: `rideloop new DIR`",
        ));
    }
    let slots = &bike.folder.bike.slots;
    let mut changes = Vec::new();
    for slot in slots {
        let before = match bike.holds(&newest.commit, &TableRole::Fuel.path(slot))? {
            true => Some(bike.tables_at(&newest.commit, slot)?),
            false => None,
        };
        let after = bike.today(slot).clone();
        if before.as_ref() != Some(&after) {
            changes.push(SlotChange { slot: slot.clone(), before, after });
        }
    }
    let here = bike.folder.work_tree();
    let (mut files, mut imports, mut notes) = (Vec::new(), Vec::new(), Vec::new());
    for path in &edited {
        let of_slot = slots.iter().any(|slot| path.starts_with(&format!("{MAPS_FOLDER}/{slot}/")));
        let is_table = slots.iter().any(|slot| TableRole::ALL.iter().any(|role| role.path(slot) == *path));
        match here.bytes(path)? {
            Some(bytes) if is_table => {
                imports.push(ImportRef { sha256: hash(&bytes), file: path.clone() });
            }
            // A spark table that is gone is a change of its slot.
            None if is_table => {}
            None => {
                notes.push(format!("{path} is gone"));
                files.push(FileWrite { path: path.clone(), bytes: None });
            }
            Some(_) => {
                let what = match of_slot {
                    true => format!("{path} is no table that a slot can have"),
                    false => format!("{path} belongs to no slot of bike.yaml"),
                };
                let hint = format!(
                    "name its slot in bike.yaml, or `git checkout {} -- {}`",
                    newest.name(),
                    shell::path(path)
                );
                return Err(OperationError::failed(what, hint));
            }
        }
    }
    // The locks of a slot that is no more go with its tables.
    for path in store.list_files(&newest.commit, &format!("{MAPS_FOLDER}/"))? {
        let is_setting = slots.iter().any(|slot| locks_path(slot) == path);
        if !path.ends_with(".csv") && !is_setting && here.bytes(&path)?.is_none() {
            files.push(FileWrite { path, bytes: None });
        }
    }
    let nothing = match edited.is_empty() {
        true => format!("the tables in the folder are those of {}", newest.name()),
        false => format!(
            "{} hold the same cells as in {} and are only written otherwise; `git checkout {} -- {}` puts them back",
            edited.join(", "),
            newest.name(),
            newest.name(),
            shell::paths(&edited)
        ),
    };
    for change in &changes {
        let path = locks_path(&change.slot);
        if store.read_file(&newest.commit, &path)? != here.bytes(&path)?
            && let Some(bytes) = here.bytes(&path)?
        {
            imports.push(ImportRef { sha256: hash(&bytes), file: path });
        }
    }
    Ok(HandWork {
        is_of_new_hardware: false,
        kind: RevisionKind::Import,
        edits: Vec::new(),
        imports,
        slots: changes,
        files,
        done: "taken from the folder",
        notes,
        nothing,
    })
}

/// In a folder without revisions the tables as they lie are the first.
fn first_revision(
    root: &Path,
    bike: &OpenBike,
    writable: Option<Writable>,
    hand: &HandRequest,
) -> Result<HandReport, OperationError> {
    let mut report = HandReport {
        revision: None,
        commit: None,
        from_revision: bike.newest_name(),
        kind: RevisionKind::Start,
        slots: bike.folder.bike.slots.clone(),
        dry_run: hand.dry_run,
        edits: Vec::new(),
        imports: Vec::new(),
        tables: Vec::new(),
        locked: Vec::new(),
        cells_changed: CellCounts::default(),
        counts: format!("the tables of {}", units::counted(bike.folder.bike.slots.len(), "slot")),
        pipeline: hand.pipeline.clone(),
        despite: Vec::new(),
        cautions: Vec::new(),
        notes: vec!["the folder had no revision yet: r1 holds its tables as they were found".to_owned()],
        nothing: None,
        refused: None,
    };
    if !hand.dry_run {
        let writable = match writable {
            Some(writable) => writable,
            None => begin(root)?,
        };
        report.commit = Some(start(bike, &writable, hand.when)?);
        report.revision = Some(bike.newest_name());
    }
    Ok(report)
}
