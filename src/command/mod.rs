//! Commands: flags to validated settings, then the work, then an exit code. One file
//! a subcommand; no science here.

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::settings::SettingsError;

mod arrivals;
mod check;
mod common;
mod completions;
mod demo;
mod explain;
mod finish;
mod flight;
mod folder;
pub mod interrupt;
mod journal;
mod judge;
mod man;
mod measure;
mod measuring;
mod plan;
mod report;
mod running;
mod schema;
mod settings;
mod synth;
mod watch;

pub use common::{Common, Usage};

/// Exit code where nothing could be run.
const COULD_NOT_RUN: u8 = 1;
/// Exit code of wrong usage or settings.
const WRONG_USAGE: u8 = 2;

/// Judges whether split exposures have one PSF, well enough to be combined for shear.
#[derive(Debug, Parser)]
#[command(version, about, after_help = crate::report::CAUTION, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Simulate a small flight, run everything on it and say where the report is
    Demo(demo::Demo),
    /// Measure the frames of one stack and judge whether they may be combined
    Check(check::Check),
    /// Measure frames: one star table each
    Measure(measure::Measure),
    /// Judge a stack from its star tables; no frames needed
    Judge(judge::Judge),
    /// Make the report of a result again, without measuring
    Report(report::Report),
    /// Judge frames as they arrive in a folder; one line of JSON a frame
    Watch(watch::Watch),
    /// Before a flight: stars and exposures needed, and the chance of each decision
    Plan(plan::Plan),
    /// Simulate a stack of frames, or a whole flight, with its truth
    Synth(synth::Synth),
    /// The flight log: add verdicts, show trends, raise alarms
    Flight(flight::FlightArgs),
    /// Say what a check or reason means: formula, units, source, remedy
    Explain(explain::Explain),
    /// Print the effective settings, each with where it came from
    Settings(settings::Print),
    /// Print the JSON schema of verdict.json or of the settings
    Schema(schema::Schema),
    /// Print a script that completes commands and flags in a shell
    Completions(completions::Completions),
    /// Print a manual page
    Man(man::Manual),
}

/// Runs one command and gives its exit code; errors are printed here and nowhere else.
pub fn run(cli: Cli) -> ExitCode {
    // Where no signal can be caught the system's own ways hold.
    let _ = interrupt::listen();
    let outcome = match cli.command {
        Command::Demo(args) => demo::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Measure(args) => measure::run(&args),
        Command::Judge(args) => judge::run(&args),
        Command::Report(args) => report::run(&args),
        Command::Watch(args) => watch::run(&args),
        Command::Plan(args) => plan::run(&args),
        Command::Synth(args) => synth::run(&args),
        Command::Flight(args) => flight::run(&args),
        Command::Explain(args) => explain::run(&args),
        Command::Settings(args) => settings::run(&args),
        Command::Schema(args) => schema::run(&args),
        Command::Completions(args) => completions::run(&args),
        Command::Man(args) => man::run(&args),
    };
    ExitCode::from(match outcome {
        Ok(_) if common::unsaid() => COULD_NOT_RUN,
        Ok(code) => code,
        Err(error) => {
            interrupt::stop_here();
            common::complain(&error);
            if error.is::<Usage>() || error.is::<SettingsError>() { WRONG_USAGE } else { COULD_NOT_RUN }
        }
    })
}
