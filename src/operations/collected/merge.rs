//! `evidence merge`: many files of evidence in, one out.

use super::super::error::OperationError;
use super::{Collected, EvidenceWritten, OTHER_EVIDENCE, refuse_rides_folder};
use crate::blend::Refusal;
use crate::evidence::{EvidenceFile, StoredRide};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What was merged.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct MergeReport {
    /// The file that holds all rides.
    #[serde(flatten)]
    pub written: EvidenceWritten,
    /// How many files it was made of.
    pub files: usize,
    /// How often a ride came again and counted once.
    pub again: usize,
}

/// Merges files of evidence; of a folder, all its .parquet files.
///
/// # Errors
/// `other_evidence` where two files are of different origin, or say different things of the
/// same ride; when one of them cannot be read or is damaged.
pub fn merge_evidence(files: &[PathBuf], out: &Path) -> Result<MergeReport, OperationError> {
    refuse_rides_folder(out.parent().unwrap_or(Path::new("")))?;
    let files = listed(files)?;
    let mut union: Option<Union> = None;
    for path in &files {
        let collected = Collected::read(path)?;
        match &mut union {
            None => union = Some(Union::of(path, collected)),
            Some(union) => union.add(path, collected)?,
        }
    }
    let Some(union) = union else {
        return Err(OperationError::failed(
            "there is no evidence to merge",
            "name .parquet files of `rideloop evidence collect`, or folders of them",
        ));
    };
    let again = union.again;
    let written = Collected::write(&union.into_file(), out)?;
    Ok(MergeReport { written, files: files.len(), again })
}

fn listed(named: &[PathBuf]) -> Result<Vec<PathBuf>, OperationError> {
    let mut files = Vec::new();
    for path in named {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let entries = std::fs::read_dir(path).map_err(|error| OperationError::io("list", path, &error))?;
        let is_evidence = |path: &PathBuf| {
            let hidden = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
            !hidden && path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("parquet"))
        };
        let before = files.len();
        files.extend(entries.flatten().map(|entry| entry.path()).filter(is_evidence));
        if files.len() == before {
            return Err(OperationError::failed(
                format!("`{}` holds no .parquet file", path.display()),
                "leave it out, or look whether its evidence was collected",
            ));
        }
    }
    files.sort();
    Ok(files)
}

/// The rides of several files, each with the file it came from first.
struct Union {
    first: PathBuf,
    collected: Collected,
    rides: BTreeMap<String, (StoredRide, PathBuf)>,
    again: usize,
}

impl Union {
    fn of(path: &Path, mut collected: Collected) -> Self {
        let rides = std::mem::take(&mut collected.file.rides);
        let rides = rides.into_iter().map(|ride| (ride.sha256.clone(), (ride, path.to_owned()))).collect();
        Self { first: path.to_owned(), collected, rides, again: 0 }
    }

    fn add(&mut self, path: &Path, other: Collected) -> Result<(), OperationError> {
        let mut differences = other.origin.differences(&self.collected.origin);
        if differences.is_empty() && other.file.points != self.collected.file.points {
            differences.push("the cells of the fuel table".to_owned());
        }
        if !differences.is_empty() {
            return Err(OperationError::Refused(Refusal {
                guard: OTHER_EVIDENCE,
                saw: format!(
                    "`{}` was collected for other than `{}`: {}",
                    path.display(),
                    self.first.display(),
                    differences.join("; ")
                ),
                look_at: "which of them is old, and collect its rides anew".to_owned(),
            }));
        }
        for ride in other.file.rides {
            match self.rides.get_mut(&ride.sha256) {
                None => {
                    self.rides.insert(ride.sha256.clone(), (ride, path.to_owned()));
                }
                Some((known, _)) if known.says_the_same(&ride) => {
                    known.add_places(&ride);
                    self.again += 1;
                }
                Some((known, from)) => {
                    return Err(OperationError::Refused(Refusal {
                        guard: OTHER_EVIDENCE,
                        saw: format!(
                            "`{}` and `{}` say different things of the same ride {} (made on {} there, on {} \
                             here)",
                            from.display(),
                            path.display(),
                            known.files.replace('\n', ", "),
                            known.revision,
                            ride.revision
                        ),
                        look_at: "which of them is old, and collect the ride anew".to_owned(),
                    }));
                }
            }
        }
        Ok(())
    }

