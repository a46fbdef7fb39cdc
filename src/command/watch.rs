//! `stackworthy watch`: frames judged as they arrive.
//!
//! The folder is looked at again and again: unlike notices of the file system this works on
//! network disks too, and a look costs little beside measuring a frame. One folder is one
//! stack, judged as `check` would. The running stack holds the last frames only, so that
//! memory and the work of a judgement stay bounded however long the watch goes on.

#![allow(clippy::disallowed_methods, reason = "looks at the watched folder")]

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, UNIX_EPOCH};

use anyhow::Result;
use rayon::prelude::*;

use super::Usage;
use super::arrivals::{Arrivals, Stamp};
use super::common::{Common, say};
use super::finish::judge_and_write;
use super::folder::{Folder, TableNames};
use super::interrupt;
use super::journal::{Heading, JOURNAL, Journal, Record};
use super::measuring::{Outcome, measure_one};
use super::running::{Joined, Running};
use crate::frame::{Space, has_fits_extension};
use crate::report::line;
use crate::settings::Loaded;
use crate::table::{self, Share};
use crate::verdict::model::Gate;
use crate::verdict::results::limits;

/// Between two looks at whether the watch shall end.
const TICK: Duration = Duration::from_millis(50);
/// While frames wait, judging takes at most one part in this many of the time.
const JUDGING_SHARE: u32 = 5;

#[derive(Debug, Clone, clap::Args)]
#[command(after_help = "Frames are taken when they are written to their end: not changed for --settle \
                  seconds, and whole by their own headers. One folder is one stack, sub-folders are not \
                  looked into; frames of another target or filter are left out as check leaves them \
                  out. The files of the result are renewed in the folder of --out.\n\nStdout gets a \
                  line of JSON a frame, under 400 bytes: file, time, stars, size (T, error) in unit, e \
                  (e1, e2, error), gate, why, decision, kept of how many, and the change between the \
                  kept (rms, upper bound, limit) of size in dt, of ellipticity in de.\n\nCtrl-C or \
                  SIGTERM ends the watch; started again, it goes on where it was.\n\nExit codes: 0 \
                  ended as asked, 1 could not go on, 2 usage or settings.")]
pub struct Watch {
    /// Folder in which the frames of one stack arrive
    #[arg(value_name = "DIR")]
    pub folder: PathBuf,
    /// Folder for the result, and for what the watch remembers
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Begin anew where the folder of --out holds another result; unchanged star tables are taken up
    #[arg(long)]
    pub again: bool,
    /// Time between two looks at the folder
    #[arg(long, value_name = "SECONDS", default_value = "1", value_parser = seconds)]
    pub every: Duration,
    /// A file is taken when it did not change for so long
    #[arg(long, value_name = "SECONDS", default_value = "2", value_parser = seconds)]
    pub settle: Duration,
    /// A file that is no whole frame is reported when it did not change for so long
    #[arg(long, value_name = "SECONDS", default_value = "60", value_parser = seconds)]
    pub patience: Duration,
    /// Frames in the running stack; older ones leave it, their star tables stay
    #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u16).range(2..=2000))]
    pub last: u16,
    /// End when no file was new or unfinished for so long
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    pub idle_exit: Option<Duration>,
    /// End when so many frames were reported
    #[arg(long, value_name = "N")]
    pub count: Option<u64>,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Watch) -> Result<u8> {
    interrupt::is_meant();
    let mut watcher = Watcher::start(args)?;
    // One pool for all of it: a new one each time would scatter what it allocates.
    args.common.in_pool(|| watcher.watch()).flatten().map(|()| 0)
}

/// A file that is done with and not yet reported.
struct Pending {
    record: Record,
    /// Why it is not in the running stack.
    outside: Option<(Gate, String)>,
}

struct Watcher {
    args: Watch,
    loaded: Loaded,
    settings_sha256: String,
    folder: Folder,
    journal: Journal,
    arrivals: Arrivals,
    running: Running,
    names: TableNames,
    /// Star tables by the frame's path.
    tables: HashMap<String, String>,
    pending: Vec<Pending>,
    reported: u64,
    started: Instant,
    /// When the last judgement ended, and how long it took.
    judged: Option<(Instant, Duration)>,
}

