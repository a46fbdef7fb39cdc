//! Single star images, for trying the measuring code.

use ndarray::Array2;
use rand::Rng;

use super::random::{gaussian, photons};
use crate::optics::Psf;

/// A star of `flux_electrons` on a square stamp, noise-free electrons, `[y, x]`; its
/// optical axis point falls at `(x0, y0)`, 0-based pixels of the stamp.
pub fn star_image(psf: &Psf, side: usize, x0: f64, y0: f64, flux_electrons: f64) -> Array2<f64> {
    psf.image(side, x0, y0) * flux_electrons
}

/// Adds photon noise of the image and of `sky_electrons` per pixel, and read noise;
/// the sky's mean is taken off again. Electrons.
pub fn add_noise(image: &mut Array2<f64>, sky_electrons: f64, read_noise_e: f64, rng: &mut impl Rng) {
    image.mapv_inplace(|electrons| {
        photons(electrons + sky_electrons, rng) - sky_electrons + gaussian(read_noise_e, rng)
    });
}
