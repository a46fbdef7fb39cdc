//! `stackworthy judge`: the verdict from star tables.

use std::path::{Path, PathBuf};

use anyhow::Result;

use super::common::{Common, ResultArgs, inputs};
use super::finish::finish;
use super::folder::Folder;
use crate::table::{self, Share, Widths};
use crate::verdict::rungs_needed;

#[derive(Debug, clap::Args)]
#[command(after_help = "Exit codes: 0 combine, 3 combine-subset, 4 split, 5 combine-with-own-psfs, 6 \
                  do-not-combine, 7 undecided, 1 could not run, 2 usage or settings.")]
pub struct Judge {
    /// Star tables, folders of them, or result folders
    #[arg(required = true, value_name = "TABLE_OR_DIR")]
    pub tables: Vec<String>,
    /// Folder for the result
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Renew a finished result
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub result: ResultArgs,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Judge) -> Result<u8> {
    let loaded = args.common.load()?;
    let given: Vec<String> = args.tables.iter().map(|t| stars_inside(t)).collect();
    let paths = inputs(&given)?;
    let folder = Folder::prepare(&args.out, args.again)?;
    let (mut tables, mut unreadable) = (Vec::new(), Vec::new());
    let widths: Vec<Widths> = paths.iter().filter_map(|path| table::read_widths(Path::new(path))).collect();
    let share = Share { rungs: rungs_needed(&widths, &loaded.settings), ..Share::of_one_in(paths.len()) };
    for path in paths {
        match table::read_light(Path::new(&path), share) {
            Ok(table) => tables.push(table),
            Err(error) => unreadable.push((path, error.to_string())),
        }
    }
    finish(tables, &unreadable, &loaded, &folder, &args.result, &args.common)
}

/// A result folder stands for its star tables.
fn stars_inside(given: &str) -> String {
    let stars = Path::new(given).join("stars");
    match stars.to_str() {
        Some(stars_path) if stars.is_dir() => stars_path.into(),
        _ => given.into(),
    }
}