    fn into_file(self) -> EvidenceFile {
        EvidenceFile {
            rides: self.rides.into_values().map(|(ride, _)| ride).collect(),
            ..self.collected.file
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::CellSums;
    use proptest::collection::vec;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    const ABOUT: &str = r#"{"program":"p","bike":"Fernhill 700","first_commit":null,"slot":"power",
        "pipeline":"road","pipeline_sha256":"1","settings_sha256":"2","loggers":[],"cells_sha256":"3","mixture_sha256":"4"}"#;

    /// A file of made-up rides: number and place of each.
    fn file(rides: &[(u8, u8)]) -> Vec<u8> {
        let mut places: BTreeMap<u8, BTreeSet<String>> = BTreeMap::new();
        for (ride, place) in rides {
            places.entry(*ride).or_default().insert(format!("r1/{place}.csv"));
        }
        let stored = |(ride, places): (u8, BTreeSet<String>)| {
            let w = 0.1 * f64::from(ride);
            let sums = CellSums { w, wy: w / 3.0, ww: -0.0, dwells: u64::from(ride), ..CellSums::default() };
            StoredRide {
                sha256: format!("{ride:064}"),
                files: places.into_iter().collect::<Vec<_>>().join("\n"),
                revision: "r1".to_owned(),
                sums: vec![sums; 2],
                ridden_s: vec![w, f64::NAN],
                record: vec![ride; 9],
            }
        };
        let rides = places.into_iter().map(stored).collect();
        let points = vec![(1000.0, 2.0), (1000.0, 5.0)];
        EvidenceFile { about: ABOUT.to_owned(), points, rides }.to_bytes().expect("written")
    }

    fn merged(files: &[Vec<u8>]) -> Vec<u8> {
        let path = Path::new("made.parquet");
        let read = |bytes: &Vec<u8>| {
            let file = EvidenceFile::from_bytes(bytes).expect("own bytes");
            Collected { origin: serde_json::from_str(&file.about).expect("an origin"), file }
        };
        let mut union = Union::of(path, read(&files[0]));
        for bytes in &files[1..] {
            union.add(path, read(bytes)).expect("they agree");
        }
        union.into_file().to_bytes().expect("written")
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn merging_is_a_union_in_any_order_and_grouping(
            parts in vec(vec((0u8..6, 0u8..3), 1..5), 2..6),
            order in vec(any::<u32>(), 6),
            cut in 1usize..5,
        ) {
            let whole: Vec<(u8, u8)> = parts.iter().flatten().copied().collect();
            let whole = file(&whole);
            let files: Vec<Vec<u8>> = parts.iter().map(|part| file(part)).collect();
            prop_assert!(merged(&files) == whole, "not the union");
            let mut shuffled: Vec<(u32, Vec<u8>)> = order.iter().copied().zip(files.clone()).collect();
            shuffled.sort_by_key(|(at, _)| *at);
            let shuffled: Vec<Vec<u8>> = shuffled.into_iter().map(|(_, file)| file).collect();
            prop_assert!(merged(&shuffled) == whole, "the order shows");
            let cut = cut.min(files.len() - 1);
            let halves = [merged(&files[cut..]), merged(&files[..cut])];
            prop_assert!(merged(&halves) == whole, "the grouping shows");
            prop_assert!(merged(&[whole.clone(), halves[0].clone(), whole.clone()]) == whole, "not idempotent");
        }
    }
}
