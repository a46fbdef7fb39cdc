//! What several commands share: common flags, inputs, progress, and where words go:
//! results to stdout, all else to stderr.

#![allow(clippy::disallowed_methods, reason = "the one place that speaks to the terminal")]

use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{Context, Result};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};

use crate::frame::{FrameError, expand_inputs};
use crate::settings::{Loaded, Settings};
use crate::table::atomic;
use crate::verdict::model::Decision;

/// The command was given something that it does not take.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Usage(pub String);

#[derive(Debug, Clone, clap::Args)]
pub struct Common {
    /// Settings file (TOML); `stackworthy settings` prints one to begin with
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// One setting, over the file; may be repeated
    #[arg(long, value_name = "SECTION.KEY=VALUE")]
    pub set: Vec<String>,
    /// No progress and no remarks, only the result
    #[arg(long, short)]
    pub quiet: bool,
    /// Frames measured at the same time [default: one a processor]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
}

/// What `check` and `judge` do with the verdict beside writing the folder.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct ResultArgs {
    /// Decisions that also exit with 0, separated by commas
    #[arg(long, value_name = "DECISION,...", value_delimiter = ',', value_parser = decision)]
    pub accept: Vec<Decision>,
    /// Write the verdict as JSON there as well; with - it is all that stdout gets, and the words
    /// go to stderr
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
}

impl ResultArgs {
    pub fn put_json(&self, text: impl FnOnce() -> Result<String>) -> Result<()> {
        match &self.json {
            Some(path) => put_json(path, &text()?),
            None => Ok(()),
        }
    }
}

/// JSON into a file, or to stdout for `-`.
pub fn put_json(path: &Path, text: &str) -> Result<()> {
    if path == Path::new("-") {
        say(text);
        return Ok(());
    }
    atomic::replace(path, text.as_bytes())
        .with_context(|| format!("{}: cannot be written; choose another --json", path.display()))
}

impl Common {
    pub fn load(&self) -> Result<Loaded> {
        Ok(Settings::load_with(self.settings.as_deref(), &self.set)?)
    }

    /// Runs `work` on as many threads as were asked for.
    pub fn in_pool<T: Send>(&self, work: impl FnOnce() -> T + Send) -> Result<T> {
        let threads = self.threads.map_or(0, usize::from);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        Ok(pool.context("no threads to work with; try --threads 1")?.install(work))
    }

    /// A remark for the person, on stderr.
    pub fn remark(&self, text: &str) {
        if !self.quiet {
            warn(text);
        }
    }

    /// Progress on stderr; nothing when piped or quiet.
    pub fn progress(&self, what: &'static str, steps: usize) -> ProgressBar {
        let target = if self.quiet { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
        let bar = ProgressBar::with_draw_target(Some(steps as u64), target);
        let template = "{msg} {pos} of {len} {wide_bar} {rate}, {eta} left";
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style.with_key("rate", rate));
        }
        bar.set_message(what);
        bar.enable_steady_tick(Duration::from_millis(200));
        bar
    }

    /// The same for work whose steps cannot be counted.
    pub fn working(&self, what: &'static str) -> ProgressBar {
        let target = if self.quiet { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
        let bar = ProgressBar::with_draw_target(None, target);
        if let Ok(style) = ProgressStyle::with_template("{msg} {spinner} {elapsed}") {
            bar.set_style(style);
        }
        bar.set_message(what);
        bar.enable_steady_tick(Duration::from_millis(200));
        bar
    }
}

/// Steps a second, or seconds a step where they take longer.
fn rate(state: &ProgressState, out: &mut dyn std::fmt::Write) {
    let per_second = state.per_sec();
    let _ = match per_second {
        fast if fast >= 1.0 => write!(out, "{fast:.1} a second"),
        slow if slow > 0.0 => write!(out, "{:.1} s each", 1.0 / slow),
        _ => write!(out, "no rate yet"),
    };
}

/// Files, folders and patterns as a list of paths. A path that a keep list could not
/// hold is wrong usage.
pub fn inputs(given: &[String]) -> Result<Vec<String>> {
    let list = expand_inputs(given).map_err(|error| match error {
        FrameError::LineBreak { .. } => anyhow::Error::new(Usage(error.to_string())),
        other => anyhow::Error::new(other),
    })?;
    anyhow::ensure!(!list.is_empty(), Usage("no frames were given".into()));
    Ok(list)
}

/// `--accept`: a decision by its word.
pub fn decision(word: &str) -> Result<Decision, String> {
    let all = [
        Decision::Combine,
        Decision::CombineSubset,
        Decision::Split,
        Decision::CombineWithOwnPsfs,
        Decision::DoNotCombine,
        Decision::Undecided,
    ];
    let known = || all.map(Decision::word).join(", ");
    all.into_iter().find(|d| d.word() == word).ok_or_else(|| format!("the decisions are {}", known()))
}

/// Set where a result could not be said.
static UNSAID: AtomicBool = AtomicBool::new(false);

/// A result, on stdout. A reader that went away is no error of ours; any other failure is
/// complained of, and [`unsaid`] from then on.
pub fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            UNSAID.store(true, Ordering::Relaxed);
            let error = anyhow::Error::new(error);
            complain(&error.context("the result could not be written to standard output; free space"));
        }
        _ => {}
    }
}

/// True where a result did not reach standard output.
pub fn unsaid() -> bool {
    UNSAID.load(Ordering::Relaxed)
}

/// A remark, on stderr.
pub fn warn(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

/// An error with its causes, on stderr, each cause once.
pub fn complain(error: &anyhow::Error) {
    let mut text = String::new();
    for cause in error.chain().map(ToString::to_string) {
        if !text.contains(&cause) {
            text = if text.is_empty() { cause } else { format!("{text}: {cause}") };
        }
    }
    let _ = writeln!(std::io::stderr(), "error: {text}");
}
