//! `stackworthy schema`: what the files that scripts read and write look like.

use anyhow::Result;

use super::common::say;

#[derive(Debug, clap::Args)]
pub struct Schema {
    /// Whose JSON schema is printed
    #[arg(value_name = "verdict|settings")]
    pub of: Document,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub enum Document {
    /// verdict.json
    Verdict,
    /// A settings file, its TOML taken as JSON
    Settings,
}

pub fn run(args: &Schema) -> Result<u8> {
    say(match args.of {
        Document::Verdict => include_str!("../../schema/verdict-1.schema.json"),
        Document::Settings => crate::settings::SCHEMA,
    });
    Ok(0)
}
