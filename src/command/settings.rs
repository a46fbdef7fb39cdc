//! `stackworthy settings`: what is in force, and why.

use anyhow::Result;

use super::common::{Common, say};
use crate::settings::to_annotated_toml;

#[derive(Debug, clap::Args)]
#[command(after_help = "The output is a settings file itself, with the unit in brackets and the origin of \
                  each value.")]
pub struct Print {
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Print) -> Result<u8> {
    say(&to_annotated_toml(&args.common.load()?));
    Ok(0)
}
