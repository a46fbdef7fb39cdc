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

/// Turns in which star means and planes are taken off; dithered stars settle in a few.
const TURNS: usize = 4;

/// Rows for each harmonic below which nothing is fitted.
const ROWS_PER_HARMONIC: usize = 20;

/// The harmonics are taken out only where they would not be there by chance this often.
const BY_CHANCE: f64 = 0.01;

/// Variance of every combination of the harmonics over a star's repeats below which nothing is
/// fitted; over random places within a pixel it is 1/4 or more.
const LEAST_SPREAD: f64 = 0.02;

/// A repeat of a star: which star in which exposure, where on the detector (pixels), and its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeat {
    pub star: usize,
    pub exposure: usize,
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
}

fn harmonics(x: f64, y: f64) -> SVector<f64, HARMONICS> {
    let ((sx, cx), (sy, cy)) = ((TAU * x).sin_cos(), (TAU * y).sin_cos());
    [cx, sx, cy, sy, cx * cy, sx * sy, cx * sy, sx * cy].into()
}

/// The swing of `values` with sub-pixel position, by robust least squares from what is left of
/// them, and of the harmonics, once each star's own mean and a plane over the field of each
/// exposure are taken off: a real change between exposures must not pass for a swing.
///
/// `None` where there are too few repeats, where stars do not move within their pixels, or where
/// the swing is no larger than chance would give.
pub fn phase_swing(repeats: &[Repeat], values: &[f64]) -> Option<PhaseSwing> {
    let chi2 = ChiSquared::new(HARMONICS as f64).ok()?;
    let mut weights: Vec<f64> = repeats.iter().map(|r| r.sigma.powi(-2)).collect();
    let mut swing = None;
    for _ in 0..ROUNDS {
        let used = weights.iter().filter(|w| **w > 0.0).count();
        if used < ROWS_PER_HARMONIC * HARMONICS {
            return None;
        }
        let left = departures(repeats, values, &weights);
        // The harmonics are near orthogonal, so the normal equations lose no digits.
        let mut normal = SMatrix::<f64, HARMONICS, HARMONICS>::zeros();
        let mut target = SVector::<f64, HARMONICS>::zeros();
        for (row, w) in left.iter().zip(&weights) {
            let h = row.fixed_rows::<HARMONICS>(0);
            normal += h * h.transpose() * *w;
            target += h * (row[HARMONICS] * w);
        }
        if normal.symmetric_eigenvalues().min() < LEAST_SPREAD * weights.iter().sum::<f64>() {
            return None;
        }
        let coefficients = normal.cholesky()?.solve(&target);
        let pull = |(row, r): (&Row, &Repeat)| {
            (row[HARMONICS] - row.fixed_rows::<HARMONICS>(0).dot(&coefficients)) / r.sigma
        };
        let pulls: Vec<f64> = left.iter().zip(repeats).map(pull).collect();
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

/// The harmonics and the value of a repeat.
type Row = SVector<f64, { HARMONICS + 1 }>;

/// Rows with each star's mean and each exposure's plane taken off, in turns.
fn departures(repeats: &[Repeat], values: &[f64], weights: &[f64]) -> Vec<Row> {
    let mut rows: Vec<Row> = repeats
        .iter()
        .zip(values)
        .map(|(r, v)| {
            let mut row = Row::zeros();
            row.fixed_rows_mut::<HARMONICS>(0).copy_from(&harmonics(r.x, r.y));
            row[HARMONICS] = *v;
            row
        })
        .collect();
    let reach = repeats.iter().map(|r| r.x.abs().max(r.y.abs())).fold(1.0, f64::max);
    let plane = |r: &Repeat| SVector::from([1.0, 2.0 * r.x / reach - 1.0, 2.0 * r.y / reach - 1.0]);
    for _ in 0..TURNS {
        take_off(&mut rows, repeats, weights, |r| r.star, |_| SVector::from([1.0]));
        take_off(&mut rows, repeats, weights, |r| r.exposure, plane);
    }
    rows
}

/// Takes from the rows of every group their weighted fit by the functions.
fn take_off<const N: usize>(
    rows: &mut [Row],
    repeats: &[Repeat],
    weights: &[f64],
    group: impl Fn(&Repeat) -> usize,
    functions: impl Fn(&Repeat) -> SVector<f64, N>,
) {
    let groups = repeats.iter().map(|r| group(r) + 1).max().unwrap_or(0);
    let mut normal = vec![SMatrix::<f64, N, N>::zeros(); groups];
    let mut target = vec![SMatrix::<f64, N, { HARMONICS + 1 }>::zeros(); groups];
    for ((row, r), w) in rows.iter().zip(repeats).zip(weights) {
        let f = functions(r);
        normal[group(r)] += f * f.transpose() * *w;
        target[group(r)] += f * row.transpose() * *w;
    }
    // A group too small for its functions keeps its rows.
    let fits: Vec<_> =
        normal.iter().zip(&target).map(|(n, t)| n.try_inverse().map(|inverse| inverse * t)).collect();
    for (row, r) in rows.iter_mut().zip(repeats) {
        if let Some(fit) = &fits[group(r)] {
            *row -= fit.transpose() * functions(r);
        }
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
            for exposure in 0..8 {
                let (x, y) = (rng.random_range(0.0..900.0), rng.random_range(0.0..900.0));
                let sigma = rng.random_range(0.002..0.02);
                let noise: f64 = rng.sample(StandardNormal);
                rows.push(Repeat { star, exposure, x, y, sigma });
                values.push(own + sigma * noise + swing * (TAU * x).cos());
            }
        }
        (rows, values)
    }

    #[test]
    fn a_swing_is_found_and_nothing_is_made_of_noise() {
        let (rows, values) = repeats(1, 0.006);
        let found = phase_swing(&rows, &values).unwrap();
        // 480 rows of about 0.006 each give a coefficient to 0.006 sqrt(2/480) = 0.0004, and all eight
        // together the swing at a place to twice that.
        for (x, truth) in [(3.0, 0.006), (7.5, -0.006), (4.25, 0.0)] {
            assert!((found.at(x, 11.3) - truth).abs() < 4.0 * 0.0004 * 2.0, "{found:?}");
        }
        let places = (0..100).map(|k| (0.1 * f64::from(k % 10), 0.1 * f64::from(k / 10)));
        let rms = (places.map(|(x, y)| found.at(x, y).powi(2)).sum::<f64>() / 100.0).sqrt();
        assert!((rms - 0.006 / 2.0f64.sqrt()).abs() < 0.001);
        // One in a hundred by chance: of 100 tries, more than 5 has a probability of 5e-4.
        let by_chance = (0..100).filter(|seed| {
            let (rows, values) = repeats(100 + seed, 0.0);
            phase_swing(&rows, &values).is_some()
        });
        assert!(by_chance.count() <= 5);
    }

    /// Strong changes of whole exposures, level and tilt, are no swing.
    #[test]
    fn a_change_between_exposures_is_no_swing() {
        let by_chance = (0..100).filter(|seed| {
            let (rows, mut values) = repeats(300 + seed, 0.0);
            for (row, value) in rows.iter().zip(&mut values) {
                let k = row.exposure as f64;
                *value += 0.05 * (3.0 * k).sin() + 1e-4 * (2.0 * k).cos() * row.x;
            }
            phase_swing(&rows, &values).is_some()
        });
        // As above: more than 5 of 100 has a probability of 5e-4.
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
