//! Random numbers: one ChaCha8 stream for each part of a scene, so that no part's
//! numbers depend on another's.

use rand::rngs::ChaCha8Rng;
use rand::{Rng, RngExt, SeedableRng};
use rand_distr::{Distribution, Normal, Poisson};

#[derive(Debug, Clone, Copy)]
pub(super) enum Stream {
    Sky,
    Detector,
    Sequence,
    /// Noise and cosmic rays of one exposure, from 0.
    Exposure(usize),
}

pub(super) fn stream(seed: u64, stream: Stream) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(match stream {
        Stream::Sky => 0,
        Stream::Detector => 1,
        Stream::Sequence => 2,
        Stream::Exposure(index) => 16 + index as u64,
    });
    rng
}

/// A Poisson number of mean `mean`; zero where the mean is not positive (the PSF's
/// Fourier sum may fall short of zero by rounding).
pub(super) fn photons(mean: f64, rng: &mut impl Rng) -> f64 {
    Poisson::new(mean).map_or(0.0, |poisson| poisson.sample(rng))
}

/// A Gaussian number of zero mean; zero where `sigma` is.
pub(super) fn gaussian(sigma: f64, rng: &mut impl Rng) -> f64 {
    Normal::new(0.0, sigma).map_or(0.0, |normal| normal.sample(rng))
}

/// An exponentially distributed number.
pub(super) fn exponential(mean: f64, rng: &mut impl Rng) -> f64 {
    -mean * (1.0 - rng.random::<f64>()).ln()
}

pub(super) fn uniform(low: f64, high: f64, rng: &mut impl Rng) -> f64 {
    low + (high - low) * rng.random::<f64>()
}
