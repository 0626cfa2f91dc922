//! Compressed logs: gzip and Zstandard, unpacked up to a limit.

use super::RideError;
use std::borrow::Cow;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

/// The most that a compressed log may hold unpacked, bytes: ten hours of fifty channels at a
/// hundred rows a second as text is about this long.
pub(super) const LARGEST_UNPACKED: u64 = 1 << 30;

/// The endings of compressed files.
const ENDINGS: [&str; 2] = ["gz", "zst"];

/// What the unpacking gave.
pub(super) struct Unpacked<'b> {
    /// The log's own name, without the ending of the packing.
    pub path: PathBuf,
    /// The log's bytes.
    pub bytes: Cow<'b, [u8]>,
    /// The packed stream ends in the middle.
    pub is_cut: bool,
}

impl Unpacked<'_> {
    /// What stands in the way of reading it, with the cut before it where there is one: what lies
    /// behind the cut may be all that is lacking.
    pub fn blame_the_cut(&self, error: RideError) -> RideError {
        if !self.is_cut {
            return error;
        }
        let ends = memchr::memchr_iter(b'\n', &self.bytes).count();
        let there = match ends {
            0 => format!("{} bytes of its first line", self.bytes.len()),
            1 => "its first line".to_owned(),
            _ => format!("{ends} lines"),
        };
        RideError::CutOff { there, but: Box::new(error) }
    }
}

/// The ending of a compressed file, if it is one.
pub(super) fn ending(path: &Path) -> Option<&'static str> {
    let ending = path.extension()?;
    ENDINGS.into_iter().find(|known| ending.eq_ignore_ascii_case(known))
}

/// Unpacks a file whose name says that it is packed; others are given back as they are.
///
/// # Errors
/// When the stream is damaged, or holds more than the limit, in bytes.
pub(super) fn unpack<'b>(path: &Path, bytes: &'b [u8], limit: u64) -> Result<Unpacked<'b>, RideError> {
    let Some(ending) = ending(path) else {
        return Ok(Unpacked { path: path.to_path_buf(), bytes: Cow::Borrowed(bytes), is_cut: false });
    };
    let damaged = |error: std::io::Error| {
        RideError::Packed(match error.kind() {
            ErrorKind::UnexpectedEof => {
                "cannot be unpacked: it breaks off before anything of it is whole; copy it from the logger anew"
                    .to_owned()
            }
            _ => format!("cannot be unpacked: {error}"),
        })
    };
    let (unpacked, is_cut) = match ending {
        "gz" => read_within(flate2::bufread::MultiGzDecoder::new(bytes), limit),
        _ => zstd::stream::read::Decoder::with_buffer(bytes).and_then(|stream| read_within(stream, limit)),
    }
    .map_err(damaged)?;
    if unpacked.len() as u64 > limit {
        const MIB: u64 = 1 << 20;
        let what = format!("holds more than {} MiB unpacked: no ride is that long", limit / MIB);
        return Err(RideError::Packed(what));
    }
    Ok(Unpacked { path: path.with_extension(""), bytes: Cow::Owned(unpacked), is_cut })
}

/// Reads to the end or one byte past the limit; tells whether the stream broke off.
fn read_within(stream: impl Read, limit: u64) -> std::io::Result<(Vec<u8>, bool)> {
    let mut unpacked = Vec::new();
    match stream.take(limit + 1).read_to_end(&mut unpacked) {
        Ok(_) => Ok((unpacked, false)),
        Err(error) if error.kind() == ErrorKind::UnexpectedEof && !unpacked.is_empty() => {
            Ok((unpacked, true))
        }
        Err(error) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn log() -> Vec<u8> {
        (0..5000).flat_map(|i| format!("{i},{}\n", i * 7919 % 1000).into_bytes()).collect()
    }

    fn packed(ending: &str) -> Vec<u8> {
        if ending == "zst" {
            return zstd::stream::encode_all(log().as_slice(), 3).expect("packed");
        }
        let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        gz.write_all(&log()).expect("packed");
        gz.finish().expect("packed")
    }

    #[test]
    fn packed_logs_come_back_and_cut_ones_as_far_as_they_go() {
        for ending in ENDINGS {
            let path = PathBuf::from(format!("r1/a.csv.{ending}"));
            let packed = packed(ending);
            let whole = unpack(&path, &packed, LARGEST_UNPACKED).expect("unpacked");
            assert_eq!((whole.path.to_str(), whole.is_cut), (Some("r1/a.csv"), false));
            assert_eq!(*whole.bytes, log());
            let cut = unpack(&path, &packed[..packed.len() * 2 / 3], LARGEST_UNPACKED).map(|cut| {
                assert!(cut.is_cut && log().starts_with(&cut.bytes));
            });
            // A Zstandard block cut in two gives nothing at all.
            assert!(cut.is_ok() || ending == "zst", "{ending}");
            assert!(unpack(&path, b"time_s,rpm\n", LARGEST_UNPACKED).is_err());
        }
    }

    #[test]
    fn a_bomb_is_refused_in_words() {
        for ending in ENDINGS {
            let path = PathBuf::from(format!("a.csv.{ending}"));
            let said =
                unpack(&path, &packed(ending), 1 << 14).map(|_| ()).expect_err("too large").to_string();
            assert!(said.contains("unpacked: no ride is that long"), "{said}");
        }
    }
}
