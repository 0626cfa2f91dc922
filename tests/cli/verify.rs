//! `verify`: what fits together passes, and each thing that does not is found in its place.

use crate::bench::Bench;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

const FUEL: &str = "maps/power/fuel.csv";
const EVIDENCE: &str = "evidence/power.csv";

/// r1 start, r2 and r3 by rides, r4 back to r2, r5 a ride set aside, r6 by three rides.
fn season() -> &'static Bench {
    static SEASON: OnceLock<Bench> = OnceLock::new();
    SEASON.get_or_init(|| {
        let bench = Bench::with_bike();
        for (seed, revision) in [(1, "r2"), (2, "r3")] {
            bench.simulate(seed, 6);
            bench.on_bike(&["run"]).exits(0).says(revision);
        }
        bench.on_bike(&["rollback", "r2", "--why", "stalls when hot", "--keep-rides"]).exits(0).says("r4");
        bench.simulate(3, 6);
        bench.on_bike(&["rides", "set-aside", "sim-1.csv", "--why", "loose sensor"]).exits(0).says("r5");
        bench.on_bike(&["run"]).exits(0).says("r6");
        bench
    })
}

/// The troubles of a season that something was done to; nothing is written to find them.
fn troubles_of(bench: &Bench, args: &[&str]) -> Vec<Value> {
    let before = bench.snapshot();
    let args: Vec<&str> = ["--json", "verify"].iter().chain(args).copied().collect();
    let report = bench.on_bike(&args).exits(1).json();
    assert!(bench.snapshot() == before, "verify changed something");
    let troubles = report["troubles"].as_array().expect("troubles").clone();
    assert!(troubles.iter().all(|t| t["to_do"].as_str().is_some_and(|to_do| !to_do.is_empty())));
    troubles
}

/// With every run made again.
fn troubles(bench: &Bench) -> Vec<Value> {
    troubles_of(bench, &[])
}

/// The only trouble of a season, found without making runs again.
fn one_trouble(bench: &Bench, kind: &str) -> Value {
    let mut found = troubles_of(bench, &["r1"]);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert_eq!(found[0]["kind"], kind, "{found:#?}");
    found.remove(0)
}

/// Changes one digit of the last field of a line; says what stood there and what stands there now.
fn flip(bench: &Bench, path: &str, line: usize) {
    let mut lines: Vec<String> = bench.read(path).split('\n').map(str::to_owned).collect();
    let at = lines[line - 1].rfind(|c: char| c.is_ascii_digit()).expect("a digit");
    let digit = if lines[line - 1].as_bytes()[at] == b'1' { "2" } else { "1" };
    lines[line - 1].replace_range(at..=at, digit);
    bench.write(path, lines.join("\n"));
}

/// Where the object that holds `what` (such as `HEAD:maps/power/fuel.csv`) lies.
fn object_file(bench: &Bench, what: &str) -> (String, PathBuf) {
    let id = bench.git(&["rev-parse", what]).exits(0).out.trim().to_owned();
    let file = bench.bike.join(".git/objects").join(&id[..2]).join(&id[2..]);
    (id, file)
}

fn spoil(file: &Path, at: usize) {
    let mut bytes = std::fs::read(file).expect("readable");
    bytes[at] ^= 0x10;
    std::fs::remove_file(file).expect("objects are write-protected");
    std::fs::write(file, bytes).expect("written");
}

#[test]
fn a_season_as_it_was_made_fits_together_and_replays_byte_for_byte() {
    let bench = season();
    let before = bench.snapshot();
    let report = bench.on_bike(&["--json", "verify"]).exits(0).json();
    assert_eq!(report["troubles"], Value::Array(Vec::new()), "{report:#}");
    let replays: Vec<(&str, &str)> = report["revisions"]
        .as_array()
        .expect("revisions")
        .iter()
        .map(|r| (r["kind"].as_str().expect("kind"), r["replay"].as_str().expect("replay")))
        .collect();
    let nothing = "nothing_to_replay";
    let wanted = [
        ("run", "same"),
        ("edit", nothing),
        ("rollback", nothing),
        ("run", "same"),
        ("run", "same"),
        ("start", nothing),
    ];
    assert_eq!(replays, wanted);
    assert_eq!(report["rides"], 3);
    assert!(report["objects"].as_u64().is_some_and(|n| n > 30), "{report:#}");
    bench
        .on_bike(&["verify", "r3"])
        .exits(0)
        .says("all fit together")
        .says("not replayed")
        .says("not signed");
    bench.on_bike(&["verify", "r9"]).exits(1).says("there is no revision r9");
    assert!(bench.snapshot() == before, "verify changed something");
    // Packed by git, it is the same repository; renamed, they are the same rides.
    let twin = bench.twin();
    twin.git(&["gc", "-q", "--prune=now"]).exits(0);
    std::fs::rename(twin.bike.join("rides/r1"), twin.bike.join("rides/kept")).expect("renamed");
    twin.on_bike(&["verify"]).exits(0).says("all fit together");
}

