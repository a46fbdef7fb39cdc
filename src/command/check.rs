//! `stackworthy check`: measure, then judge.

use std::path::{Path, PathBuf};

use anyhow::Result;

use super::common::{Common, ResultArgs, inputs};
use super::finish::{finish, judge_into};
use super::folder::{Folder, strangers};
use super::measuring::measure_all;
use crate::verdict::Verdict;

#[derive(Debug, clap::Args)]
#[command(after_help = "Exit codes: 0 combine, 3 combine-subset, 4 split, 5 combine-with-own-psfs, 6 \
                  do-not-combine, 7 undecided, 1 could not run, 2 usage or settings.")]
pub struct Check {
    /// Frames of one stack: files, folders or patterns
    #[arg(required = true, value_name = "FRAME")]
    pub frames: Vec<String>,
    /// Folder for the result
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Renew a finished result; unchanged star tables are taken up
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub result: ResultArgs,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Check) -> Result<u8> {
    let loaded = args.common.load()?;
    let frames = inputs(&args.frames)?;
    let folder = Folder::prepare(&args.out, args.again)?;
    let measured = measure_all(&frames, &folder, &loaded.settings, &args.common)?;
    if measured.taken_up > 0 {
        args.common.remark(&format!("{} unchanged star tables taken up", measured.taken_up));
    }
    for table in strangers(&folder, &frames) {
        args.common.remark(&format!("{} is of no frame given here and is not judged", table.display()));
    }
    finish(measured.tables, &measured.unreadable, &loaded, &folder, &args.result, &args.common)
}

/// The same without a word on stdout, into a folder that is renewed.
pub fn quietly(frames: &[String], out: &Path, common: &Common) -> Result<Verdict> {
    let loaded = common.load()?;
    let folder = Folder::prepare(out, true)?;
    let measured = measure_all(frames, &folder, &loaded.settings, common)?;
    judge_into(measured.tables, &measured.unreadable, &loaded, &folder, common)
}
