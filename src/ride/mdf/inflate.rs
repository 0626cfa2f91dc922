//! Compressed data blocks (##DZ): deflate, plain or after a transposition.

use super::block::Block;
use super::error::MdfError;
use flate2::read::ZlibDecoder;
use std::io::Read;

/// Bytes of the block's own description before the packed ones.
const DESCRIPTION_BYTES: usize = 24;
/// Deflate cannot pack tighter than about 1032 to 1 (RFC 1951: 258 bytes in 2 bits), so a block
/// that promises more is damaged, and nothing is set aside for it.
const TIGHTEST: u64 = 1040;

/// A compressed block, not yet unpacked.
#[derive(Debug)]
pub(super) struct Packed<'a> {
    bytes: &'a [u8],
    missing: u64,
    unpacked_bytes: u64,
    /// Of the transposition: how many bytes a row had.
    row_bytes: Option<usize>,
}

impl<'a> Packed<'a> {
    pub fn of(block: &Block<'a>) -> Result<Self, MdfError> {
        let row_bytes = match block.u8(2)? {
            0 => None,
            1 => Some(block.u32(4)?.max(1) as usize),
            other => {
                return Err(block.damaged(format!(
                    "is compressed by method {other}; only deflate (0) and transposed deflate (1) can be read"
                )));
            }
        };
        let (unpacked_bytes, packed_bytes) = (block.u64(8)?, block.u64(16)?);
        let here = block.data.get(DESCRIPTION_BYTES..).unwrap_or_default();
        let taken = usize::try_from(packed_bytes).unwrap_or(usize::MAX).min(here.len());
        let bytes = &here[..taken];
        if unpacked_bytes > (packed_bytes.min(here.len() as u64) + 1).saturating_mul(TIGHTEST)
            && block.missing == 0
        {
            let what = format!("promises {unpacked_bytes} bytes from {taken}, more than deflate can hold");
            return Err(block.damaged(what));
        }
        Ok(Self { bytes, missing: packed_bytes - taken as u64, unpacked_bytes, row_bytes })
    }

    /// Memory and work, in bytes.
    pub fn cost(&self) -> u64 {
        let unpacked = self.unpacked_bytes.min((self.bytes.len() as u64 + 1).saturating_mul(TIGHTEST));
        // A transposition has both forms in memory.
        let forms = if self.row_bytes.is_some() { 2 } else { 1 };
        unpacked.saturating_mul(forms).saturating_add(self.bytes.len() as u64)
    }

    /// What could be unpacked, and why it is not all.
    pub fn unpack(&self) -> (Vec<u8>, Option<String>) {
        let mut bytes = Vec::new();
        let stopped = ZlibDecoder::new(self.bytes).take(self.unpacked_bytes).read_to_end(&mut bytes).err();
        if bytes.len() as u64 == self.unpacked_bytes {
            let rows = self.row_bytes.map(|row| transposed_back(&bytes, row));
            return (rows.unwrap_or(bytes), None);
        }
        let why = match (stopped, self.missing) {
            (_, 1..) => format!("lacks its last {} bytes: the file ends there", self.missing),
            (Some(error), 0) => format!("cannot be unpacked: {error}"),
            (None, 0) => format!("unpacks to {} bytes, not to {}", bytes.len(), self.unpacked_bytes),
        };
        // Columns that stop somewhere hold no whole row.
        let kept = if self.row_bytes.is_some() { Vec::new() } else { bytes };
        (kept, Some(why))
    }
}

/// Undoes the transposition: all first bytes of the rows, all second ones, ..., then what is left
/// over after the last whole row.
fn transposed_back(columns: &[u8], row_bytes: usize) -> Vec<u8> {
    let rows = columns.len() / row_bytes;
    let mut bytes = Vec::with_capacity(columns.len());
    for row in 0..rows {
        bytes.extend((0..row_bytes).map(|column| columns[column * rows + row]));
    }
    bytes.extend_from_slice(&columns[rows * row_bytes..]);
    bytes
}
