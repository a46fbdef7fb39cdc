//! The star table: one FITS binary table per exposure, the seam between the only
//! stage that touches pixels and everything that follows.

use crate::frame::{ExposureFacts, Region};
use crate::stars::Star;

/// All that the second stage knows of one exposure.
#[derive(Debug, Clone)]
pub struct StarTable {
    /// The frame's path as given on the command line.
    pub file: String,
    /// SHA-256 of the frame, hex.
    pub frame_sha256: String,
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
    /// True where the frame had world coordinates.
    pub has_wcs: bool,
    /// Degrees from the detector's +x axis to the sky's west-to-east... see `sky_angle_deg`.
    pub sky_angle_deg: Option<f64>,
    pub notes: Vec<String>,
    /// Kept and refused, in order of falling flux.
    pub stars: Vec<Star>,
}
