//! World coordinates: TAN with SIP or TPV distortion.

/// A celestial world coordinate system. Pixels are 0-based here.
#[derive(Debug, Clone, PartialEq)]
pub struct Wcs {}

impl Wcs {
    /// Pixel (0-based) to (right ascension, declination), degrees.
    pub fn pixel_to_sky(&self, _x: f64, _y: f64) -> Option<(f64, f64)> {
        None
    }
}