#[test]
fn a_file_in_the_folder_that_is_not_as_committed_is_named_with_the_cell() {
    let bench = season().twin();
    let titles = bench.read(FUEL).lines().next().expect("titles").to_owned();
    let load = titles.rsplit(',').next().expect("a load").to_owned();
    let rpm =
        bench.read(FUEL).lines().nth(4).and_then(|l| Some(l.split_once(',')?.0.to_owned())).expect("rpm");
    flip(&bench, FUEL, 5);
    let found = one_trouble(&bench, "file_differs");
    assert_eq!(found["path"], FUEL);
    let cell = &found["differences"][0];
    assert_eq!((cell["line"].as_u64(), cell["row"].as_str()), (Some(5), Some(format!("{rpm} rpm").as_str())));
    assert_eq!(cell["column"], format!("{load} throttle_pct"));
    bench.git(&["checkout", "HEAD", "--", FUEL]).exits(0);
    bench.on_bike(&["verify", "r1"]).exits(0);

    // One that is no table any more, beside a table too many and a register that lost a line.
    bench.write(FUEL, "rpm");
    bench.write("maps/power/notes.csv", "x");
    let register = bench.read("rides.yaml");
    bench.write("rides.yaml", register.replacen("loose sensor", "lost sensor", 1));
    std::fs::remove_file(bench.bike.join(EVIDENCE)).expect("there");
    bench
        .on_bike(&["verify", "r1"])
        .exits(1)
        .says("trouble (file_differs): maps/power/fuel.csv")
        .says("line 1: ");
    let found = troubles_of(&bench, &["r1"]);
    let paths: Vec<&str> = found.iter().filter_map(|t| t["path"].as_str()).collect();
    assert_eq!(paths, [EVIDENCE, FUEL, "maps/power/notes.csv", "rides.yaml"], "{found:#?}");
    assert!(found.iter().all(|t| t["kind"] == "file_differs"));
}

#[test]
fn a_flipped_byte_in_evidence_or_ride_is_found() {
    let bench = season().twin();
    let text = bench.read(EVIDENCE);
    let ridden =
        text.lines().position(|l| l.split(',').nth(4).is_some_and(|f| f.contains('.'))).expect("evidence");
    let line = text.lines().nth(ridden).expect("there").to_owned();
    let after = line.split(',').nth(3).expect("after").to_owned();
    bench.write(EVIDENCE, text.replacen(&line, &line.replacen(&after, "1.0000", 1), 1));
    let found = one_trouble(&bench, "file_differs");
    assert_eq!(
        (found["path"].as_str(), found["differences"][0]["line"].as_u64()),
        (Some(EVIDENCE), Some(ridden as u64 + 1))
    );

    let bench = season().twin();
    flip(&bench, "rides/r2/sim-2.csv", 500);
    let found = one_trouble(&bench, "ride_changed");
    assert_eq!(found["path"], "rides/r2/sim-2.csv");
    assert!(found["what"].as_str().is_some_and(|w| w.contains("r3, r6 rest on it")), "{found:#}");
    // What does not rest on that ride is replayed all the same.
    let report = bench.on_bike(&["--json", "verify"]).exits(1).json();
    let replay = |at: usize| report["revisions"][at]["replay"].as_str().expect("replay").to_owned();
    assert_eq!((replay(0).as_str(), replay(4).as_str()), ("cannot_be_replayed", "same"));
}

#[test]
fn a_deleted_ride_is_missed_and_a_folder_without_rides_is_explained() {
    let bench = season().twin();
    std::fs::remove_file(bench.bike.join("rides/r1/sim-1.csv")).expect("there");
    let found = one_trouble(&bench, "ride_missing");
    assert_eq!(found["path"], "rides/r1/sim-1.csv");
    assert!(found["what"].as_str().is_some_and(|w| w.contains("r2, r3 rest on it")), "{found:#}");
    std::fs::remove_dir_all(bench.bike.join("rides")).expect("there");
    assert_eq!(troubles_of(&bench, &["r1"]).len(), 3);
    bench.on_bike(&["verify"]).exits(1).says("rides are kept outside git, so a clone does not bring them");
}

