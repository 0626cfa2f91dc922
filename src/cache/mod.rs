//! Work that was done before, kept outside the bike folder and outside git.
//!
//! Nothing here is needed: what is missing, damaged, of another version or cannot be
//! written is worked out again. So no error leaves this module, and a result never
//! depends on whether something was kept.
//!
//! Each kept piece is one file, named by its key. It is written under another name and
//! then renamed, so that a kill leaves no half piece; should a disk damage one, its hash
//! tells. The pieces that were not used for longest go first when the folder grows too
//! large, which is looked at only after something was written.

mod file_hashes;
mod piece;

pub use file_hashes::FileHashes;

use std::fs::{self, File, FileTimes};
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, SystemTime};

/// The folder never holds much more than this: some thousands of rides.
const MOST_BYTES: u64 = 512 * 1024 * 1024;
/// A piece counts as used when it was used since then; noting each use would be a write a ride.
const USE_GRAIN: Duration = Duration::from_hours(24);
/// An unfinished piece of this age was left by a kill; none takes so long to write.
const LEFTOVER_AGE: Duration = Duration::from_hours(1);
/// What unfinished pieces are called.
const UNFINISHED: &str = ".unfinished-";

/// Tells backup programs that nothing here needs keeping.
///
/// # Source
/// Cache Directory Tagging Specification, <https://bford.info/cachedir/>
const TAG: (&str, &str) = (
    "CACHEDIR.TAG",
    "Signature: 8a477f597d28d172789f06886806bc55\n\
     # This folder holds what rideloop worked out of ride logs; it can be deleted at any time.\n",
);

/// What kind of piece is meant; each has a folder of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// What one ride says to a run.
    Record,
    /// What `check` saw in one ride.
    Check,
    /// The hashes of one bike folder's files.
    FileHashes,
}

impl Kind {
    const ALL: [Kind; 3] = [Kind::Record, Kind::Check, Kind::FileHashes];

    fn folder(self) -> &'static str {
        match self {
            Kind::Record => "records",
            Kind::Check => "checks",
            Kind::FileHashes => "hashes",
        }
    }
}

/// The hash of everything that enters a piece.
pub type Key = [u8; 32];

/// A folder of kept work.
#[derive(Debug)]
pub struct Cache {
    folder: PathBuf,
    most_bytes: u64,
    /// The time by the clock of the disk it lies on, when this cache was first asked for it.
    opened: OnceLock<Option<SystemTime>>,
    damaged: AtomicUsize,
    written: AtomicUsize,
    /// Something could not be written; it is not tried again.
    full: AtomicBool,
}

impl Cache {
    /// The cache in a folder, which is made when something is first written.
    pub fn at(folder: &Path) -> Self {
        Self {
            folder: folder.to_path_buf(),
            most_bytes: MOST_BYTES,
            opened: OnceLock::new(),
            damaged: AtomicUsize::new(0),
            written: AtomicUsize::new(0),
            full: AtomicBool::new(false),
        }
    }

    /// What was kept under a key.
    pub fn read(&self, kind: Kind, key: &Key) -> Option<Vec<u8>> {
        let path = self.path(kind, key);
        let mut file = File::open(&path).ok()?;
        let about = file.metadata().ok()?;
        let mut bytes = Vec::with_capacity(usize::try_from(about.len()).ok()?);
        file.read_to_end(&mut bytes).ok()?;
        match piece::unpack(bytes, key) {
            Ok(payload) => {
                self.note_use(&file, about.modified().ok());
                Some(payload)
            }
            Err(piece::Unfit::OtherVersion) => None,
            Err(piece::Unfit::Damaged) => {
                self.damaged.fetch_add(1, Ordering::Relaxed);
                // Told once; where it cannot be removed, it is told again.
                let _ = fs::remove_file(&path);
                None
            }
        }
    }

