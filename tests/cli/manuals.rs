//! Completion scripts and manual pages, read by the programs they are for.

use crate::bench::{Bench, Said};
use std::io::Write as _;
use std::process::{Command, Stdio};

/// Feeds a text to a program; `None` where the program is not installed.
fn fed(program: &str, args: &[&str], text: &str) -> Option<Said> {
    let mut command = Command::new(program);
    command.args(args).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().ok()?;
    child.stdin.take().expect("piped").write_all(text.as_bytes()).expect("it reads");
    Some(Said::new(child.wait_with_output().expect("it ends")))
}

#[test]
fn bash_reads_its_completion_script() {
    let bench = Bench::empty();
    let script = bench.rideloop(&["completions", "bash"]).exits(0).out;
    let read = fed("bash", &["-n"], &script).expect("bash is there").exits(0);
    assert_eq!(read.err, "");
    // What bash offers after `rideloop ro` and after `rideloop diff --c`.
    for (words, at, offered) in [("rideloop ro", 1, "rollback"), ("rideloop diff --c", 2, "--color")] {
        let asked = format!(
            "{script}\nCOMP_WORDS=({words}); COMP_CWORD={at}; _rideloop rideloop \"${{COMP_WORDS[{at}]}}\" x; echo \"${{COMPREPLY[@]}}\""
        );
        let said = fed("bash", &[], &asked).expect("bash is there").exits(0);
        assert_eq!(said.out.trim(), offered, "{said:#?}");
    }
    let json = bench.rideloop(&["--json", "completions", "bash"]).exits(0).json();
    assert_eq!(json["script"], script);
    bench.rideloop(&["completions", "tcsh"]).exits(2);
}

#[test]
fn manual_pages_hold_no_mistakes() {
    let bench = Bench::empty();
    bench.rideloop(&["man", "--out", "share/man1"]).exits(0).says("pages written to share/man1");
    let folder = bench.home().join("share/man1");
    let page = |name: &str| std::fs::read_to_string(folder.join(name)).expect("written");
    assert_eq!(bench.rideloop(&["man"]).exits(0).out, page("rideloop.1"));
    for entry in std::fs::read_dir(&folder).expect("listed").flatten() {
        let text = std::fs::read_to_string(entry.path()).expect("written");
        if let Some(said) = fed("groff", &["-man", "-ww", "-k", "-Tutf8"], &text) {
            assert_eq!(said.err, "", "{:?}", entry.path());
            assert!(said.out.contains("Example:"), "{said:#?}");
        }
    }
    // An example keeps its lines.
    assert!(
        page("rideloop-run.1").contains("\n.nf\nrideloop run \\-\\-dry\\-run  "),
        "{}",
        page("rideloop-run.1")
    );
}
