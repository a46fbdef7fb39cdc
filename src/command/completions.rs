//! `stackworthy completions`: for shells, from the definitions of the commands.

use anyhow::Result;
use clap::CommandFactory;
use clap_complete::Shell;

use super::Cli;
use super::common::say;

#[derive(Debug, clap::Args)]
#[command(after_help = "Example: stackworthy completions bash > \
                  ~/.local/share/bash-completion/completions/stackworthy")]
pub struct Completions {
    /// Shell to complete in
    pub shell: Shell,
}

pub fn run(args: &Completions) -> Result<u8> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "stackworthy", &mut script);
    say(&String::from_utf8_lossy(&script));
    Ok(0)
}
