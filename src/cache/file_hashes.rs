//! The hashes of files, remembered for as long as the files are untouched.
//!
//! A hash is trusted when size, times, and where the system tells them device and inode
//! are those of when it was made. A file that is written again within the same tick of its
//! disk's clock would look the same, so a file that was touched shortly before it was
//! hashed is hashed again the next time.
//!
//! Within one process a file that is read a second time is only summed by a fast hash
//! (XXH3) and trusted where the sum is that of when it was hashed: it tells a file that
//! changed meanwhile, which is all that is asked of it.
//!
//! # Source
//! The rule is that of git's index: <https://git-scm.com/docs/racy-git>.

use super::{Cache, Key, Kind};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File, Metadata};
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, SystemTime};
use xxhash_rust::xxh3::{Xxh3, xxh3_128};

/// The coarsest clock of a disk in use: FAT notes times in steps of two seconds.
///
/// # Source
/// Microsoft, FAT32 File System Specification, 1.03, "Date and Time Formats".
const COARSEST_TICK: Duration = Duration::from_secs(2);
/// More files than any bike has; beyond it those that were not looked at are forgotten.
const MOST_FILES: usize = 20_000;
/// Read at once while hashing, so that a long ride is not held in memory.
const BLOCK_BYTES: usize = 256 * 1024;

/// What the system tells of a file without reading it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
struct Stat {
    bytes: u64,
    modified_ns: i128,
    /// When its contents or its name last changed; unlike the other time nobody can set it.
    changed_ns: i128,
    device: u64,
    inode: u64,
}

impl Stat {
    fn of(about: &Metadata) -> Option<Self> {
        #[cfg(unix)]
        let (changed_ns, device, inode) = {
            use std::os::unix::fs::MetadataExt;
            const SECOND_NS: i128 = 1_000_000_000;
            let changed_ns = i128::from(about.ctime()) * SECOND_NS + i128::from(about.ctime_nsec());
            (changed_ns, about.dev(), about.ino())
        };
        #[cfg(not(unix))]
        let (changed_ns, device, inode) = (0, 0, 0);
        let modified_ns = since_1970_ns(about.modified().ok()?)?;
        Some(Self { bytes: about.len(), modified_ns, changed_ns, device, inode })
    }

    /// Whether the file was left alone for long enough before this moment.
    fn is_settled_at(&self, moment: SystemTime) -> bool {
        let touched_ns = self.modified_ns.max(self.changed_ns);
        let tick_ns = i128::try_from(COARSEST_TICK.as_nanos()).unwrap_or(i128::MAX);
        since_1970_ns(moment).is_some_and(|moment_ns| moment_ns - touched_ns > tick_ns)
    }
}

fn since_1970_ns(time: SystemTime) -> Option<i128> {
    match time.duration_since(SystemTime::UNIX_EPOCH) {
        Ok(after) => i128::try_from(after.as_nanos()).ok(),
        Err(before) => i128::try_from(before.duration().as_nanos()).ok().map(|ns| -ns),
    }
}

/// A file's hash, and how the file looked when it was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Hashed {
    stat: Stat,
    sha256: [u8; 32],
}

/// What was read of a file.
#[derive(Debug, Clone, Copy)]
struct Read {
    sha256: [u8; 32],
    xxh3: u128,
}

/// The hashes of the files of one folder, and of others that are asked for.
#[derive(Debug)]
pub struct FileHashes {
    root: PathBuf,
    cache: Option<Arc<Cache>>,
    known: Mutex<Known>,
}

#[derive(Debug, Default)]
struct Known {
    /// By the file's path, below the folder where it lies there.
    files: BTreeMap<Vec<u8>, Hashed>,
    /// Those that were asked for since the hashes were read.
    asked: BTreeSet<Vec<u8>>,
    /// Those that were hashed here, with a sum that is made faster; not kept.
    read: BTreeMap<Vec<u8>, Read>,
    changed: bool,
}

