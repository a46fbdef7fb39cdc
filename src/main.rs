use std::process::ExitCode;

use clap::Parser;
use stackworthy::command::{Cli, run};

fn main() -> ExitCode {
    run(Cli::parse())
}
