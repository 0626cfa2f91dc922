//! How fast a long history answers: 500 revisions of a 24 × 24 map.
//!
//! `cargo bench --bench long_history` builds the history once (through the ledger,
//! without rides: what runs write down is made up), then times whole commands of the
//! binary, and beside them `git log` over the same repository. `-- DIR` keeps the
//! history in DIR.

use rideloop::bike::{FuelTableKind, REGISTER_FILE, Template, fuel_path, mixture_path};
use rideloop::evidence::{
    CellEvidence, EvidenceRow, LambdaError, RideStatement, RideStatements, evidence_path, rides_path, write,
};
use rideloop::ledger::{Draft, FileWrite, Moment, PipelineRef, RevisionKind, RevisionRecord, RideRef, Store};
use rideloop::ride::{Register, RegisteredRide, RideState, hash};
use rideloop::table::{self, Axis, Grid, LoadAxis, Resolution, Table};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

const REVISIONS: u32 = 500;
const SIDE: usize = 24;
/// A new build after so many revisions.
const BUILD_LASTS: u32 = 50;
/// Cells that one revision moves.
const MOVED: usize = 60;
const RUNS: usize = 7;
const SLOT: &str = "main";

fn main() {
    let kept = std::env::args().skip(1).find(|word| !word.starts_with('-')).map(PathBuf::from);
    let temporary = tempfile::tempdir().expect("a folder");
    let root = kept.unwrap_or_else(|| temporary.path().join("bike"));
    if !root.join(".git").exists() {
        build(&root);
    }
    println!("{REVISIONS} revisions of a {SIDE} x {SIDE} map; medians of {RUNS}");
    let page = temporary.path().join("season.html");
    let page_name = page.to_str().expect("UTF-8");
    let floor = timed(Command::new("git").current_dir(&root).args(["log", "--format=%B"]));
    println!("{:<34} {:>8.1} ms", "git log with whole messages", floor * 1e3);
    let commands: [&[&str]; 9] = [
        &["--version"],
        &["history"],
        &["--json", "history"],
        &["history", "--rpm", "3000:4000", "--load", "20:40"],
        &["cell", "3000", "20"],
        &["gaps"],
        &["season"],
        &["--json", "season"],
        &["season", "--html", page_name],
    ];
    for words in commands {
        let mut command = Command::new(env!("CARGO_BIN_EXE_rideloop"));
        let time = timed(command.arg("--bike").arg(&root).args(words));
        let told = words.join(" ").replace(page_name, "FILE");
        println!("{:<34} {:>8.1} ms  {:>6.2} x git log", told, time * 1e3, time / floor);
    }
    if let Ok(metadata) = std::fs::metadata(&page) {
        println!("the page: {:.2} MB", metadata.len() as f64 / 1e6);
    }
}