    /// Keeps something under a key, if it can.
    pub fn write(&self, kind: Kind, key: &Key, payload: &[u8]) {
        if self.full.load(Ordering::Relaxed) {
            return;
        }
        match self.try_write(kind, key, payload) {
            Ok(()) => {
                self.written.fetch_add(1, Ordering::Relaxed);
            }
            Err(_) => self.full.store(true, Ordering::Relaxed),
        }
    }

    /// How many pieces were damaged.
    pub fn damaged(&self) -> usize {
        self.damaged.load(Ordering::Relaxed)
    }

    /// The time when this cache was first asked for it, by the clock of its disk; `None`
    /// where nothing can be written.
    pub fn opened(&self) -> Option<SystemTime> {
        *self.opened.get_or_init(|| {
            let stamp = || -> io::Result<SystemTime> {
                self.make_folder(&self.folder)?;
                let stamp = tempfile::Builder::new().prefix(UNFINISHED).tempfile_in(&self.folder)?;
                stamp.as_file().metadata()?.modified()
            };
            stamp().ok()
        })
    }

    /// After something was written: removes what kills left, and what was not used for
    /// longest where there is too much.
    pub fn tidy(&self) {
        if self.written.swap(0, Ordering::Relaxed) == 0 {
            return;
        }
        let Some(now) = self.opened() else { return };
        let mut pieces = Vec::new();
        let folders = Kind::ALL.map(|kind| self.folder.join(kind.folder()));
        for entry in
            folders.iter().chain([&self.folder]).filter_map(|folder| fs::read_dir(folder).ok()).flatten()
        {
            let Ok(entry) = entry else { continue };
            let Ok(about) = entry.metadata() else { continue };
            let (true, Ok(used)) = (about.is_file(), about.modified()) else { continue };
            let name = entry.file_name();
            if name.to_string_lossy().starts_with(UNFINISHED) {
                if now.duration_since(used).is_ok_and(|age| age > LEFTOVER_AGE) {
                    let _ = fs::remove_file(entry.path());
                }
            } else if name != TAG.0 {
                pieces.push((used, about.len(), entry.path()));
            }
        }
        let mut held: u64 = pieces.iter().map(|(_, bytes, _)| bytes).sum();
        pieces.sort();
        for (_, bytes, path) in pieces {
            if held <= self.most_bytes {
                break;
            }
            if fs::remove_file(path).is_ok() {
                held -= bytes;
            }
        }
    }

    fn path(&self, kind: Kind, key: &Key) -> PathBuf {
        let name: String = key.iter().map(|byte| format!("{byte:02x}")).collect();
        self.folder.join(kind.folder()).join(name)
    }

    fn try_write(&self, kind: Kind, key: &Key, payload: &[u8]) -> io::Result<()> {
        let path = self.path(kind, key);
        let folder = self.folder.join(kind.folder());
        self.make_folder(&folder)?;
        let mut file = tempfile::Builder::new().prefix(UNFINISHED).tempfile_in(&folder)?;
        // Not synced: what a power cut tears is seen by its hash.
        file.write_all(&piece::head(key, payload))?;
        file.write_all(payload)?;
        file.persist(path).map_err(|error| error.error)?;
        Ok(())
    }

    fn make_folder(&self, folder: &Path) -> io::Result<()> {
        if folder.is_dir() {
            return Ok(());
        }
        fs::create_dir_all(folder)?;
        let tag = self.folder.join(TAG.0);
        if tag.exists() { Ok(()) } else { fs::write(tag, TAG.1) }
    }

