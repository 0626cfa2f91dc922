//! Evidence of whole rides as a Parquet file, which any reader of Parquet can look into.
//!
//! One row a ride and cell of the fuel table, in table order; rides in the order of their
//! hashes. The sums stand in columns under their own names. What has no columns stands as
//! bytes in `record`, in the first row of each ride. What all rides have in common is in
//! the file's metadata, under `rideloop`.
//!
//! The file bears a seal ([`seal`]). The same rides give the same bytes.

mod seal;

pub use seal::is_evidence_file;

use super::CellSums;
use polars::prelude::{
    Column, DataFrame, DataType, KeyValueMetadata, NamedFrom as _, ParquetCompression, ParquetReader,
    ParquetWriter, PolarsError, SerReader as _, Series, StatisticsOptions,
};
use serde::{Deserialize, Serialize};
use std::io::Cursor;

/// Where the file's metadata says what all rides have in common.
const ABOUT: &str = "rideloop";
/// The rides of one bike, slot and pipeline, worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct EvidenceFile {
    /// What all rides have in common, as JSON.
    pub about: String,
    /// rpm and load of each cell of the fuel table, in table order.
    pub points: Vec<(f64, f64)>,
    /// The rides, ascending by hash, none of them twice.
    pub rides: Vec<StoredRide>,
}

/// One ride.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredRide {
    /// Its hash.
    pub sha256: String,
    /// Where it lay, one place a line, ascending.
    pub files: String,
    /// The revision it was made on.
    pub revision: String,
    /// Its sums. Shape: one entry a cell.
    pub sums: Vec<CellSums>,
    /// Seconds near each cell. Shape: one entry a cell.
    pub ridden_s: Vec<f64>,
    /// Everything else.
    pub record: Vec<u8>,
}

/// Why bytes are not evidence.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum EvidenceFileError {
    /// There is no seal.
    #[error("is no evidence of rides, or was cut")]
    NoEvidence,
    /// The seal is of another version.
    #[error("has format {0}; this version of rideloop reads format {reads}", reads = seal::FORMAT)]
    OtherFormat(u32),
    /// The checksum is not that of the bytes.
    #[error("was damaged: its checksum is not that of its bytes")]
    Damaged,
    /// Sealed, and yet not what it must be.
    #[error("does not hold what it must: {0}")]
    Content(String),
}

impl From<PolarsError> for EvidenceFileError {
    fn from(error: PolarsError) -> Self {
        Self::Content(error.to_string())
    }
}

/// A number that a column does not keep bit for bit: Parquet's dictionaries know one zero
/// and one NaN.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct OddNumber {
    column: usize,
    cell: usize,
    bits: u64,
}

