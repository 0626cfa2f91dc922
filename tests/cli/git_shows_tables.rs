//! Plain git shows tables one line a cell, where rideloop is there to help, and works where it is not.

use crate::bench::{Bench, Said};
use std::path::Path;

const FUEL: &str = "maps/power/fuel.csv";

/// Git in a folder, with another folder of programs before those of the environment.
fn git_beside(bench: &Bench, folder: &Path, programs: &Path, args: &[&str]) -> Said {
    let own = std::env::var_os("PATH").unwrap_or_default();
    let path = [programs.to_path_buf()].into_iter().chain(std::env::split_paths(&own));
    let mut command = bench.git_command(args);
    command.env("PATH", std::env::join_paths(path).expect("a path")).current_dir(folder);
    Said::new(command.output().expect("git starts"))
}

fn with_rideloop(bench: &Bench, folder: &Path, args: &[&str]) -> Said {
    let programs = Path::new(env!("CARGO_BIN_EXE_rideloop")).parent().expect("a folder");
    git_beside(bench, folder, programs, args)
}

/// A bike of an older rideloop: no driver in git's settings, attributes without it and with a
/// line of the user's own.
fn older_bike() -> Bench {
    let bench = Bench::with_bike();
    bench.write(".gitattributes", "*.csv -text\n*.yaml -text\n*.png binary");
    bench.simulate(1, 12);
    bench.git(&["init", "-q"]).exits(0);
    bench.git(&["add", "."]).exits(0);
    bench.git(&["commit", "-q", "-m", "as it was"]).exits(0);
    bench
}

#[test]
fn plain_git_shows_one_line_for_each_cell_that_changed() {
    let bench = older_bike();
    let changed =
        bench.on_bike(&["--json", "run"]).exits(0).json()["cells_changed"].as_u64().expect("a count");
    assert!(changed > 20, "{changed}");
    // The user's own lines stand first and as they were.
    let attributes = bench.read(".gitattributes");
    assert!(attributes.starts_with("*.csv -text\n*.yaml -text\n*.png binary\n# Tables"), "{attributes}");
    bench.assert_whole();

    let diff = with_rideloop(&bench, &bench.bike, &["diff", "r1", "r2", "--", FUEL]).exits(0).out;
    let lines = |sign: &str| diff.lines().filter(|l| l.starts_with(&format!("{sign}rpm "))).count() as u64;
    assert_eq!((lines("-"), lines("+")), (changed, changed), "{diff}");
    let report = bench.on_bike(&["--json", "diff", "r1", "r2"]).exits(0).json();
    let cell = &report["tables"][0]["cells"][0];
    let number = |key: &str| cell[key].as_f64().expect("a number");
    let line =
        format!("+rpm {:>5}  throttle {:>4} % {:>8.1}", number("rpm"), number("load"), number("after"));
    assert!(diff.lines().any(|l| l == line), "no `{line}` in {diff}");
    for args in [["log", "-p", "-1"], ["show", "r2", "--"]] {
        let said = with_rideloop(&bench, &bench.bike, &args).exits(0).out;
        assert!(said.contains(&line) && said.contains("+rpm  1000  throttle    0 %  before "), "{said}");
    }
    // Whose revision set which cell.
    let blame = with_rideloop(&bench, &bench.bike, &["blame", "-s", FUEL]).exits(0).out;
    let cells = bench.read(FUEL).lines().skip(1).map(|row| row.matches(',').count()).sum::<usize>();
    assert_eq!(blame.lines().count(), cells, "{blame}");
    // The bytes themselves are kept as they were.
    assert_eq!(
        bench.git(&["show", "r2:maps/power/fuel.csv", "--no-textconv"]).exits(0).out,
        bench.read(FUEL)
    );
}

#[test]
fn plain_git_works_where_rideloop_is_missing_or_too_old() {
    let bench = older_bike();
    bench.on_bike(&["run"]).exits(0);
    let row = bench.read(FUEL).lines().nth(3).expect("a row").to_owned();
    let programs = bench.home().join("programs");
    std::fs::create_dir(&programs).expect("made");
    let old = programs.join("rideloop");
    for (script, code) in [("exit 127", 127), ("echo \"error: unrecognized subcommand\" >&2; exit 2", 2)] {
        std::fs::write(&old, format!("#!/bin/sh\n{script}\n")).expect("written");
        executable(&old);
        let said = git_beside(&bench, &bench.bike, &programs, &["diff", "r1", "r2", "--", FUEL]).exits(0);
        assert!(said.out.contains(&format!("+{row}")) && said.err.is_empty(), "{code}: {said:#?}");
    }
}

#[cfg(unix)]
fn executable(path: &Path) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o755)).expect("set");
}

#[test]
fn a_clone_is_set_up_by_a_command_of_its_own() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0);
    let clone = bench.home().join("clone");
    let (from, to) = (bench.bike.to_str().expect("UTF-8"), clone.to_str().expect("UTF-8"));
    bench.git(&["clone", "-q", from, to]).exits(0);
    let diff = || with_rideloop(&bench, &clone, &["diff", "r1", "r2", "--", FUEL]).exits(0).out;
    assert!(!diff().contains("+rpm "), "a clone does not carry settings");
    bench.rideloop(&["--bike", to, "git-setup"]).exits(0).says("one line a cell");
    assert!(diff().contains("+rpm "));
    bench.rideloop(&["--bike", to, "git-setup"]).exits(0).says("already");
    // A setting of the user's own is left alone.
    bench.git(&["config", "diff.rideloop-table.textconv", "cat"]).exits(0);
    bench.on_bike(&["rollback", "r1", "--why", "x"]).exits(0);
    assert_eq!(bench.git(&["config", "diff.rideloop-table.textconv"]).exits(0).out, "cat\n");
}

#[test]
fn a_file_that_is_no_table_is_passed_on_as_it_is() {
    let bench = Bench::empty();
    for odd in [&b"rpm/throttle_pct,2,5\n1000,1.0\n"[..], b"\xff\xfe\0rpm", b"\x1b[31m,x\n", b""] {
        std::fs::write(bench.home().join("odd.csv"), odd).expect("written");
        let output = bench.command(&["table-text", "--", "odd.csv"]).output().expect("starts");
        assert!(output.status.success() && output.stdout == odd, "{output:?}");
    }
    bench.rideloop(&["table-text", "missing.csv"]).exits(1);
    assert!(!bench.rideloop(&["--help"]).exits(0).out.contains("table-text"));
}