#[test]
fn a_flipped_byte_in_the_repository_is_found_and_the_advice_mends_it() {
    let bench = season().twin();
    let (id, file) = object_file(&bench, &format!("HEAD:{FUEL}"));
    spoil(&file, 60);
    let found = one_trouble(&bench, "broken_object");
    assert_eq!((found["revision"].as_str(), found["path"].as_str()), (Some("r6"), Some(FUEL)));
    let to_do = found["to_do"].as_str().expect("what to do");
    assert!(to_do.contains(&format!("git hash-object -w --no-filters {FUEL}")), "{to_do}");
    std::fs::remove_file(&file).expect("as advised");
    bench.git(&["hash-object", "-w", "--no-filters", FUEL]).exits(0).says(&id);
    bench.on_bike(&["verify", "r6"]).exits(0);

    // Bytes that unpack well but are another file's: only the name gives them away.
    let (_, other) = object_file(&bench, &format!("r2:{FUEL}"));
    std::fs::remove_file(&file).expect("there");
    std::fs::copy(other, &file).expect("copied");
    assert_eq!(one_trouble(&bench, "broken_object")["path"], FUEL);

    // One in a pack, and a commit at that: its tag says which revision it was.
    let bench = season().twin();
    bench.git(&["gc", "-q", "--prune=now"]).exits(0);
    let packs = std::fs::read_dir(bench.bike.join(".git/objects/pack")).expect("packs").flatten();
    let pack = packs.map(|e| e.path()).find(|p| p.extension().is_some_and(|e| e == "pack")).expect("a pack");
    let commit = bench.git(&["rev-parse", "r3^{commit}"]).exits(0).out.trim().to_owned();
    let listed = bench.git(&["verify-pack", "-v", pack.to_str().expect("UTF-8")]).exits(0).out;
    let line = listed.lines().find(|l| l.starts_with(&commit)).expect("listed");
    let offset: usize = line.split_whitespace().nth(4).and_then(|o| o.parse().ok()).expect("an offset");
    spoil(&pack, offset + 100);
    let found = troubles(&bench);
    // Commits that are packed as its differences are gone with it.
    let broken = found.iter().find(|t| t["kind"] == "broken_object" && t["revision"] == "r3");
    let to_do = broken.and_then(|t| t["to_do"].as_str()).unwrap_or_else(|| panic!("{found:#?}"));
    assert!(to_do.contains("git clone COPY NEW"), "{to_do}");
}

#[test]
fn tags_that_are_gone_moved_or_light_are_told_with_the_command_that_mends_them() {
    let bench = season().twin();
    bench.git(&["tag", "-d", "r3"]).exits(0);
    let found = one_trouble(&bench, "tag_missing");
    assert_eq!(found["revision"], "r3");
    let line = found["to_do"].as_str().and_then(|t| t.split('`').nth(1)).expect("a command").to_owned();
    assert!(line.starts_with("git tag -a r3 "), "{line}");
    let words: Vec<&str> = line.split(' ').collect();
    let message = line.split('\'').nth(1).expect("a message");
    bench.git(&["tag", "-a", "r3", words[4], "-m", message]).exits(0);
    bench.on_bike(&["verify", "r1"]).exits(0).says("all fit together");

    bench.git(&["tag", "-f", "-a", "r3", "r2^{}", "-m", "moved"]).exits(0);
    let found = one_trouble(&bench, "tag_elsewhere");
    assert!(
        found["revision"] == "r3" && found["what"].as_str().is_some_and(|w| w.contains("the tag was moved"))
    );
    bench.git(&["tag", "-f", "r3", words[4]]).exits(0);
    assert_eq!(one_trouble(&bench, "tag_lightweight")["revision"], "r3");
    bench.git(&["tag", "-f", "-a", "r3", words[4], "-m", message]).exits(0);
    bench.git(&["tag", "-a", "r9", "-m", "never was"]).exits(0);
    assert_eq!(one_trouble(&bench, "behind_history")["revision"], "r9");
}

#[test]
fn a_commit_that_was_amended_is_found_with_its_tag_and_without() {
    let bench = season().twin();
    flip(&bench, FUEL, 5);
    bench.git(&["commit", "-q", "--amend", "--no-edit", "-a"]).exits(0);
    let found = troubles_of(&bench, &["r6"]);
    let kinds: Vec<&str> = found.iter().filter_map(|t| t["kind"].as_str()).collect();
    assert_eq!(kinds, ["tag_elsewhere", "evidence_differs", "replay_differs"]);
    assert!(found.iter().all(|t| t["revision"] == "r6"));
    assert!(found[0]["to_do"].as_str().is_some_and(|t| t.contains("git reset --keep r6")), "{found:#?}");
    // Whoever moves the tag as well is found by the replay, to the cell.
    bench.git(&["tag", "-f", "-a", "r6", "-m", "as if nothing had been"]).exits(0);
    let found = troubles_of(&bench, &["r6"]);
    assert_eq!(found.len(), 2, "{found:#?}");
    assert_eq!(
        (found[1]["path"].as_str(), found[1]["differences"][0]["line"].as_u64()),
        (Some(FUEL), Some(5))
    );
    // Made by another version, the replay's difference is no trouble but is said.
    let message = bench.git(&["log", "-1", "--format=%B"]).exits(0).out;
    let other = message.replace("Tool: rideloop ", "Tool: rideloop 0.0.");
    bench.git(&["commit", "-q", "--amend", "-m", &other]).exits(0);
    bench.git(&["tag", "-f", "-a", "r6", "-m", "as if nothing had been"]).exits(0);
    let report = bench.on_bike(&["--json", "verify", "r6"]).exits(1).json();
    assert_eq!(report["revisions"][0]["replay"], "differs_from_other_version");
    let kinds: Vec<&str> =
        report["troubles"].as_array().into_iter().flatten().filter_map(|t| t["kind"].as_str()).collect();
    assert_eq!(kinds, ["evidence_differs"]);
    assert!(report["notes"][0].as_str().is_some_and(|n| n.contains("another version")), "{report:#}");
}

