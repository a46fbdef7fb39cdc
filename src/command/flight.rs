//! `stackworthy flight`: the flight log.

#![allow(clippy::disallowed_methods, reason = "reads verdicts")]

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use super::common::{Common, Usage, complain, say};
use crate::flight::{Added, Flight, Log, Record, alarm, series};
use crate::report::{VERDICT_JSON, flight as report};
use crate::settings::Loaded;
use crate::table::atomic;

/// Exit code of `flight alarm` where there is one.
pub const ALARM: u8 = 8;

#[derive(Debug, clap::Args)]
pub struct FlightArgs {
    #[command(subcommand)]
    pub command: FlightCommand,
}

#[derive(Debug, clap::Subcommand)]
pub enum FlightCommand {
    /// Add verdicts to the log; the same again changes nothing
    Add(Add),
    /// Show what is in the log: by night, by target or exposure by exposure
    Show(Show),
    /// Write the flight's report, one HTML file
    Report(Report),
    /// Say which terms have left their history, are over their limit or soon will be
    Alarm(AlarmArgs),
}

#[derive(Debug, Clone, clap::Args)]
pub struct LogFile {
    /// The flight log, one file
    #[arg(long, value_name = "FILE", default_value = "flight.sqlite")]
    pub log: PathBuf,
}

/// An exposure that is in the log already and was measured anew takes the place of its row; the
/// row before is kept in the file. Of two verdicts on one exposure the one added last counts.
#[derive(Debug, clap::Args)]
pub struct Add {
    /// Verdicts: verdict.json files, folders that hold one, or folders of such folders
    #[arg(required = true, value_name = "VERDICT")]
    pub verdicts: Vec<String>,
    #[command(flatten)]
    pub log: LogFile,
    #[command(flatten)]
    pub common: Common,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum By {
    Night,
    Target,
    Time,
}

#[derive(Debug, clap::Args)]
pub struct Show {
    #[arg(long, value_enum, default_value = "night")]
    pub by: By,
    #[command(flatten)]
    pub log: LogFile,
    #[command(flatten)]
    pub common: Common,
}

#[derive(Debug, clap::Args)]
pub struct Report {
    /// The file to write
    #[arg(long, value_name = "FILE", default_value = "flight.html")]
    pub out: PathBuf,
    #[command(flatten)]
    pub log: LogFile,
    #[command(flatten)]
    pub common: Common,
}

/// Exit codes: 0 no alarm, 8 at least one, 1 could not run, 2 usage or settings. Limits of jitter,
/// focus and alignment, and the false-alarm rate, are those of [flight] in the settings.
#[derive(Debug, clap::Args)]
pub struct AlarmArgs {
    /// A limit that will be crossed within so many hours is an alarm [default: the setting, 24]
    #[arg(long, value_name = "HOURS")]
    pub within_hours: Option<f64>,
    /// History counts from this date or time, UTC (after a re-alignment)
    #[arg(long, value_name = "TIME")]
    pub since: Option<String>,
    #[command(flatten)]
    pub log: LogFile,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &FlightArgs) -> Result<u8> {
    match &args.command {
        FlightCommand::Add(args) => add(args),
        FlightCommand::Show(args) => show(args),
        FlightCommand::Report(args) => write_report(args),
        FlightCommand::Alarm(args) => raise(args),
    }
}

fn add(args: &Add) -> Result<u8> {
    let files = verdicts(&args.verdicts)?;
    let mut log = Log::open_or_begin(&args.log.log)?;
    let mut failed = 0;
    for file in &files {
        match add_one(&mut log, file) {
            Ok(added) => say(&format!("{}\n", added_line(file, &added))),
            Err(error) => {
                complain(&error);
                failed += 1;
            }
        }
    }
    anyhow::ensure!(failed == 0, "{failed} of {} verdicts were not added", files.len());
    Ok(0)
}

/// Adds one verdict, all or nothing.
pub fn add_one(log: &mut Log, file: &Path) -> Result<Added> {
    let name = file.display().to_string();
    let text = std::fs::read_to_string(file).with_context(|| format!("{name}: cannot be read"))?;
    let record = Record::of(&text, &name).with_context(|| name)?;
    Ok(log.add(&record)?)
}

fn added_line(file: &Path, added: &Added) -> String {
    let file = file.display();
    if !added.is_new {
        return format!("{file}: in the log already, nothing changed");
    }
    let parts = [(added.new, "new"), (added.replaced, "measured anew"), (added.unchanged, "unchanged")];
    let parts: Vec<String> =
        parts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")).collect();
    format!("{file}: exposures: {}", if parts.is_empty() { "none".into() } else { parts.join(", ") })
}

/// The verdict files that were meant, in the order given.
fn verdicts(given: &[String]) -> Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    for word in given {
        let path = Path::new(word);
        if path.is_dir() {
            let own = path.join(VERDICT_JSON);
            if own.is_file() {
                files.push(own);
                continue;
            }
            let entries = std::fs::read_dir(path).with_context(|| format!("{word}: cannot be read"))?;
            let mut below: Vec<PathBuf> = entries.flatten().map(|e| e.path().join(VERDICT_JSON)).collect();
            below.retain(|p| p.is_file());
            below.sort();
            anyhow::ensure!(
                !below.is_empty(),
                Usage(format!("{word}: neither it nor the folders in it hold a {VERDICT_JSON}"))
            );
            files.extend(below);
        } else if path.exists() || !word.contains(['*', '?', '[']) {
            files.push(path.into());
        } else {
            let matched = glob::glob(word).map_err(|e| Usage(format!("{word}: {e}")))?;
            let mut matched: Vec<PathBuf> = matched.flatten().collect();
            anyhow::ensure!(!matched.is_empty(), Usage(format!("{word}: no file has such a name")));
            matched.sort();
            let words: Vec<String> = matched.iter().map(|p| p.to_string_lossy().into_owned()).collect();
            files.extend(verdicts(&words)?);
        }
    }
    Ok(files)
}

