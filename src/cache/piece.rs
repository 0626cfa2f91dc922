//! The bytes of one kept piece: a mark with a version, its key, its hash, its payload.

use super::Key;
use sha2::{Digest, Sha256};

/// What every piece begins with.
const MARK: &[u8] = b"rideloop cache ";
/// The version of what follows.
const VERSION: u8 = b'1';
const KEY_AT: usize = MARK.len() + 1;
const HASH_AT: usize = KEY_AT + size_of::<Key>();
const PAYLOAD_AT: usize = HASH_AT + 32;

/// Why a piece does not serve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unfit {
    /// Another version wrote it.
    OtherVersion,
    /// It is cut off, changed, or no piece at all.
    Damaged,
}

/// What stands before a payload.
pub(super) fn head(key: &Key, payload: &[u8]) -> Vec<u8> {
    [MARK, &[VERSION], key, &Sha256::digest(payload)].concat()
}

/// The payload of a piece.
///
/// # Errors
/// When it is not whole, or not the piece of this key.
pub(super) fn unpack(mut bytes: Vec<u8>, key: &Key) -> Result<Vec<u8>, Unfit> {
    if bytes.len() < PAYLOAD_AT || !bytes.starts_with(MARK) {
        return Err(Unfit::Damaged);
    }
    if bytes[MARK.len()] != VERSION {
        return Err(Unfit::OtherVersion);
    }
    let fits =
        bytes[KEY_AT..HASH_AT] == *key && bytes[HASH_AT..PAYLOAD_AT] == *Sha256::digest(&bytes[PAYLOAD_AT..]);
    if !fits {
        return Err(Unfit::Damaged);
    }
    bytes.drain(..PAYLOAD_AT);
    Ok(bytes)
}
