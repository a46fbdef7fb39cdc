//! The normal equations of a change set up, solved robustly, and looked at: the working of
//! [`super::change`].

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::change::{Change, DENSE_LIMIT, Place, Reference};
use super::groups::Groups;
use super::interval::NoiseMode;
use super::noise_check::{NoiseCheck, Residual, check};
use super::star_offsets::{NormalEquations, bilinear};
use super::{RepeatError, root::crossing_above};
use crate::field::Basis;
use crate::field::robust::{bisquare, huber, median, scale_about_zero};

/// How far a solution is driven: to ten digits, or to five where it only tells which rows are outlying.
const EXACT: f64 = 1e-22;
const ROUGH: f64 = 1e-12;

/// The measurements, arranged for the solver.
pub(super) struct Data<'a> {
    pub(super) exposures: usize,
    pub(super) functions: usize,
    pub(super) basis: &'a Basis,
    pub(super) values: &'a [Vec<f64>],
    pub(super) reference: Reference,
    pub(super) layout: &'a Layout,
}

/// Where the rows lie and to whom they belong: the same for all quantities measured on them.
#[derive(Debug, Clone)]
pub struct Layout {
    pub(super) places: Vec<[f64; 2]>,
    exposure_of: Vec<u32>,
    pub(super) rows_of_exposure: Groups,
    /// Counted without gaps.
    star_of: Vec<u32>,
    rows_of_star: Groups,
}

impl Layout {
    /// For rows of so many exposures.
    pub fn new(exposures: usize, rows: impl ExactSizeIterator<Item = Place> + Clone) -> Self {
        let stars: std::collections::BTreeSet<usize> = rows.clone().map(|r| r.star).collect();
        let number: std::collections::HashMap<usize, u32> = stars.into_iter().zip(0..).collect();
        let star_of: Vec<u32> = rows.clone().map(|r| number[&r.star]).collect();
        let exposure_of: Vec<u32> = rows.clone().map(|r| r.exposure as u32).collect();
        Self {
            places: rows.map(|r| [r.x, r.y]).collect(),
            rows_of_exposure: Groups::of_rows(&exposure_of, exposures),
            exposure_of,
            rows_of_star: Groups::of_rows(&star_of, number.len()),
            star_of,
        }
    }

    pub(super) fn exposures(&self) -> usize {
        self.rows_of_exposure.len()
    }

    pub(super) fn rows(&self) -> impl ExactSizeIterator<Item = Place> + '_ {
        let stars = self.star_of.iter().zip(&self.exposure_of);
        self.places.iter().zip(stars).map(|(&[x, y], (&star, &exposure))| Place {
            star: star as usize,
            exposure: exposure as usize,
            x,
            y,
        })
    }
}

/// One converged robust fit.
pub(super) struct Fit {
    solution: Solution,
    variances: Vec<f64>,
    offset_variance: Option<f64>,
}

/// What one choice of weights gives.
struct Solution {
    /// Stacked, one a component.
    coefficients: Vec<DVector<f64>>,
    blocks: Vec<DMatrix<f64>>,
    residuals: Vec<Vec<f64>>,
    /// Robust ones.
    weights: Vec<f64>,
    fitted_variance: Vec<f64>,
    prior: Vec<f64>,
}

impl Fit {
    /// Robust weight over variance, one a row.
    pub(super) fn row_weights(&self) -> Vec<f64> {
        self.solution.row_weights(&self.variances)
    }
}

impl Solution {
    /// All else is forgotten, to make room for the next one.
    fn into_coefficients(self) -> Vec<DVector<f64>> {
        self.coefficients
    }

    fn row_weights(&self, variances: &[f64]) -> Vec<f64> {
        self.weights.iter().zip(variances).map(|(u, v)| u / v).collect()
    }
}