/// The log made ready, and the settings.
pub fn load(log: &LogFile, common: &Common) -> Result<(Flight, Loaded)> {
    let loaded = common.load()?;
    let contents = Log::open(&log.log)?.contents()?;
    let longitude = loaded.settings.flight.longitude_deg;
    Ok((Flight::new(contents, longitude), loaded))
}

fn show(args: &Show) -> Result<u8> {
    let (flight, _) = load(&args.log, &args.common)?;
    say(&match args.by {
        By::Night => report::by_night(&flight),
        By::Target => report::by_target(&flight),
        By::Time => report::by_time(&flight),
    });
    Ok(0)
}

fn write_report(args: &Report) -> Result<u8> {
    write_to(&args.out, &args.log, &args.common)?;
    say(&format!("Report: {}\n", args.out.display()));
    Ok(0)
}

/// Writes the report of a log.
pub fn write_to(out: &Path, log: &LogFile, common: &Common) -> Result<()> {
    let (flight, loaded) = load(log, common)?;
    let page = report::page(&flight, &loaded.settings)?;
    let cannot = || format!("{}: cannot be written; free space or choose another --out", out.display());
    atomic::replace(out, page.as_bytes()).with_context(cannot)
}

fn raise(args: &AlarmArgs) -> Result<u8> {
    let (flight, mut loaded) = load(&args.log, &args.common)?;
    if let Some(hours) = args.within_hours {
        anyhow::ensure!(
            hours.is_finite() && hours > 0.0,
            Usage(format!("--within-hours {hours} must be a positive number"))
        );
        loaded.settings.flight.within_hours = hours;
    }
    let since = args.since.as_deref().map(mjd_of).transpose()?;
    let alarms = alarms(&flight, &loaded, since);
    say(&report::alarm_text(&alarms, &loaded.settings.flight));
    Ok(if alarms.found.is_empty() { 0 } else { ALARM })
}

fn alarms(flight: &Flight, loaded: &Loaded, since: Option<f64>) -> alarm::Alarms {
    let (limits, confidence) = (&loaded.settings.flight, loaded.settings.requirement.confidence);
    alarm::alarms(flight, &series::all(flight), limits, confidence, since)
}

/// What `flight alarm` prints of a log.
pub fn alarm_text(flight: &Flight, loaded: &Loaded, since: Option<f64>) -> String {
    report::alarm_text(&alarms(flight, loaded, since), &loaded.settings.flight)
}

/// `2031-03-04` or `2031-03-04T12:00:00`, UTC.
fn mjd_of(text: &str) -> Result<f64> {
    use jiff::civil::{Date, DateTime};
    let plain = text.trim().trim_end_matches('Z');
    let time = plain.parse::<DateTime>().or_else(|_| plain.parse::<Date>().map(|d| d.at(0, 0, 0, 0)));
    let time = time.map_err(|_| Usage(format!("--since {text}: write it as 2031-03-04T12:00:00, UTC")))?;
    let epoch = DateTime::constant(1858, 11, 17, 0, 0, 0, 0);
    Ok(time.duration_since(epoch).as_secs_f64() / 86_400.0)
}
