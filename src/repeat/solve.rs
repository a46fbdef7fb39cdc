//! The normal equations of a change set up, solved robustly, and looked at: the working of
//! [`super::change`].

use nalgebra::{DMatrix, DVector};

use super::change::{Change, DENSE_LIMIT, Reference, Row};
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
    exposures: usize,
    functions: usize,
    rows: &'a [Row],
    values: &'a [Vec<f64>],
    reference: Reference,
    layout: &'a Layout,
}

/// Where the rows lie and to whom they belong: the same for all quantities measured on them.
#[derive(Debug, Clone)]
pub struct Layout {
    phi: Vec<f64>,
    exposure_of: Vec<usize>,
    star_of: Vec<usize>,
    rows_of_star: Vec<Vec<usize>>,
}

impl Layout {
    pub fn new(basis: &Basis, rows: &[Row]) -> Self {
        let mut phi = Vec::with_capacity(rows.len() * basis.functions());
        rows.iter().for_each(|r| phi.extend(basis.evaluate(r.x, r.y)));
        let mut by_star = std::collections::BTreeMap::<usize, Vec<usize>>::new();
        for (i, row) in rows.iter().enumerate() {
            by_star.entry(row.star).or_default().push(i);
        }
        let rows_of_star: Vec<Vec<usize>> = by_star.into_values().collect();
        let mut star_of = vec![0; rows.len()];
        for (star, rows) in rows_of_star.iter().enumerate() {
            rows.iter().for_each(|&i| star_of[i] = star);
        }
        Self { phi, exposure_of: rows.iter().map(|r| r.exposure).collect(), star_of, rows_of_star }
    }
}

/// One converged robust fit.
pub(super) struct Fit {
    /// Stacked, one a component.
    coefficients: Vec<DVector<f64>>,
    blocks: Vec<DMatrix<f64>>,
    residuals: Vec<Vec<f64>>,
    variances: Vec<f64>,
    weights: Vec<f64>,
    fitted_variance: Vec<f64>,
    prior: Vec<f64>,
    offset_variance: Option<f64>,
}

impl Fit {
    /// Robust weight over variance, one a row.
    pub(super) fn row_weights(&self) -> Vec<f64> {
        self.weights.iter().zip(&self.variances).map(|(u, v)| u / v).collect()
    }
}

impl<'a> Data<'a> {
    pub(super) fn new(
        basis: &Basis,
        layout: &'a Layout,
        exposures: usize,
        rows: &'a [Row],
        values: &'a [Vec<f64>],
        reference: Reference,
    ) -> Self {
        Self { exposures, functions: basis.functions(), rows, values, reference, layout }
    }

