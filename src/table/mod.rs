//! The star table: one FITS binary table per exposure, the seam between the only
//! stage that touches pixels and everything that follows.

#![allow(clippy::disallowed_methods, reason = "reads star tables")]

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use crate::frame::{ExposureFacts, Region};
use crate::stars::{Refusal, Star};

pub mod atomic;
mod fits_columns;
mod fits_layout;
mod fits_memory;
mod fits_read;
pub mod fits_table;
mod fits_write;
mod header;
mod light;
mod star_columns;
mod widths;

pub use light::Share;
pub use widths::{Widths, read_widths};

use fits_table::FitsTableError;

/// Name and version of the file format, in the SCHEMA card.
pub const SCHEMA: &str = "stackworthy/star-table/1";
/// Longest file that is read as a star table: some hundred thousand stars.
const LARGEST_TABLE_BYTES: u64 = 1 << 30;
/// EXTNAME of the table.
const STARS: &str = "stars";

/// All that the second stage knows of one exposure.
#[derive(Debug, Clone)]
pub struct StarTable {
    /// The frame's path as given on the command line.
    pub file: String,
    /// XXH3 of the frame, hex.
    pub frame_xxh3: String,
    /// SHA-256 of the settings that bear on the measurement, hex.
    pub settings_sha256: String,
    /// Version of the tool that measured.
    pub version: String,
    pub width: usize,
    pub height: usize,
    pub usable: Region,
    pub facts: ExposureFacts,
    /// Median sky level and noise per pixel over the usable region, frame units.
    pub sky_level: f64,
    pub sky_noise: f64,
    /// Width of the stars, `√(T/2)` of the pixel-convolved image, pixels; `None` without stars.
    pub sigma_pixels: Option<f64>,
    /// The same along the narrowest axis.
    pub narrowest_sigma_pixels: Option<f64>,
    /// True where the frame had world coordinates.
    pub has_wcs: bool,
    /// Degrees from the detector's +x axis to the sky's west-to-east... see `sky_angle_deg`.
    pub sky_angle_deg: Option<f64>,
    pub notes: Vec<String>,
    /// Kept and refused, in order of falling flux.
    pub stars: Vec<Star>,
    /// Refused detections that are not among the stars, see [`StarTable::lighten`].
    pub forgotten: BTreeMap<Refusal, u32>,
}

/// Why a star table could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    #[error("{}: cannot be read: {source}", path.display())]
    Read { path: PathBuf, source: std::io::Error },
    #[error("{}: cannot be written: {source}; free space or choose another --out", path.display())]
    Write { path: PathBuf, source: std::io::Error },
    #[error(
        "{}: {source}; the file was cut short or changed after it was written: measure its frame again \
         (stackworthy measure)", path.display()
    )]
    Damaged { path: PathBuf, source: FitsTableError },
    #[error("{}: no star table of stackworthy: {found}; give star tables made by `stackworthy measure`", path.display())]
    Foreign { path: PathBuf, found: String },
    #[error(
        "{}: written in the format \"{found}\", but this version reads \"{SCHEMA}\"; measure its frame \
         again with this version", path.display()
    )]
    Format { path: PathBuf, found: String },
    #[error("{}: {what}; measure its frame again (stackworthy measure)", path.display())]
    Content { path: PathBuf, what: String },
    #[error("{}: cannot be put into a FITS table: {source}", path.display())]
    Encode { path: PathBuf, source: FitsTableError },
    #[error("{}: cut-outs of {first:?} and {other:?} pixels in one table; all must be alike", path.display())]
    UnequalCutouts { path: PathBuf, first: (usize, usize), other: (usize, usize) },
}

/// Writes one star table as a FITS binary table, replacing `path` whole.
///
/// Columns and units are listed in `star_columns.rs`. Sizes are in arcsec2 where
/// the facts give the pixel scale, in pix2 otherwise; the TUNIT cards say which.
pub fn write(table: &StarTable, path: &Path) -> Result<(), TableError> {
    let bytes = to_bytes(table, path)?;
    atomic::replace(path, &bytes).map_err(|source| TableError::Write { path: path.into(), source })
}

/// Reads a star table back, its checksums verified: positions in 0-based pixels,
/// sizes in pixels², missing as `None`.
pub fn read(path: &Path) -> Result<StarTable, TableError> {
    parse(&file_bytes(path)?, path, None)
}

/// The same, lightened: what is left out takes no memory on the way.
pub fn read_light(path: &Path, share: Share) -> Result<StarTable, TableError> {
    let mut table = parse(&file_bytes(path)?, path, Some(share))?;
    table.lighten(share);
    Ok(table)
}

fn file_bytes(path: &Path) -> Result<Vec<u8>, TableError> {
    let refuse = |source| TableError::Read { path: path.into(), source };
    // A pipe would keep us waiting, and a device has no end.
    if !std::fs::metadata(path).map_err(refuse)?.is_file() {
        return Err(TableError::Foreign { path: path.into(), found: "not a regular file".into() });
    }
    let (mut bytes, file) = (Vec::new(), std::fs::File::open(path).map_err(refuse)?);
    let length = file.take(LARGEST_TABLE_BYTES + 1).read_to_end(&mut bytes).map_err(refuse)? as u64;
    if length > LARGEST_TABLE_BYTES {
        let found = format!("longer than {LARGEST_TABLE_BYTES} bytes");
        return Err(TableError::Foreign { path: path.into(), found });
    }
    Ok(bytes)
}

fn to_bytes(table: &StarTable, path: &Path) -> Result<Vec<u8>, TableError> {
    let mut fits = fits_table::Table::new(STARS);
    header::write(table, &mut fits);
    fits.columns = star_columns::write(&table.stars, table.facts.pixel_arcsec)
        .map_err(|(first, other)| TableError::UnequalCutouts { path: path.into(), first, other })?;
    fits_table::to_bytes(&[fits]).map_err(|source| TableError::Encode { path: path.into(), source })
}

/// The same from a file in memory; `path` is for the messages.
pub fn from_bytes(bytes: &[u8], path: &Path) -> Result<StarTable, TableError> {
    parse(bytes, path, None)
}

/// With what is asked of the ladder in a share; all of it without one.
fn parse(bytes: &[u8], path: &Path, share: Option<Share>) -> Result<StarTable, TableError> {
    let path = || path.to_path_buf();
    let foreign = |found: String| TableError::Foreign { path: path(), found };
    let tables = fits_table::from_bytes(bytes).map_err(|source| match source {
        FitsTableError::NotFits => foreign("not a FITS file".into()),
        // Our own files carry their format's name; whatever else fails is foreign.
        source if bytes.windows(SCHEMA.len()).any(|w| w == SCHEMA.as_bytes()) => {
            TableError::Damaged { path: path(), source }
        }
        source => foreign(source.to_string()),
    })?;
    let fits = tables
        .iter()
        .find(|t| t.name == STARS && header::schema(t).is_some())
        .ok_or_else(|| foreign("no table \"stars\" with a SCHEMA card".into()))?;
    match header::schema(fits) {
        Some(SCHEMA) => {}
        Some(found) if found.starts_with("stackworthy/star-table/") => {
            return Err(TableError::Format { path: path(), found: found.into() });
        }
        _ => return Err(foreign("its SCHEMA card names another format".into())),
    }
    let content = |what: String| TableError::Content { path: path(), what };
    let mut table = header::read(fits).map_err(content)?;
    let asked = share.map(|share| table.asked(share));
    table.stars = star_columns::read(fits, table.facts.pixel_arcsec, asked).map_err(content)?;
    Ok(table)
}

#[cfg(test)]
mod tests;