impl Data<'_> {
    /// Every exposure needs shared stars for its functions and, on the sky, a chain of
    /// shared stars to every other.
    pub(super) fn check_links(&self) -> Result<(), RepeatError> {
        let functions = self.functions;
        let needed = functions + 1;
        let stars = &self.layout.rows_of_star;
        let mut usable = vec![0usize; self.exposures];
        for star in 0..stars.len() {
            let rows = stars.of(star);
            let linked = self.reference == Reference::Detector || rows.len() > 1;
            rows.for_each(|i| usable[self.layout.exposure_of[i] as usize] += usize::from(linked));
        }
        // The worst exposure is the one to name.
        if let Some((exposure, count)) = usable.iter().enumerate().min_by_key(|(_, count)| **count)
            && *count < needed
        {
            return Err(RepeatError::TooFewShared { exposure, shared: *count, functions, needed });
        }
        if self.reference == Reference::Detector {
            return Ok(());
        }
        let hub = (0..self.exposures).max_by_key(|t| usable[*t]).unwrap_or(0);
        let (mut reached, mut open) = (vec![false; self.exposures], vec![hub]);
        reached[hub] = true;
        // Nearly always the first exposure shares stars with all others; counts between all pairs
        // would grow with the square of the exposures.
        while let Some(t) = open.pop().filter(|_| !reached.iter().all(|r| *r)) {
            let shared = self.shared_with(t);
            for u in 0..self.exposures {
                if !reached[u] && shared[u] >= functions {
                    reached[u] = true;
                    open.push(u);
                }
            }
        }
        match reached.iter().position(|r| !r) {
            Some(exposure) => Err(RepeatError::NotLinked { exposure, functions }),
            None => Ok(()),
        }
    }

    /// Stars that exposure `t` shares with each exposure.
    fn shared_with(&self, t: usize) -> Vec<usize> {
        let mut shared = vec![0; self.exposures];
        for star in 0..self.layout.rows_of_star.len() {
            let exposures = self.layout.rows_of_star.of(star).map(|i| self.layout.exposure_of[i] as usize);
            let here = exposures.clone().filter(|&exposure| exposure == t).count();
            if here > 0 {
                exposures.for_each(|exposure| shared[exposure] += here);
            }
        }
        shared
    }

    fn equations(&self, weights: Vec<f64>, prior: Vec<f64>) -> NormalEquations<'_> {
        NormalEquations {
            exposures: self.exposures,
            functions: self.functions,
            basis: self.basis,
            places: &self.layout.places,
            exposure_of: &self.layout.exposure_of,
            rows_of_exposure: &self.layout.rows_of_exposure,
            star_of: &self.layout.star_of,
            rows_of_star: &self.layout.rows_of_star,
            weights,
            prior,
            centred: self.reference == Reference::Sky,
        }
    }

    /// Finds the outlying rows by iteratively reweighted least squares (Huber's weights from the
    /// plain solution, then the bisquare, scale from the median residual), rejects those of
    /// weight zero, and solves by plain least squares with the rest. The reweighted step
    /// (Rousseeuw & Leroy 1987, Robust Regression and Outlier Detection, from memory) keeps
    /// the covariance exact where stars are few; a smooth weight would not.
    pub(super) fn fit(&self, variances: Vec<f64>) -> Result<Fit, RepeatError> {
        let mut prior = vec![0.0; self.layout.rows_of_star.len()];
        let mut found = self.solve_once(vec![1.0; variances.len()], &prior, &variances, None, ROUGH)?;
        let mut offset_variance = None;
        for (weight_of, iterations) in [(huber as fn(f64) -> f64, 12), (bisquare, 25)] {
            for _ in 0..iterations {
                let mut weights = self.distances(&found, &variances);
                let Some(scale) = self.scale(&weights) else { break };
                weights.iter_mut().for_each(|distance| *distance = weight_of(*distance / scale));
                let moved =
                    weights.iter().zip(&found.weights).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
                if self.reference == Reference::Detector {
                    offset_variance = Some(self.offset_prior(&found, &variances, &mut prior));
                }
                let near = found.into_coefficients();
                found = self.solve_once(weights, &prior, &variances, Some(&near), ROUGH)?;
                if moved < 1e-4 {
                    break;
                }
            }
        }
        let mut kept = self.distances(&found, &variances);
        // Few residuals can have a small median by chance: the stated errors are its floor.
        let scale = self.scale(&kept).unwrap_or(1.0).max(1.0);
        kept.iter_mut().for_each(|d| *d = if bisquare(*d / scale) > 0.0 { 1.0 } else { 0.0 });
        let near = found.into_coefficients();
        let solution = self.solve_once(kept, &prior, &variances, Some(&near), EXACT)?;
        Ok(Fit { solution, variances, offset_variance })
    }

    /// From the coefficients `near` on, one vector a component, to this share of the square of the error.
    fn solve_once(
        &self,
        robust: Vec<f64>,
        prior: &[f64],
        variances: &[f64],
        near: Option<&[DVector<f64>]>,
        share: f64,
    ) -> Result<Solution, RepeatError> {
        let weights = robust.iter().zip(variances).map(|(u, v)| u / v).collect();
        let mut equations = self.equations(weights, prior.to_vec());
        if self.reference == Reference::Detector && prior.iter().all(|p| *p == 0.0) {
            // Before their variance is known the offsets are held at zero.
            equations.prior = vec![1e12 / median(variances).unwrap_or(1.0); prior.len()];
        }
        let blocks = equations.exposure_covariances()?;
        let solved = |(q, values): (usize, &Vec<f64>)| {
            equations.solve(values, &blocks, near.map(|coefficients| &coefficients[q]), share)
        };
        let coefficients: Vec<DVector<f64>> = self.values.par_iter().enumerate().map(solved).collect();
        let residuals = coefficients
            .iter()
            .zip(self.values)
            .map(|(c, values)| {
                let mut left = equations.models(c);
                left.iter_mut().zip(values).for_each(|(left, value)| *left = value - *left);
                let offsets = equations.offsets(&left);
                let stars = self.layout.star_of.iter().map(|&star| offsets[star as usize]);
                left.iter_mut().zip(stars).for_each(|(left, offset)| *left -= offset);
                left
            })
            .collect();
        Ok(Solution {
            fitted_variance: equations.fitted_variances(&blocks)?,
            prior: equations.prior,
            coefficients,
            blocks,
            residuals,
            weights: robust,
        })
    }

    /// Rms over the components of the residual over its standard deviation. Of a row with robust
    /// weight u, noise v and fitted variance g that is `v + (1 - 2u) g`: a row inside the fit
    /// is drawn to it, one left out is not.
    fn distances(&self, found: &Solution, variances: &[f64]) -> Vec<f64> {
        (0..variances.len())
            .map(|i| {
                let square = found.residuals.iter().map(|r| r[i] * r[i]).sum::<f64>();
                let v = variances[i];
                let variance = (v + (1.0 - 2.0 * found.weights[i]) * found.fitted_variance[i]).max(0.05 * v);
                (square / (self.values.len() as f64 * variance)).sqrt()
            })
            .collect()
    }

    /// Scale of the distances: their median over that of the Gaussian case. None without scatter.
    fn scale(&self, distances: &[f64]) -> Option<f64> {
        let gaussian = if self.values.len() == 1 { 0.674489750196082 } else { std::f64::consts::LN_2.sqrt() };
        Some(median(distances)? / gaussian).filter(|s| *s > 1e-9)
    }

    /// Variance of the star offsets by Paule & Mandel (1982, J. Res. NBS 87, 377) over the stars
    /// that do not stand out; `prior` gets its inverse, lowered to zero for stars that do
    /// (pairs), whose offset is then free.
    fn offset_prior(&self, found: &Solution, variances: &[f64], prior: &mut [f64]) -> f64 {
        let stars = self.layout.rows_of_star.len();
        let equations = self.equations(found.row_weights(variances), vec![0.0; stars]);
        let mut means: Vec<Vec<f64>> = vec![];
        for (c, values) in found.coefficients.iter().zip(self.values) {
            let left: Vec<f64> = values.iter().zip(equations.models(c)).map(|(v, m)| v - m).collect();
            means.push(equations.offsets(&left));
        }
        let noise: Vec<Option<f64>> = (0..stars)
            .map(|star| {
                let total: f64 = self.layout.rows_of_star.of(star).map(|i| equations.weights[i]).sum();
                (total > 0.0).then(|| 1.0 / total)
            })
            .collect();
        let known: Vec<usize> = (0..noise.len()).filter(|s| noise[*s].is_some()).collect();
        let typical_noise =
            median(&known.iter().filter_map(|s| noise[*s]).collect::<Vec<_>>()).unwrap_or(1.0);
        let floor = 1e-6 * typical_noise;
        let all: Vec<f64> = means.iter().flat_map(|m| known.iter().map(|s| m[*s])).collect();
        let first = scale_about_zero(&all).unwrap_or(0.0).powi(2) - typical_noise;
        let distance = |s: usize, variance: f64| {
            let square = means.iter().map(|m| m[s] * m[s]).sum::<f64>() / means.len() as f64;
            (square / (noise[s].unwrap_or(0.0) + variance)).sqrt()
        };
        let weight: Vec<f64> = (0..noise.len())
            .map(|s| if noise[s].is_some() { bisquare(distance(s, first.max(floor))) } else { 0.0 })
            .collect();
        let plain: Vec<usize> = known.iter().copied().filter(|s| weight[*s] > 0.0).collect();
        // The static field takes its functions from the star means, and the change as much
        // of its own as only star means can tell (stars seen in few exposures).
        let within: f64 = equations.informative_weights().iter().sum();
        let held: f64 =
            self.equations(equations.weights, found.prior.clone()).informative_weights().iter().sum();
        let from_means = ((self.exposures - 1) * self.functions) as f64 * (1.0 - within / held).max(0.0);
        let dof = (plain.len() as f64 - self.functions as f64 - from_means).max(1.0);
        let miss = |variance: f64| plain.iter().map(|s| distance(*s, variance).powi(2)).sum::<f64>() - dof;
        let variance = if miss(floor) <= 0.0 {
            floor
        } else {
            crossing_above(miss, floor, typical_noise, 1e-6).unwrap_or(first.max(floor))
        };
        for (p, u) in prior.iter_mut().zip(&weight) {
            *p = u / variance;
        }
        variance
    }

    /// The noise check of a fit (whose variances are those of the stated errors, or raised by a floor), on the rows
    /// that were not rejected, each at full weight.
    pub(super) fn check_noise(&self, fit: &Fit, sigmas: &[f64]) -> Result<NoiseCheck, RepeatError> {
        let Fit { solution: Solution { residuals, weights, prior, .. }, variances, .. } = fit;
        let full = weights.iter().zip(variances).map(|(u, v)| if *u > 0.0 { 1.0 / v } else { 0.0 });
        let equations = self.equations(full.collect(), prior.clone());
        let blocks = equations.exposure_covariances()?;
        let fitted = equations.fitted_variances(&blocks)?;
        drop(equations);
        let residual = |i: usize| {
            let leverage = (fitted[i] / variances[i]).min(1.0);
            (weights[i] > 0.0 && leverage < 0.99).then(|| Residual {
                row: i,
                star: self.layout.star_of[i] as usize,
                x: self.layout.places[i][0],
                y: self.layout.places[i][1],
                value: [residuals[0][i], residuals.get(1).map_or(0.0, |r| r[i])],
                stated: sigmas[i] * sigmas[i],
                variance: variances[i],
                leverage,
            })
        };
        let left = 1.0 - 1.0 / self.exposures as f64;
        let mut values = ExposureValues::default();
        let induced = |a: &Residual, b: &Residual| {
            let exposure = self.layout.exposure_of[a.row];
            values.look_at(exposure, self.basis, self.layout);
            -left * bilinear(&blocks[exposure as usize], values.of(b.row), values.of(a.row))
        };
        Ok(check(residual, &self.layout.rows_of_exposure, self.values.len(), induced))
    }

    pub(super) fn into_change(self, fit: Fit, noise_check: NoiseCheck) -> Result<Change, RepeatError> {
        let (n, k, q) = (self.exposures, self.functions, self.values.len());
        let equations = self.equations(fit.row_weights(), fit.solution.prior.clone());
        let Fit { solution, offset_variance, .. } = fit;
        let Solution { coefficients: mut stacked, blocks: exposure_covariance, weights, .. } = solution;
        for c in &mut stacked {
            equations.centre(c);
        }
        let covariance = if n * k <= DENSE_LIMIT { Some(equations.covariance()?) } else { None };
        let modes = match &covariance {
            Some(covariance) => dense_modes(covariance, &stacked, n, k),
            None => block_modes(&exposure_covariance, &stacked, n, k),
        };
        let coefficients = stacked.iter().map(|c| DMatrix::from_row_slice(n, k, c.as_slice())).collect();
        let count = |wanted: bool| {
            let mut counts = vec![0; n];
            for (u, t) in weights.iter().zip(&self.layout.exposure_of) {
                counts[*t as usize] += usize::from((*u > 0.0) == wanted);
            }
            counts
        };
        Ok(Change {
            exposures: n,
            components: q,
            functions: k,
            coefficients,
            exposure_covariance,
            covariance,
            noise_check,
            offset_variance,
            stars_used: count(true),
            rejected: count(false),
            took_part: weights.iter().map(|u| *u > 0.0).collect(),
            modes,
        })
    }
}