impl FileHashes {
    /// Reads what is remembered of a bike folder; without a cache nothing is.
    pub fn of(root: &Path, cache: Option<Arc<Cache>>) -> Self {
        let kept = cache.as_ref().and_then(|cache| cache.read(Kind::FileHashes, &key(root)));
        let files = kept.and_then(|kept| postcard::from_bytes(&kept).ok()).unwrap_or_default();
        let known = Known { files, ..Known::default() };
        Self { root: root.to_path_buf(), cache, known: Mutex::new(known) }
    }

    /// SHA-256 of a file, in hex. Read only where no hash is remembered that holds.
    ///
    /// # Errors
    /// Those of the file system, and for anything that is not a plain file.
    pub fn sha256(&self, path: &Path) -> io::Result<String> {
        let about = fs::metadata(path)?;
        if !about.is_file() {
            return Err(io::Error::other("not a plain file"));
        }
        let name = self.name(path);
        let stat = Stat::of(&about);
        let remembered = {
            let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
            known.asked.insert(name.clone());
            known.files.get(&name).filter(|hashed| Some(hashed.stat) == stat).map(|hashed| hashed.sha256)
        };
        if let Some(sha256) = remembered {
            return Ok(hex(&sha256));
        }
        // Before the bytes are read, so that what is written meanwhile counts as just touched.
        let moment = self.cache.as_ref().and_then(|cache| cache.opened());
        let mut file = File::open(path)?;
        let before = Stat::of(&file.metadata()?);
        let read = Read::all_of(&mut file)?;
        let sha256 = read.sha256;
        let after = Stat::of(&file.metadata()?);
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known.read.insert(name.clone(), read);
        if let (Some(stat), true, Some(moment)) = (before, before == after, moment)
            && stat.is_settled_at(moment)
        {
            known.files.insert(name, Hashed { stat, sha256 });
            known.changed = true;
        }
        Ok(hex(&sha256))
    }

    /// The bytes of a file whose hash was told before; `None` when they are others now.
    ///
    /// They are hashed again only where nothing shows that they are still the same.
    ///
    /// # Errors
    /// Those of the file system, and for anything that is not a plain file.
    pub fn bytes(&self, path: &Path, sha256: &str) -> io::Result<Option<Vec<u8>>> {
        if !fs::metadata(path)?.is_file() {
            return Err(io::Error::other("not a plain file"));
        }
        let mut file = File::open(path)?;
        let mut bytes = Vec::with_capacity(usize::try_from(file.metadata()?.len()).unwrap_or_default());
        file.read_to_end(&mut bytes)?;
        let after = Stat::of(&file.metadata()?);
        let name = self.name(path);
        let (remembered, read) = {
            let known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
            let remembered = known.files.get(&name).filter(|hashed| Some(hashed.stat) == after);
            (remembered.map(|hashed| hashed.sha256), known.read.get(&name).copied())
        };
        let read_before = || read.filter(|read| read.xxh3 == xxh3_128(&bytes)).map(|read| read.sha256);
        let now = remembered.or_else(read_before).unwrap_or_else(|| Sha256::digest(&bytes).into());
        Ok((hex(&now) == sha256).then_some(bytes))
    }

    /// Keeps what was learnt, if it can.
    pub fn keep(&self) {
        let Some(cache) = &self.cache else { return };
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if !std::mem::take(&mut known.changed) {
            return;
        }
        if known.files.len() > MOST_FILES {
            let asked = std::mem::take(&mut known.asked);
            known.files.retain(|name, _| asked.contains(name));
        }
        if let Ok(payload) = postcard::to_stdvec(&known.files) {
            cache.write(Kind::FileHashes, &key(&self.root), &payload);
        }
    }

    fn name(&self, path: &Path) -> Vec<u8> {
        let absolute = || std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
        let name = path.strip_prefix(&self.root).map_or_else(|_| absolute(), Path::to_path_buf);
        name.as_os_str().as_encoded_bytes().to_vec()
    }
}

/// The key of a folder's hashes: where it lies.
fn key(root: &Path) -> Key {
    let root = fs::canonicalize(root).unwrap_or_else(|_| root.to_path_buf());
    Sha256::digest(root.as_os_str().as_encoded_bytes()).into()
}

