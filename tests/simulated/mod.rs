//! Stars of one exposure made straight from the optics, for the tests of the fit and for
//! its accuracy table.
#![allow(dead_code, reason = "each user takes what it needs")]

use ndarray::Array2;
use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};
use stackworthy::optics::fit::parameters::Values;
use stackworthy::optics::fit::{Known, Noise, StarImage};
use stackworthy::optics::{Blur, FieldPattern, Propagator, Telescope};
use stackworthy::synth::add_noise;

const SKY_ELECTRONS: f64 = 100.0;
const READ_NOISE: f64 = 3.0;

/// An exposure to simulate.
#[derive(Clone, Copy)]
pub struct Setup {
    pub pixel_arcsec: f64,
    pub diffusion_pixels: f64,
    pub stars: usize,
    /// Faintest and brightest, electrons.
    pub flux: [f64; 2],
    pub noisy: bool,
}

/// 2.4 pixels per FWHM; SNR from 50 to 1000.
pub const USUAL: Setup =
    Setup { pixel_arcsec: 0.085, diffusion_pixels: 0.2, stars: 100, flux: [5e3, 1e6], noisy: true };

pub fn telescope() -> Telescope {
    Telescope {
        bandwidth_nm: 120.0,
        band_samples: 3,
        pupil_samples: 64,
        ..Telescope::monochromatic(0.6, 0.3, 600.0)
    }
}

pub fn known(setup: &Setup) -> Known {
    Known {
        telescope: telescope(),
        pixel_arcsec: setup.pixel_arcsec,
        diffusion_pixels: Some(setup.diffusion_pixels),
    }
}

pub fn noise() -> Noise {
    Noise { sky_noise: (SKY_ELECTRONS + READ_NOISE * READ_NOISE).sqrt(), gain: Some(1.0) }
}

/// Stars drawn over a square field whose corners are at one half-diagonal.
pub fn exposure(truth: &Values, setup: &Setup, seed: u64) -> Vec<StarImage> {
    exposure_through(&telescope(), truth, setup, seed)
}

/// The same through another telescope.
pub fn exposure_through(telescope: &Telescope, truth: &Values, setup: &Setup, seed: u64) -> Vec<StarImage> {
    let propagator = Propagator::new(telescope).unwrap();
    let blur = Blur {
        jitter_mas2: truth.jitter_mas2,
        drift_mas: truth.drift_mas,
        diffusion_pixels: setup.diffusion_pixels,
        pixel_arcsec: setup.pixel_arcsec,
    };
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let side = 25;
    (0..setup.stars)
        .map(|_| {
            let place = [0, 1].map(|_| (2.0 * rng.random::<f64>() - 1.0) * 0.5f64.sqrt());
            let psf = propagator.psf(&truth.pattern.wavefront(place[0], place[1]), &blur).unwrap();
            let centre = [0, 1].map(|_| rng.random::<f64>() - 0.5);
            let [low, high] = setup.flux;
            let flux = low * (high / low).powf(rng.random::<f64>());
            let mut image: Array2<f64> = psf.image(side, 12.0 + centre[0], 12.0 + centre[1]) * flux;
            if setup.noisy {
                add_noise(&mut image, SKY_ELECTRONS, READ_NOISE, &mut rng);
            }
            StarImage {
                place,
                pixels: image.mapv(|v| v as f32),
                mask: Array2::from_elem((side, side), false),
                centre,
                flux,
            }
        })
        .collect()
}

/// Every term determined: enough defocus that the even terms show to first order.
pub fn misaligned() -> Values {
    Values {
        pattern: FieldPattern {
            defocus_nm: 45.0,
            defocus_tilt_nm: [20.0, -12.0],
            defocus_curvature_nm: 8.0,
            coma_nm: [12.0, -8.0],
            coma_linear_nm: 6.0,
            astigmatism_nm: [10.0, -14.0],
            astigmatism_linear_nm: [8.0, 5.0],
            astigmatism_quadratic_nm: 6.0,
            trefoil_nm: [-7.0, 9.0],
            spherical_nm: 8.0,
        },
        // 60 and 30 mas rms along 30 degrees.
        jitter_mas2: [2925.0, 1575.0, 1169.13],
        drift_mas: [0.0; 2],
    }
}