fn timed(command: &mut Command) -> f64 {
    command.stdout(Stdio::null());
    let mut times: Vec<f64> = (0..RUNS)
        .map(|_| {
            let start = Instant::now();
            let status = command.status().expect("it starts");
            assert!(status.success(), "{command:?}");
            start.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[RUNS / 2]
}

/// A made-up history, shaped as runs make it.
fn build(root: &Path) {
    let template = Template {
        name: "Long history".to_owned(),
        displacement_cc: 700.0,
        cylinders: 2,
        rev_limit_rpm: 8200.0,
        fuel: "E10".to_owned(),
        fuel_table: FuelTableKind::VePct,
        load: LoadAxis::ThrottlePct,
        injector_cc_min: None,
        slots: vec![SLOT.to_owned()],
        today: "2026-01-01".to_owned(),
        ..Template::default()
    };
    let mut files: BTreeMap<String, String> =
        template.files().into_iter().map(|file| (file.path, file.text)).collect();
    let axis = |top: f64| Axis::new((1..=SIDE).map(|i| (top * i as f64 / SIDE as f64).round()).collect());
    let grid = Grid { rpm: axis(9000.0).expect("ascending"), load: axis(100.0).expect("ascending") };
    let mut fuel = table_of(&grid, 0.1, |rpm, load| 30.0 + load / 2.0 + (rpm / 900.0).sin() * 5.0);
    let mixture = table_of(&grid, 0.001, |_, load| if load > 50.0 { 0.88 } else { 1.0 });
    files.insert(fuel_path(SLOT), table::write(&fuel));
    files.insert(mixture_path(SLOT), table::write(&mixture));
    for (path, text) in &files {
        let path = root.join(path);
        std::fs::create_dir_all(path.parent().expect("a parent")).expect("made");
        std::fs::write(path, text).expect("written");
    }
    let store = Store::init(root).expect("a repository");
    store.set_local_identity("Bench", "bench@bench.invalid").expect("set");
    let lock = store.lock().expect("locked");
    let mut register = Register::default();
    let mut on_build: Vec<RideStatement> = Vec::new();
    for number in 1..=REVISIONS {
        let name = format!("r{number}");
        let build = format!("b{}", (number - 1) / BUILD_LASTS + 1);
        let starts_build = (number - 1) % BUILD_LASTS == 0;
        let kind = match (number, starts_build) {
            (1, _) => RevisionKind::Start,
            (_, true) => RevisionKind::Build,
            _ => RevisionKind::Run,
        };
        let mut record =
            RevisionRecord::new(number, kind, vec![SLOT.to_owned()], &build, "rideloop 0.1.0".to_owned());
        let mut changed: Vec<(String, String)> = Vec::new();
        if number == 1 {
            changed.extend(files.iter().map(|(path, text)| (path.clone(), text.clone())));
        }
        if starts_build && number > 1 {
            on_build.clear();
            let list = (0..=(number - 1) / BUILD_LASTS)
                .map(|b| format!("- {{ build: b{}, since: 2026-01-01, what: made up }}\n", b + 1));
            changed.push(("builds.yaml".to_owned(), list.collect()));
        }
        if kind == RevisionKind::Run {
            let before = fuel.clone();
            for i in 0..MOVED {
                let cell = (number as usize * 97 + i * 31) % grid.cells();
                let by = if (number as usize + i).is_multiple_of(3) { -0.4 } else { 0.3 };
                fuel.values[cell] = ((fuel.values[cell] + by).clamp(10.0, 110.0) * 10.0).round() / 10.0;
            }
            let sha256 = hash(name.as_bytes());
            on_build.push(statement(&sha256, number));
            on_build.sort_by(|a, b| a.sha256.cmp(&b.sha256));
            register.mark_used(registered(&sha256, number, &build), &name);
            record.cells_changed = MOVED;
            record.pipeline = Some(PipelineRef { name: "road".to_owned(), sha256: hash(b"road") });
            record.rides = on_build
                .iter()
                .map(|ride| RideRef { sha256: ride.sha256.clone(), file: ride.file.clone() })
                .collect();
            changed.push((fuel_path(SLOT), table::write(&fuel)));
            changed.push((evidence_path(SLOT), write(&rows(&grid, &before, &fuel), LoadAxis::ThrottlePct)));
            let said = RideStatements { rides: on_build.clone(), ..RideStatements::default() };
            changed.push((rides_path(SLOT), said.to_text()));
        }
        changed.push((REGISTER_FILE.to_owned(), register.to_text()));
        let summary =
            format!("{name} {SLOT}: {} cells by {} rides (road)", record.cells_changed, on_build.len());
        let files =
            changed.into_iter().map(|(path, text)| FileWrite { path, bytes: Some(text.into_bytes()) });
        let draft = Draft {
            tag: name,
            tag_message: format!("{summary}\n"),
            message: record.message(&summary, "made up"),
            files: files.collect(),
            when: Moment { unix_s: 1_767_225_600 + i64::from(number) * 86_400, offset_min: 60 },
        };
        store.commit(&lock, &draft).expect("committed");
    }
}

fn table_of(grid: &Grid, step: f64, value: impl Fn(f64, f64) -> f64) -> Table {
    let points = (0..grid.cells()).map(|cell| grid.point(cell));
    let values = points.map(|(rpm, load)| (value(rpm, load) / step).round() * step).collect();
    let resolution = Resolution::new(step).expect("a decimal step");
    Table { grid: grid.clone(), load_axis: LoadAxis::ThrottlePct, resolution, values }
}

fn rows(grid: &Grid, before: &Table, after: &Table) -> Vec<EvidenceRow> {
    let row = |cell: usize| {
        let evidence = CellEvidence {
            weight_s: 12.345,
            required: after.values[cell] + 0.05,
            std_error: 0.3 + (cell % 7) as f64 / 10.0,
            effective_samples: 45.6,
            dwells: 7,
            rides: 3,
            effective_rides: 2.5,
        };
        let held = cell.is_multiple_of(11).then_some("step_up");
        EvidenceRow::new(
            grid.point(cell),
            before.values[cell],
            after.values[cell],
            Some(&evidence),
            17.5,
            held,
        )
    };
    (0..grid.cells()).map(row).collect()
}

fn statement(sha256: &str, number: u32) -> RideStatement {
    let error = |rms_pct: f64| Some(LambdaError { lean_pct: 0.5, rms_pct });
    RideStatement {
        file: format!("r{}/ride-{number}.csv", number - 1),
        sha256: sha256.to_owned(),
        revision: format!("r{}", number - 1),
        samples: 30_000,
        kept: 17_000,
        ridden_s: 1500.0,
        rejected: BTreeMap::from([("engine_cold".to_owned(), 6000), ("overrun".to_owned(), 7000)]),
        as_ridden: error(4.0),
        before: error(4.0),
        after: error(1.5),
        findings: Vec::new(),
    }
}

fn registered(sha256: &str, number: u32, build: &str) -> RegisteredRide {
    RegisteredRide {
        file: format!("r{}/ride-{number}.csv", number - 1),
        sha256: sha256.to_owned(),
        revision: format!("r{}", number - 1),
        slot: SLOT.to_owned(),
        build: build.to_owned(),
        state: RideState::Used,
        used_in: Vec::new(),
        why: None,
        set_aside_in: None,
        unlogged_slot: None,
        corrected_in: None,
    }
}
