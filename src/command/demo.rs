//! `stackworthy demo`: everything once, on simulated frames.

use std::path::PathBuf;

use anyhow::Result;

use super::check::{self, Check};
use super::common::Common;
use super::folder::Folder;
use super::synth::simulate;
use crate::synth::Scene;

/// Exits with 0 whatever the verdict on the simulated frames is.
#[derive(Debug, clap::Args)]
pub struct Demo {
    /// Folder for the frames and the result
    #[arg(long, value_name = "DIR", default_value = "stackworthy-demo")]
    pub out: PathBuf,
    /// Renew an earlier demo
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Demo) -> Result<u8> {
    let out = args.out.join("result");
    Folder::prepare(&out, args.again)?;
    let frames = simulate(&Scene::built_in("demo")?, &args.out.join("frames"), true, &args.common)?;
    let check = Check {
        frames: frames.iter().map(|f| f.to_string_lossy().into_owned()).collect(),
        out,
        again: args.again,
        accept: vec![],
        common: args.common.clone(),
    };
    check::run(&check).map(|_| 0)
}
