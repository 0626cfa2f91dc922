//! The README's commands, run as written.

use crate::bench::Bench;

#[test]
fn the_readme_s_commands_work_in_the_order_they_stand() {
    let bench = Bench::empty();
    let readme = std::fs::read_to_string("README.md").expect("there");
    let mut in_shell = false;
    let mut ran = 0;
    for line in readme.lines() {
        match line {
            "```sh" => in_shell = true,
            "```" => in_shell = false,
            _ => {}
        }
        let Some(words) = line.strip_prefix("rideloop ").filter(|_| in_shell) else { continue };
        let words = words.split(" #").next().unwrap_or_default();
        let args = shell_words(words);
        let args: Vec<&str> = args.iter().map(String::as_str).collect();
        bench.rideloop(&args).exits(0);
        ran += 1;
    }
    assert!(ran >= 8, "only {ran} commands were found");
}

/// Splits a line at blanks, keeping what stands in double quotes together.
fn shell_words(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in line.trim().chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            _ => words.last_mut().expect("never empty").push(c),
        }
    }
    words.retain(|w| !w.is_empty());
    words
}
