//! `rideloop completions`

use super::outcome::Exit;
use super::{Context, Result};
use clap::Command;
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
    let script = script(args.shell);
    let report = CompletionsReport { shell: args.shell.to_string(), script };
    context.screen.tell(&report, |_| report.script.clone());
    Ok(Exit::Done)
}

fn script(shell: Shell) -> String {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut for_people(), super::NAME, &mut script);
    String::from_utf8_lossy(&script).into_owned()
}

/// The command line without the commands that only programs call: the generator offers those too.
fn for_people() -> Command {
    let whole = super::command_line();
    let commands = whole.get_subcommands().filter(|c| !c.is_hide_set()).cloned();
    Command::new(super::NAME)
        .version(env!("CARGO_PKG_VERSION"))
        .args(whole.get_arguments().cloned())
        .subcommands(commands)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::ValueEnum;

    #[test]
    fn every_shell_completes_every_command_for_people() {
        let command = super::super::command_line();
        for shell in Shell::value_variants() {
            let script = script(*shell);
            for command in command.get_subcommands() {
                let name = command.get_name();
                assert_eq!(script.contains(name), !command.is_hide_set(), "{shell}: {name}");
            }
        }
    }
}