    fn note_use(&self, file: &File, used: Option<SystemTime>) {
        let (Some(now), Some(used)) = (self.opened(), used) else { return };
        if now.duration_since(used).is_ok_and(|age| age > USE_GRAIN) {
            // Where it cannot be noted, the piece merely goes earlier.
            let _ = file.set_times(FileTimes::new().set_modified(now));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: Key = [7; 32];

    fn pieces(cache: &Cache) -> Vec<PathBuf> {
        let listed = fs::read_dir(cache.folder.join(Kind::Record.folder())).expect("listed");
        listed.map(|entry| entry.expect("an entry").path()).collect()
    }

    #[test]
    fn what_was_kept_comes_back_and_nothing_else() {
        let dir = tempfile::tempdir().expect("a folder");
        let cache = Cache::at(&dir.path().join("deep/cache"));
        assert_eq!(cache.read(Kind::Record, &KEY), None);
        cache.write(Kind::Record, &KEY, b"said");
        assert_eq!(cache.read(Kind::Record, &KEY).as_deref(), Some(&b"said"[..]));
        assert_eq!(cache.read(Kind::Check, &KEY), None);
        assert_eq!(cache.read(Kind::Record, &[8; 32]), None);
        assert_eq!(cache.damaged(), 0);
        assert!(dir.path().join("deep/cache/CACHEDIR.TAG").is_file());
    }

    #[test]
    fn a_damaged_piece_is_none_and_a_new_one_takes_its_place() {
        let dir = tempfile::tempdir().expect("a folder");
        let cache = Cache::at(dir.path());
        cache.write(Kind::Record, &KEY, b"said by a ride");
        let path = pieces(&cache).remove(0);
        let whole = fs::read(&path).expect("a piece");
        for at in 0..whole.len() {
            let mut flipped = whole.clone();
            flipped[at] ^= 1;
            fs::write(&path, &flipped).expect("written");
            assert_eq!(cache.read(Kind::Record, &KEY), None, "byte {at}");
            fs::write(&path, &whole[..at]).expect("written");
            assert_eq!(cache.read(Kind::Record, &KEY), None, "{at} bytes");
        }
        assert!(cache.damaged() > whole.len());
        // A piece that lies under the name of another one says nothing.
        fs::write(cache.path(Kind::Record, &[8; 32]), &whole).expect("written");
        assert_eq!(cache.read(Kind::Record, &[8; 32]), None);
        cache.write(Kind::Record, &KEY, b"said anew");
        assert_eq!(cache.read(Kind::Record, &KEY).as_deref(), Some(&b"said anew"[..]));
    }

    #[test]
    fn where_nothing_can_be_written_nothing_is_kept_and_nothing_fails() {
        let dir = tempfile::tempdir().expect("a folder");
        let file = dir.path().join("file");
        fs::write(&file, "no folder").expect("written");
        let cache = Cache::at(&file);
        cache.write(Kind::Record, &KEY, b"said");
        cache.tidy();
        assert_eq!((cache.read(Kind::Record, &KEY), cache.opened(), cache.damaged()), (None, None, 0));
        assert_eq!(fs::read_to_string(&file).expect("a file"), "no folder");
    }

    #[test]
    fn the_longest_unused_go_first_and_old_leftovers_with_them() {
        let dir = tempfile::tempdir().expect("a folder");
        let day = |days: u32| FileTimes::new().set_modified(SystemTime::now() - USE_GRAIN * days);
        let payload = vec![0; 1000];
        let mut cache = Cache::at(dir.path());
        for n in 1..=4u8 {
            cache.write(Kind::Record, &[n; 32], &payload);
            let path = cache.path(Kind::Record, &[n; 32]);
            let file = File::options().write(true).open(path).expect("a piece");
            file.set_times(day(10 - u32::from(n))).expect("set");
        }
        let leftovers = [("old", 1), ("young", 0)].map(|(name, days)| {
            let path = dir.path().join("records").join(format!("{UNFINISHED}{name}"));
            File::create(&path).expect("made").set_times(day(days)).expect("set");
            path
        });
        // Used again, the oldest is the youngest.
        assert!(cache.read(Kind::Record, &[1; 32]).is_some());
        cache.most_bytes = 2500;
        cache.tidy();
        let left: Vec<bool> = (1..=4u8).map(|n| cache.read(Kind::Record, &[n; 32]).is_some()).collect();
        assert_eq!(left, [true, false, false, true]);
        assert_eq!(leftovers.map(|path| path.exists()), [false, true]);
    }
}