/// The function values of the rows of one exposure after the other.
#[derive(Default)]
struct ExposureValues<'a> {
    exposure: Option<u32>,
    rows: &'a [u32],
    values: Vec<Vec<f64>>,
}

impl<'a> ExposureValues<'a> {
    fn look_at(&mut self, exposure: u32, basis: &Basis, layout: &'a Layout) {
        if self.exposure == Some(exposure) {
            return;
        }
        let rows = layout.rows_of_exposure.list(exposure as usize);
        let values = rows.iter().map(|&row| layout.places[row as usize]).map(|[x, y]| basis.evaluate(x, y));
        *self = Self { exposure: Some(exposure), rows, values: values.collect() };
    }

    /// Of a row of that exposure.
    fn of(&self, row: usize) -> &[f64] {
        self.rows.binary_search(&(row as u32)).map_or(&[], |place| &self.values[place])
    }
}

/// Modes from the eigenvectors of the full covariance (rank `(n-1) k`).
fn dense_modes(covariance: &DMatrix<f64>, stacked: &[DVector<f64>], n: usize, k: usize) -> Vec<NoiseMode> {
    let q = stacked.len() as f64;
    let scale = 1.0 / ((n as f64 - 1.0) * q);
    let eigen = covariance.clone().symmetric_eigen();
    let mut order: Vec<usize> = (0..n * k).collect();
    order.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
    order
        .into_iter()
        .take((n - 1) * k)
        .map(|j| {
            let vector = eigen.eigenvectors.column(j);
            let square: f64 = stacked.iter().map(|c| vector.dot(c).powi(2)).sum();
            NoiseMode { lambda: eigen.eigenvalues[j].max(0.0) * scale, dof: q, square: square * scale }
        })
        .collect()
}

