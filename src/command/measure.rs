//! `stackworthy measure`: star tables only.

use std::path::PathBuf;

use anyhow::Result;

use super::common::{Common, inputs, say};
use super::folder::Folder;
use super::measuring::measure_all;

#[derive(Debug, clap::Args)]
#[command(after_help = "Exit codes: 0 at least one frame measured, 1 none, 2 usage or settings.")]
pub struct Measure {
    /// Frames: files, folders or patterns
    #[arg(required = true, value_name = "FRAME")]
    pub frames: Vec<String>,
    /// Folder for the star tables, in its sub-folder stars
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Also where the folder holds a finished result
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Measure) -> Result<u8> {
    let loaded = args.common.load()?;
    let frames = inputs(&args.frames)?;
    let folder = Folder::prepare(&args.out, args.again)?;
    let measured = measure_all(&frames, &folder, &loaded.settings, &args.common)?;
    for (_, why) in &measured.unreadable {
        args.common.remark(&format!("unreadable: {why}"));
    }
    let stars: usize =
        measured.tables.iter().map(|t| t.stars.iter().filter(|s| s.refused.is_none()).count()).sum();
    say(&format!(
        "{} star tables in {} ({stars} stars), {} taken up unchanged, {} frames unreadable\n",
        measured.tables.len(),
        folder.stars.display(),
        measured.taken_up,
        measured.unreadable.len()
    ));
    Ok(if measured.tables.is_empty() { super::COULD_NOT_RUN } else { 0 })
}
