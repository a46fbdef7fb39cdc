//! `stackworthy settings`: what is in force, and why.

use anyhow::Result;

use super::common::{Common, say};
use crate::settings::to_annotated_toml;

/// The output is a settings file itself.
#[derive(Debug, clap::Args)]
pub struct Print {
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Print) -> Result<u8> {
    say(&to_annotated_toml(&args.common.load()?));
    Ok(0)
}
