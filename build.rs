//! Names the sources this program is built from, so that what an earlier build worked
//! out is never taken for its own.

use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::{Path, PathBuf};

fn main() {
    let mut sources = vec![PathBuf::from("Cargo.lock"), PathBuf::from("Cargo.toml")];
    collect(Path::new("src"), &mut sources);
    sources.sort();
    let mut hasher = DefaultHasher::new();
    for path in &sources {
        println!("cargo::rerun-if-changed={}", path.display());
        let text = std::fs::read(path).unwrap_or_default();
        (path, text).hash(&mut hasher);
    }
    println!("cargo::rerun-if-changed=src");
    let version = std::env::var("CARGO_PKG_VERSION").unwrap_or_default();
    println!("cargo::rustc-env=RIDELOOP_SOURCES={version} {:016x}", hasher.finish());
}

fn collect(folder: &Path, sources: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        match path.is_dir() {
            true => collect(&path, sources),
            false => sources.push(path),
        }
    }
}
