//! `stackworthy report`: the page again, from what lies in a result folder.

#![allow(clippy::disallowed_methods, reason = "reads the files of a result folder")]

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use super::common::say;
use crate::report::{self, FIGURES_FITS, REPORT_HTML, SETTINGS_TOML, VERDICT_JSON};
use crate::table::atomic;

/// Needs neither frames nor star tables, and measures nothing. Without figures.fits beside the verdict the
/// figures drawn from it are left out, without settings.toml the settings.
#[derive(Debug, clap::Args)]
pub struct Report {
    /// A verdict.json, or the folder that holds it
    #[arg(value_name = "VERDICT")]
    pub verdict: PathBuf,
    /// File for the page [default: report.html beside the verdict]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// No remarks, only the result
    #[arg(long, short)]
    pub quiet: bool,
}

pub fn run(args: &Report) -> Result<u8> {
    let given = &args.verdict;
    let path = if given.is_dir() { given.join(VERDICT_JSON) } else { given.clone() };
    let folder = path.parent().map_or_else(PathBuf::new, Path::to_path_buf);
    let verdict = std::fs::read_to_string(&path).with_context(|| {
        format!("{}: cannot be read; give the verdict.json that check or judge wrote", path.display())
    })?;
    let figures = beside(&folder, FIGURES_FITS)?;
    let settings = beside(&folder, SETTINGS_TOML)?.map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let (page, error) = report::page(&verdict, figures.as_deref(), settings.as_deref())
        .with_context(|| path.display().to_string())?;
    let out = args.out.clone().unwrap_or_else(|| folder.join(REPORT_HTML));
    atomic::replace(&out, page.as_bytes()).with_context(|| {
        format!("{}: cannot be written; free space or choose another --out", out.display())
    })?;
    if let Some(error) = error.filter(|_| !args.quiet) {
        super::common::warn(&format!("{FIGURES_FITS} is left aside: {error}"));
    }
    say(&format!("Report: {}\n", out.display()));
    Ok(0)
}

/// A file of the folder, if it is there.
fn beside(folder: &Path, name: &str) -> Result<Option<Vec<u8>>> {
    match std::fs::read(folder.join(name)) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error).with_context(|| format!("{}: cannot be read", folder.join(name).display())),
    }
}
