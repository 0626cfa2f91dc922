//! The bike folder as a whole, read in one go with all its problems.

use super::builds::Builds;
use super::config::Bike;
use super::slot::SlotTables;
use super::stock::read_stock;
use super::{BIKE_FILE, BUILDS_FILE, MAPS_FOLDER};
use crate::problem::{Problem, Problems};
use crate::table::Table;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Where files come from: the work tree, or a commit.
pub trait FileSource {
    /// The bytes of a file by its `/`-separated path, `None` when there is none.
    ///
    /// # Errors
    /// When it is there but cannot be read.
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem>;

    /// The paths of the files that lie in a folder, those of its own folders left out; sorted,
    /// and none where there is no such folder.
    ///
    /// # Errors
    /// When it is there but cannot be listed.
    fn list(&self, folder: &str) -> Result<Vec<String>, Problem>;

    /// The file as text.
    ///
    /// # Errors
    /// When it cannot be read or is not UTF-8.
    fn text(&self, path: &str) -> Result<Option<String>, Problem> {
        let Some(bytes) = self.bytes(path)? else { return Ok(None) };
        String::from_utf8(bytes).map(Some).map_err(|error| {
            let good = &error.as_bytes()[..error.utf8_error().valid_up_to()];
            let line = good.iter().filter(|b| **b == b'\n').count() as u64 + 1;
            Problem::at(path, line, 0, "is not UTF-8 text").with_hint("save it as UTF-8")
        })
    }
}

/// Reads a file that is one: a pipe or a device would never end.
///
/// # Errors
/// Those of the file system, and for anything that is not a plain file.
pub fn read_regular(path: &Path) -> std::io::Result<Vec<u8>> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::Error::other("not a plain file"));
    }
    std::fs::read(path)
}

/// The files as they lie in the folder now.
#[derive(Debug, Clone)]
pub struct WorkTree {
    /// The bike folder.
    pub root: PathBuf,
}

impl FileSource for WorkTree {
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
        match read_regular(&self.root.join(path)) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(Problem::in_file(path, format!("cannot be read: {error}"))),
        }
    }

    fn list(&self, folder: &str) -> Result<Vec<String>, Problem> {
        let cannot = |error: std::io::Error| Problem::in_file(folder, format!("cannot be listed: {error}"));
        let entries = match std::fs::read_dir(self.root.join(folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(cannot(error)),
        };
        let mut paths = Vec::new();
        for entry in entries {
            let entry = entry.map_err(cannot)?;
            // Where a link leads counts, as it does when the file is read.
            if std::fs::metadata(entry.path()).is_ok_and(|about| about.is_file()) {
                paths.push(format!("{folder}/{}", entry.file_name().to_string_lossy()));
            }
        }
        paths.sort();
        Ok(paths)
    }
}

/// A bike folder, read and checked.
#[derive(Debug, Clone)]
pub struct BikeFolder {
    /// The folder.
    pub root: PathBuf,
    /// bike.yaml.
    pub bike: Bike,
    /// builds.yaml.
    pub builds: Builds,
    /// The tables of every slot, by name.
    pub slots: BTreeMap<String, SlotTables>,
    /// The stock maps below trim tables, by slot, where they are known.
    pub stock: BTreeMap<String, Table>,
}

impl BikeFolder {
    /// Whether a folder looks like a bike folder at all.
    pub fn is_one(root: &Path) -> bool {
        root.join(BIKE_FILE).is_file() || root.join(MAPS_FOLDER).is_dir()
    }

    /// Reads a bike folder's settings and tables.
    ///
    /// # Errors
    /// Every problem of every file.
    pub fn read(root: &Path) -> Result<Self, Problems> {
        Self::read_from(root, &WorkTree { root: root.to_path_buf() })
    }

    /// Reads settings and tables from elsewhere, such as a commit, for the bike at `root`.
    ///
    /// # Errors
    /// Every problem of every file.
    pub fn read_from(root: &Path, files: &dyn FileSource) -> Result<Self, Problems> {
        let mut found = Vec::new();
        let builds = Self::read_builds(files).unwrap_or_else(|problems| {
            found.extend(problems.0);
            Builds::default()
        });
        let bike = match files.text(BIKE_FILE) {
            Ok(Some(text)) => Bike::parse(Path::new(BIKE_FILE), &text),
            Ok(None) => Err(Problem::in_file(BIKE_FILE, "is missing")
                .with_hint("`rideloop new DIR` writes a bike folder to start from")
                .into()),
            Err(problem) => Err(problem.into()),
        };
        let (mut slots, mut stock) = (BTreeMap::new(), BTreeMap::new());
        match &bike {
            Ok(bike) => {
                for slot in &bike.slots {
                    match SlotTables::read(slot, bike, files) {
                        Ok(tables) => {
                            slots.insert(slot.clone(), tables);
                        }
                        Err(problems) => found.extend(problems.0),
                    }
                    match read_stock(slot, bike, files) {
                        Ok(map) => stock.extend(map.map(|map| (slot.clone(), map))),
                        Err(problems) => found.extend(problems.0),
                    }
                }
            }
            Err(problems) => found.extend(problems.0.clone()),
        }
        match bike {
            Ok(bike) if found.is_empty() => Ok(Self { root: root.to_path_buf(), bike, builds, slots, stock }),
            _ => Err(Problems(found)),
        }
    }

    fn read_builds(files: &dyn FileSource) -> Result<Builds, Problems> {
        match files.text(BUILDS_FILE)? {
            Some(text) => Builds::parse(Path::new(BUILDS_FILE), &text),
            None => Ok(Builds::default()),
        }
    }

    /// The files in the folder now.
    pub fn work_tree(&self) -> WorkTree {
        WorkTree { root: self.root.clone() }
    }
}