impl Watcher {
    fn start(args: &Watch) -> Result<Self> {
        let loaded = args.common.load()?;
        limits(&loaded.settings).map_err(|e| Usage(format!("the requirement in the settings: {e}")))?;
        let watched = args.folder.to_str().filter(|name| !name.contains(['\n', '\r'])).map(str::to_owned);
        let watched = watched.ok_or_else(|| {
            Usage(format!("{:?}: a path with a line break or not in UTF-8 cannot be watched", args.folder))
        })?;
        if !args.folder.is_dir() {
            anyhow::bail!(Usage(format!("{watched}: is no folder that can be watched")));
        }
        let settings_sha256 = loaded.settings.measurement_sha256();
        let heading = Heading::new(&watched, settings_sha256.clone());
        let folder = Folder::prepare(&args.out, args.again || args.out.join(JOURNAL).exists())?;
        for own in [&folder.root, &folder.stars] {
            if own.canonicalize().ok() == args.folder.canonicalize().ok() {
                anyhow::bail!(Usage("the result cannot lie among the frames; choose another --out".into()));
            }
        }
        let (journal, records) = Journal::open(&folder.root, &heading, args.again)?;
        let mut watcher = Self {
            arrivals: Arrivals::new(args.settle, args.patience),
            running: Running::new(args.last.into()),
            args: args.clone(),
            loaded,
            settings_sha256,
            folder,
            journal,
            names: TableNames::default(),
            tables: HashMap::new(),
            pending: Vec::new(),
            reported: 0,
            started: Instant::now(),
            judged: None,
        };
        watcher.take_up(records);
        Ok(watcher)
    }

    /// Goes on where an earlier watch was: only the star tables of the running stack are read.
    fn take_up(&mut self, records: Vec<Record>) {
        let oldest = records.len().saturating_sub(self.running.most());
        let mut taken_up = 0;
        for (place, record) in records.into_iter().enumerate() {
            if let Some(name) = &record.table {
                self.names.take(name);
                self.tables.insert(record.path.clone(), name.clone());
                if place >= oldest {
                    // A table that is gone or damaged is made anew from its frame.
                    let share = Share::of_one_in(self.running.most());
                    let Ok(table) = table::read_light(&self.folder.stars.join(name), share) else { continue };
                    self.running.join(table);
                }
            }
            if let Some(why) = record.unreadable {
                self.running.join_unreadable(record.path.clone(), why);
            }
            self.arrivals.settled_before(&record.path, record.stamp);
            taken_up += 1;
        }
        self.running.set_earlier(oldest);
        if taken_up > 0 {
            self.args.common.remark(&format!("{taken_up} files known from an earlier watch are taken up"));
        }
    }

    /// Until a signal, or what --idle-exit and --count ask for.
    fn watch(&mut self) -> Result<()> {
        let about = format!(
            "watching {}: a frame is taken {} s after its last change; Ctrl-C ends",
            self.args.folder.display(),
            self.args.settle.as_secs_f64()
        );
        self.args.common.remark(&about);
        let mut busy = Instant::now();
        while !interrupt::asked() {
            self.look();
            let waiting = self.measure_ready()?;
            self.give_up();
            if !self.pending.is_empty() && self.may_judge(waiting) {
                self.report()?;
            }
            if self.arrivals.open() > 0 || !self.pending.is_empty() {
                busy = Instant::now();
            }
            let enough = self.args.count.is_some_and(|count| self.reported >= count);
            if enough || self.args.idle_exit.is_some_and(|idle| busy.elapsed() >= idle) {
                return Ok(());
            }
            if waiting == 0 {
                self.wait();
            }
        }
        Ok(())
    }

    fn wait(&self) {
        let until = Instant::now() + self.args.every;
        while !interrupt::asked() && Instant::now() < until {
            std::thread::sleep(TICK.min(self.args.every));
        }
    }

    /// A folder that cannot be read for a while, on a network disk say, is as one that did not
    /// change.
    fn look(&mut self) {
        let Ok(entries) = std::fs::read_dir(&self.args.folder) else { return };
        let mut seen = Vec::new();
        for path in entries.flatten().map(|entry| entry.path()).filter(|path| has_fits_extension(path)) {
            // Other names have no place in a keep list.
            let Some(name) = path.to_str().filter(|name| !name.contains(['\n', '\r'])) else { continue };
            if let Some(stamp) = stamp(&path) {
                seen.push((name.to_owned(), stamp));
            }
        }
        self.arrivals.look(&seen, self.started.elapsed());
    }