#[test]
fn a_commit_by_hand_that_changes_a_table_is_named_with_the_cell() {
    let bench = season().twin();
    flip(&bench, FUEL, 5);
    bench.write("notes.txt", "anything else is the user's own business");
    bench.git(&["add", "-A"]).exits(0);
    bench.git(&["commit", "-q", "-m", "a little richer"]).exits(0);
    let found = one_trouble(&bench, "handmade_commit");
    assert_eq!((found["revision"].as_str(), found["path"].as_str()), (Some("r6"), Some(FUEL)));
    assert!(found["what"].as_str().is_some_and(|w| w.contains("a little richer")), "{found:#}");
    assert_eq!(found["differences"][0]["line"], 5);
    // Taken back by hand, nothing of it is left.
    bench.git(&["checkout", "-q", "r6", "--", FUEL]).exits(0);
    bench.git(&["commit", "-q", "-m", "back"]).exits(0);
    bench.on_bike(&["verify", "r1"]).exits(0).says("all fit together");
}

#[test]
fn a_copied_message_makes_no_second_revision() {
    let bench = season().twin();
    flip(&bench, FUEL, 5);
    bench.git(&["commit", "-q", "-a", "-C", "r3"]).exits(0);
    let found = troubles_of(&bench, &["r6"]);
    let told: Vec<(&str, &str)> =
        found.iter().filter_map(|t| Some((t["kind"].as_str()?, t["revision"].as_str()?))).collect();
    assert_eq!(told, [("number_repeated", "r3"), ("handmade_commit", "r6")], "{found:#?}");
    // A revision left out: the branch was moved past it.
    let bench = season().twin();
    let tree = bench.git(&["rev-parse", "r6^{tree}"]).exits(0).out.trim().to_owned();
    let message = bench.git(&["log", "-1", "--format=%B", "r6"]).exits(0).out;
    let made = bench.git(&["commit-tree", &tree, "-p", "r4^{commit}", "-m", &message]).exits(0).out;
    bench.git(&["reset", "-q", "--hard", made.trim()]).exits(0);
    let found = troubles_of(&bench, &["r1"]);
    for (kind, revision) in
        [("number_missing", "r5"), ("tag_elsewhere", "r6"), ("tag_without_revision", "r5")]
    {
        assert!(found.iter().any(|t| t["kind"] == kind && t["revision"] == revision), "{kind} in {found:#?}");
    }
}

#[test]
fn a_register_that_contradicts_the_revisions_is_found() {
    let bench = season().twin();
    let register = bench.read("rides.yaml");
    let changed =
        register.replacen("  - r6\n", "  - r5\n", 1).replacen("set_aside_in: r5", "set_aside_in: r8", 1);
    assert_ne!(changed, register);
    bench.write("rides.yaml", changed);
    bench.git(&["commit", "-q", "--amend", "--no-edit", "-a"]).exits(0);
    bench.git(&["tag", "-f", "-a", "r6", "-m", "as if nothing had been"]).exits(0);
    let found = troubles_of(&bench, &["r1"]);
    let told: Vec<(&str, &str)> =
        found.iter().filter_map(|t| Some((t["kind"].as_str()?, t["revision"].as_str()?))).collect();
    for wanted in [("unknown_revision", "r8"), ("register_differs", "r5"), ("register_differs", "r6")] {
        assert!(told.contains(&wanted), "{wanted:?} in {found:#?}");
    }
    assert!(found.iter().all(|t| t["path"] == "rides.yaml"));
}

#[test]
fn work_that_was_cut_off_is_told() {
    let bench = season().twin();
    bench.write(".git/rideloop/pending.json", "{}");
    let report = bench.on_bike(&["--json", "verify", "r1"]).exits(1).json();
    assert_eq!(report["troubles"][0]["kind"], "interrupted");
    assert!(report["troubles"][0]["what"].as_str().is_some_and(|w| w.contains("pending.json")), "{report:#}");
}