    /// Every exposure needs shared stars for its functions and, on the sky, a chain of
    /// shared stars to every other.
    pub(super) fn check_links(&self) -> Result<(), RepeatError> {
        let functions = self.functions;
        let needed = functions + 1;
        let mut usable = vec![0usize; self.exposures];
        for rows in &self.layout.rows_of_star {
            for &i in rows {
                let linked = self.reference == Reference::Detector || rows.len() > 1;
                usable[self.layout.exposure_of[i]] += usize::from(linked);
            }
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
        for rows in &self.layout.rows_of_star {
            let here = rows.iter().filter(|&&i| self.layout.exposure_of[i] == t).count();
            if here > 0 {
                rows.iter().for_each(|&i| shared[self.layout.exposure_of[i]] += here);
            }
        }
        shared
    }

    fn equations(&self, weights: Vec<f64>, prior: Vec<f64>) -> NormalEquations<'_> {
        NormalEquations {
            exposures: self.exposures,
            functions: self.functions,
            phi: &self.layout.phi,
            exposure_of: &self.layout.exposure_of,
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
    pub(super) fn fit(&self, variances: &[f64]) -> Result<Fit, RepeatError> {
        let mut weights = vec![1.0; self.rows.len()];
        let mut prior = vec![0.0; self.layout.rows_of_star.len()];
        let mut fit = self.solve_once(&weights, &prior, variances, None, ROUGH)?;
        let mut offset_variance = None;
        for (weight_of, iterations) in [(huber as fn(f64) -> f64, 12), (bisquare, 25)] {
            for _ in 0..iterations {
                let distances = self.distances(&fit);
                let Some(scale) = self.scale(&distances) else { break };
                let new: Vec<f64> = distances.iter().map(|d| weight_of(d / scale)).collect();
                let moved = new.iter().zip(&weights).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
                weights = new;
                if self.reference == Reference::Detector {
                    offset_variance = Some(self.offset_prior(&fit, &mut prior));
                }
                fit = self.solve_once(&weights, &prior, variances, Some(&fit.coefficients), ROUGH)?;
                if moved < 1e-4 {
                    break;
                }
            }
        }
        let distances = self.distances(&fit);
        // Few residuals can have a small median by chance: the stated errors are its floor.
        let scale = self.scale(&distances).unwrap_or(1.0).max(1.0);
        let kept = distances.iter().map(|d| if bisquare(d / scale) > 0.0 { 1.0 } else { 0.0 });
        let near = Some(fit.coefficients.as_slice());
        fit = self.solve_once(&kept.collect::<Vec<f64>>(), &prior, variances, near, EXACT)?;
        fit.offset_variance = offset_variance;
        Ok(fit)
    }

    /// From the coefficients `near` on, one vector a component, to this share of the square of the error.
    fn solve_once(
        &self,
        robust: &[f64],
        prior: &[f64],
        variances: &[f64],
        near: Option<&[DVector<f64>]>,
        share: f64,
    ) -> Result<Fit, RepeatError> {
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
        let coefficients: Vec<DVector<f64>> = self.values.iter().enumerate().map(solved).collect();
        let residuals = coefficients
            .iter()
            .zip(self.values)
            .map(|(c, values)| {
                let mut left: Vec<f64> = values.iter().zip(equations.models(c)).map(|(v, m)| v - m).collect();
                let offsets = equations.offsets(&left);
                left.iter_mut().zip(&self.layout.star_of).for_each(|(left, star)| *left -= offsets[*star]);
                left
            })
            .collect();
        Ok(Fit {
            fitted_variance: equations.fitted_variances(&blocks)?,
            prior: equations.prior,
            coefficients,
            blocks,
            residuals,
            variances: variances.to_vec(),
            weights: robust.to_vec(),
            offset_variance: None,
        })
    }

    /// Rms over the components of the residual over its standard deviation. Of a row with robust
    /// weight u, noise v and fitted variance g that is `v + (1 - 2u) g`: a row inside the fit
    /// is drawn to it, one left out is not.
    fn distances(&self, fit: &Fit) -> Vec<f64> {
        (0..self.rows.len())
            .map(|i| {
                let square = fit.residuals.iter().map(|r| r[i] * r[i]).sum::<f64>();
                let v = fit.variances[i];
                let variance = (v + (1.0 - 2.0 * fit.weights[i]) * fit.fitted_variance[i]).max(0.05 * v);
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
    fn offset_prior(&self, fit: &Fit, prior: &mut [f64]) -> f64 {
        let equations = self.equations(fit.row_weights(), vec![0.0; self.layout.rows_of_star.len()]);
        let mut means: Vec<Vec<f64>> = vec![];
        for (c, values) in fit.coefficients.iter().zip(self.values) {
            let left: Vec<f64> = values.iter().zip(equations.models(c)).map(|(v, m)| v - m).collect();
            means.push(equations.offsets(&left));
        }
        let noise: Vec<Option<f64>> = self
            .layout
            .rows_of_star
            .iter()
            .map(|rows| {
                let total: f64 = rows.iter().map(|i| equations.weights[*i]).sum();
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
            self.equations(equations.weights.clone(), fit.prior.clone()).informative_weights().iter().sum();
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

    /// The noise check of a fit (whose variances are the stated ones, or raised by a floor), on the rows that
    /// were not rejected, each at full weight.
    pub(super) fn check_noise(&self, fit: &Fit, stated: &[f64]) -> Result<NoiseCheck, RepeatError> {
        let variances = &fit.variances;
        let full = fit.weights.iter().zip(variances).map(|(u, v)| if *u > 0.0 { 1.0 / v } else { 0.0 });
        let equations = self.equations(full.collect(), fit.prior.clone());
        let blocks = equations.exposure_covariances()?;
        let fitted = equations.fitted_variances(&blocks)?;
        let leverage: Vec<f64> = fitted.iter().zip(variances).map(|(g, v)| (g / v).min(1.0)).collect();
        let used: Vec<usize> =
            (0..self.rows.len()).filter(|i| fit.weights[*i] > 0.0 && leverage[*i] < 0.99).collect();
        let residuals: Vec<Residual> = used
            .iter()
            .map(|&i| Residual {
                star: self.rows[i].star,
                exposure: self.rows[i].exposure,
                x: self.rows[i].x,
                y: self.rows[i].y,
                value: [fit.residuals[0][i], fit.residuals.get(1).map_or(0.0, |r| r[i])],
                variance: variances[i],
                leverage: leverage[i],
            })
            .collect();
        let stated: Vec<f64> = used.iter().map(|&i| stated[i]).collect();
        let left = 1.0 - 1.0 / self.exposures as f64;
        let k = self.functions;
        let induced = |i: usize, j: usize| {
            let (a, b) = (used[i], used[j]);
            let phi = |row: usize| &self.layout.phi[row * k..(row + 1) * k];
            -left * bilinear(&blocks[self.layout.exposure_of[a]], phi(b), phi(a))
        };
        Ok(check(&residuals, &stated, self.exposures, self.values.len(), induced))
    }

    pub(super) fn into_change(self, fit: Fit, noise_check: NoiseCheck) -> Result<Change, RepeatError> {
        let (n, k, q) = (self.exposures, self.functions, self.values.len());
        let equations = self.equations(fit.row_weights(), fit.prior.clone());
        let exposure_covariance = fit.blocks;
        let mut stacked = fit.coefficients.clone();
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
            for (u, t) in fit.weights.iter().zip(&self.layout.exposure_of) {
                counts[*t] += usize::from((*u > 0.0) == wanted);
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
            offset_variance: fit.offset_variance,
            stars_used: count(true),
            rejected: count(false),
            weights: fit.weights,
            modes,
        })
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

pub(super) fn check_rows(exposures: usize, rows: &[Row], values: &[Vec<f64>]) -> Result<(), RepeatError> {
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
    for component in values {
        if component.len() != rows.len() {
            return Err(RepeatError::LengthMismatch {
                what: "a component",
                found: component.len(),
                expected: rows.len(),
            });
        }
    }
    for (i, row) in rows.iter().enumerate() {
        let bad = |what| Err(RepeatError::BadRow { row: i, what });
        if row.exposure >= exposures {
            return bad("its exposure is beyond the last one");
        }
        if !(row.x.is_finite() && row.y.is_finite()) {
            return bad("its position is not finite");
        }
        if !(row.sigma > 0.0 && row.sigma.is_finite()) {
            return bad("its error is not a finite number above zero");
        }
        if values.iter().any(|v| !v[i].is_finite()) {
            return bad("its value is not finite");
        }
    }
    Ok(())
}