    /// Measures the next few frames that are ready; gives how many are waiting still.
    fn measure_ready(&mut self) -> Result<usize> {
        let ready = self.arrivals.ready(self.started.elapsed());
        let at_once =
            rayon::current_num_threads().min(self.running.most().saturating_sub(self.pending.len())).max(1);
        let mut batch = Vec::new();
        for (path, stamp) in ready.iter().take(at_once) {
            let name = match self.tables.get(path) {
                Some(name) => name.clone(),
                None => self.names.free(path),
            };
            self.tables.insert(path.clone(), name.clone());
            batch.push((path.clone(), *stamp, name));
        }
        let (settings, hash) = (&self.loaded.settings, &self.settings_sha256);
        let share = Share::of_one_in(self.running.most());
        let one = |space: &mut Space, (path, _, name): &(String, Stamp, String)| {
            measure_one(path, &self.folder.stars.join(name), settings, hash, share, space)
        };
        let outcomes = batch.par_iter().map_init(Space::default, one).collect::<Result<Vec<_>>>()?;
        for ((path, stamp, name), outcome) in batch.into_iter().zip(outcomes) {
            self.take(path, stamp, name, outcome);
        }
        Ok(ready.len().saturating_sub(at_once))
    }

    fn take(&mut self, path: String, before: Stamp, name: String, outcome: Outcome) {
        // Written or removed while it was read: what was read does not count.
        if stamp(Path::new(&path)) != Some(before) {
            return;
        }
        let table = match outcome {
            Outcome::TakenUp(table) | Outcome::New(table) => table,
            Outcome::Unreadable(_, why) => return self.arrivals.unfinished(&path, before, why),
        };
        self.arrivals.settled(&path, before);
        let outside = match self.running.join(table) {
            Joined::Stack => None,
            Joined::SameAs(other) => Some((Gate::LeaveOut, format!("the same frame as {other}"))),
        };
        let table = outside.is_none().then_some(name);
        let record = Record { path, stamp: before, table, unreadable: None };
        self.pending.push(Pending { record, outside });
    }

    fn give_up(&mut self) {
        for (path, stamp, why) in self.arrivals.given_up(self.started.elapsed()) {
            self.running.join_unreadable(path.clone(), why.clone());
            let record = Record { path, stamp, table: None, unreadable: Some(why.clone()) };
            self.pending.push(Pending { record, outside: Some((Gate::Unreadable, why)) });
        }
    }

    /// Whenever no frame waits; else seldom enough that judging takes a small part of the time,
    /// and before a frame leaves the running stack unreported.
    fn may_judge(&self, waiting: usize) -> bool {
        waiting == 0
            || self.pending.len() >= self.running.most()
            || self.judged.is_some_and(|(at, took)| at.elapsed() >= took * (JUDGING_SHARE - 1))
    }

    /// Judges the running stack, renews the files of the result, and gives each pending file
    /// its line.
    fn report(&mut self) -> Result<()> {
        let mut verdict = None;
        if !self.running.tables().is_empty() {
            let began = Instant::now();
            let (tables, unreadable) = (self.running.tables(), self.running.unreadable());
            let notes = self.running.note().into_iter().collect();
            verdict = Some(judge_and_write(tables, &unreadable, notes, &self.loaded, &self.folder)?);
            self.judged = Some((Instant::now(), began.elapsed()));
        }
        for Pending { record, outside } in std::mem::take(&mut self.pending) {
            let exposure = verdict.as_ref().and_then(|v| {
                v.exposures.iter().find(|e| e.file == record.path).map(|exposure| (exposure, v))
            });
            match (&outside, exposure) {
                (Some((gate, why)), _) => say(&line::of_outsider(&record.path, *gate, why)),
                (None, Some((exposure, verdict))) => say(&line::of_exposure(exposure, verdict)),
                // Replaced by the same frame under another name before it was judged.
                (None, None) => {}
            }
            self.journal.add(&record)?;
            self.reported += 1;
        }
        Ok(())
    }
}

fn stamp(path: &Path) -> Option<Stamp> {
    let about = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?;
    let changed = about.modified().ok()?.duration_since(UNIX_EPOCH).unwrap_or_default();
    Some(Stamp { bytes: about.len(), changed_ns: u64::try_from(changed.as_nanos()).unwrap_or(u64::MAX) })
}

/// A time in seconds, 0.01 to a day.
fn seconds(text: &str) -> Result<Duration, String> {
    let value: f64 = text.parse().map_err(|_| "give a number of seconds".to_owned())?;
    match (0.01..=86_400.0).contains(&value) {
        true => Ok(Duration::from_secs_f64(value)),
        false => Err("give a number of seconds from 0.01 to 86400".into()),
    }
}
