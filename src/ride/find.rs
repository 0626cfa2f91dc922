//! Which files are rides, and on which revision each one was made.

use super::compressed;
use super::logger::Loggers;
use crate::bike::RIDES_FOLDER;
use crate::revision::revision_number;
use std::io;
use std::path::{Component, Path, PathBuf};

/// The revision a ride was made on, as far as its place tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RiddenOn {
    /// It lies in `rides/r<N>/`.
    Revision(u32),
    /// It lies elsewhere: the newest revision when it is first registered.
    Newest,
}

/// A file that may be a ride.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundRide {
    /// Where it lies.
    pub path: PathBuf,
    /// How to name it to the user and in the register.
    pub name: String,
    /// The revision its place tells.
    pub ridden_on: RiddenOn,
}

/// The rides of a bike folder, in the order of their names.
///
/// # Errors
/// When a folder cannot be listed.
pub fn find_in_folder(root: &Path, loggers: &Loggers) -> io::Result<Vec<FoundRide>> {
    find(root, &|path| is_log(path, loggers))
}

/// Every file below a bike folder's rides, whatever its name: a ride is known by its hash, also
/// when no logger names its file any more.
///
/// # Errors
/// When a folder cannot be listed.
pub fn find_any_in_folder(root: &Path) -> io::Result<Vec<FoundRide>> {
    find(root, &|_| true)
}

fn find(root: &Path, is_wanted: &dyn Fn(&Path) -> bool) -> io::Result<Vec<FoundRide>> {
    let rides = root.join(RIDES_FOLDER);
    if !rides.is_dir() {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    list(root, &rides, is_wanted, &mut found, &mut Vec::new())?;
    found.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(found)
}

/// The rides named on the command line: files, or folders of them.
///
/// # Errors
/// When a path does not exist or a folder cannot be listed.
pub fn find_named(root: &Path, paths: &[PathBuf], loggers: &Loggers) -> io::Result<Vec<FoundRide>> {
    let mut found = Vec::new();
    for path in paths {
        let with_path =
            |error: io::Error| io::Error::new(error.kind(), format!("{}: {error}", path.display()));
        if std::fs::metadata(path).map_err(with_path)?.is_dir() {
            list(root, path, &|path| is_log(path, loggers), &mut found, &mut Vec::new())?;
        } else {
            found.push(describe(root, path));
        }
    }
    found.sort_by(|a, b| a.name.cmp(&b.name));
    found.dedup();
    Ok(found)
}

/// Lists a folder, links to folders included; `seen` holds the folders that were listed,
/// since a link may lead back to one of them.
fn list(
    root: &Path,
    folder: &Path,
    is_wanted: &dyn Fn(&Path) -> bool,
    found: &mut Vec<FoundRide>,
    seen: &mut Vec<PathBuf>,
) -> io::Result<()> {
    let with_path = |error: io::Error| io::Error::new(error.kind(), format!("{}: {error}", folder.display()));
    let itself = std::fs::canonicalize(folder).map_err(with_path)?;
    if seen.contains(&itself) {
        return Ok(());
    }
    seen.push(itself);
    for entry in std::fs::read_dir(folder).map_err(with_path)? {
        let entry = entry.map_err(with_path)?;
        let path = entry.path();
        let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if hidden {
            continue;
        }
        if path.is_dir() {
            list(root, &path, is_wanted, found, seen)?;
        } else if is_wanted(&path) {
            found.push(describe(root, &path));
        }
    }
    Ok(())
}

/// Whether a file's name says that it is a log: by its ending, or because a logger names it.
fn is_log(path: &Path, loggers: &Loggers) -> bool {
    const TEXTS: [&str; 2] = ["csv", "tsv"];
    const BINARIES: [&str; 3] = ["parquet", "mf4", "mdf"];
    let ends_with = |path: &Path, known: &[&str]| {
        path.extension().is_some_and(|e| known.iter().any(|k| e.eq_ignore_ascii_case(k)))
    };
    let is_packed_text = || compressed::ending(path).is_some() && ends_with(&path.with_extension(""), &TEXTS);
    ends_with(path, &TEXTS) || ends_with(path, &BINARIES) || is_packed_text() || loggers.name_file(path)
}

fn describe(root: &Path, path: &Path) -> FoundRide {
    let rides = root.join(RIDES_FOLDER);
    // Where a ride lies tells what it was made on, not where a link to it leads.
    let plain = path.components().all(|part| part != Component::ParentDir);
    let named = path.strip_prefix(&rides).ok().filter(|_| plain).map(Path::to_path_buf);
    let placed = || {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let place = canonical(folder)?.join(path.file_name()?);
        place.strip_prefix(canonical(&rides)?).ok().map(Path::to_path_buf)
    };
    let inside = named.or_else(placed);
    let (name, ridden_on) = match &inside {
        Some(inside) => (slashed(inside), ridden_on(inside)),
        None => {
            let name = path
                .file_name()
                .map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
            (name, RiddenOn::Newest)
        }
    };
    FoundRide { path: path.to_path_buf(), name, ridden_on }
}

fn canonical(path: &Path) -> Option<PathBuf> {
    std::fs::canonicalize(path).ok()
}

fn slashed(path: &Path) -> String {
    let parts: Vec<_> = path.components().map(|c| c.as_os_str().to_string_lossy()).collect();
    parts.join("/")
}

/// The revision that a place below `rides/` tells.
pub(crate) fn ridden_on(inside: &Path) -> RiddenOn {
    let mut parts = inside.components();
    let first = parts.next().map(|c| c.as_os_str().to_string_lossy().into_owned());
    let number = first.as_deref().and_then(revision_number);
    match (number, parts.next()) {
        (Some(number), Some(_)) => RiddenOn::Revision(number),
        _ => RiddenOn::Newest,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_place_tells_the_revision() {
        let dir = tempfile::tempdir().expect("a folder");
        for name in
            ["r2/b.csv.gz", "r2/deep/c.PARQUET", "a.csv", "r3.TSV", ".hidden.csv", "note.txt", "x.log"]
        {
            let path = dir.path().join(RIDES_FOLDER).join(name);
            std::fs::create_dir_all(path.parent().expect("a parent")).expect("made");
            std::fs::write(path, "x").expect("written");
        }
        let found = find_in_folder(dir.path(), &Loggers::none()).expect("listed");
        let told: Vec<_> = found.iter().map(|f| (f.name.as_str(), f.ridden_on)).collect();
        assert_eq!(
            told,
            [
                ("a.csv", RiddenOn::Newest),
                ("r2/b.csv.gz", RiddenOn::Revision(2)),
                ("r2/deep/c.PARQUET", RiddenOn::Revision(2)),
                ("r3.TSV", RiddenOn::Newest),
            ]
        );
        let missing =
            find_named(dir.path(), &[dir.path().join("nope.csv")], &Loggers::none()).expect_err("missing");
        assert!(missing.to_string().contains("nope.csv"));
    }
}
