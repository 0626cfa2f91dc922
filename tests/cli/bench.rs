//! A workbench for one test: a temporary home, a bike, the binary, git.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// 2026-05-02 12:00 UTC.
const NOW: &str = "1777723200";

pub struct Bench {
    dir: tempfile::TempDir,
    pub bike: PathBuf,
}

/// What a command said.
#[derive(Debug)]
pub struct Said {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Said {
    pub fn new(output: Output) -> Self {
        Self {
            code: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout).expect("UTF-8"),
            err: String::from_utf8(output.stderr).expect("UTF-8"),
        }
    }

    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e} in {self:#?}"))
    }

    /// Asserts the exit code and that no panic was printed.
    pub fn exits(self, code: i32) -> Self {
        assert_eq!(self.code, code, "{self:#?}");
        assert!(!self.complains("panicked"), "{self:#?}");
        self
    }

    /// Whether a text stands in what was complained of, however its lines are broken.
    pub fn complains(&self, text: &str) -> bool {
        let flat = |said: &str| said.split_whitespace().collect::<Vec<_>>().join(" ");
        flat(&self.err).contains(&flat(text))
    }

    /// Asserts that a text stands in what was said, however its lines are broken.
    pub fn says(self, text: &str) -> Self {
        assert!(self.said(text), "no `{text}` in {self:#?}");
        self
    }

    /// Asserts that a text stands nowhere in what was said.
    pub fn never_says(self, text: &str) -> Self {
        assert!(!self.said(text), "`{text}` in {self:#?}");
        self
    }

    fn said(&self, text: &str) -> bool {
        let flat = |said: &str| said.split_whitespace().collect::<Vec<_>>().join(" ");
        let stands_in = |said: &str| said.contains(text) || flat(said).contains(&flat(text));
        stands_in(&self.out) || stands_in(&self.err)
    }
}

impl Bench {
    /// A home with an identity, and no bike yet.
    pub fn empty() -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        let identity =
            "[user]\n\tname = Bench Tuner\n\temail = tuner@bench.invalid\n[init]\n\tdefaultBranch = main\n";
        std::fs::write(dir.path().join(".gitconfig"), identity).expect("written");
        let bike = dir.path().join("bike");
        Self { bike, dir }
    }

    /// A bench with the demo bike's folder as it begins: r1 and no ride.
    pub fn with_bike() -> Self {
        let bench = Self::empty();
        copy(Path::new("demo-bike"), &bench.bike);
        std::fs::remove_file(bench.bike.join("README.md")).expect("copied");
        bench
    }

    /// The same bike, identity included, in a home of its own.
    pub fn twin(&self) -> Self {
        let twin = Self::empty();
        copy(&self.bike, &twin.bike);
        twin
    }

    pub fn home(&self) -> &Path {
        self.dir.path()
    }

    /// Where the bench's commands keep work; no folder until there is some.
    pub fn cache(&self) -> PathBuf {
        self.home().join("cache")
    }

    /// The binary, isolated, in the home folder.
    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = self.isolated(Command::new(env!("CARGO_BIN_EXE_rideloop")));
        command.args(args);
        command
    }

    /// A command with the bench's home, clock and identity and nothing else of the world.
    pub fn isolated(&self, mut command: Command) -> Command {
        command
            .env_clear()
            .env("PATH", std::env::var_os("PATH").unwrap_or_default())
            .env("HOME", self.home())
            .env("TMPDIR", self.home())
            .env("XDG_CONFIG_HOME", self.home().join(".config"))
            .env("RIDELOOP_CACHE", self.cache())
            .env("GIT_CONFIG_NOSYSTEM", "1")
            .env("SOURCE_DATE_EPOCH", NOW)
            .current_dir(self.home())
            .stdin(Stdio::null());
        command
    }

    /// Runs the binary outside the bike folder.
    pub fn rideloop(&self, args: &[&str]) -> Said {
        Said::new(self.command(args).output().expect("the binary starts"))
    }

    /// Runs the binary on the bike.
    pub fn on_bike(&self, args: &[&str]) -> Said {
        let bike = self.bike.to_str().expect("UTF-8");
        let args: Vec<&str> = ["--bike", bike].iter().chain(args).copied().collect();
        self.rideloop(&args)
    }

    /// Runs git in the bike folder.
    pub fn git(&self, args: &[&str]) -> Said {
        Said::new(self.git_command(args).output().expect("git starts"))
    }

    /// Git, isolated, in the bike folder.
    pub fn git_command(&self, args: &[&str]) -> Command {
        let mut command = self.isolated(Command::new("git"));
        command.args(args).current_dir(&self.bike);
        command
    }

    /// Rides the virtual bike with the current map, the engine warm from the start.
    pub fn simulate(&self, seed: u32, minutes: u32) {
        let (seed, minutes) = (seed.to_string(), minutes.to_string());
        self.on_bike(&["simulate", "--warm", "--seed", &seed, "--minutes", &minutes]).exits(0);
    }

    /// The newest revision's name.
    pub fn newest(&self) -> String {
        let history = self.on_bike(&["--json", "history"]).exits(0).json();
        history[0]["revision"].as_str().expect("a revision").to_owned()
    }

    /// Writes a file below the bike folder.
    pub fn write(&self, path: &str, bytes: impl AsRef<[u8]>) {
        let path = self.bike.join(path);
        std::fs::create_dir_all(path.parent().expect("a parent")).expect("made");
        std::fs::write(path, bytes).expect("written");
    }

    pub fn read(&self, path: &str) -> String {
        std::fs::read_to_string(self.bike.join(path)).expect(path)
    }

    /// Every file below the bike folder with its bytes, git's included; the
    /// tool's own working folder inside `.git` is not.
    pub fn snapshot(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let mut files = Vec::new();
        collect(&self.bike, &mut files);
        files.retain(|(path, _)| !path.starts_with(self.bike.join(".git/rideloop")));
        files.sort();
        files
    }

    /// The repository is whole and the work tree is that of the newest commit.
    pub fn assert_whole(&self) {
        let fsck = self.git(&["fsck", "--strict"]).exits(0);
        // A commit that never became a revision may dangle; nothing may be broken.
        let complaints: Vec<&str> =
            fsck.err.lines().chain(fsck.out.lines()).filter(|l| !l.starts_with("dangling")).collect();
        assert!(complaints.iter().all(|l| l.contains("Checking") || l.contains("notice")), "{complaints:?}");
        assert_eq!(self.git(&["status", "--porcelain"]).exits(0).out, "");
        self.assert_fits();
    }

    /// `verify` finds nothing, but for rides that a test took away; runs are not made again.
    pub fn assert_fits(&self) {
        let report = self.on_bike(&["--json", "verify", "r1"]).json();
        let troubles = report["troubles"].as_array().unwrap_or_else(|| panic!("{report:#}"));
        let found: Vec<&Value> = troubles.iter().filter(|t| t["kind"] != "ride_missing").collect();
        assert!(found.is_empty(), "{found:#?}");
    }
}

fn collect(folder: &Path, files: &mut Vec<(PathBuf, Vec<u8>)>) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let path = entry.path();
        if path.is_dir() {
            collect(&path, files);
        } else {
            let bytes = std::fs::read(&path).expect("readable");
            files.push((path, bytes));
        }
    }
}

/// Copies a folder with all that is in it.
pub fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("made");
    for entry in std::fs::read_dir(from).expect("listed").flatten() {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).expect("copied");
        }
    }
}
