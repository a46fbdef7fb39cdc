//! What can be wrong with a frame: each error names the file, the value, the limit and the remedy.

use std::path::{Path, PathBuf};

/// Why a frame, or the list of frames, could not be read.
#[derive(Debug, thiserror::Error)]
pub enum FrameError {
    #[error("{}: cannot be read: {source}. Check that the file exists and may be read.", path.display())]
    Read { path: PathBuf, source: std::io::Error },

    #[error("{}: not a regular file. Name a FITS file, a folder or a pattern.", path.display())]
    NotAFile { path: PathBuf },

    #[error("{}: {what} is {value}, more than the {limit} that are accepted. Cut the frame into smaller ones.", path.display())]
    TooLarge { path: PathBuf, what: String, value: String, limit: u64 },

    #[error("{}: {what} claims {pixels} pixels, more than the {limit} that its {bytes} compressed bytes can hold. Copy or compress the frame again.", path.display())]
    Implausible { path: PathBuf, what: String, pixels: u64, bytes: usize, limit: u64 },

    #[error("{}: not a FITS file: it begins with {found:?} where \"SIMPLE  =\" is wanted. Convert it to FITS.", path.display())]
    NotFits { path: PathBuf, found: String },

    #[error("{}: the compressed file is damaged after {bytes} bytes: {reason}. Copy or compress it again.", path.display())]
    Gzip { path: PathBuf, bytes: usize, reason: String },

    #[error("{}: extension {hdu}: {card} is {value}, but {limit}. Correct the header, or write the frame again.", path.display())]
    Header { path: PathBuf, hdu: usize, card: String, value: String, limit: String },

    #[error("{}: cut short: extension {hdu} needs {needs} bytes, the file has {has}. Copy the frame again.", path.display())]
    Truncated { path: PathBuf, hdu: usize, needs: u64, has: u64 },

    #[error("{}: the compressed pixels of extension {hdu} are damaged: {what} is {value}, but {limit}. Copy or compress the frame again.", path.display())]
    Tile { path: PathBuf, hdu: usize, what: String, value: String, limit: String },

    #[error("{}: no two-dimensional image in it ({held}). Name the extension in [header] image, or leave the file out.", path.display())]
    NoImage { path: PathBuf, held: String },

    #[error("{}: no extension {wanted:?} for [header] {role}; the file holds {held}. Name one of these.", path.display())]
    NoSuchExtension { path: PathBuf, role: &'static str, wanted: String, held: String },

    #[error("{}: extension {hdu} has axes {axes}, but a frame has two. Write the plane to be measured as a two-dimensional image.", path.display())]
    NotTwoDimensional { path: PathBuf, hdu: usize, axes: String },

    #[error("{}: a colour image of three planes ({axes}), but a frame has one. Write the plane to be measured as a two-dimensional image.", path.display())]
    ColourPlanes { path: PathBuf, axes: String },

    #[error("{}: a colour mosaic ({card} = {pattern}): neighbouring pixels see different bands, so its stars have no one PSF. Extract one colour, or set [detector] accept_colour_mosaic = true to measure it as if it were plain.", path.display())]
    ColourMosaic { path: PathBuf, card: String, pattern: String },

    #[error("{}: the {role} extension is {found} pixels, but the image is {wanted}. Name another one in [header] {role}.", path.display())]
    Shape { path: PathBuf, role: &'static str, found: String, wanted: String },

    #[error("{}: {setting} is {value}, but {limit}. Correct the setting.", path.display())]
    Setting { path: PathBuf, setting: &'static str, value: String, limit: String },

    #[error("{}: none of its {pixels} pixels has a value that may be used. Check the mask and the usable region, or leave the frame out.", path.display())]
    NoPixels { path: PathBuf, pixels: usize },

    #[error("{}: extension {hdu}: {doing} failed with status {status} ({message}). Copy the frame again, or have it verified.", path.display())]
    Library { path: PathBuf, hdu: usize, doing: &'static str, status: i32, message: String },

    #[error("{name:?}: a path with a line break cannot be written in a keep list. Rename the file.")]
    LineBreak { name: String },

    #[error("{name}: a path that is not UTF-8 cannot be written in a keep list. Rename the file.")]
    NotUtf8 { name: String },

    #[error("{name}: no FITS file there (.fits, .fit, .fts, .fz, or these with .gz). Check the path.")]
    NothingFound { name: String },

    #[error("{name}: not a pattern that can be read: {reason}. Correct the pattern.")]
    Pattern { name: String, reason: String },
}

impl FrameError {
    pub(super) fn read(path: &Path, source: std::io::Error) -> Self {
        Self::Read { path: path.into(), source }
    }

    /// A card whose value cannot be used.
    pub(super) fn card(path: &Path, hdu: usize, card: &str, value: impl ToString, limit: &str) -> Self {
        Self::Header {
            path: path.into(),
            hdu,
            card: card.into(),
            value: value.to_string(),
            limit: limit.into(),
        }
    }
}