impl Read {
    fn all_of(file: &mut File) -> io::Result<Self> {
        let mut block = vec![0; BLOCK_BYTES];
        let (mut sha256, mut xxh3) = (Sha256::new(), Xxh3::new());
        loop {
            match file.read(&mut block) {
                Ok(0) => return Ok(Self { sha256: sha256.finalize().into(), xxh3: xxh3.digest128() }),
                Ok(n) => {
                    sha256.update(&block[..n]);
                    xxh3.update(&block[..n]);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }
}

fn hex(sha256: &[u8; 32]) -> String {
    sha256.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ride::hash;
    use std::fs::FileTimes;

    /// A cache, and in a folder beside it a file that was written some seconds before now.
    fn bench(age_s: u64) -> (tempfile::TempDir, Arc<Cache>, PathBuf) {
        let dir = tempfile::tempdir().expect("a folder");
        let cache = Arc::new(Cache::at(&dir.path().join("cache")));
        let path = dir.path().join("a.csv");
        fs::write(&path, "one").expect("written");
        let times = FileTimes::new().set_modified(SystemTime::now() - Duration::from_secs(age_s));
        File::options().write(true).open(&path).expect("a file").set_times(times).expect("set");
        (dir, cache, path)
    }

    fn remembers(hashes: &FileHashes) -> usize {
        hashes.known.lock().expect("whole").files.len()
    }

    #[test]
    fn a_file_that_was_just_touched_is_hashed_again() {
        let (dir, cache, path) = bench(0);
        let hashes = FileHashes::of(dir.path(), Some(cache));
        assert_eq!(hashes.sha256(&path).expect("a file"), hash(b"one"));
        assert_eq!(remembers(&hashes), 0);
        fs::write(&path, "two").expect("written");
        assert_eq!(hashes.sha256(&path).expect("a file"), hash(b"two"));
    }

    #[test]
    fn a_settled_file_is_remembered_until_anything_of_it_changes() {
        let settled = Stat { bytes: 3, modified_ns: 0, changed_ns: 0, device: 1, inode: 2 };
        let after = |s: u64| SystemTime::UNIX_EPOCH + Duration::from_secs(s);
        assert!(settled.is_settled_at(after(3)) && !settled.is_settled_at(after(2)));
        assert!(!Stat { changed_ns: 1_500_000_000, ..settled }.is_settled_at(after(3)));
        let ahead = Stat { modified_ns: i128::MAX / 2, ..settled };
        assert!(!ahead.is_settled_at(after(3)), "by a clock that is ahead");

        let (dir, cache, path) = bench(0);
        std::thread::sleep(COARSEST_TICK + Duration::from_millis(200));
        let hashes = FileHashes::of(dir.path(), Some(cache.clone()));
        let sha256 = hashes.sha256(&path).expect("a file");
        assert_eq!(remembers(&hashes), 1);
        hashes.keep();
        let later = FileHashes::of(dir.path(), Some(cache));
        assert_eq!(remembers(&later), 1);
        // The memory itself, put wrong, shows that the file is not read.
        for hashed in later.known.lock().expect("whole").files.values_mut() {
            hashed.sha256 = [0; 32];
        }
        assert_eq!(later.sha256(&path).expect("a file"), "0".repeat(64));
        assert_eq!(later.bytes(&path, &sha256).expect("a file"), None);
        fs::write(&path, "two").expect("written");
        assert_eq!(later.sha256(&path).expect("a file"), hash(b"two"));
        assert_eq!(later.bytes(&path, &sha256).expect("a file"), None);
        assert_eq!(later.bytes(&path, &hash(b"two")).expect("a file").as_deref(), Some(&b"two"[..]));
        assert!(later.sha256(dir.path()).is_err(), "a folder is no file");
    }

    #[test]
    fn without_a_cache_everything_is_read() {
        let (dir, _, path) = bench(60);
        let hashes = FileHashes::of(dir.path(), None);
        assert_eq!(hashes.sha256(&path).expect("a file"), hash(b"one"));
        assert_eq!(remembers(&hashes), 0);
        assert_eq!(hashes.bytes(&path, &hash(b"one")).expect("a file").as_deref(), Some(&b"one"[..]));
        assert_eq!(hashes.bytes(&path, &hash(b"two")).expect("a file"), None);
    }
}
