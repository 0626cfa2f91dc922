//! `rideloop man`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::{OperationError, WholeFile, tool_name};
use clap::Command;
use clap_mangen::Man;
use schemars::JsonSchema;
use serde::Serialize;
use std::io;
use std::path::PathBuf;

/// The manual pages, made from the same text as --help.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop man | man -l -                   read the main page\n  \
                        rideloop man --out ~/.local/share/man/man1   then: man rideloop-run")]
pub(super) struct Args {
    /// Write one page a command into this folder, such as rideloop-run.1; it is made if it is
    /// missing. Without it the main page is printed.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// The pages that were printed or written.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ManReport {
    /// The folder they were written to; none when the main page is printed.
    folder: Option<PathBuf>,
    /// Their file names.
    files: Vec<String>,
    /// The main page in roff, when no folder was named.
    page: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let pages = pages().map_err(|error| OperationError::Failed {
        what: format!("the manual pages cannot be made: {error}"),
        hint: None,
    })?;
    let Some(folder) = &args.out else {
        let main = pages.into_iter().next();
        let (file, page) = main.expect("the command line itself has a page");
        let report = ManReport { folder: None, files: vec![file], page: Some(page) };
        context.screen.tell(&report, |_| report.page.clone().unwrap_or_default());
        return Ok(Exit::Done);
    };
    std::fs::create_dir_all(folder).map_err(|error| OperationError::io("make", folder, &error))?;
    for (file, page) in &pages {
        WholeFile::begin(&folder.join(file))?.put(page.as_bytes())?;
    }
    let files: Vec<String> = pages.into_iter().map(|(file, _)| file).collect();
    let report = ManReport { folder: Some(folder.clone()), files, page: None };
    context
        .screen
        .tell(&report, |_| format!("{} pages written to {}\n", report.files.len(), folder.display()));
    Ok(Exit::Done)
}

/// Every page with its file name, the main page first.
fn pages() -> io::Result<Vec<(String, String)>> {
    let mut command = super::command_line().disable_help_subcommand(true);
    command.build();
    let mut pages = Vec::new();
    add_pages(&command, &mut pages)?;
    Ok(pages)
}

fn add_pages(command: &Command, pages: &mut Vec<(String, String)>) -> io::Result<()> {
    let man = Man::new(command.clone()).manual("rideloop").source(tool_name());
    pages.push((man.get_filename(), page(&man, command)?));
    for below in command.get_subcommands().filter(|c| !c.is_hide_set()) {
        add_pages(below, pages)?;
    }
    Ok(())
}

fn page(man: &Man, command: &Command) -> io::Result<String> {
    let mut text = Vec::new();
    man.render_title(&mut text)?;
    man.render_name_section(&mut text)?;
    man.render_synopsis_section(&mut text)?;
    man.render_description_section(&mut text)?;
    if command.get_subcommands().any(|c| !c.is_hide_set()) {
        man.render_subcommands_section(&mut text)?;
    }
    man.render_options_section(&mut text)?;
    let mut text = String::from_utf8_lossy(&text).into_owned();
    if let Some(after) = command.get_after_help() {
        text.push_str(&after_help(&after.to_string()));
    }
    Ok(text)
}

/// The text after the options: indented lines stay as they are, others are prose.
fn after_help(text: &str) -> String {
    let mut roff = String::from(".SH NOTES\n");
    for paragraph in text.split("\n\n") {
        roff.push_str(".PP\n");
        let mut verbatim = false;
        for line in paragraph.lines() {
            if line.starts_with(' ') != verbatim {
                verbatim = !verbatim;
                roff.push_str(if verbatim { ".RS 4\n.nf\n" } else { ".fi\n.RE\n" });
            }
            roff.push_str(&escaped(line.trim_start()));
            roff.push('\n');
        }
        if verbatim {
            roff.push_str(".fi\n.RE\n");
        }
    }
    roff
}

/// A line in which roff reads nothing but its letters.
fn escaped(line: &str) -> String {
    let line = line.replace('\\', "\\e").replace('-', "\\-");
    // A full stop or quote at the start of a line would be a request.
    if line.starts_with(['.', '\'']) { format!("\\&{line}") } else { line }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_has_a_page_with_its_parts_and_its_example() {
        let pages = pages().expect("made");
        assert_eq!(pages[0].0, "rideloop.1");
        let command = super::super::command_line();
        for name in command.get_subcommands().filter(|c| !c.is_hide_set()).map(Command::get_name) {
            let file = format!("rideloop-{name}.1");
            let (_, page) = pages.iter().find(|(f, _)| *f == file).unwrap_or_else(|| panic!("no {file}"));
            for part in [".SH NAME", ".SH SYNOPSIS", ".SH DESCRIPTION", ".SH OPTIONS", "Example:", ".TH"] {
                assert!(page.contains(part), "{file} has no {part}");
            }
            assert!(pages[0].1.contains(&file.replace('-', "\\-").replace(".1", "")), "{file} is not listed");
        }
        assert!(pages.iter().any(|(file, _)| file == "rideloop-rides-set-aside.1"));
    }

    #[test]
    fn roff_reads_no_orders_into_an_example() {
        assert_eq!(escaped(".so /etc/x"), "\\&.so /etc/x");
        assert_eq!(escaped("a\\b --c"), "a\\eb \\-\\-c");
    }
}
