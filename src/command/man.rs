//! `stackworthy man`: manual pages, from the definitions of the commands.

use std::path::PathBuf;

use anyhow::{Context, Result};
use clap::CommandFactory;
use clap_mangen::Man;

use super::common::say;
use super::{Cli, Usage};
use crate::table::atomic;

#[derive(Debug, clap::Args)]
#[command(after_help = "Example: stackworthy man | man -l -")]
pub struct Manual {
    /// Command whose page is printed; without one, that of stackworthy itself
    pub command: Option<String>,
    /// Write the pages of all commands into this folder instead
    #[arg(long, value_name = "DIR", conflicts_with = "command")]
    pub out: Option<PathBuf>,
}

pub fn run(args: &Manual) -> Result<u8> {
    let mut tool = Cli::command().disable_help_subcommand(true);
    tool.build();
    if let Some(folder) = &args.out {
        let commands =
            tool.get_subcommands().cloned().map(|c| (format!("stackworthy-{}.1", c.get_name()), c));
        for (name, command) in commands.chain([("stackworthy.1".to_owned(), tool.clone())]) {
            let path = folder.join(name);
            atomic::replace(&path, &page(&command)?)
                .with_context(|| format!("{}: cannot be written; choose another --out", path.display()))?;
        }
        return Ok(0);
    }
    let command = match &args.command {
        None => &tool,
        Some(name) => tool
            .find_subcommand(name)
            .ok_or_else(|| Usage(format!("no command is called {name:?}; `stackworthy --help` lists all")))?,
    };
    say(&String::from_utf8_lossy(&page(command)?));
    Ok(0)
}

fn page(command: &clap::Command) -> Result<Vec<u8>> {
    let name = command.get_bin_name().unwrap_or("stackworthy").replace(' ', "-");
    let mut text = Vec::new();
    Man::new(command.clone()).title(name.clone()).render(&mut text)?;
    Ok(text)
}
