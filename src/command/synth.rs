//! `stackworthy synth`: a simulated stack.

use std::path::PathBuf;

use anyhow::Result;

use super::common::{Common, say};
use crate::measure::simulate;

#[derive(Debug, clap::Args)]
pub struct Synth {
    /// Scene: a TOML file, or the name of a built-in one
    #[arg(value_name = "SCENE")]
    pub scene: String,
    /// Folder for the frames and their truth
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Overwrite frames that exist
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Synth) -> Result<u8> {
    let bar = args.common.progress("simulating", 0);
    let frames = args
        .common
        .in_pool(|| simulate(&args.scene, &args.out, args.again, &|done| bar.set_position(done as u64)))??;
    bar.finish_and_clear();
    say(&format!("{} frames in {}\n", frames.len(), args.out.display()));
    Ok(0)
}
