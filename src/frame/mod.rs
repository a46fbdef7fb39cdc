//! FITS frames in: pixels, bad-pixel mask, exposure facts, world coordinates.

use std::path::PathBuf;

use ndarray::Array2;

/// A rectangle of pixels, 0-based and half open: `x0 <= x < x1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Region {
    pub x0: usize,
    pub x1: usize,
    pub y0: usize,
    pub y1: usize,
}

impl Region {
    pub fn width(&self) -> usize {
        self.x1.saturating_sub(self.x0)
    }
    pub fn height(&self) -> usize {
        self.y1.saturating_sub(self.y0)
    }
}

/// What the header says of the exposure. Missing is `None`, never zero.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ExposureFacts {
    /// Middle of the exposure, MJD in UTC, days.
    pub mjd_mid: Option<f64>,
    /// Middle of the exposure as ISO 8601 in UTC, as precise as the header.
    pub time: Option<String>,
    pub exposure_s: Option<f64>,
    /// Electrons per frame unit.
    pub gain: Option<f64>,
    /// Electrons.
    pub read_noise: Option<f64>,
    /// Frame units.
    pub saturation: Option<f64>,
    pub filter: Option<String>,
    pub target: Option<String>,
    pub binning: Option<[u32; 2]>,
    /// Pointing, degrees.
    pub ra_deg: Option<f64>,
    pub dec_deg: Option<f64>,
    pub altitude_deg: Option<f64>,
    pub pixel_arcsec: Option<f64>,
    pub focus: Option<f64>,
    /// Further numbers the header carries (temperatures in deg C and the like), by card.
    pub housekeeping: std::collections::BTreeMap<String, f64>,
    /// The colour pattern, where the frame is a colour mosaic.
    pub colour_mosaic: Option<String>,
}

/// One frame, ready to be measured.
#[derive(Debug, Clone)]
pub struct Frame {
    pub path: PathBuf,
    /// `[y, x]`, frame units, physically scaled; NaN where the file has no value.
    pub pixels: Array2<f32>,
    /// `[y, x]`; true where a pixel must not be used (blank, masked, outside `usable`).
    pub bad: Array2<bool>,
    /// The region that holds exposed sky.
    pub usable: Region,
    /// The level at and above which a pixel is saturated, frame units.
    pub saturation: Option<f64>,
    /// The smallest step between pixel values (1 for unscaled integers), if the
    /// data are quantised.
    pub quantum: Option<f64>,
    pub facts: ExposureFacts,
    pub wcs: Option<wcs::Wcs>,
    /// SHA-256 of the file, hex.
    pub sha256: String,
    /// Remarks for the person: which image was used, what was found on its own.
    pub notes: Vec<String>,
}

pub mod wcs;
