//! `rideloop completions`

use super::outcome::Exit;
use super::{Context, Result};
use clap_complete::Shell;
use schemars::JsonSchema;
use serde::Serialize;

/// A script that lets a shell complete commands and options.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop completions bash > ~/.local/share/bash-completion/completions/rideloop\n  \
                  rideloop completions zsh > ~/.zfunc/_rideloop     with ~/.zfunc in fpath\n  \
                  rideloop completions fish > ~/.config/fish/completions/rideloop.fish\n  \
                  rideloop completions powershell >> $PROFILE\n  \
                  rideloop completions elvish >> ~/.config/elvish/rc.elv"
)]
pub(super) struct Args {
    /// The shell that is to complete.
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

/// The completion script.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CompletionsReport {
    /// The shell it is for.
    shell: String,
    /// The script.
    script: String,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut super::command_line(), super::NAME, &mut script);
    let script = String::from_utf8_lossy(&script).into_owned();
    let report = CompletionsReport { shell: args.shell.to_string(), script };
    context.screen.tell(&report, |_| report.script.clone());
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::ValueEnum;

    #[test]
    fn every_shell_completes_every_command() {
        let command = super::super::command_line();
        for shell in Shell::value_variants() {
            let mut script = Vec::new();
            clap_complete::generate(*shell, &mut command.clone(), super::super::NAME, &mut script);
            let script = String::from_utf8(script).expect("UTF-8");
            for name in command.get_subcommands().filter(|c| !c.is_hide_set()).map(clap::Command::get_name) {
                assert!(script.contains(name), "{shell} does not complete {name}");
            }
        }
    }
}
