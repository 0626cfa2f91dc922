//! The first revision: the tables as they were found. And a new folder from its files.

use super::error::OperationError;
use super::new_bike::NewReport;
use super::open::OpenBike;
use super::whole_file::WholeFile;
use super::write::{Writable, begin, commit, refuse_nesting, tool_name};
use crate::bike::{
    BIKE_FILE, Bike, BikeFolder, FileSource, REGISTER_FILE, RIDES_FOLDER, SlotTables, fuel_path,
    mixture_path, spark_path,
};
use crate::ledger::{FileWrite, Moment, RevisionKind, RevisionRecord, Store};
use crate::problem::Problem;
use crate::revision::revision_name;
use crate::shell;
use crate::units;
use std::path::Path;

/// Makes the repository and r1 where they are not there yet; everything else that
/// makes a revision builds on them.
pub(super) fn with_start(
    root: &Path,
    bike: OpenBike,
    writable: Option<Writable>,
    when: Moment,
) -> Result<(Writable, OpenBike), OperationError> {
    let writable = match writable {
        Some(writable) => writable,
        None => begin(root)?,
    };
    if !bike.revisions.is_empty() {
        return Ok((writable, bike));
    }
    start(&bike, &writable, when)?;
    Ok((writable, OpenBike { at_hand: bike.at_hand, files: bike.files, ..OpenBike::open(root)? }))
}

/// Makes r1 of a folder that has no revision yet.
pub(super) fn start(bike: &OpenBike, writable: &Writable, when: Moment) -> Result<String, OperationError> {
    let head = writable.store.head()?;
    let mut files = bike.settings_files(&writable.store, head.as_deref())?;
    let here = bike.folder.work_tree();
    for slot in &bike.folder.bike.slots {
        for path in [fuel_path(slot), mixture_path(slot), spark_path(slot)] {
            if let Some(bytes) = here.bytes(&path)? {
                files.push(FileWrite { path, bytes: Some(bytes) });
            }
        }
    }
    let mut register = bike.register.clone();
    bike.remember_waiting(&mut register)?;
    let register = register.to_text().into_bytes();
    files.push(FileWrite { path: REGISTER_FILE.to_owned(), bytes: Some(register) });
    let slots = bike.folder.bike.slots.clone();
    let record =
        RevisionRecord::new(1, RevisionKind::Start, slots, bike.folder.builds.current(), tool_name());
    let summary =
        format!("r1 start: {}, {}", bike.folder.bike.name, units::counted(record.slots.len(), "slot"));
    let body = "The tables as they were found.";
    commit(writable, &record, &summary, body, files, when)
}

/// Files that would not read back are not written at all.
fn refuse_unreadable(files: &[(String, String)]) -> Result<(), OperationError> {
    struct Given<'a>(&'a [(String, String)]);
    impl FileSource for Given<'_> {
        fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
            Ok(self.0.iter().find(|(p, _)| p == path).map(|(_, text)| text.clone().into_bytes()))
        }

        fn list(&self, folder: &str) -> Result<Vec<String>, Problem> {
            let inside =
                |path: &str| path.strip_prefix(folder)?.strip_prefix('/').map(|name| !name.contains('/'));
            let mut paths: Vec<String> = self.0.iter().map(|(path, _)| path.clone()).collect();
            paths.retain(|path| inside(path) == Some(true));
            paths.sort();
            Ok(paths)
        }
    }
    let given = Given(files);
    let text = given.text(BIKE_FILE)?.unwrap_or_default();
    let bike = Bike::parse(Path::new(BIKE_FILE), &text).map_err(|problems| {
        let whats: Vec<&str> = problems.0.iter().map(|p| p.what.as_str()).collect();
        OperationError::failed(
            format!("no bike can be made of this: {}", whats.join("; ")),
            "nothing was written",
        )
    })?;
    for slot in &bike.slots {
        SlotTables::read(slot, &bike, &given)?;
    }
    Ok(())
}

/// A new bike folder never goes into one that holds something.
///
/// # Errors
/// When the folder is not empty.
pub fn refuse_taken(root: &Path) -> Result<(), OperationError> {
    if let Ok(mut entries) = std::fs::read_dir(root)
        && entries.next().is_some()
    {
        let hint = match BikeFolder::is_one(root) {
            true => format!(
                "it is a bike folder already: `rideloop --bike {}` says what comes next",
                shell::path(root)
            ),
            false => "name a folder that does not exist yet".to_owned(),
        };
        return Err(OperationError::failed(format!("`{}` is not empty", root.display()), hint));
    }
    Ok(())
}

/// Makes a bike folder from given files, with r1.
pub(super) fn new_from_files(
    root: &Path,
    files: &[(String, String)],
    identity: Option<(&str, &str)>,
    when: Moment,
) -> Result<NewReport, OperationError> {
    refuse_taken(root)?;
    refuse_unreadable(files)?;
    refuse_nesting(root)?;
    if identity.is_none() {
        Store::check_default_identity()?;
    }
    write_files(root, files)?;
    let rides = root.join(RIDES_FOLDER);
    std::fs::create_dir_all(&rides).map_err(|error| OperationError::io("make", &rides, &error))?;
    let store = Store::init(root)?;
    if let Some((name, email)) = identity {
        store.set_local_identity(name, email)?;
    }
    drop(store);
    let bike = OpenBike::open(root)?;
    let writable = begin(root)?;
    let commit = start(&bike, &writable, when)?;
    Ok(NewReport {
        folder: root.to_path_buf(),
        files: files.iter().map(|(path, _)| path.clone()).collect(),
        revision: revision_name(1),
        commit,
        presumed: Vec::new(),
        first_map: "as given".to_owned(),
        rescaling: None,
        verdict: None,
        notes: Vec::new(),
    })
}

/// Writes all of the files into an empty folder, or none.
fn write_files(root: &Path, files: &[(String, String)]) -> Result<(), OperationError> {
    let write = |(path, text): &(String, String)| {
        WholeFile::begin_with_folder(&root.join(path))?.put(text.as_bytes())
    };
    files.iter().try_for_each(write).inspect_err(|_| {
        // With half of them it would be neither a bike folder nor one that may become one.
        for (path, _) in files {
            let path = root.join(path);
            let _ = std::fs::remove_file(&path);
            // Only an empty folder can be removed so.
            for folder in path.ancestors().skip(1).take_while(|folder| *folder != root) {
                let _ = std::fs::remove_dir(folder);
            }
        }
    })
}
