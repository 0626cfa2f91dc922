//! The seal of an evidence file: format version and SHA-256 of everything else.
//!
//! It lies between the last page and the footer, where readers of Parquet do not look. So a file
//! that was cut or changed is known before anything of it is read.
//!
//! # Source
//! <https://parquet.apache.org/docs/file-format/>: pages are found through the footer, the
//! footer through its length at the end of the file.

use super::{EvidenceFileError, content};
use sha2::{Digest as _, Sha256};

/// The version of the format.
pub(super) const FORMAT: u32 = 1;
/// What every Parquet file begins and ends with.
const MAGIC: &[u8] = b"PAR1";
/// The length of the footer, and the mark behind it.
const TAIL: usize = 8;
/// What the seal begins with.
const SEAL: &[u8] = b"rideloop evidence ";
/// Mark, version, SHA-256.
const SEAL_LEN: usize = SEAL.len() + 4 + HASH_LEN;
const HASH_LEN: usize = 32;

/// Where the footer begins.
fn footer_at(bytes: &[u8]) -> Option<usize> {
    let tail = bytes.len().checked_sub(TAIL)?;
    let length = u32::from_le_bytes(bytes[tail..tail + 4].try_into().ok()?);
    let marked = bytes.starts_with(MAGIC) && bytes.ends_with(MAGIC);
    tail.checked_sub(usize::try_from(length).ok()?).filter(|_| marked)
}

/// The bytes of a Parquet file with the seal in them.
///
/// # Errors
/// When they are none.
pub(super) fn sealed(bytes: &[u8]) -> Result<Vec<u8>, EvidenceFileError> {
    let footer = footer_at(bytes).ok_or_else(|| content("the footer cannot be found"))?;
    let (pages, footer) = bytes.split_at(footer);
    let mut out = Vec::with_capacity(bytes.len() + SEAL_LEN);
    out.extend_from_slice(pages);
    out.extend_from_slice(SEAL);
    out.extend_from_slice(&FORMAT.to_le_bytes());
    let hash = Sha256::new().chain_update(&out).chain_update(footer).finalize();
    out.extend_from_slice(&hash);
    out.extend_from_slice(footer);
    Ok(out)
}

/// Whether bytes bear the seal of an evidence file, be they whole or not.
pub fn is_evidence_file(bytes: &[u8]) -> bool {
    !matches!(check(bytes), Err(EvidenceFileError::NoEvidence))
}

/// Refuses bytes that are no evidence, of another format, or changed.
///
/// # Errors
/// Which of them they are.
pub(super) fn check(bytes: &[u8]) -> Result<(), EvidenceFileError> {
    use EvidenceFileError::{Damaged, NoEvidence, OtherFormat};
    let footer = footer_at(bytes).ok_or(NoEvidence)?;
    let seal = footer.checked_sub(SEAL_LEN).ok_or(NoEvidence)?;
    let hash_at = footer - HASH_LEN;
    let version = bytes[seal..hash_at].strip_prefix(SEAL).ok_or(NoEvidence)?;
    let version = u32::from_le_bytes(version.try_into().map_err(|_| NoEvidence)?);
    if version != FORMAT {
        return Err(OtherFormat(version));
    }
    let hash = Sha256::new().chain_update(&bytes[..hash_at]).chain_update(&bytes[footer..]).finalize();
    if hash[..] == bytes[hash_at..footer] { Ok(()) } else { Err(Damaged) }
}
