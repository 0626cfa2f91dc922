//! The job that spreads many bikes over workers, in `pipelines/fleet/`.
//!
//! It needs a Python with the packages of its `requirements.txt`: `RIDELOOP_FLEET_PYTHON`, else
//! `python3`. Where that has no Dask the test says so and passes, unless the variable is set.

use crate::bench::{Bench, Said, copy};
use std::process::Command;

const PYTHON: &str = "RIDELOOP_FLEET_PYTHON";

/// A Python that has Dask.
fn python() -> Option<String> {
    let wanted = std::env::var(PYTHON).ok();
    let python = wanted.clone().unwrap_or_else(|| "python3".to_owned());
    let has_dask = Command::new(&python).args(["-c", "import distributed"]).output();
    let has_dask = has_dask.is_ok_and(|out| out.status.success());
    assert!(has_dask || wanted.is_none(), "{PYTHON} is `{python}`, which cannot import distributed");
    has_dask.then_some(python)
}

#[test]
fn a_fleet_whose_worker_is_killed_comes_out_as_one_bike_after_the_other() {
    let Some(python) = python() else {
        eprintln!("skipped: no Python with Dask; set {PYTHON}");
        return;
    };
    let bench = Bench::empty();
    let bikes = ["alder", "birch", "cedar"];
    let mut manifest = "bike,pipeline,slot\n".to_owned();
    for (n, bike) in bikes.iter().enumerate() {
        bench.rideloop(&["new", bike, "--name", &format!("Fernhill {bike}")]).exits(0);
        for ride in 1..=4 {
            let seed = (10 * n + ride).to_string();
            let ridden = ["--bike", bike, "simulate", "--warm", "--minutes", "3", "--seed", &seed];
            bench.rideloop(&ridden).exits(0);
        }
        copy(&bench.home().join(bike), &bench.home().join(format!("{bike}-alone")));
        manifest.push_str(&format!("{bike},road,\n"));
    }
    std::fs::write(bench.home().join("bikes.csv"), manifest).expect("written");
    let script = std::fs::canonicalize("pipelines/fleet/fleet.py").expect("there");
    let mut job = bench.isolated(Command::new(python));
    job.arg(script).args(["bikes.csv", "--work", "work", "--workers", "2", "--kill-a-worker", "--check"]);
    job.args(["--rideloop", env!("CARGO_BIN_EXE_rideloop")]).env("PYTHONDONTWRITEBYTECODE", "1");
    let said = Said::new(job.output().expect("Python starts"));
    let said = said.exits(0).says("killed worker").says("3 bikes, 12 rides");
    assert_eq!(said.out.matches("byte for byte the same").count(), 3, "{said:#?}");
    for bike in bikes {
        let alone = format!("{bike}-alone");
        bench.rideloop(&["--bike", &alone, "run"]).exits(0).says("r2");
        let head = |folder: &str| {
            let mut git = bench.isolated(Command::new("git"));
            git.args(["-C", folder, "rev-parse", "HEAD"]);
            Said::new(git.output().expect("git starts")).exits(0).out
        };
        assert_eq!(head(bike), head(&alone), "the commit of {bike}");
    }
}