/// Modes from every exposure's own covariance: `P diag(B_t) P` has, to order 1/n, the eigenvalues
/// of the B_t; `(n-1)/n` of a degree of freedom each keeps trace and rank.
pub(super) fn block_modes(
    blocks: &[DMatrix<f64>],
    stacked: &[DVector<f64>],
    n: usize,
    k: usize,
) -> Vec<NoiseMode> {
    let q = stacked.len() as f64;
    let scale = 1.0 / ((n as f64 - 1.0) * q);
    let left = (n as f64 - 1.0) / n as f64;
    let mut modes = vec![];
    for (t, block) in blocks.iter().enumerate() {
        let eigen = block.clone().symmetric_eigen();
        for j in 0..k {
            let vector = eigen.eigenvectors.column(j);
            let square: f64 = stacked.iter().map(|c| vector.dot(&c.rows(t * k, k)).powi(2)).sum();
            modes.push(NoiseMode {
                lambda: eigen.eigenvalues[j].max(0.0) * scale,
                dof: q * left,
                square: square * scale,
            });
        }
    }
    modes
}

/// `sigmas` are the errors of the rows.
pub(super) fn check_rows(
    exposures: usize,
    rows: impl ExactSizeIterator<Item = Place>,
    sigmas: &[f64],
    values: &[Vec<f64>],
) -> Result<(), RepeatError> {
    if exposures < 2 {
        return Err(RepeatError::TooFewExposures { exposures });
    }
    if values.is_empty() || values.len() > 2 {
        return Err(RepeatError::LengthMismatch {
            what: "the list of components",
            found: values.len(),
            expected: 1,
        });
    }
    let expected = rows.len();
    let lengths = values.iter().map(|component| ("a component", component.len()));
    for (what, found) in lengths.chain([("the list of errors", sigmas.len())]) {
        if found != expected {
            return Err(RepeatError::LengthMismatch { what, found, expected });
        }
    }
    for (i, (row, sigma)) in rows.zip(sigmas).enumerate() {
        let bad = |what| Err(RepeatError::BadRow { row: i, what });
        if row.exposure >= exposures {
            return bad("its exposure is beyond the last one");
        }
        if !(row.x.is_finite() && row.y.is_finite()) {
            return bad("its position is not finite");
        }
        if !(*sigma > 0.0 && sigma.is_finite()) {
            return bad("its error is not a finite number above zero");
        }
        if values.iter().any(|v| !v[i].is_finite()) {
            return bad("its value is not finite");
        }
    }
    Ok(())
}
