//! What the place of a star within its pixel does to its moments, learnt from its repeats.
//!
//! On coarse pixels the sum over pixels stands for the integral only on average over
//! sub-pixel positions: the first harmonics of the pixel grid alias into the moments. The
//! same star, dithered, shows them; the brightest stars would else scatter above their errors.

use std::f64::consts::TAU;

use nalgebra::{SMatrix, SVector};
use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::field::robust::bisquare;

/// Harmonics of the pixel grid of first order along each axis, and their products.
pub const HARMONICS: usize = 8;

/// Robust iterations.
const ROUNDS: usize = 4;

/// Rows for each harmonic below which nothing is fitted.
const ROWS_PER_HARMONIC: usize = 20;

/// The harmonics are taken out only where they would not be there by chance this often.
const BY_CHANCE: f64 = 0.01;

/// Variance of every combination of the harmonics over a star's repeats below which nothing is
/// fitted; over random places within a pixel it is 1/4 or more.
const LEAST_SPREAD: f64 = 0.02;

/// A repeat of a star: which star, where on the detector (pixels), and its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeat {
    pub star: usize,
    pub x: f64,
    pub y: f64,
    pub sigma: f64,
}

/// How a quantity swings with the sub-pixel position: zero on average over a pixel.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseSwing([f64; HARMONICS]);

impl PhaseSwing {
    /// What the position within the pixel adds to the quantity.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        harmonics(x, y).iter().zip(&self.0).map(|(h, c)| h * c).sum()
    }

    /// Rms over positions within a pixel.
    pub fn rms(&self) -> f64 {
        let (axes, products) = self.0.split_at(4);
        let square = |part: &[f64]| part.iter().map(|c| c * c).sum::<f64>();
        (0.5 * square(axes) + 0.25 * square(products)).sqrt()
    }
}

fn harmonics(x: f64, y: f64) -> SVector<f64, HARMONICS> {
    let ((sx, cx), (sy, cy)) = ((TAU * x).sin_cos(), (TAU * y).sin_cos());
    [cx, sx, cy, sy, cx * cy, sx * sy, cx * sy, sx * cy].into()
}

/// The swing of `values` with sub-pixel position, from the departures of each star's repeats from
/// their own weighted mean, by robust least squares. A real change between exposures is
/// unrelated to the phase of its stars and only adds to the scatter.
///
/// `None` where there are too few repeats, or the swing is no larger than chance would give.
pub fn phase_swing(repeats: &[Repeat], values: &[f64]) -> Option<PhaseSwing> {
    let stars = repeats.iter().map(|r| r.star + 1).max()?;
    let chi2 = ChiSquared::new(HARMONICS as f64).ok()?;
    let mut weights: Vec<f64> = repeats.iter().map(|r| r.sigma.powi(-2)).collect();
    let mut swing = None;
    for _ in 0..ROUNDS {
        let used = weights.iter().filter(|w| **w > 0.0).count();
        if used < ROWS_PER_HARMONIC * HARMONICS {
            return None;
        }
        let means = StarMeans::of(repeats, values, &weights, stars);
        // The harmonics are near orthogonal, so the normal equations lose no digits.
        let mut normal = SMatrix::<f64, HARMONICS, HARMONICS>::zeros();
        let mut target = SVector::<f64, HARMONICS>::zeros();
        for ((r, v), w) in repeats.iter().zip(values).zip(&weights) {
            let (h, departure) = means.departure(r, *v);
            normal += h * h.transpose() * *w;
            target += h * (departure * w);
        }
        // Stars that fall on the same place in a pixel every time tell nothing of the others.
        if normal.symmetric_eigenvalues().min() < LEAST_SPREAD * weights.iter().sum::<f64>() {
            return None;
        }
        let coefficients = normal.cholesky()?.solve(&target);
        let pull = |(r, v): (&Repeat, &f64)| {
            let (h, departure) = means.departure(r, *v);
            (departure - h.dot(&coefficients)) / r.sigma
        };
        let pulls: Vec<f64> = repeats.iter().zip(values).map(pull).collect();
        let scatter: f64 = pulls.iter().zip(&weights).filter(|(_, w)| **w > 0.0).map(|(p, _)| p * p).sum();
        // Never below one, so that a few quiet stars do not make the rest look like outliers.
        let scale = (scatter / used as f64).sqrt().max(1.0);
        let gain = coefficients.dot(&target) / (scale * scale);
        swing = (chi2.sf(gain) < BY_CHANCE).then(|| PhaseSwing(coefficients.into()));
        for ((w, pull), r) in weights.iter_mut().zip(&pulls).zip(repeats) {
            *w = bisquare(pull / scale) / (r.sigma * r.sigma);
        }
    }
    swing
}