type Number = (&'static str, fn(&CellSums) -> f64, fn(&mut CellSums, f64));
type Count = (&'static str, fn(&CellSums) -> u64, fn(&mut CellSums, u64));

/// The sums that are numbers, by their names.
const NUMBERS: [Number; 9] = [
    ("w", |s| s.w, |s, v| s.w = v),
    ("wy", |s| s.wy, |s, v| s.wy = v),
    ("ww", |s| s.ww, |s, v| s.ww = v),
    ("dwell_ww", |s| s.dwell_ww, |s, v| s.dwell_ww = v),
    ("dwell_wy", |s| s.dwell_wy, |s, v| s.dwell_wy = v),
    ("dwell_yy", |s| s.dwell_yy, |s, v| s.dwell_yy = v),
    ("ride_ww", |s| s.ride_ww, |s, v| s.ride_ww = v),
    ("ride_wy", |s| s.ride_wy, |s, v| s.ride_wy = v),
    ("ride_yy", |s| s.ride_yy, |s, v| s.ride_yy = v),
];

/// The sums that are counts.
const COUNTS: [Count; 2] =
    [("dwells", |s| s.dwells, |s, v| s.dwells = v), ("rides", |s| s.rides, |s, v| s.rides = v)];

/// The column of the seconds ridden; among the odd numbers it comes behind the sums.
const RIDDEN_S: &str = "ridden_s";

impl EvidenceFile {
    /// The file's bytes: the same for the same rides, on any machine.
    ///
    /// # Errors
    /// When the Parquet writer fails, which plain data gives no cause for.
    pub fn to_bytes(&self) -> Result<Vec<u8>, EvidenceFileError> {
        let mut frame = self.frame()?;
        let mut bytes = Vec::new();
        ParquetWriter::new(&mut bytes)
            .with_compression(ParquetCompression::Zstd(None))
            .with_statistics(StatisticsOptions::empty())
            .set_parallel(false)
            .with_key_value_metadata(Some(KeyValueMetadata::from_static(vec![(
                ABOUT.to_owned(),
                self.about.clone(),
            )])))
            .finish(&mut frame)?;
        seal::sealed(&bytes)
    }

    /// Reads [`to_bytes`](Self::to_bytes) back.
    ///
    /// # Errors
    /// When the bytes are something else, or were changed.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, EvidenceFileError> {
        seal::check(bytes)?;
        let mut reader = ParquetReader::new(Cursor::new(bytes));
        let metadata = reader.get_metadata()?.key_value_metadata().as_ref();
        let about = metadata
            .and_then(|pairs| pairs.iter().find(|pair| pair.key == ABOUT))
            .and_then(|pair| pair.value.clone())
            .ok_or_else(|| content("the metadata `rideloop` is missing"))?;
        let frame = reader.set_rechunk(true).finish()?;
        let (points, rides) = from_frame(&frame)?;
        Ok(Self { about, points, rides })
    }

    /// One row a ride and cell.
    fn frame(&self) -> Result<DataFrame, EvidenceFileError> {
        let cells = self.points.len();
        let rows = self.rides.len() * cells;
        let by_ride = |name: &str, text: fn(&StoredRide) -> &str| {
            let values: Vec<&str> =
                self.rides.iter().flat_map(|ride| std::iter::repeat_n(text(ride), cells)).collect();
            Column::from(Series::new(name.into(), values))
        };
        let by_cell = |name: &str, of: fn(&(f64, f64)) -> f64| {
            let values: Vec<f64> = self.points.iter().map(of).cycle().take(rows).collect();
            Column::from(Series::new(name.into(), values))
        };
        let all_sums = || self.rides.iter().flat_map(|ride| &ride.sums);
        let mut columns = vec![
            by_ride("ride", |ride| &ride.sha256),
            by_ride("files", |ride| &ride.files),
            by_ride("revision", |ride| &ride.revision),
            by_cell("rpm", |point| point.0),
            by_cell("load", |point| point.1),
        ];
        let ridden_s: Vec<f64> = self.rides.iter().flat_map(|ride| ride.ridden_s.iter().copied()).collect();
        columns.push(Column::from(Series::new(RIDDEN_S.into(), ridden_s)));
        for (name, get, _) in NUMBERS {
            columns.push(Column::from(Series::new(name.into(), all_sums().map(get).collect::<Vec<f64>>())));
        }
        for (name, get, _) in COUNTS {
            columns.push(Column::from(Series::new(name.into(), all_sums().map(get).collect::<Vec<u64>>())));
        }
        let records: Vec<Vec<u8>> = self.rides.iter().map(StoredRide::record_column).collect();
        let mut in_first_rows: Vec<Option<&[u8]>> = vec![None; rows];
        for (ride, record) in records.iter().enumerate() {
            in_first_rows[ride * cells] = Some(record);
        }
        columns.push(Column::from(Series::new("record".into(), in_first_rows)));
        Ok(DataFrame::new(rows, columns)?)
    }
}

impl StoredRide {
    /// Whether two of the same hash say the same, to the last bit, wherever they lay.
    pub fn says_the_same(&self, other: &Self) -> bool {
        let said = |ride: &Self| {
            postcard::to_stdvec(&(&ride.sha256, &ride.revision, &ride.sums, &ride.ridden_s, &ride.record))
                .ok()
        };
        said(self) == said(other)
    }

    /// Takes over where another of the same ride lay.
    pub fn add_places(&mut self, other: &Self) {
        let mut places: Vec<&str> = self.files.lines().chain(other.files.lines()).collect();
        places.sort_unstable();
        places.dedup();
        self.files = places.join("\n");
    }

    /// The record, behind the numbers that the columns would not keep.
    fn record_column(&self) -> Vec<u8> {
        let columns = NUMBERS.iter().map(|(_, get, _)| self.sums.iter().map(get).collect::<Vec<f64>>());
        let columns = columns.chain([self.ridden_s.clone()]);
        let mut odd = Vec::new();
        for (column, values) in columns.enumerate() {
            let is_odd = |value: &f64| value.is_nan() || value.to_bits() == (-0.0f64).to_bits();
            for (cell, value) in values.iter().enumerate().filter(|(_, value)| is_odd(value)) {
                odd.push(OddNumber { column, cell, bits: value.to_bits() });
            }
        }
        // Plain numbers always serialise.
        let mut bytes = postcard::to_stdvec(&odd).unwrap_or_default();
        bytes.extend_from_slice(&self.record);
        bytes
    }

    fn put_back(&mut self, odd: &OddNumber) -> Option<()> {
        let value = f64::from_bits(odd.bits);
        match NUMBERS.get(odd.column) {
            Some((_, _, set)) => set(self.sums.get_mut(odd.cell)?, value),
            None => *self.ridden_s.get_mut(odd.cell)? = value,
        }
        Some(())
    }
}

fn content(what: impl Into<String>) -> EvidenceFileError {
    EvidenceFileError::Content(what.into())
}

type Points = Vec<(f64, f64)>;

fn from_frame(frame: &DataFrame) -> Result<(Points, Vec<StoredRide>), EvidenceFileError> {
    let rows = frame.height();
    let typed = |name: &str, dtype: &DataType| -> Result<&Column, EvidenceFileError> {
        let column = frame.column(name)?;
        match column.dtype() == dtype && column.len() == rows {
            true => Ok(column),
            false => Err(content(format!("`{name}` holds {}", column.dtype()))),
        }
    };
    let missing = |name: &str| content(format!("`{name}` has a row without a value"));
    let texts = |name: &str| -> Result<Vec<&str>, EvidenceFileError> {
        let column = typed(name, &DataType::String)?.str()?;
        column.iter().collect::<Option<Vec<&str>>>().ok_or_else(|| missing(name))
    };
    let numbers = |name: &str| -> Result<Vec<f64>, EvidenceFileError> {
        let column = typed(name, &DataType::Float64)?.f64()?;
        column.iter().collect::<Option<Vec<f64>>>().ok_or_else(|| missing(name))
    };
    let counts = |name: &str| -> Result<Vec<u64>, EvidenceFileError> {
        let column = typed(name, &DataType::UInt64)?.u64()?;
        column.iter().collect::<Option<Vec<u64>>>().ok_or_else(|| missing(name))
    };
    let (ride, files, revision) = (texts("ride")?, texts("files")?, texts("revision")?);
    let (rpm, load) = (numbers("rpm")?, numbers("load")?);
    let ridden_s = numbers(RIDDEN_S)?;
    let mut sums = vec![CellSums::default(); rows];
    for (name, _, set) in NUMBERS {
        sums.iter_mut().zip(numbers(name)?).for_each(|(sums, value)| set(sums, value));
    }
    for (name, _, set) in COUNTS {
        sums.iter_mut().zip(counts(name)?).for_each(|(sums, value)| set(sums, value));
    }
    let records: Vec<Option<&[u8]>> = typed("record", &DataType::Binary)?.binary()?.iter().collect();
    let cells = ride.iter().take_while(|sha256| Some(*sha256) == ride.first()).count();
    if cells == 0 || !rows.is_multiple_of(cells) {
        return Err(content("its rides do not have the same cells"));
    }
    let points: Points = rpm[..cells].iter().copied().zip(load[..cells].iter().copied()).collect();
    let mut rides: Vec<StoredRide> = Vec::with_capacity(rows / cells);
    for from in (0..rows).step_by(cells) {
        let here = from..from + cells;
        let alike = |column: &[&str]| column[here.clone()].iter().all(|text| *text == column[from]);
        let at_points = here.clone().zip(&points).all(|(row, point)| (rpm[row], load[row]) == *point);
        let ascends = rides.last().is_none_or(|before| before.sha256.as_str() < ride[from]);
        if !(alike(&ride) && alike(&files) && alike(&revision) && at_points && ascends) {
            return Err(content("its rows are not ride by ride, cell by cell"));
        }
        let record = records[from].ok_or_else(|| missing("record"))?;
        let (odd, record) =
            postcard::take_from_bytes::<Vec<OddNumber>>(record).map_err(|e| content(e.to_string()))?;
        let mut stored = StoredRide {
            sha256: ride[from].to_owned(),
            files: files[from].to_owned(),
            revision: revision[from].to_owned(),
            sums: sums[here.clone()].to_vec(),
            ridden_s: ridden_s[here].to_vec(),
            record: record.to_vec(),
        };
        for odd in &odd {
            stored.put_back(odd).ok_or_else(|| content("a number has no place"))?;
        }
        rides.push(stored);
    }
    Ok((points, rides))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two made-up rides over two cells, with numbers that are easily lost.
    fn file() -> EvidenceFile {
        let sums =
            |w: f64| CellSums { w, wy: -0.0, ww: f64::NAN, dwells: 3, rides: 1, ..CellSums::default() };
        let ride = |digit: &str, w: f64| StoredRide {
            sha256: digit.repeat(64),
            files: "r1/a.csv\nr1/b.csv".to_owned(),
            revision: "r1".to_owned(),
            sums: vec![sums(w), CellSums { ride_yy: f64::MIN_POSITIVE / 2.0, ..sums(0.1 + 0.2) }],
            ridden_s: vec![0.0, -0.0],
            record: vec![7; 20],
        };
        EvidenceFile {
            about: "{\"slot\":\"power\"}".to_owned(),
            points: vec![(1000.0, 2.5), (1000.0, 5.0)],
            rides: vec![ride("1", 1.5), ride("2", f64::from_bits(0x7ff8_0000_0000_0001))],
        }
    }

    #[test]
    fn every_number_comes_back_bit_for_bit_and_the_same_rides_give_the_same_bytes() {
        let file = file();
        let bytes = file.to_bytes().expect("written");
        let back = EvidenceFile::from_bytes(&bytes).expect("own bytes");
        let bits = |file: &EvidenceFile| -> Vec<u64> {
            let of_ride = |ride: &StoredRide| -> Vec<u64> {
                let sums = ride.sums.iter().flat_map(|s| NUMBERS.map(|(_, get, _)| get(s).to_bits()));
                sums.chain(ride.ridden_s.iter().map(|s| s.to_bits())).collect()
            };
            file.rides.iter().flat_map(of_ride).collect()
        };
        assert_eq!(bits(&back), bits(&file));
        assert_eq!((&back.about, &back.points), (&file.about, &file.points));
        assert_eq!(back.rides[1].record, file.rides[1].record);
        assert_eq!(back.rides[0].files, file.rides[0].files);
        assert_eq!(back.to_bytes().expect("written"), bytes);
    }

    #[test]
    fn no_changed_byte_and_no_cut_goes_unseen() {
        let bytes = file().to_bytes().expect("written");
        for at in 0..bytes.len() {
            let mut changed = bytes.clone();
            changed[at] ^= 1 << (at % 8);
            assert!(EvidenceFile::from_bytes(&changed).is_err(), "byte {at}");
        }
        for end in 0..bytes.len() {
            assert!(EvidenceFile::from_bytes(&bytes[..end]).is_err(), "cut at {end}");
        }
    }

    #[test]
    fn a_reader_that_knows_nothing_of_the_seal_finds_the_columns() {
        let bytes = file().to_bytes().expect("written");
        let frame = ParquetReader::new(Cursor::new(&bytes[..])).finish().expect("Parquet");
        assert_eq!(frame.height(), 4);
        assert_eq!(frame.column("load").expect("there").f64().expect("numbers").get(3), Some(5.0));
        assert!(is_evidence_file(&bytes));
        let log = &bytes[..bytes.len() - 1];
        assert!(!is_evidence_file(log) && !is_evidence_file(b"time_s,rpm\n"));
    }
}
