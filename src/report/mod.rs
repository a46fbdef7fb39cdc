//! Writers of the verdict. They print what the result model holds and decide nothing.

use std::path::Path;

use crate::table::{atomic, fits_table};
use crate::verdict::Judgement;

mod beside;
mod captions;
mod cards;
pub mod ecsv;
pub mod exposures;
pub mod field_models;
pub mod figure_data;
pub mod figure_file;
pub mod figures;
pub mod flight;
pub mod html;
pub mod json;
mod keep;
pub mod line;
pub mod numbers;
pub mod plan;
mod provenance;
pub mod terminal;
pub mod through_time;
mod words;

pub use crate::verdict::keep::keep_list;
pub use figure_file::FigureFileError;

/// Said wherever a verdict is shown.
pub const CAUTION: &str = "A verdict advises; it replaces neither the survey team's own validation nor, for \
     alignment advice, the flight team's procedures and limits.";

/// Names of the files in the output folder.
pub const VERDICT_JSON: &str = "verdict.json";
pub const KEEP_TXT: &str = "keep.txt";
pub const KEEP_ECSV: &str = "keep.ecsv";
pub const EXPOSURES_FITS: &str = "exposures.fits";
pub const EXPOSURES_ECSV: &str = "exposures.ecsv";
pub const FIELD_MODELS_FITS: &str = "field-models.fits";
pub const REPORT_HTML: &str = "report.html";
pub const FIGURES_FITS: &str = "figures.fits";
pub const SETTINGS_TOML: &str = "settings.toml";

/// Why a result could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    #[error("{}: cannot be written: {source}; free space or choose another --out", path.display())]
    Write { path: std::path::PathBuf, source: std::io::Error },
    #[error("{name}: cannot be put into a FITS table: {source}")]
    Fits { name: &'static str, source: fits_table::FitsTableError },
    #[error("{name}: cannot be made: {message}")]
    Make { name: &'static str, message: String },
    #[error("no verdict of stackworthy: {message}; give the verdict.json that check or judge wrote")]
    Verdict { message: String },
    #[error(
        "written in the format {found:?}, but this version reads {:?}; judge the star tables again with this version",
        crate::verdict::model::SCHEMA
    )]
    Schema { found: String },
}

/// Writes every file of a judgement into `folder`, `verdict.json` last: where it
/// stands, the result is finished.
pub fn write_all(
    judgement: &Judgement,
    keep: &[String],
    settings_toml: &str,
    folder: &Path,
) -> Result<(), ReportError> {
    let put = |name: &'static str, bytes: &[u8]| {
        let path = folder.join(name);
        atomic::replace(&path, bytes).map_err(|source| ReportError::Write { path, source })
    };
    let fits = |name: &'static str, tables: &[fits_table::Table]| {
        fits_table::to_bytes(tables).map_err(|source| ReportError::Fits { name, source })
    };
    let verdict = &judgement.verdict;
    let exposures = exposures::table(verdict);
    put(KEEP_TXT, keep.iter().map(|k| format!("{k}\n")).collect::<String>().as_bytes())?;
    put(KEEP_ECSV, ecsv::to_text(&keep::table(verdict, keep)).as_bytes())?;
    put(EXPOSURES_FITS, &fits(EXPOSURES_FITS, std::slice::from_ref(&exposures))?)?;
    put(EXPOSURES_ECSV, ecsv::to_text(&exposures).as_bytes())?;
    put(
        FIELD_MODELS_FITS,
        &fits(FIELD_MODELS_FITS, &field_models::tables(&judgement.field_models, verdict))?,
    )?;
    put(SETTINGS_TOML, settings_toml.as_bytes())?;
    let figures = fits(FIGURES_FITS, &figure_file::tables(&figure_data::FigureData::of(judgement)))?;
    put(FIGURES_FITS, &figures)?;
    let verdict_json = json::to_text(verdict)?;
    put(REPORT_HTML, page(&verdict_json, Some(&figures), Some(settings_toml))?.0.as_bytes())?;
    put(VERDICT_JSON, verdict_json.as_bytes())
}

/// The page, from the files as they stand in the folder, so that it can be made again from them; and why
/// its figures are left out, where they are.
pub fn page(
    verdict_json: &str,
    figures_fits: Option<&[u8]>,
    settings_toml: Option<&str>,
) -> Result<(String, Option<FigureFileError>), ReportError> {
    let verdict = json::from_text(verdict_json)?;
    let (figures, error) = match figures_fits.map(figure_file::read).transpose() {
        Ok(figures) => (figures, None),
        Err(error) => (None, Some(error)),
    };
    let source = html::Source { verdict: &verdict, figures: figures.as_ref(), settings: settings_toml };
    Ok((html::to_text(source)?, error))
}

#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
mod tests;