/// Each star's weighted mean of the harmonics and of the value.
struct StarMeans(Vec<(SVector<f64, HARMONICS>, f64)>);

impl StarMeans {
    fn of(repeats: &[Repeat], values: &[f64], weights: &[f64], stars: usize) -> Self {
        let mut sums = vec![(SVector::zeros(), 0.0, 0.0); stars];
        for ((r, v), w) in repeats.iter().zip(values).zip(weights) {
            let (harmonic, value, weight) = &mut sums[r.star];
            *harmonic += harmonics(r.x, r.y) * *w;
            *value += w * v;
            *weight += w;
        }
        let mean = |(h, v, w): (SVector<f64, HARMONICS>, f64, f64)| match w > 0.0 {
            true => (h / w, v / w),
            false => (h, v),
        };
        Self(sums.into_iter().map(mean).collect())
    }

    fn departure(&self, r: &Repeat, value: f64) -> (SVector<f64, HARMONICS>, f64) {
        let (harmonic, mean) = &self.0[r.star];
        (harmonics(r.x, r.y) - harmonic, value - mean)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    fn repeats(seed: u64, swing: f64) -> (Vec<Repeat>, Vec<f64>) {
        let mut rng = StdRng::seed_from_u64(seed);
        let (mut rows, mut values) = (vec![], vec![]);
        for star in 0..60 {
            let own: f64 = rng.sample::<f64, _>(StandardNormal) * 0.05;
            for _ in 0..8 {
                let (x, y) = (rng.random_range(0.0..900.0), rng.random_range(0.0..900.0));
                let sigma = rng.random_range(0.002..0.02);
                let noise: f64 = rng.sample(StandardNormal);
                rows.push(Repeat { star, x, y, sigma });
                values.push(own + sigma * noise + swing * (TAU * x).cos());
            }
        }
        (rows, values)
    }

    #[test]
    fn a_swing_is_found_and_nothing_is_made_of_noise() {
        let (rows, values) = repeats(1, 0.006);
        let found = phase_swing(&rows, &values).unwrap();
        // 480 rows of about 0.006 each give a coefficient to 0.006 sqrt(2/480) = 0.0004.
        for (x, truth) in [(3.0, 0.006), (7.5, -0.006), (4.25, 0.0)] {
            assert!((found.at(x, 11.3) - truth).abs() < 4.0 * 0.0004 * 2.0, "{found:?}");
        }
        assert!((found.rms() - 0.006 / 2.0f64.sqrt()).abs() < 0.001);
        // One in a hundred by chance: of 100 tries, more than 5 has a probability of 5e-4.
        let by_chance = (0..100).filter(|seed| {
            let (rows, values) = repeats(100 + seed, 0.0);
            phase_swing(&rows, &values).is_some()
        });
        assert!(by_chance.count() <= 5);
    }

    /// Undithered stars: a change between exposures must not be taken for a swing.
    #[test]
    fn stars_at_the_same_place_in_a_pixel_give_nothing() {
        let (mut rows, mut values) = repeats(1, 0.0);
        for (k, (row, value)) in rows.iter_mut().zip(&mut values).enumerate() {
            row.x = 7.3 * row.star as f64 + 0.001 * (k % 5) as f64;
            row.y = 3.7 * row.star as f64;
            *value += 0.02 * (k % 2) as f64;
        }
        assert_eq!(phase_swing(&rows, &values), None);
    }

    #[test]
    fn too_few_repeats_give_nothing() {
        let (rows, values) = repeats(1, 0.006);
        assert_eq!(phase_swing(&rows[..100], &values[..100]), None);
        assert_eq!(phase_swing(&[], &[]), None);
    }
}
